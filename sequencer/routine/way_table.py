"""Ways to one goal from all over the travel: free boxes, each with the place to go to in it and the box that follows.

In a box every motion is clear, whatever the timing. Its place lies in it and in the next one, which opens when
everything that the machine occupies lies in there; the last place is the goal. So a way is looked up and not planned,
and no lateness leads out of the boxes.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

Free = Callable[[Sequence[float], Sequence[float]], bool]
"""Whether a box of ordered positions, lowest and highest for each axis of the table, is certainly clear."""

EDGE = 1e-9
"""A position this near to the edge of a box lies in it [m or rad]: boxes are certified so much larger."""


DEEPER = 0.25
"""So far into a box a way leads that begins outside and cannot go to its place at once, as a share of the way from the
nearest point of the box to its place [1]: the box opens while the axes still move."""


class Leg(NamedTuple):
    """One part of a way: `place` for each axis that moves, and the box in which the machine stays meanwhile, lowest and
    highest for each axis of the table [m or rad]."""

    place: tuple[float, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]

    def holds(self, low: Sequence[float], high: Sequence[float]) -> bool:
        """Whether what is occupied lies in the box."""
        for k, least in enumerate(self.low):  # noqa: SIM110 - asked for each box, and a generator takes twice as long
            if low[k] < least - EDGE or high[k] > self.high[k] + EDGE:
                return False
        return True


@dataclass(frozen=True, slots=True)
class WayTable:
    """All ways to a goal.

    Attributes:
        axes: the axes with a position, by name; boxes have a span for each.
        goal: where the way leads [m or rad], by axis; those not named stay where they are.
        legs: what is gone in each box, the nearest to the goal first; places in the order of `goal`.
        following: the number of the leg that comes after each; -1 after the last.
        costs: the time from the place of each leg to the goal if all goes punctually [s].
        speeds: the highest speed of each axis of `goal` [m/s or rad/s]: ways are compared by it.
        longest: no way of the table takes longer [s].
        covered: share of the certainly free positions that lie in a box [1].
    """

    axes: tuple[str, ...]
    goal: Mapping[str, float]
    legs: tuple[Leg, ...]
    following: tuple[int, ...]
    costs: tuple[float, ...]
    speeds: tuple[float, ...]
    longest: float
    covered: float

    def spans_of(self, axis: str) -> list[tuple[float, float]]:
        """Where an axis is in each box [m or rad]."""
        at = self.axes.index(axis)
        return [(leg.low[at], leg.high[at]) for leg in self.legs]

    def spans(self, number: int) -> dict[str, tuple[float, float]]:
        """The box of a leg by axis [m or rad]."""
        leg = self.legs[number]
        return dict(zip(self.axes, zip(leg.low, leg.high, strict=True), strict=True))

    @property
    def movers(self) -> tuple[int, ...]:
        """The places of the goal's axes among all."""
        return tuple(self.axes.index(name) for name in self.goal)

    def way(self, low: Sequence[float], high: Sequence[float], free: Free) -> tuple[Leg, ...]:
        """The legs from where the machine stands to the goal, the fastest known; none: there is no way.

        Args:
            low, high: what each axis occupies [m or rad].
            free: asked whether a box outside those of the table is clear.
        """
        movers = self.movers
        middle = [0.5 * (low[k] + high[k]) for k in movers]
        best, first, number = _INFINITE, None, -1
        for look in (self._within, self._enter):
            if look == self._enter and not free(low, high):
                break  # nor is anything around it
            for index, (leg, cost) in enumerate(zip(self.legs, self.costs, strict=True)):
                if cost >= best:
                    break  # the nearest to the goal come first
                lasts = cost + about(middle, leg.place, self.speeds)
                if lasts >= best:
                    continue
                entered = look(leg, low, high, movers, free)
                if entered is not None and self._lets_through(index, low, high):
                    best, first, number = lasts, entered, index
        if first is None:
            return ()
        legs = [*first, self.legs[number]]
        while (number := self.following[number]) >= 0:
            legs.append(self.legs[number])
        return tuple(legs)

    def _within(
        self, leg: Leg, low: Sequence[float], high: Sequence[float], movers: tuple[int, ...], free: Free
    ) -> list[Leg] | None:
        return [] if leg.holds(low, high) else None

    def _enter(
        self, leg: Leg, low: Sequence[float], high: Sequence[float], movers: tuple[int, ...], free: Free
    ) -> list[Leg] | None:
        """What has to be gone before a leg whose box the machine does not stand in; None: it is not clear."""
        straight = _way_to(leg.place, low, high, movers)
        if free(straight.low, straight.high):
            return [straight]
        middle = [0.5 * (low[k] + high[k]) for k in movers]
        nearest = [min(max(at, leg.low[k]), leg.high[k]) for k, at in zip(movers, middle, strict=True)]
        deeper = [near + DEEPER * (to - near) for near, to in zip(nearest, leg.place, strict=True)]
        # An axis that is where the box is already may have to stay until it has opened.
        some = [near if near == at else deep for at, near, deep in zip(middle, nearest, deeper, strict=True)]
        for place in (deeper, some, nearest):
            entry = _way_to(place, low, high, movers)
            if leg.holds(*_after(entry, low, high, movers)) and free(entry.low, entry.high):
                return [entry]
        return None

    def _lets_through(self, index: int, low: Sequence[float], high: Sequence[float]) -> bool:
        """Whether the axes that stay where they are lie in all boxes that follow."""
        if len(self.goal) == len(self.axes):
            return True
        still = [k for k, name in enumerate(self.axes) if name not in self.goal]
        while index >= 0:
            leg = self.legs[index]
            if any(low[k] < leg.low[k] - EDGE or high[k] > leg.high[k] + EDGE for k in still):
                return False
            index = self.following[index]
        return True

    def to_data(self) -> dict[str, Any]:
        """The table as plain data that JSON keeps exactly."""
        return {
            "axes": list(self.axes),
            "goal": [[name, position] for name, position in self.goal.items()],
            "legs": [[list(leg.place), list(leg.low), list(leg.high)] for leg in self.legs],
            "following": list(self.following),
            "costs": list(self.costs),
            "speeds": list(self.speeds),
            "longest": self.longest,
            "covered": self.covered,
        }

    @classmethod
    def from_data(cls, data: Mapping[str, Any]) -> WayTable:
        """The table that `to_data` was called on.

        Raises:
            KeyError, TypeError, ValueError: it is not of that form.
        """
        axes = tuple(str(name) for name in data["axes"])
        goal = {str(name): float(position) for name, position in data["goal"]}
        legs = tuple(Leg(*(tuple(float(value) for value in part) for part in leg)) for leg in data["legs"])
        following = tuple(int(number) for number in data["following"])
        costs = tuple(float(cost) for cost in data["costs"])
        speeds = tuple(float(speed) for speed in data["speeds"])
        if not set(goal) <= set(axes) or len(goal) != len(speeds) or not all(speed > 0.0 for speed in speeds):
            raise ValueError("the goal does not fit the axes")
        if not len(legs) == len(following) == len(costs):
            raise ValueError("not every leg has one that follows and a cost")
        for number, (leg, after) in enumerate(zip(legs, following, strict=True)):
            if not (len(leg.place) == len(goal) and len(leg.low) == len(leg.high) == len(axes)):
                raise ValueError(f"leg {number} does not fit the axes")
            if not -1 <= after < len(legs) or (after >= 0 and not costs[after] < costs[number]):
                raise ValueError(f"leg {number} is followed by {after}, which is no nearer to the goal")
        if sorted(costs) != list(costs):
            raise ValueError("the legs are not in the order of their costs")
        return cls(axes, goal, legs, following, costs, speeds, float(data["longest"]), float(data["covered"]))


