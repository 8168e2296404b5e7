"""The fastest gated way between two configurations: at once if that is clear, else with gates, else by a detour."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import inf
from time import perf_counter
from typing import Literal

from sequencer.errors import ModelError, StepgraphError, did_you_mean
from sequencer.machine.machine import Machine
from sequencer.ordering.gated import Clock, Free, GatedPlan, Span, middle
from sequencer.ordering.grid import Grid
from sequencer.ordering.lattice import SAME, Lattice, Tree
from sequencer.ordering.schedule import Scheduled
from sequencer.ordering.seek import Seeker
from sequencer.ordering.ways_out import WayOut, ways_out
from sequencer.units import show

Place = str | Mapping[str, float]
"""A preset by its name, or positions by axis [m or rad]."""


class NoOrder(StepgraphError):
    """There is no way, or none was found.

    Args:
        verdict: conflict: one end lies in what is declared, or nothing leads there. undecided: it was not shown.
        message: what is in the way.
        ways_out: what one axis may do without deepening a conflict at the start, slowly.
    """

    def __init__(
        self, verdict: Literal["conflict", "undecided"], message: str, ways_out: Sequence[WayOut] = ()
    ) -> None:
        super().__init__(message)
        self.verdict = verdict
        self.ways_out = tuple(ways_out)


@dataclass(frozen=True, slots=True)
class Ordered:
    """A way that was found.

    Attributes:
        plan: its legs and gates.
        duration: how long it takes if all goes punctually [s].
        least: no way can be faster [s]: the longest of the axes' own motions.
        in_the_way: what keeps all axes from moving at once; empty if they can.
        complete: whether the search came to its end before the time limit.
    """

    plan: GatedPlan
    duration: float
    least: float
    in_the_way: str = ""
    complete: bool = True

    @property
    def kind(self) -> Literal["still", "at once", "gated", "detour"]:
        """How it goes; by a detour if an axis does not go straight to its end, stops on its way not counted."""
        if any(not _straight(self.plan, axis) for axis in range(len(self.plan.stops))):
            return "detour"
        waits = self.plan.gates or any(len(stops) > 1 for stops in self.plan.stops)
        return "gated" if waits else "at once" if any(self.plan.stops) else "still"


class Ordering:
    """All ways of a machine.

    Args:
        machine: the machine.
        grid: its free boxes, if they are known already.
        places: how many places along each axis detours may use.

    Attributes:
        axes: the axes with a position, in file order.

    Raises:
        ModelError: a body or clearance names something that is not there.
    """

    def __init__(self, machine: Machine, grid: Grid | None = None, places: int | None = None) -> None:
        self.machine = machine
        self.grid = Grid(machine) if grid is None else grid
        self.axes = self.grid.axes
        self.clock = Clock(machine, self.axes)
        self.places = places
        self._lattice: Lattice | None = None
        self._trees: dict[tuple[float, ...], Tree] = {}
        self._seekers: dict[Free, Seeker] = {}
        self._deadline, self._complete = inf, True

    @property
    def lattice(self) -> Lattice:
        """The places that detours may use."""
        if self._lattice is None:
            self._lattice = Lattice(self.grid, self.clock, self._presets(), self.places)
        return self._lattice

    def _presets(self) -> list[list[float]]:
        """The presets that name every axis."""
        return [
            [preset.positions[name] for name in self.axes]
            for preset in self.machine.presets.values()
            if all(name in preset.positions for name in self.axes)
        ]

    def find(self, start: Place, goal: Place, within: float | None = None) -> Ordered:
        """The fastest way found.

        Args:
            start: a preset, or positions [m or rad]; an axis it does not name may be anywhere in its travel.
            goal: the same; an axis it does not name ends where it was.
            within: how long to look for it [s]; None: as long as it takes.

        Raises:
            ModelError: a preset or axis is unknown, or a position lies outside the travel.
            NoOrder: there is no way, or none was found.
        """
        self._deadline = inf if within is None else perf_counter() + within
        self._complete = True
        spans = self.spans(start)
        goals = self.goals(goal)
        low, high = [span[0] for span in spans], [span[1] for span in spans]
        ends = [goals.get(axis, None) for axis in range(len(self.axes))]
        last_low = [span[0] if end is None else end for span, end in zip(spans, ends, strict=True)]
        last_high = [span[1] if end is None else end for span, end in zip(spans, ends, strict=True)]
        coarse = self._refused("start", start, low, high) or self._refused("goal", goal, last_low, last_high)
        fine = self.grid.free_fine(low, high) and self.grid.free_fine(last_low, last_high)
        free = self.grid.free_proved if coarse else self.grid.free_fine if fine else self.grid.free_sharp
        stops = tuple(
            () if end is None or (span[0] == span[1] == end) or self._there(axis, span, end) else (end,)
            for axis, (span, end) in enumerate(zip(spans, ends, strict=True))
        )
        direct = GatedPlan(tuple(spans), stops, {})
        least = self.clock.lasts(direct)
        if direct.is_free(free):
            return Ordered(direct, least, least)
        in_the_way = self._in_the_way(direct, free)
        found, duration = self._sought(direct, goals, least, free)
        if found is None and coarse is None and not self._late():
            found, duration = self._sought(direct, goals, least, self.grid.free_proved)
        if found is None and not self._complete:
            raise NoOrder(
                "undecided",
                f"no way from {self.name(start)} to {self.name(goal)} was found within {within:g} s: all axes at once "
                f"meet {in_the_way}; give it more time",
            )
        if found is None:
            raise NoOrder(
                "undecided",
                f"no way from {self.name(start)} to {self.name(goal)} was found: all axes at once meet {in_the_way}; "
                f"no sequence of single axes is clear, and no detour by {len(self.lattice.nodes)} places in between"
                + self._passive(spans)
                + (f"; besides, {coarse}" if coarse else ""),
            )
        return Ordered(found, duration, least, in_the_way, self._complete)

    def spans(self, place: Place) -> list[Span]:
        """Where each axis may stand at a start: about its position by the position tolerance, or anywhere.

        Raises:
            ModelError: a preset or axis is unknown, or a position lies outside the travel.
        """
        positions = self.positions(place)
        spans = []
        for axis, name in enumerate(self.axes):
            low, high = self.grid.low[axis], self.grid.high[axis]
            if name in positions:
                near = self.grid.tolerance(axis)
                spans.append((positions[name] - near, positions[name] + near))
            else:
                spans.append((low, high))
        return spans

    def goals(self, place: Place) -> dict[int, float]:
        """The positions of a goal by the number of the axis [m or rad]."""
        return {self.grid.index[name]: position for name, position in self.positions(place).items()}

    def positions(self, place: Place) -> Mapping[str, float]:
        """The positions of a place by axis [m or rad].

        Raises:
            ModelError: a preset or axis is unknown, or a position lies outside the travel.
        """
        if isinstance(place, str):
            if place not in self.machine.presets:
                raise ModelError(f"'{place}' is no preset; {did_you_mean(place, self.machine.presets)}")
            return self.machine.presets[place].positions
        for name, position in place.items():
            if name not in self.grid.index:
                raise ModelError(f"'{name}' is no axis with a position; {did_you_mean(name, self.axes)}")
            axis = self.grid.index[name]
            if not self.grid.low[axis] <= position <= self.grid.high[axis]:
                place_of = self.machine.axes[name].show
                raise ModelError(
                    f"{name} at {place_of(position)} is outside its travel, {place_of(self.grid.low[axis])} to "
                    f"{place_of(self.grid.high[axis])}"
                )
        if not place:
            raise ModelError(f"no position is given; name at least one axis: {', '.join(self.axes)}")
        return dict(place)

    def name(self, place: Place) -> str:
        """A place in words."""
        if isinstance(place, str):
            return place
        return ", ".join(f"{name} {self.machine.axes[name].show(value)}" for name, value in place.items())

    def _there(self, axis: int, span: Span, end: float) -> bool:
        return abs(middle(span) - end) < 1e-12 and span[1] - span[0] < self.grid.high[axis] - self.grid.low[axis]

    def _refused(self, what: str, place: Place, low: Sequence[float], high: Sequence[float]) -> NoOrder | None:
        """That cells are too large for an end which is clear when it is looked at by itself; None if they certify it.

        Raises:
            NoOrder: it lies in a conflict, or is not clear for certain.
        """
        found = self.grid.obstacle(low, high)
        if found is None:
            return None
        name = f"the {what} {self.name(place)}"
        positions = self.positions(place)
        unnamed = [axis for axis in self.axes if axis not in positions] if what == "start" else []
        if unnamed:
            raise NoOrder(
                "undecided",
                f"{name} gives no position to {' and '.join(unnamed)}, which may be anywhere in the travel then, where "
                f"it meets {found.text}; name all axes",
            )
        if found.kind == "conflict":
            message = f"{name} lies in {found.text}, tolerances and tracking counted"
            if what == "goal":
                raise NoOrder("conflict", message)
            ways = ways_out(self.grid, positions)
            raise NoOrder("conflict", f"{message}; {self._told(ways)}", ways)
        count, finer = self.grid.finer(low, high)
        advice = f"try {finer} cells an axis instead of {count}"
        if not finer:
            advice = "nor with the smallest; where it stands so near, smaller tolerances or following bands would help"
        coarse = NoOrder(
            "undecided", f"{name} cannot be certified with cells of this size: {self.grid.cell(low, high)}; {advice}"
        )
        if not self.grid.free_proved(low, high):
            raise coarse
        return coarse

    def _told(self, ways: Sequence[WayOut]) -> str:
        """Ways out of a conflict in words."""
        if not ways:
            return "no axis alone can move without deepening that; take the power off and free it by hand"
        clear = [way for way in ways if way.clear]
        words = []
        for way in clear or ways:
            axis = self.machine.axes[way.axis]
            speed = show(way.speed, axis.speed_dimension)
            words.append(f"{way.axis} to {axis.show(way.to)}{'' if way.clear else ' at most'} (at {speed} or less)")
        after = "; then ask again from there" if clear else "; none of them leads out alone, look after each"
        return f"one axis alone does not deepen it, slowly, watched, nobody near: {', or '.join(words)}{after}"

    def _in_the_way(self, direct: GatedPlan, free: Free) -> str:
        return next((self.grid.met(low, high).text for low, high in direct.boxes() if not free(low, high)), "nothing")

    def _sought(
        self, direct: GatedPlan, goals: Mapping[int, float], least: float, free: Free
    ) -> tuple[GatedPlan | None, float]:
        """The fastest way that is found by boxes that are free, and how long it takes [s]."""
        seeker = self._seekers.get(free)
        if seeker is None:
            seeker = self._seekers[free] = Seeker(self.grid, self.clock, free, self._presets())
        start, still = direct.start, self._anywhere(direct.start)
        found = seeker.best(start, direct.stops, still, least, self._deadline)
        self._complete &= seeker.complete
        if found is None and not still and not self._late():
            by = self._by_places(direct, goals, seeker)
            found = None if by is None else seeker.faster(start, by, self._deadline)
            self._complete &= seeker.complete
        if found is None:
            return None, inf
        plan = _simplified(found.plan(start), free)
        return (plan, self.clock.lasts(plan)) if plan.is_free(free) else (None, inf)

    def _by_places(self, direct: GatedPlan, goals: Mapping[int, float], seeker: Seeker) -> Scheduled | None:
        """By places of the lattice, as many as it takes."""
        here = [middle(span) for span in direct.start]
        goal = tuple(goals.get(axis, at) for axis, at in enumerate(here))
        tree = self._trees.get(goal)
        if tree is None:
            tree = self._trees[goal] = self.lattice.to(goal)
        way = self.lattice.way(tree, *zip(*direct.start, strict=True))
        stops: list[list[float]] = [[] for _ in here]
        sequence: list[int] = []
        for number, place in enumerate([*(place.tolist() for place in way), goal] if way else []):
            # A way that begins with the start itself takes the tolerance out of it first.
            stays = number == 0 and all(abs(to - at) < SAME for to, at in zip(place, here, strict=True))
            for axis, position in enumerate(place):
                if abs(position - here[axis]) > SAME or (stays and direct.start[axis][1] > direct.start[axis][0]):
                    stops[axis].append(position)
                    sequence.append(axis)
                    here[axis] = position
        found = tuple(tuple(mine) for mine in stops)
        return seeker.scheduler.scheduled(direct.start, found, sequence) if sequence else None

    def _late(self) -> bool:
        late = perf_counter() > self._deadline
        self._complete &= not late
        return late

    def _anywhere(self, spans: Sequence[Span]) -> list[int]:
        """The axes that may stand anywhere, so that no place in between can be named for them."""
        return [axis for axis, span in enumerate(spans) if span == (self.grid.low[axis], self.grid.high[axis])]

    def _passive(self, spans: Sequence[Span]) -> str:
        """The same in words; empty if none."""
        names = [self.axes[axis] for axis in self._anywhere(spans)]
        return f"; {' and '.join(names)} may stand anywhere at the start, name a position" if names else ""


def _simplified(plan: GatedPlan, free: Free) -> GatedPlan:
    """The same without waits that are not needed: those for places first, which are gates to read."""
    waits = [(leg, other, far) for leg, mine in plan.waits.items() for other, far in mine.items()]
    for leg, other, _ in sorted(waits, key=lambda one: one[2].place is None):
        tried = plan.waiting(leg, other, None)
        if tried.is_free(free, leg[0], (leg[1],)):
            plan = tried
    return plan


def _straight(plan: GatedPlan, axis: int) -> bool:
    places = [middle(plan.start[axis]), *plan.stops[axis]]
    return places in (sorted(places), sorted(places, reverse=True))
