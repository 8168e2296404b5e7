"""An order as it goes if all is punctual: where each axis is at any time, and when which leg begins."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from profiles import Profile
from sequencer.ordering.gated import GatedPlan, Progress
from sequencer.ordering.search import Ordering


class Leg(NamedTuple):
    """One leg of an axis: its number from 1, when it begins and is done [s], its motion, and what it waits for."""

    axis: int
    number: int
    begin: float
    end: float
    profile: Profile
    waits: Mapping[int, Progress]


class Course:
    """A way with its times.

    Args:
        ordering: whose way it is.
        plan: the way.

    Attributes:
        legs: its legs, by the time at which they begin.
        duration: how long it takes [s].
    """

    def __init__(self, ordering: Ordering, plan: GatedPlan) -> None:
        self.ordering, self.plan = ordering, plan
        clock = ordering.clock
        found = [
            Leg(
                axis,
                number,
                clock.begins(plan, (axis, number)),
                clock.ends(plan, (axis, number)),
                clock.profile(axis, plan.begin(axis, number), plan.stops[axis][number - 1]),
                plan.waits.get((axis, number), {}),
            )
            for axis, number in plan.legs
        ]
        self.legs = sorted(found, key=lambda leg: (leg.begin, leg.axis))
        self.duration = clock.lasts(plan)

    def place(self, time: float) -> list[float]:
        """Where each axis is at a time [m or rad]."""
        found = [0.5 * (low + high) for low, high in self.plan.start]
        for leg in self.legs:
            if leg.begin <= time:
                found[leg.axis] = leg.profile.at(time - leg.begin).position
        return found

    def positions(self, time: float) -> dict[str, float]:
        """The same by the names of the axes."""
        return dict(zip(self.ordering.axes, self.place(time), strict=True))

    def words(self, leg: Leg) -> str:
        """What a leg does and what it waits for, in words."""
        show = self._show
        name = self.ordering.axes[leg.axis]
        waits = []
        for other, far in sorted(leg.waits.items()):
            stop = self.plan.stops[other][far.leg - 1]
            past = "past " if far.place is not None else "at "
            waits.append(
                f"{self.ordering.axes[other]} is {past}{show(other, stop if far.place is None else far.place)}"
            )
        told = f", once {' and '.join(waits)}" if waits else ""
        return f"{name} to {show(leg.axis, self.plan.stops[leg.axis][leg.number - 1])}{told}"

    def _show(self, axis: int, position: float) -> str:
        return self.ordering.machine.axes[self.ordering.axes[axis]].show(position)