@dataclass(frozen=True, slots=True)
class Ways:
    """The tables of one step, one for each goal that it may have, and what is asked about boxes beside them."""

    tables: tuple[WayTable, ...]
    free: Free

    def to(self, goal: Mapping[str, float]) -> WayTable | None:
        """The table that leads to a goal."""
        return table_to(self.tables, goal)


def table_to(tables: Sequence[WayTable], goal: Mapping[str, float]) -> WayTable | None:
    """The table that leads to a goal; None if there is none."""
    return next((table for table in tables if table.goal == goal), None)


_INFINITE = float("inf")


def about(begin: Sequence[float], end: Sequence[float], speeds: Sequence[float]) -> float:
    """About how long it takes from one place to another [s]: the longest of the axes, each at its highest speed."""
    longest = 0.0
    for at, to, speed in zip(begin, end, speeds, strict=True):
        lasts = (to - at if to > at else at - to) / speed
        if lasts > longest:
            longest = lasts
    return longest


def _way_to(place: Sequence[float], low: Sequence[float], high: Sequence[float], movers: Sequence[int]) -> Leg:
    """The leg from what is occupied straight to a place."""
    begin, end = list(low), list(high)
    for k, to in zip(movers, place, strict=True):
        if to < begin[k]:
            begin[k] = to
        if to > end[k]:
            end[k] = to
    return Leg(tuple(place), tuple(begin), tuple(end))


def _after(
    leg: Leg, low: Sequence[float], high: Sequence[float], movers: Sequence[int]
) -> tuple[list[float], list[float]]:
    """What is occupied once a leg has been gone."""
    begin, end = list(low), list(high)
    for k, to in zip(movers, leg.place, strict=True):
        begin[k] = end[k] = to
    return begin, end
