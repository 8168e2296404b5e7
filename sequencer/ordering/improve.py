"""Makes a gated way shorter, step by step: waits are loosened, stops left out or moved, as long as all stays free."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from math import ceil, floor, inf
from time import perf_counter

from sequencer.ordering.gated import Clock, Free, GatedPlan, Progress
from sequencer.ordering.readable import readable, step_of

GAIN = 1e-3
"""A change that saves less than this [s] is not made."""

MOST_ROUNDS = 40
"""So many changes are made at most."""

LATEST = 2.0
"""A gate is so many position tolerances before the end of a leg, or it waits for the end [1]."""


class Improver:
    """Changes that keep a way free.

    Args:
        clock: how long ways take.
        free: which boxes are free.
        deadline: when to stop, by `time.perf_counter` [s].

    Attributes:
        complete: whether it did not have to stop before the end.
    """

    def __init__(self, clock: Clock, free: Free, deadline: float = inf) -> None:
        self.clock, self.free, self.deadline = clock, free, deadline
        self.complete = True

    def improved(self, plan: GatedPlan) -> GatedPlan:
        """The way when no single change saves time any more, and with no wait that could be left out."""
        duration = self.clock.lasts(plan)
        for _ in range(MOST_ROUNDS):
            if perf_counter() > self.deadline:
                self.complete = False
                break
            best, shortest = None, duration - GAIN
            for changed in self._changes(plan, duration):
                lasts = self.clock.lasts(changed)
                if lasts < shortest:
                    best, shortest = changed, lasts
            if best is None:
                break
            plan, duration = best, shortest
        return self._simplified(plan, duration)

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

        place = self._nearest(other, begin, latest, lambda value: self._waits_enough(waiting(value), leg))
        return plan if place is None else waiting(place)

    def _changes(self, plan: GatedPlan, duration: float) -> Iterator[GatedPlan]:
        """Single changes that keep all free; those that could not save time are not looked for."""
        for leg, waits in plan.waits.items():
            for other in waits:
                if self.clock.lasts(plan.waiting(leg, other, None)) < duration - GAIN:
                    yield self.loosened(plan, leg, other)
        for axis, stops in enumerate(plan.stops):
            for number in range(1, len(stops)):
                shorter = plan.without_stop(axis, number)
                if self.clock.lasts(shorter) < duration - GAIN:
                    if shorter.is_free(self.free, axis, (number,)):
                        yield shorter
                    else:
                        yield from self._moved(plan, axis, number)

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
