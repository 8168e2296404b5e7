"""Looks for the fastest schedule: straight, or by places that one axis or two go by; the best of these made faster."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import combinations, pairwise
from math import inf
from time import perf_counter

import numpy as np

from sequencer.ordering.gated import Clock, Free, Span, middle
from sequencer.ordering.grid import Grid
from sequencer.ordering.improve import SIMPLER, Improver
from sequencer.ordering.lattice import SAME
from sequencer.ordering.readable import rounded
from sequencer.ordering.schedule import Scheduled, Scheduler, Stops

ALONE, IN_PAIRS = 5, 7
"""So many places, evenly over its travel, an axis may go by alone, and when another does too [1]."""

NEARBY = 0.1
"""So far from its ends, as a share of its travel, an axis may go by too [1]."""

APART = 0.04
"""Places that are nearer to each other than this share of the travel count as one [1]."""

GOOD = 1.02
"""A schedule no slower than this times the longest of the axes' own motions is good enough [1]."""

POOR = 1.25
"""One that is slower than this times that is held against some by which two axes go by a place [1]."""

PAIRS = 25
"""So many of these are looked at [1]."""

ROOM = 0.05
"""One that is slower than the best by this [s] may yet become faster."""

KEPT = 3
"""So many are made faster [1]."""

FIRST_TRIES, TRIES = 12, 50
"""So many changes are tried on each of them, and on the best of them after that [1]."""

LONGER = 0.3
"""What time of their own axes need counts beside the longest of them [1]: that order places are tried in."""


Ends = Mapping[int, tuple[float, float]]
"""By axis that can be sent elsewhere, where it begins and where it ends [m or rad]."""


