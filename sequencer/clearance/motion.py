"""The clearance of a timed motion: certified from below over spans of time, met from above at instants.

Advice, not proof of safety: it holds if everything is punctual. Spans of time are bisected for each pair; over a span
every axis stays in the exact range of its profile, so the certified bound of that box holds for the span.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from hashlib import sha256
from heapq import heappop, heappush
from itertools import count
from types import MappingProxyType
from typing import Literal, NamedTuple

from profiles import Profile
from sequencer.clearance.box import PAD, Pair
from sequencer.clearance.course import Course, Moves
from sequencer.clearance.tree import Tree

PRECISION = 1e-4
"""The least clearance is enclosed at least so narrowly [m]."""

SHORTEST = 1e-10
"""A span of time is not bisected below this share of the whole [1]."""

SMALLEST = 1e-6
"""A range of places over which the distance cannot change by more is not bisected [m]."""

EARLIEST_WITHIN = 1e-6
"""The earliest bad instant is found to this precision [s]."""

BUDGET = 100_000
"""So many spans are looked at before giving up [1]."""


@dataclass(frozen=True, slots=True)
class TimedClearance:
    """How near a motion comes if it is punctual.

    Args:
        outcome: `clear`: every pair keeps more than its margin at all times. `conflict`: one does not at `at`, or by no
            more than rounding.
            `undecided`: neither could be shown.
        pair: the pair that has the least to spare.
        at: the instant at which it was met [s].
        least: its distance then [m].
        bound: what is certain: at no instant has any pair less to spare than this leaves for the pair [m].
        bad_from: the earliest instant from which on it cannot be called clear [s]; None if it is clear.
        motion: a digest of the profiles that this holds for, and for no others.
        spans: how many spans of time were looked at.
    """

    outcome: Literal["clear", "conflict", "undecided"]
    pair: Pair | None
    at: float
    least: float
    bound: float
    bad_from: float | None
    motion: str
    spans: int

    def __repr__(self) -> str:
        if self.pair is None:
            return f"<{self.outcome}, no pairs>"
        names = " and ".join(self.pair.names)
        return f"<{self.outcome}, {names} {self.least:.4g} m apart at {self.at:.4g} s, at least {self.bound:.4g} m>"


def timed_clearance(
    tree: Tree,
    pairs: Iterable[Pair],
    profiles: Mapping[str, Moves],
    positions: Mapping[str, float],
    until: float | None = None,
    since: float = 0.0,
    spans: Mapping[str, tuple[float, float]] = MappingProxyType({}),
    precision: float = PRECISION,
    budget: int = BUDGET,
) -> TimedClearance:
    """The least clearance of axes that follow their profiles over a span of time, enclosed from both sides.

    Args:
        tree: where bodies are.
        pairs: the watched pairs, each with its margin.
        profiles: the motion of each axis that moves: a profile, or the start time [s] and profile of each move.
        positions: where the others stand [m or rad], bodies outside too.
        until: the end [s]; by default that of the last move.
        since: the beginning [s].
        spans: what may stand anywhere from a lowest to a highest place [m or rad], such as bodies outside; the least
            clearance is then that of the worst place.
        precision: how narrowly to enclose the least clearance [m].
        budget: the most spans of time to look at.
    """
    courses = {tree.number(name): Course(moves) for name, moves in profiles.items()}
    end = max((course.duration for course in courses.values()), default=since) if until is None else until
    search = _Search(tree, list(pairs), courses, positions, spans, since, end, precision, budget)
    return search.run(motion_digest(profiles))


def motion_digest(profiles: Mapping[str, Moves]) -> str:
    """A digest of the exact profiles: another motion, however near, has another."""
    chains = {name: [(0.0, moves)] if isinstance(moves, Profile) else moves for name, moves in profiles.items()}
    text = repr([(name, [(start, move.to_data()) for start, move in chains[name]]) for name in sorted(chains)])
    return sha256(text.encode()).hexdigest()


class _Part(NamedTuple):
    """A span of time [s] and (coordinate, lowest, highest) of what may stand anywhere."""

    begin: float
    end: float
    places: tuple[tuple[int, float, float], ...]

    def halves(self, split: int) -> tuple[_Part, _Part]:
        """Bisected: the time for -1, else that coordinate. The earlier half is the first."""
        if split < 0:
            middle = 0.5 * (self.begin + self.end)
            return self._replace(end=middle), self._replace(begin=middle)
        lower, upper = [], []
        for place in self.places:
            number, low, high = place
            middle = 0.5 * (low + high)
            lower.append((number, low, middle) if number == split else place)
            upper.append((number, middle, high) if number == split else place)
        return self._replace(places=tuple(lower)), self._replace(places=tuple(upper))


class _Look(NamedTuple):
    """What is known of a part: a lower bound and the distance in its middle [m], and what to bisect (None: nothing)."""

    lower: float
    centre: float
    split: int | None


class _Span(NamedTuple):
    """A span of time of a pair with what it has to spare at least; the heap yields the worst."""

    spare: float
    number: int
    pair: Pair
    part: _Part
    split: int | None


class _Search:
    def __init__(
        self,
        tree: Tree,
        pairs: list[Pair],
        courses: Mapping[int, Course],
        positions: Mapping[str, float],
        spans: Mapping[str, tuple[float, float]],
        begin: float,
        end: float,
        precision: float,
        budget: int,
    ) -> None:
        self.pairs, self.begin, self.end, self.precision, self.budget = pairs, begin, end, precision, budget
        self.still = tree.values(positions)
        self.courses = courses
        self.places = tuple((tree.number(name), low, high) for name, (low, high) in spans.items())
        self.shortest = SHORTEST * (end - begin)
        self.known: dict[float, list[float]] = {}
        self.numbers = count()
        self.looked = 0
        self.heap: list[_Span] = []
        self.least = float("inf")
        self.distance, self.at, self.pair = float("inf"), begin, pairs[0] if pairs else None

    def run(self, digest: str) -> TimedClearance:
        if self.pair is None:
            return TimedClearance("clear", None, 0.0, self.least, self.least, None, digest, 0)
        whole = _Part(self.begin, self.end, self.places)
        for pair in self.pairs:
            self._ends(pair)
            self._push(pair, whole)
        lowest = self.heap[0].spare if self.heap else self.least
        while self.heap:
            worst = self.heap[0]
            lowest = min(worst.spare, self.least)
            known = lowest > 0.0 or self.least <= PAD
            done = known and self.least - lowest <= self.precision
            if done or worst.split is None or self.looked >= self.budget:
                break
            heappop(self.heap)
            for half in worst.part.halves(worst.split):
                self._push(worst.pair, half)
        outcome: Literal["clear", "conflict", "undecided"]
        outcome = "conflict" if self.least <= PAD else "clear" if lowest > 0.0 else "undecided"
        bound = min(self.distance, lowest + self.pair.margin)
        bad_from = None if outcome == "clear" else self._earliest()
        return TimedClearance(outcome, self.pair, self.at, self.distance, bound, bad_from, digest, self.looked)

    def _push(self, pair: Pair, part: _Part) -> None:
        look = self._look(pair, part)
        heappush(self.heap, _Span(look.lower - pair.margin, next(self.numbers), pair, part, look.split))

    def _look(self, pair: Pair, part: _Part) -> _Look:
        """Over a box around where the axes are in the middle of the span, so that the distance there is met too."""
        self.looked += 1
        begin, end, places = part
        time = 0.5 * (begin + end)
        middle = self._positions(time)
        first, last = self._positions(begin), self._positions(end)
        half = [0.0] * len(middle)
        change, split, most = 0.0, None, 0.0
        for number in pair.concerns:
            course = self.courses.get(number)
            if course is not None:
                low, high = course.range_with(begin, end, (first[number], last[number]))
                half[number] = max(high - middle[number], middle[number] - low)
                change += pair.lipschitz[number] * half[number]
        if change > 0.0 and end - begin > self.shortest:
            split, most = -1, change
        if places:
            middle = list(middle)
            for number, low, high in places:
                middle[number], half[number] = 0.5 * (low + high), 0.5 * (high - low)
                change = pair.lipschitz[number] * half[number]
                if change > most and change > SMALLEST:
                    split, most = number, change
        lower, centre = pair.around(middle, half)
        self._note(pair, time, centre)
        return _Look(lower, centre, split)

    def _ends(self, pair: Pair) -> None:
        """The exact distances at the first and the last instant."""
        for time in (self.begin, self.end):
            values = list(self._positions(time))
            for number, low, high in self.places:
                values[number] = 0.5 * (low + high)
            self._note(pair, time, pair.distance(values))

    def _note(self, pair: Pair, time: float, distance: float) -> None:
        if distance - pair.margin < self.least:
            self.least = distance - pair.margin
            self.distance, self.at, self.pair = distance, time, pair

    def _positions(self, time: float) -> Sequence[float]:
        found = self.known.get(time)
        if found is None:
            found = list(self.still)
            for number, course in self.courses.items():
                found[number] = course.at(time)
            self.known[time] = found
        return found

    def _earliest(self) -> float:
        """Before it every pair is certainly clear. Spans are taken in the order of time, the first half first."""
        best = self.end
        for pair in self.pairs:
            parts = [_Part(self.begin, best, self.places)]
            left = self.budget
            while parts:
                part = parts.pop()
                if part.begin >= best:
                    continue
                left -= 1
                look = self._look(pair, part)
                if look.lower > pair.margin:
                    continue
                if look.centre <= pair.margin + PAD:
                    best = min(best, 0.5 * (part.begin + part.end))
                short = part.end - part.begin <= EARLIEST_WITHIN and look.split == -1
                if look.split is None or short or left <= 0:
                    best = min(best, part.begin)
                    continue
                first, second = part.halves(look.split)
                parts += [second, first]
        return best
