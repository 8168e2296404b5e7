"""Makes a gated way shorter, step by step: waits are loosened, stops left out or moved, as long as all stays free."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from math import ceil, floor, inf
from time import perf_counter

from sequencer.ordering.gated import Box, Clock, Free, GatedPlan, Progress
from sequencer.ordering.readable import readable, step_of

GAIN = 1e-3
"""A change that saves less than this [s] is not made."""

MOST_ROUNDS = 40
"""So many changes are made at most."""

EACH = 0.02
"""What each axis' own end counts beside the last of them [1]: of ways that take the same time the one in which the
others are earlier leads on."""

MOST_LEGS = 3
"""An axis with so many legs gets no further stop [1]."""

LATEST = 2.0
"""A gate is so many position tolerances before the end of a leg, or it waits for the end [1]."""


class Improver:
    """Changes that keep a way free.

    Args:
        clock: how long ways take.
        free: which boxes are free.
        stops: whether stops are put in and moved on as well, which takes longer.
        deadline: when to stop, by `time.perf_counter` [s].

    Attributes:
        complete: whether it did not have to stop before the end.
    """

    def __init__(self, clock: Clock, free: Free, deadline: float = inf, stops: bool = False) -> None:
        self.clock, self.deadline, self.stops = clock, deadline, stops
        self.complete = True
        self._ask, self._known = free, dict[Box, bool]()

    def free(self, low: tuple[float, ...], high: tuple[float, ...]) -> bool:
        """Which boxes are free; changes mostly have their boxes in common."""
        box = (low, high)
        found = self._known.get(box)
        if found is None:
            found = self._known[box] = self._ask(low, high)
        return found

    def improved(self, plan: GatedPlan) -> GatedPlan:
        """The way when no single change saves time any more, and with no wait that could be left out."""
        duration = self.clock.lasts(plan)
        for _ in range(MOST_ROUNDS):
            if perf_counter() > self.deadline:
                self.complete = False
                break
            least = self._value(plan) - GAIN
            changes = (one for one in self._changes(plan, duration) if self._value(one) < least)
            better = next((one for one in changes if self.stays_open(one)), None)
            if better is None:
                break
            plan, duration = better, self.clock.lasts(better)
        return self._simplified(plan, duration)

    def stays_open(self, plan: GatedPlan) -> bool:
        """Whether every gate, once true, stays so: what waits for it may come late, and the axis may have gone on."""
        return all(self._stays(plan, other, far) for waits in plan.waits.values() for other, far in waits.items())

    def _stays(self, plan: GatedPlan, axis: int, far: Progress) -> bool:
        if far.place is None:
            return True
        stops = plan.stops[axis][far.leg - 1 :]
        sign = 1.0 if stops[0] >= plan.begin(axis, far.leg) else -1.0
        spare = 0.99 * LATEST * self.clock.axes[axis].tolerance.position
        return all((stop - far.place) * sign >= spare for stop in stops)

    def loosened(self, plan: GatedPlan, leg: tuple[int, int], other: int) -> GatedPlan:
        """The way with one wait as short as it can be."""
        progress = plan.waits[leg][other]
        while True:
            earlier = Progress(progress.leg - 1) if progress.leg > 1 else None
            tried = plan.waiting(leg, other, earlier)
            if not self._waits_enough(tried, leg):
                break
            if earlier is None:
                return tried
            plan, progress = tried, earlier
        begin, end = plan.begin(other, progress.leg), plan.stops[other][progress.leg - 1]
        latest = end - LATEST * self.clock.axes[other].tolerance.position * (1.0 if end >= begin else -1.0)
        if progress.place is not None:
            latest = progress.place

        def waiting(place: float) -> GatedPlan:
            return plan.waiting(leg, other, Progress(progress.leg, place))

        if not self._stays(plan, other, Progress(progress.leg, latest)):
            return plan
        place = self._nearest(other, begin, latest, lambda value: self._waits_enough(waiting(value), leg))
        return plan if place is None else waiting(place)

    def _value(self, plan: GatedPlan) -> float:
        ends = self.clock.last_ends(plan)
        return max(ends) + EACH * sum(ends)

    def _changes(self, plan: GatedPlan, duration: float) -> Iterator[GatedPlan]:
        """Single changes that keep all free; those that could not save time are not looked for."""
        for leg, waits in plan.waits.items():
            for other in waits:
                if self.clock.lasts(plan.waiting(leg, other, None)) < duration - GAIN:
                    yield self.loosened(plan, leg, other)
            if self.stops and waits and len(plan.stops[leg[0]]) < MOST_LEGS:
                at_once = replace(plan, waits={**plan.waits, leg: {}})
                if self.clock.lasts(at_once) < duration - GAIN:
                    yield from self._split(plan, leg)
        for axis, stops in enumerate(plan.stops):
            for number in range(1, len(stops)):
                shorter = plan.without_stop(axis, number)
                if self.clock.lasts(shorter) < duration - GAIN:
                    if shorter.is_free(self.free, axis, (number,)):
                        yield shorter
                    else:
                        yield from self._moved(plan, axis, number)
                        if self.stops:
                            yield from self._moved_on(plan, axis, number)

    def _split(self, plan: GatedPlan, leg: tuple[int, int]) -> Iterator[GatedPlan]:
        """A leg that waits, with a first part that waits for less and goes as far as it may."""
        axis, number = leg
        waits = plan.waits[leg]
        begin, end = plan.begin(axis, number), plan.stops[axis][number - 1]
        least = LATEST * self.clock.axes[axis].tolerance.position
        if abs(end - begin) <= 2.0 * least:
            return
        nearest = begin + (least if end > begin else -least)
        fewer = [{one: far for one, far in waits.items() if one != other} for other in waits]
        for left in [{}, *fewer] if len(waits) > 1 else [{}]:

            def split(place: float, left: Mapping[int, Progress] = left) -> GatedPlan:
                return plan.split(axis, number, place, left)

            def fits(place: float, split: Callable[[float], GatedPlan] = split) -> bool:
                return self._keeps(split(place), axis, number)

            place = self._nearest(axis, end, nearest, fits)
            if place is not None:
                changed = split(place)
                for other in waits:
                    changed = self.loosened(changed, (axis, number + 1), other)
                yield changed

    def _waits_enough(self, plan: GatedPlan, leg: tuple[int, int]) -> bool:
        return plan.is_free(self.free, leg[0], (leg[1],))

    def _moved(self, plan: GatedPlan, axis: int, leg: int) -> Iterator[GatedPlan]:
        """A stop off the direct way, moved towards it."""
        begin, stop, end = plan.begin(axis, leg), plan.stops[axis][leg - 1], plan.stops[axis][leg]
        low, high = min(begin, end), max(begin, end)
        direct = min(max(stop, low), high)
        if direct == stop:
            return
        place = self._nearest(
            axis, direct, stop, lambda value: self._keeps(plan.with_stop(axis, leg, value), axis, leg)
        )
        if place is not None and place != stop:
            yield plan.with_stop(axis, leg, place)

    def _moved_on(self, plan: GatedPlan, axis: int, leg: int) -> Iterator[GatedPlan]:
        """A stop on the direct way, moved on."""
        begin, stop, end = plan.begin(axis, leg), plan.stops[axis][leg - 1], plan.stops[axis][leg]
        if not min(begin, end) < stop < max(begin, end):
            return
        place = self._nearest(axis, end, stop, lambda value: self._keeps(plan.with_stop(axis, leg, value), axis, leg))
        if place is not None and place != stop:
            yield plan.with_stop(axis, leg, place)

    def _keeps(self, plan: GatedPlan, axis: int, leg: int) -> bool:
        """Whether all gates still lie on their legs, and all is free."""
        for waits in plan.waits.values():
            progress = waits.get(axis)
            if progress is not None and progress.place is not None and progress.leg in (leg, leg + 1):
                begin, end = plan.begin(axis, progress.leg), plan.stops[axis][progress.leg - 1]
                if not min(begin, end) < progress.place < max(begin, end):
                    return False
        return plan.is_free(self.free, axis, (leg, leg + 1))

    def _nearest(self, axis: int, begin: float, end: float, fits: Callable[[float], bool]) -> float | None:
        """The readable place nearest to `begin` from which on towards `end` all fit, by bisection; None if not even
        the last fits."""
        kind = self.clock.axes[axis].kind
        step = step_of(kind)
        sign = 1 if end > begin else -1
        first = floor(begin / step) + 1 if sign > 0 else ceil(begin / step) - 1
        last = floor(end / step) if sign > 0 else ceil(end / step)
        if (last - first) * sign < 0 or not fits(readable(kind, last)):
            return None
        while (last - first) * sign > 0:
            middle = (first + last) // 2 if sign > 0 else -((-first - last) // 2)
            if fits(readable(kind, middle)):
                last = middle
            else:
                first = middle + sign
        return readable(kind, last)

    def _simplified(self, plan: GatedPlan, duration: float) -> GatedPlan:
        """Without waits that are not needed, others left as late as they cost no time."""
        for leg, waits in list(plan.waits.items()):
            for other in list(waits):
                tried = plan.waiting(leg, other, None)
                if self._waits_enough(tried, leg) and self.clock.lasts(tried) <= duration + GAIN:
                    plan = tried
        return plan
