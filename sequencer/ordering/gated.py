"""A way as legs of axes that wait for each other: certified by boxes, robust to any lateness.

Every axis has a chain of legs from stop to stop. A leg may wait for how far others are: past a place on one of their
legs (a gate on measured values), or at the end of it. While an axis is in its leg a, or rests after it, every other is
at least as far as that leg waited for. So for each choice of one leg an axis the machine is in one box, whatever is
late, held or begun anew; if all these boxes are free, the way is.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import product
from math import inf
from typing import Any, NamedTuple

from profiles import Profile, s_curve, trapezoid
from sequencer.machine.machine import NANOSECONDS, Machine

Span = tuple[float, float]
Box = tuple[tuple[float, ...], tuple[float, ...]]
Free = Callable[[tuple[float, ...], tuple[float, ...]], bool]


class Progress(NamedTuple):
    """How far an axis is: on its leg number `leg` (from 1) past `place` [m or rad], or (None) at the end of it."""

    leg: int
    place: float | None = None


@dataclass(frozen=True, slots=True)
class GatedPlan:
    """Legs and what they wait for.

    Attributes:
        start: where each axis may stand at first [m or rad].
        stops: by axis, where its legs end; nothing for an axis that does not move.
        waits: by axis and leg number (from 1), by the other axis, how far that must be.
    """

    start: tuple[Span, ...]
    stops: tuple[tuple[float, ...], ...]
    waits: Mapping[tuple[int, int], Mapping[int, Progress]]

    def boxes(self, axis: int | None = None, numbers: Sequence[int] = ()) -> Iterator[Box]:
        """All boxes that the machine may be in, whatever the timing.

        Args:
            axis: an axis of which only some legs are looked at; None: all of all.
            numbers: those legs.
        """
        counts: list[Sequence[int]] = [range(len(stops) + 1) for stops in self.stops]
        if axis is not None:
            counts[axis] = numbers
        spans = [[self._span(axis, leg) for leg in range(len(stops) + 1)] for axis, stops in enumerate(self.stops)]
        waits = [(mover, leg, other, far) for (mover, leg), mine in self.waits.items() for other, far in mine.items()]
        for legs in product(*counts):
            box = [spans[one][leg] for one, leg in enumerate(legs)]
            for mover, leg, other, far in waits:
                if legs[mover] == leg:
                    if legs[other] < far.leg:
                        break
                    if legs[other] == far.leg:
                        box[other] = self._beyond(box[other], other, far)
            else:
                lows, highs = zip(*box, strict=True)
                yield lows, highs

    def is_free(self, free: Free, axis: int | None = None, numbers: Sequence[int] = ()) -> bool:
        """Whether all its boxes are, or those with some legs of an axis."""
        return all(free(low, high) for low, high in self.boxes(axis, numbers))

    def goal(self, axis: int) -> float:
        """Where an axis ends [m or rad]; the middle of where it may stand if it does not move."""
        return self.stops[axis][-1] if self.stops[axis] else middle(self.start[axis])

    def begin(self, axis: int, leg: int) -> float:
        """Where a leg begins [m or rad]."""
        return middle(self.start[axis]) if leg == 1 else self.stops[axis][leg - 2]

    @property
    def legs(self) -> list[tuple[int, int]]:
        """All legs, by axis and number."""
        return [(axis, leg) for axis, stops in enumerate(self.stops) for leg in range(1, len(stops) + 1)]

    @property
    def gates(self) -> int:
        """How many places and ends are waited for."""
        return sum(len(waits) for waits in self.waits.values())

    def waiting(self, leg: tuple[int, int], other: int, progress: Progress | None) -> GatedPlan:
        """The same, with a leg waiting for another axis to be so far, or (None) not at all."""
        waits = {key: dict(value) for key, value in self.waits.items()}
        mine = waits.setdefault(leg, {})
        mine.pop(other, None)
        if progress is not None:
            mine[other] = progress
        return replace(self, waits=waits)

    def explicit(self) -> GatedPlan:
        """The same, with each leg waiting also for what the legs before it waited for, its own and those that it waits
        for, as far as that stays true for good: a proof that looks at two axes at a time needs no third then."""
        waits = {leg: dict(self.waits.get(leg, {})) for leg in self.legs}
        changed = True
        while changed:
            changed = False
            for (axis, leg), mine in waits.items():
                before = [(axis, number) for number in range(1, leg)]
                before += [(other, number) for other, far in mine.items() for number in range(1, far.leg + 1)]
                for other, far in [item for one in before for item in waits[one].items()]:
                    known = mine.get(other)
                    if (
                        other != axis
                        and self._stays(other, far)
                        and (known is None or self._farther(other, far, known))
                    ):
                        mine[other], changed = far, True
        return replace(self, waits={leg: mine for leg, mine in waits.items() if mine})

    def _stays(self, axis: int, far: Progress) -> bool:
        """Whether an axis that was so far never comes back across that place."""
        if far.place is None:
            return True
        stops = self.stops[axis][far.leg - 1 :]
        sign = 1.0 if stops[0] >= self.begin(axis, far.leg) else -1.0
        return all((stop - far.place) * sign > 0.0 for stop in stops)

    def _farther(self, axis: int, one: Progress, other: Progress) -> bool:
        if one.leg != other.leg or other.place is None:
            return one.leg > other.leg
        end = self.stops[axis][one.leg - 1]
        return one.place is None or abs(end - one.place) < abs(end - other.place)

    def to_data(self) -> list[Any]:
        """The plan as plain data that JSON keeps exactly."""
        waits = [
            [axis, leg, [[other, progress.leg, progress.place] for other, progress in mine.items()]]
            for (axis, leg), mine in self.waits.items()
        ]
        return [[list(span) for span in self.start], [list(stops) for stops in self.stops], waits]

    @classmethod
    def from_data(cls, data: Sequence[Any]) -> GatedPlan:
        """The plan that `to_data` was called on."""
        start, stops, waits = data
        return cls(
            tuple((float(low), float(high)) for low, high in start),
            tuple(tuple(float(stop) for stop in ends) for ends in stops),
            {
                (axis, leg): {other: Progress(number, place) for other, number, place in mine}
                for axis, leg, mine in waits
            },
        )

    def _span(self, axis: int, leg: int) -> Span:
        """Where an axis may be in or after a leg (0: it has not begun)."""
        if leg == 0:
            return self.start[axis]
        stop = self.stops[axis][leg - 1]
        begin = self.start[axis] if leg == 1 else (self.stops[axis][leg - 2],) * 2
        return min(begin[0], stop), max(begin[1], stop)

    def _beyond(self, span: Span, axis: int, far: Progress) -> Span:
        """What is left of the span of a leg for who is so far on it."""
        stop = self.stops[axis][far.leg - 1]
        if far.place is None:
            return stop, stop
        low, high = span
        if stop >= self.begin(axis, far.leg):
            return max(low, far.place), high
        return low, min(high, far.place)


def middle(span: Span) -> float:
    """The middle of a span."""
    return 0.5 * (span[0] + span[1])


class Clock:
    """How long a plan takes if all goes punctually, as `sequencer.plan` reckons it: profiles, the tolerance's settle
    time after each leg, and the latency of an axis whose place is waited for.

    Args:
        machine: the machine.
        axes: its axes with a position, in the order of the plans.
    """

    def __init__(self, machine: Machine, axes: Sequence[str]) -> None:
        self.axes = [machine.axes[name] for name in axes]
        self.settle = [axis.tolerance.settle / NANOSECONDS for axis in self.axes]
        self.latency = [axis.latency[1] / NANOSECONDS for axis in self.axes]
        self.period = machine.period / NANOSECONDS
        self._motions: dict[tuple[int, float], Profile] = {}
        self._profiles: dict[tuple[int, float, float], Profile] = {}
        self._passings: dict[tuple[int, float, float, float], float] = {}

    def profile(self, axis: int, begin: float, end: float) -> Profile:
        """The motion of an axis from rest to rest."""
        key = (axis, begin, end)
        found = self._profiles.get(key)
        if found is None:
            found = self._profiles[key] = self._motion(axis, begin, end)
        return found

    def _motion(self, axis: int, begin: float, end: float) -> Profile:
        limits = self.axes[axis].limits
        return trapezoid(begin, end, limits) if limits.jerk is None else s_curve(begin, end, limits)

    def motion(self, axis: int, travel: float) -> Profile:
        """The motion of an axis from rest at 0 to rest at some travel [m or rad], which is the same from anywhere."""
        key = (axis, round(travel, 12))
        found = self._motions.get(key)
        if found is None:
            found = self._motions[key] = self._motion(axis, 0.0, travel)
        return found

    def leg(self, axis: int, begin: float, end: float) -> float:
        """How long a leg takes, settling included [s]."""
        return max(self.motion(axis, end - begin).duration + self.settle[axis], self.period)

    def passing(self, axis: int, begin: float, end: float, place: float) -> float:
        """How long after a leg has begun its axis is known to be past a place [s]."""
        key = (axis, begin, end, place)
        found = self._passings.get(key)
        if found is None:
            motion = self.profile(axis, begin, end)
            time = motion.first_time_at(place)
            found = self._passings[key] = (motion.duration if time is None else time) + self.latency[axis]
        return found

    def lasts(self, plan: GatedPlan) -> float:
        """When the last leg is done [s]; infinite if legs wait for each other in a ring."""
        known: dict[tuple[int, int], float] = {}
        return max((self._end(plan, leg, known) for leg in _last_legs(plan)), default=0.0)

    def ends(self, plan: GatedPlan, leg: tuple[int, int]) -> float:
        """When a leg is done [s]."""
        return self._end(plan, leg, {})

    def begins(self, plan: GatedPlan, leg: tuple[int, int]) -> float:
        """When a leg begins to move [s]."""
        return self._begin(plan, leg, {})

    def _end(self, plan: GatedPlan, leg: tuple[int, int], known: dict[tuple[int, int], float]) -> float:
        axis, number = leg
        begin = self._begin(plan, leg, known)
        return begin + self.leg(axis, plan.begin(axis, number), plan.stops[axis][number - 1])

    def _begin(self, plan: GatedPlan, leg: tuple[int, int], known: dict[tuple[int, int], float]) -> float:
        found = known.get(leg)
        if found is not None:
            return found
        known[leg] = inf  # what is asked for again while it is being worked out waits for itself
        axis, number = leg
        begin = 0.0 if number == 1 else self._end(plan, (axis, number - 1), known)
        for other, progress in plan.waits.get(leg, {}).items():
            begin = max(begin, self._reached(plan, other, progress, known))
            if begin == inf:
                break
        known[leg] = begin
        return begin

    def _reached(self, plan: GatedPlan, axis: int, progress: Progress, known: dict[tuple[int, int], float]) -> float:
        if progress.place is None:
            return self._end(plan, (axis, progress.leg), known)
        begin, end = plan.begin(axis, progress.leg), plan.stops[axis][progress.leg - 1]
        return self._begin(plan, (axis, progress.leg), known) + self.passing(axis, begin, end, progress.place)


def _last_legs(plan: GatedPlan) -> list[tuple[int, int]]:
    return [(axis, len(stops)) for axis, stops in enumerate(plan.stops) if stops]
