"""Legs put one after the other into a plan, each to begin as soon as it may.

What is decided beforehand is where axes stop and in which sequence their legs are placed. A leg that is placed waits
for how far the others are at the time when it begins: more cannot be asked of them without losing time. So it is one
number that is looked for, the earliest time at which all boxes are free that the leg may meet others in.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise, product
from math import ceil, floor, inf
from typing import NamedTuple

from profiles import Profile
from sequencer.ordering.gated import Clock, Free, GatedPlan, Progress, Span, middle
from sequencer.ordering.readable import readable, step_of

LATEST = 2.0
"""A gate is so many position tolerances before the end of a leg, or it waits for the end [1]."""

NEAR = 0.004
"""The time at which a leg may begin is found to within this [s]."""

EACH = 0.02
"""What each axis' own end counts beside the last of them [1]: of ways that take the same time the one in which the
others are earlier leads on."""

MOST_PLACED = 2000
"""So many legs are placed at most in a search for the best sequence [1]."""

Stops = tuple[tuple[float, ...], ...]
"""By axis, where its legs end [m or rad]."""


class Leg(NamedTuple):
    """What is known of a leg before it is placed.

    Attributes:
        begin, end: where it begins and ends [m or rad].
        low, high: where the axis may be in it or at rest after it [m or rad].
        last: the last place on it that may be waited for [m or rad].
        motion: its motion, from where it begins.
        lasts: how long it takes, settling included [s].
        rest: how long the legs of the axis after it take at least [s].
    """

    begin: float
    end: float
    low: float
    high: float
    last: float
    motion: Profile
    lasts: float
    rest: float


class Placed(NamedTuple):
    """A leg that has been placed: when it begins and is done [s], and how far others must be before."""

    leg: Leg
    starts: float
    ends: float
    waits: dict[int, Progress]


class Scheduled(NamedTuple):
    """A plan as it was placed.

    Attributes:
        value: its time and, a little, that of each axis [s]; what is searched for is the least.
        stops: where axes stop.
        sequence: the axes in the order in which their legs were placed.
        legs: the legs by axis.
    """

    value: float
    stops: Stops
    sequence: tuple[int, ...]
    legs: tuple[tuple[Placed, ...], ...]

    def plan(self, start: Sequence[Span]) -> GatedPlan:
        """The plan as such."""
        waits = {
            (axis, number): dict(leg.waits)
            for axis, legs in enumerate(self.legs)
            for number, leg in enumerate(legs, 1)
            if leg.waits
        }
        return GatedPlan(tuple(start), self.stops, waits)


class Scheduler:
    """Places the legs of plans of one machine.

    Args:
        clock: how long legs take.
        free: which boxes are free; plans have most of their boxes in common, so answers are remembered.

    Attributes:
        spare: by axis, how far before the end of a leg a gate lies at least [m or rad].
    """

    def __init__(self, clock: Clock, free: Free) -> None:
        self.clock = clock
        self._ask, self._known = free, dict[tuple[float, ...], bool]()
        self._ahead: dict[tuple[int, Span, tuple[float, ...]], list[Leg]] = {}
        self._kinds = [axis.kind for axis in clock.axes]
        self._steps = [step_of(kind) for kind in self._kinds]
        self.spare = [LATEST * axis.tolerance.position for axis in clock.axes]

    def forget(self) -> None:
        """Forget the answers and legs of a start that is done with: other starts have other boxes."""
        self._known.clear()
        self._ahead.clear()

    def scheduled(
        self,
        start: Sequence[Span],
        stops: Stops,
        sequence: Sequence[int],
        most: float = inf,
        like: Scheduled | None = None,
    ) -> Scheduled | None:
        """The legs placed in a sequence; None if one has no place, or if the value would be no less than `most` [s].

        Args:
            start: where each axis may stand at first [m or rad].
            stops: where the legs end [m or rad].
            sequence: the axes, each as often as it has legs.
            most: the value that is too much [s].
            like: a schedule from the same start; what begins as it does is taken from it.
        """
        ahead = [self._legs(axis, start[axis], mine) for axis, mine in enumerate(stops)]
        placed: list[list[Placed]] = [[] for _ in stops]
        known = 0
        if like is not None:
            for axis, same in zip(sequence, like.sequence, strict=False):
                number = len(placed[axis])
                if axis != same or not _alike(ahead[axis][number], like.legs[axis][number].leg):
                    break
                placed[axis].append(like.legs[axis][number])
                known += 1
        ceiling = most - EACH * _alone(ahead)
        for axis in sequence[known:]:
            one = self._placed(start, ahead, placed, axis, ceiling)
            if one is None:
                return None
            placed[axis].append(one)
        value = _value(placed)
        return None if value >= most else _scheduled(value, stops, sequence, placed)

    def fastest(self, start: Sequence[Span], stops: Stops, most: float = inf) -> Scheduled | None:
        """The legs placed in the best sequence; None if none has less value than `most` [s].

        Sequences with the same beginning share it; a beginning in which no leg begins earlier than in one before with
        the same legs leads no further. Of many legs not all sequences are looked at.
        """
        ahead = [self._legs(axis, start[axis], mine) for axis, mine in enumerate(stops)]
        placed: list[list[Placed]] = [[] for _ in stops]
        count = sum(len(mine) for mine in stops)
        slowest_first = sorted((axis for axis, mine in enumerate(ahead) if mine), key=lambda axis: -_needs(ahead[axis]))
        seen: dict[tuple[int, ...], list[tuple[float, ...]]] = {}
        sequence: list[int] = []
        best: Scheduled | None = None
        alone, left = EACH * _alone(ahead), MOST_PLACED

        def deepen() -> None:
            nonlocal best, most, left
            if len(sequence) == count:
                value = _value(placed)
                if value < most:
                    best, most = _scheduled(value, stops, sequence, placed), value
                return
            times = tuple([mine[-1].ends for mine in placed if mine])
            known = seen.setdefault(tuple([len(mine) for mine in placed]), [])
            for before in known:
                for earlier, time in zip(before, times, strict=True):
                    if earlier > time:
                        break
                else:
                    return
            known.append(times)
            for axis in slowest_first:
                if len(placed[axis]) < len(stops[axis]) and left > 0:
                    left -= 1
                    one = self._placed(start, ahead, placed, axis, most - alone)
                    if one is not None:
                        placed[axis].append(one)
                        sequence.append(axis)
                        deepen()
                        sequence.pop()
                        placed[axis].pop()

        deepen()
        return best

    def _legs(self, axis: int, start: Span, stops: tuple[float, ...]) -> list[Leg]:
        key = (axis, start, stops)
        found = self._ahead.get(key)
        if found is None:
            found, begin, low, high = [], middle(start), *start
            ends = list(pairwise((begin, *stops)))
            lasts = [self.clock.leg(axis, *one) for one in ends]
            for number, (begin, end) in enumerate(ends):
                sign = 1.0 if end >= begin else -1.0
                last = sign * (min(stop * sign for stop in stops[number:]) - self.spare[axis])
                motion = self.clock.motion(axis, end - begin)
                found.append(
                    Leg(
                        begin, end, min(low, end), max(high, end), last, motion, lasts[number], sum(lasts[number + 1 :])
                    )
                )
                low = high = end
            self._ahead[key] = found
        return found

    def _placed(
        self,
        start: Sequence[Span],
        ahead: Sequence[Sequence[Leg]],
        placed: Sequence[Sequence[Placed]],
        axis: int,
        ceiling: float,
    ) -> Placed | None:
        """The next leg of an axis, as early as it may begin beside those that are placed; None if it cannot or if the
        axis would not be done before a time [s]."""
        number = len(placed[axis])
        leg = ahead[axis][number]
        early = placed[axis][-1].ends if number else 0.0
        late = ceiling - leg.lasts - leg.rest
        if early >= late:
            return None
        firsts, box = _hull(start, placed, axis, leg, early)
        if self._free(box):
            done = {mover: Progress(number) for mover, number in enumerate(firsts) if number and mover != axis}
            return Placed(leg, early, early + leg.lasts, done)
        meetings = self._meetings(start, placed, axis, leg, firsts)
        waits = self._fitting(placed, axis, meetings, early)
        starts = early
        if waits is None:
            for mine in placed:
                if mine and mine[-1].ends > starts:
                    starts = mine[-1].ends
            late = min(late, starts)
            waits = self._fitting(placed, axis, meetings, late) if late > early else None
            if waits is None:
                return None
            while late - early > NEAR:
                between = 0.5 * (early + late)
                found = self._fitting(placed, axis, meetings, between)
                if found is None:
                    early = between
                else:
                    late, waits = between, found
            starts = late
        return Placed(leg, starts, starts + leg.lasts, waits)

    def _meetings(
        self, start: Sequence[Span], placed: Sequence[Sequence[Placed]], axis: int, leg: Leg, firsts: Sequence[int]
    ) -> list[tuple[tuple[int, ...], list[float]]]:
        """The legs that others may be in while an axis is in one of its own, from some leg of each on, and the boxes of
        that: lowest and highest by turns."""
        waits, counts, spans = [], [], []
        for mover, mine in enumerate(placed):
            if mover == axis:
                counts.append(range(1))
                spans.append([(leg.low, leg.high)])
                continue
            first = firsts[mover]
            counts.append(range(first, len(mine) + 1))
            spans.append([start[mover], *[(one.leg.low, one.leg.high) for one in mine]])
            for number in range(max(first, 1), len(mine) + 1):
                for other, far in mine[number - 1].waits.items():
                    if other != axis:
                        waits.append((mover, number, other, far))
        found = []
        for numbers in product(*counts):
            box: list[float] = []
            for one_of, number in zip(spans, numbers, strict=True):
                box += one_of[number]
            for mover, number, other, far in waits:
                if numbers[mover] == number and numbers[other] <= far.leg:
                    if numbers[other] < far.leg:
                        break
                    _narrow(box, other, placed[other][far.leg - 1].leg, far.place)
            else:
                found.append((numbers, box))
        return found

    def _fitting(
        self,
        placed: Sequence[Sequence[Placed]],
        axis: int,
        meetings: list[tuple[tuple[int, ...], list[float]]],
        time: float,
    ) -> dict[int, Progress] | None:
        """What a leg that begins at a time waits for; None if not all boxes are free then."""
        waits: dict[int, Progress] = {}
        if time > 0.0:
            for other, mine in enumerate(placed):
                if mine and other != axis:
                    far = self._far(other, mine, time)
                    if far is not None:
                        waits[other] = far
        for place, (numbers, box) in enumerate(meetings):
            left = box
            for other, far in waits.items():
                if numbers[other] <= far.leg:
                    if numbers[other] < far.leg:
                        break
                    if left is box:
                        left = box.copy()
                    _narrow(left, other, placed[other][far.leg - 1].leg, far.place)
            else:
                if not self._free(left):
                    if place:  # asked first next time: what is in the way now is so a little later too
                        meetings.insert(0, meetings.pop(place))
                    return None
        return waits

    def _free(self, box: list[float]) -> bool:
        key = tuple(box)
        found = self._known.get(key)
        if found is None:
            found = self._known[key] = self._ask(key[::2], key[1::2])
        return found

    def _far(self, axis: int, mine: Sequence[Placed], time: float) -> Progress | None:
        """How far an axis is at a time, as far as that stays true for good; None if it may not have begun."""
        for number in range(len(mine), 0, -1):
            leg, starts, ends, _ = mine[number - 1]
            if ends <= time:
                return Progress(number)
            local = time - starts - self.clock.latency[axis]
            if local <= 0.0:
                continue
            place = leg.begin + leg.motion.at(local).position if local < leg.motion.duration else leg.end
            if leg.end >= leg.begin:
                place = readable(self._kinds[axis], floor(min(place, leg.last) / self._steps[axis] + 1e-9))
                begun = place > leg.begin
            else:
                place = readable(self._kinds[axis], ceil(max(place, leg.last) / self._steps[axis] - 1e-9))
                begun = place < leg.begin
            if begun:
                return Progress(number, place)
            return Progress(number - 1) if number > 1 else None
        return None


def _hull(
    start: Sequence[Span], placed: Sequence[Sequence[Placed]], axis: int, leg: Leg, early: float
) -> tuple[list[int], list[float]]:
    """The first leg that each axis can be in from a time on while one is in a leg, and a box of all places."""
    firsts: list[int] = []
    box: list[float] = []
    for mover, mine in enumerate(placed):
        number = len(mine)
        low, high = start[mover] if mover != axis else (leg.low, leg.high)
        if number and mover != axis:
            while number and mine[number - 1].ends > early:
                number -= 1
            if number:
                low = high = mine[number - 1].leg.end
            for one in mine[number:]:
                place = one.leg.end
                if place < low:
                    low = place
                elif place > high:
                    high = place
        firsts.append(number)
        box.append(low)
        box.append(high)
    return firsts, box


def _alike(one: Leg, other: Leg) -> bool:
    """Whether two legs from the same start are placed alike."""
    return one is other or (one.begin == other.begin and one.end == other.end and one.last == other.last)


def _needs(legs: Sequence[Leg]) -> float:
    """What an axis needs by itself [s]."""
    return legs[0].lasts + legs[0].rest


def _alone(ahead: Sequence[Sequence[Leg]]) -> float:
    """The sum of what each axis needs by itself [s]."""
    return sum([_needs(mine) for mine in ahead if mine])


def _value(placed: Sequence[Sequence[Placed]]) -> float:
    ends = [mine[-1].ends for mine in placed if mine]
    return max(ends) + EACH * sum(ends)


def _scheduled(value: float, stops: Stops, sequence: Sequence[int], placed: Sequence[Sequence[Placed]]) -> Scheduled:
    return Scheduled(value, stops, tuple(sequence), tuple(tuple(mine) for mine in placed))


def _narrow(box: list[float], axis: int, leg: Leg, place: float | None) -> None:
    """Take out of a box where an axis is not any more when it is past a place on a leg, or (None) at the end of it."""
    low = 2 * axis
    if place is None:
        box[low] = box[low + 1] = leg.end
    elif leg.end >= leg.begin:
        if place > box[low]:
            box[low] = place
    elif place < box[low + 1]:
        box[low + 1] = place
