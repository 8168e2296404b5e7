"""Makes a schedule faster, step by step: legs begun while they wait, axes sent out of the way, stops shifted."""

from __future__ import annotations

from collections.abc import Sequence
from math import inf
from time import perf_counter

from sequencer.ordering.gated import Span, middle
from sequencer.ordering.grid import Grid
from sequencer.ordering.readable import rounded
from sequencer.ordering.schedule import Scheduled, Scheduler, Stops

GAIN = 1e-3
"""A change that saves less than this [s] is not made."""

SIMPLER = 0.98
"""A stop has to save so much that no more than this share of the time is left [1]."""

WORTH = 0.995
"""As long as all changes together leave no more than this share of the time they are tried once more [1]."""

MOST_LEGS = 3
"""An axis with so many legs gets no further stop [1]."""

WAITING = 0.02
"""A leg that waits for longer than this [s] may be begun before."""

BEGUN = 0.08
"""The share of such a leg that is gone before, at first [1]."""

BEYOND = (0.05, 0.15)
"""How far an axis is sent beyond its end, for others to pass, as a share of its travel [1]."""

SHIFTS = (0.12, 0.04, 0.012)
"""How far stops are shifted, as a share of the travel [1]."""


class Improver:
    """Changes one schedule as long as that makes it faster.

    Args:
        scheduler: places legs.
        grid: the travel of the axes.
        start: where each axis may stand at first [m or rad].
        first: the schedule.
        tries: how many changes are tried at most.
        deadline: when to stop, by `time.perf_counter` [s].

    Attributes:
        best: the fastest so far.
        complete: whether it did not have to stop because of the deadline.
    """

    def __init__(
        self,
        scheduler: Scheduler,
        grid: Grid,
        start: Sequence[Span],
        first: Scheduled,
        tries: int,
        deadline: float = inf,
    ) -> None:
        self.scheduler, self.grid, self.start = scheduler, grid, start
        self.best, self.complete = first, True
        self._tries, self._deadline = tries, deadline

    def improve(self) -> Scheduled:
        """The schedule when none of the changes saves time any more, or enough were tried."""
        before = inf
        shares: tuple[float, ...] = SHIFTS
        while self.best.value < WORTH * before and self._tries > 0:
            before = self.best.value
            self._begin_earlier()
            if shares == SHIFTS:
                self._go_beyond()
            self._shift(shares)
            if before == self.best.value and shares != SHIFTS:
                break
            self._swap()
            self._leave_out()
            shares = SHIFTS[1:]
        self._tries = max(self._tries, 0) + sum(len(mine) for mine in self.best.stops)
        self._leave_out(SIMPLER)
        return self.best

    def _tried(self, stops: Stops, sequence: Sequence[int], share: float = 1.0) -> bool:
        """Whether a change is made: it is if the rest is less than before by the gain, or within a share."""
        if self._tries <= 0:
            return False
        if perf_counter() > self._deadline:
            self.complete, self._tries = False, 0
            return False
        self._tries -= 1
        found = self.scheduler.scheduled(self.start, stops, sequence, self.best.value / share - GAIN, self.best)
        if found is not None:
            self.best = found
        return found is not None

    def _last_first(self) -> list[int]:
        """The axes that move, those that are done last first."""
        ends = {axis: legs[-1].ends for axis, legs in enumerate(self.best.legs) if legs}
        return sorted(ends, key=lambda axis: -ends[axis])

    def _begin_earlier(self) -> None:
        """Stops put in at the beginning of legs that wait."""
        for axis in self._last_first():
            number = 0
            while number < len(self.best.stops[axis]) < MOST_LEGS:
                self._begun_earlier(axis, number)
                number += 1

    def _begun_earlier(self, axis: int, number: int) -> None:
        best = self.best
        leg, starts, _, _ = best.legs[axis][number]
        if starts <= (best.legs[axis][number - 1].ends if number else 0.0) + WAITING:
            return
        sign, spare = (1.0 if leg.end >= leg.begin else -1.0), self.scheduler.spare[axis]
        share = BEGUN * (leg.end - leg.begin)
        stop = self._readable(axis, leg.begin + (share if abs(share) >= spare else 2.0 * spare * sign))
        if (stop - leg.begin) * sign < spare or (leg.end - stop) * sign < spare:
            return
        before = [place for place, one in enumerate(best.sequence) if one == axis]
        at = before[number - 1] + 1 if number else 0
        self._tried(self._with_stop(axis, number, stop), (*best.sequence[:at], axis, *best.sequence[at:]))

    def _go_beyond(self) -> None:
        """Axes sent beyond their end, and back."""
        for axis in self._last_first():
            for share in BEYOND:
                mine = self.best.stops[axis]
                if len(mine) >= MOST_LEGS:
                    break
                leg = self.best.legs[axis][-1].leg
                stop = self._readable(
                    axis, leg.end + share * self._travel(axis) * (1.0 if leg.end >= leg.begin else -1.0)
                )
                if stop != leg.end:
                    self._tried(self._with_stop(axis, len(mine) - 1, stop), (*self.best.sequence, axis))

    def _shift(self, shares: Sequence[float]) -> None:
        """Stops moved on, or back."""
        for axis in self._last_first():
            for number in range(len(self.best.stops[axis]) - 1):
                for share in shares:
                    if not self._shifted(axis, number, share):
                        self._shifted(axis, number, -share)

    def _shifted(self, axis: int, number: int, share: float) -> bool:
        changed = False
        while True:
            mine = self.best.stops[axis]
            before = mine[number - 1] if number else middle(self.start[axis])
            here, after = mine[number], mine[number + 1]
            stop = self._readable(axis, here + share * self._travel(axis) * (1.0 if after >= here else -1.0))
            if stop in (before, here, after):
                return changed
            if not self._tried(self._with(axis, (*mine[:number], stop, *mine[number + 1 :])), self.best.sequence):
                return changed
            changed = True

    def _swap(self) -> None:
        """Legs placed before the one that was placed before them."""
        for at in range(len(self.best.sequence) - 1):
            order = self.best.sequence
            if order[at] != order[at + 1]:
                swapped = (*order[:at], order[at + 1], order[at], *order[at + 2 :])
                self._tried(self.best.stops, swapped)

    def _leave_out(self, share: float = 1.0) -> None:
        """Stops left out; also where what is left is slower within a share."""
        for axis in range(len(self.best.stops)):
            number = 0
            while number < len(self.best.stops[axis]) - 1:
                if not self._left_out(axis, number, share):
                    number += 1

    def _left_out(self, axis: int, number: int, share: float) -> bool:
        mine, order = self.best.stops[axis], self.best.sequence
        stops = self._with(axis, (*mine[:number], *mine[number + 1 :]))
        places = [place for place, one in enumerate(order) if one == axis]
        return any(
            self._tried(stops, (*order[:place], *order[place + 1 :]), share) for place in places[number : number + 2]
        )

    def _with(self, axis: int, mine: tuple[float, ...]) -> Stops:
        stops = self.best.stops
        return (*stops[:axis], mine, *stops[axis + 1 :])

    def _with_stop(self, axis: int, number: int, stop: float) -> Stops:
        mine = self.best.stops[axis]
        return self._with(axis, (*mine[:number], stop, *mine[number:]))

    def _travel(self, axis: int) -> float:
        return self.grid.high[axis] - self.grid.low[axis]

    def _readable(self, axis: int, place: float) -> float:
        """A place that people can read, within the travel [m or rad]."""
        kind = self.scheduler.clock.axes[axis].kind
        return min(max(rounded(kind, place), self.grid.low[axis]), self.grid.high[axis])