class Seeker:
    """Finds schedules on one machine.

    Args:
        grid: the travel of the axes.
        clock: how long legs take.
        free: which boxes are free.
        known: places of all axes [m or rad] that a way may lead by where neither one axis nor two find any.

    Attributes:
        complete: whether the last search came to its end before its deadline.
    """

    def __init__(self, grid: Grid, clock: Clock, free: Free, known: Sequence[Sequence[float]] = ()) -> None:
        self.grid, self.clock, self.known = grid, clock, known
        self.scheduler = Scheduler(clock, free)
        self.complete = True
        self._travel = [high - low for low, high in zip(grid.low, grid.high, strict=True)]
        self._deadline = inf

    def best(
        self, start: Sequence[Span], stops: Stops, still: Sequence[int], least: float, deadline: float = inf
    ) -> Scheduled | None:
        """The fastest schedule found; None if none was.

        Args:
            start: where each axis may stand at first [m or rad].
            stops: the end of each axis that moves [m or rad].
            still: axes that cannot be sent elsewhere, since it is not known where they stand.
            least: the longest of the axes' own motions [s].
            deadline: when to stop, by `time.perf_counter` [s].
        """
        self.complete, self._deadline = True, deadline
        self.scheduler.forget()
        if self._late():
            return None
        straight = self.scheduler.fastest(start, stops)
        found = [] if straight is None else [straight]
        ends = {
            axis: (middle(span), stops[axis][-1] if stops[axis] else middle(span))
            for axis, span in enumerate(start)
            if axis not in still
        }
        if not found or found[0].value > GOOD * least:
            found = self._found(start, self._by_one(stops, ends, least), found)
        if not found or found[0].value > POOR * least:
            found = self._found(start, self._by_two(stops, ends, least), found)
        if not found:
            found = self._found(start, self._by_known(stops, ends), found)
        if len(found) > 1:
            found = sorted((self._improved(start, one, FIRST_TRIES) for one in found), key=_cost)[:1]
        return self._improved(start, found[0], TRIES) if found else None

    def faster(self, start: Sequence[Span], one: Scheduled, deadline: float = inf) -> Scheduled:
        """A schedule made faster."""
        self.complete, self._deadline = True, deadline
        return self._improved(start, one, TRIES)

    def _found(
        self, start: Sequence[Span], others: Sequence[tuple[float, Stops]], found: list[Scheduled]
    ) -> list[Scheduled]:
        """The best schedules, of those that there are and for other stops."""
        for time, stops in others:
            most = found[0].value if found else inf
            if time >= SIMPLER * most:
                continue
            if self._late():
                break
            one = self.scheduler.fastest(start, stops, min(most + ROOM, found[-1].value if len(found) == KEPT else inf))
            if one is not None:
                found = sorted([*found, one], key=lambda one: one.value)[:KEPT]
        return found

    def _improved(self, start: Sequence[Span], one: Scheduled, tries: int) -> Scheduled:
        improver = Improver(self.scheduler, self.grid, start, one, tries, self._deadline)
        better = improver.improve()
        self.complete &= improver.complete
        return better

    def _by_one(self, stops: Stops, ends: Ends, least: float) -> list[tuple[float, Stops]]:
        """Stops with which one axis goes by a place, in the order of the least time that this takes [s]."""
        return sorted(
            (max(time, least), _with(stops, {axis: (place, end)}))
            for axis, (begin, end) in ends.items()
            for time, place in self._by(axis, begin, end, ALONE, NEARBY)
        )

    def _by_two(self, stops: Stops, ends: Ends, least: float) -> list[tuple[float, Stops]]:
        """The same for two axes, the most promising first; they do not both only pause on their way."""
        by = {axis: self._by(axis, begin, end, IN_PAIRS) for axis, (begin, end) in ends.items()}
        found = [
            (
                max(time, other, least) + LONGER * (time + other),
                max(time, other, least),
                _with(stops, {one: (place, ends[one][1]), two: (second, ends[two][1])}),
            )
            for one, two in combinations(ends, 2)
            for time, place in by[one]
            for other, second in by[two]
            if not (_between(place, *ends[one]) and _between(second, *ends[two]))
        ]
        return [(time, one) for _, time, one in sorted(found)[:PAIRS]]

    def _by_known(self, stops: Stops, ends: Ends) -> list[tuple[float, Stops]]:
        """The same for all axes, by the known places."""
        found = []
        for places in self.known:
            time, by = 0.0, dict[int, tuple[float, ...]]()
            for axis, (begin, end) in ends.items():
                way = [one for one in pairwise((begin, places[axis], end)) if abs(one[0] - one[1]) > SAME]
                by[axis] = tuple(after for _, after in way)
                time = max(time, sum(self.clock.leg(axis, *one) for one in way))
            found.append((time, _with(stops, by)))
        return sorted(found)

    def _by(self, axis: int, begin: float, end: float, count: int, near: float = 0.0) -> list[tuple[float, float]]:
        """Places that an axis may go by, each with the time that this takes it by itself [s]."""
        kind, travel = self.clock.axes[axis].kind, self._travel[axis]
        beside = [at + sign * near * travel for at in (begin, end) for sign in (1.0, -1.0)] if near else []
        found: list[float] = []
        for place in (*beside, *np.linspace(self.grid.low[axis], self.grid.high[axis], count).tolist()):
            place = min(max(rounded(kind, place), self.grid.low[axis]), self.grid.high[axis])
            if all(abs(place - other) >= APART * travel for other in (begin, end, *found)):
                found.append(place)
        return [(self.clock.leg(axis, begin, place) + self.clock.leg(axis, place, end), place) for place in found]

    def _late(self) -> bool:
        late = perf_counter() > self._deadline
        self.complete &= not late
        return late


def _cost(found: Scheduled) -> float:
    """What is compared of schedules: each leg beyond the first of an axis has to save its share."""
    more = sum(max(len(mine) - 1, 0) for mine in found.stops)
    return found.value / SIMPLER**more


def _between(place: float, begin: float, end: float) -> bool:
    return min(begin, end) < place < max(begin, end)


def _with(stops: Stops, by: Mapping[int, tuple[float, ...]]) -> Stops:
    return tuple(by.get(axis, mine) for axis, mine in enumerate(stops))
