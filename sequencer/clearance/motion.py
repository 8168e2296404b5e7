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
from typing import Literal, NamedTuple

from profiles import Profile
from sequencer.clearance.box import Bound, Pair
from sequencer.clearance.course import Course
from sequencer.clearance.tree import Tree

PRECISION = 1e-4
"""The least clearance is enclosed at least so narrowly [m]."""

SHORTEST = 1e-10
"""A span of time is not bisected below this share of the whole [1]."""

EARLIEST_WITHIN = 1e-6
"""The earliest bad instant is found to this precision [s]."""

BUDGET = 100_000
"""So many spans are looked at before giving up [1]."""


@dataclass(frozen=True, slots=True)
class TimedClearance:
    """How near a motion comes if it is punctual.

    Args:
        outcome: `clear`: every pair keeps more than its margin at all times. `conflict`: one does not at `at`.
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
    profiles: Mapping[str, Profile],
    positions: Mapping[str, float],
    until: float | None = None,
    precision: float = PRECISION,
    budget: int = BUDGET,
) -> TimedClearance:
    """The least clearance of axes that follow their profiles from 0 to the end, enclosed from both sides.

    Args:
        tree: where bodies are.
        pairs: the watched pairs, each with its margin.
        profiles: the motion of each axis that moves; one that starts later is `delayed`.
        positions: where the others stand [m or rad], bodies outside too.
        until: the end [s]; by default that of the longest profile.
        precision: how narrowly to enclose the least clearance [m].
        budget: the most spans of time to look at.
    """
    end = max((profile.duration for profile in profiles.values()), default=0.0) if until is None else until
    search = _Search(tree, list(pairs), profiles, positions, end, precision, budget)
    return search.run(motion_digest(profiles))


def motion_digest(profiles: Mapping[str, Profile]) -> str:
    """A digest of the exact profiles: another motion, however near, has another."""
    text = repr([(name, profiles[name].to_data()) for name in sorted(profiles)])
    return sha256(text.encode()).hexdigest()


class _Span(NamedTuple):
    """A span of time of a pair with what it has to spare at least; the heap yields the worst."""

    spare: float
    number: int
    pair: Pair
    begin: float
    end: float


class _Search:
    def __init__(
        self,
        tree: Tree,
        pairs: list[Pair],
        profiles: Mapping[str, Profile],
        positions: Mapping[str, float],
        end: float,
        precision: float,
        budget: int,
    ) -> None:
        self.pairs, self.end, self.precision, self.budget = pairs, end, precision, budget
        self.still = tree.values(positions)
        self.courses = {tree.number(name): Course(profile) for name, profile in profiles.items()}
        self.known: dict[float, list[float]] = {}
        self.numbers = count()
        self.looked = 0
        self.heap: list[_Span] = []
        self.least = float("inf")
        self.distance, self.at, self.pair = float("inf"), 0.0, pairs[0] if pairs else None

    def run(self, digest: str) -> TimedClearance:
        if self.pair is None:
            return TimedClearance("clear", None, 0.0, self.least, self.least, None, digest, 0)
        for pair in self.pairs:
            self._meet(pair, 0.0)
            self._meet(pair, self.end)
            self._look(pair, 0.0, self.end)
        lowest = self.heap[0].spare if self.heap else self.least
        while self.heap:
            worst = self.heap[0]
            lowest = min(worst.spare, self.least)
            known = lowest > 0.0 or self.least <= 0.0
            short = worst.end - worst.begin <= SHORTEST * self.end
            if (known and self.least - lowest <= self.precision) or short or self.looked >= self.budget:
                break
            heappop(self.heap)
            middle = 0.5 * (worst.begin + worst.end)
            self._look(worst.pair, worst.begin, middle)
            self._look(worst.pair, middle, worst.end)
        outcome: Literal["clear", "conflict", "undecided"]
        outcome = "conflict" if self.least <= 0.0 else "clear" if lowest > 0.0 else "undecided"
        bound = min(self.distance, lowest + self.pair.margin)
        bad_from = None if outcome == "clear" else self._earliest()
        return TimedClearance(outcome, self.pair, self.at, self.distance, bound, bad_from, digest, self.looked)

    def _look(self, pair: Pair, begin: float, end: float) -> None:
        spare = self._bound(pair, begin, end).lower - pair.margin
        heappush(self.heap, _Span(spare, next(self.numbers), pair, begin, end))

    def _bound(self, pair: Pair, begin: float, end: float) -> Bound:
        """Over a box around where the axes are in the middle of the span, so that the distance there is met too."""
        self.looked += 1
        time = 0.5 * (begin + end)
        middle = self._positions(time)
        first, last = self._positions(begin), self._positions(end)
        half = [0.0] * len(middle)
        for number in pair.concerns:
            course = self.courses.get(number)
            if course is not None:
                low, high = course.range_with(begin, end, (first[number], last[number]))
                half[number] = max(high - middle[number], middle[number] - low)
        bound = pair.around(middle, half)
        self._note(pair, time, bound.centre)
        return bound

    def _meet(self, pair: Pair, time: float) -> None:
        """The exact distance at an instant."""
        self._note(pair, time, pair.distance(self._positions(time)))

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
            spans = [(0.0, min(self.end, best))]
            left = self.budget
            while spans:
                begin, end = spans.pop()
                if begin >= best:
                    break
                left -= 1
                lower, centre = self._bound(pair, begin, end)
                if lower > pair.margin:
                    continue
                middle = 0.5 * (begin + end)
                if end - begin <= EARLIEST_WITHIN or left <= 0:
                    best = begin
                    break
                if centre > pair.margin:
                    spans.append((middle, end))
                spans.append((begin, middle))
        return best
