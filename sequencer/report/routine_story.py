"""What the parts of a routine's picture are drawn from: its bodies, what they sweep, and its plan."""

from __future__ import annotations

from collections.abc import Mapping

from sequencer.check.finding import Examination
from sequencer.check.routes import routed
from sequencer.check.side_by_side import SideBySide, pairs_of_steps, side_by_side
from sequencer.check.swept import Sweep, Swept
from sequencer.errors import ModelError
from sequencer.plan.resolve import flatten
from sequencer.report.outlines import Outlines, Span
from sequencer.routine.routine import ANYWHERE, Routine

_PLACES = 200
"""A range of places is tried at so many [1]."""

MOST_DIAGRAMS = 6
"""So many pairs of steps are put beside each other."""


class Story:
    """A routine with what a check found about it.

    Args:
        routine: on a machine with bodies.
        examination: what `examine` found about it.

    Raises:
        ModelError: its machine has no bodies, or the routine cannot be laid out.
    """

    def __init__(self, routine: Routine, examination: Examination) -> None:
        if not routine.machine.bodies:
            raise ModelError(
                f"the machine '{routine.machine.name}' has no bodies, so there is nothing to draw from the side; "
                "declare them in its file under 'bodies'"
            )
        self.routine = routine
        self.examination = examination
        self.outlines = Outlines(routine.machine)
        self.swept = Swept(routed(flatten(routine)), self.outlines.bodies)
        self.sweeps: dict[str, list[Sweep]] = {
            name: self.swept.of([one for one in self.outlines.coordinates[name] if one in routine.machine.axes])
            for name in self.outlines.order()
            if self.outlines.is_moved(name)
        }
        self.ends = self._ends()

    def places(self, step: str | None = None) -> dict[str, Span]:
        """Where bodies outside may stand while a step moves."""
        bodies = self.outlines.tree.bodies.values()
        return {body.name: self.swept.outside(body.name, step) for body in bodies if body.range is not None}

    def positions(self, time: float) -> dict[str, float]:
        """Where the axes are in the plan at a time [s]."""
        plan = self.examination.plan
        assert plan is not None
        return {axis: plan.state(axis, time).position for axis in plan.initial}

    def diagrams(self) -> list[SideBySide]:
        """Steps that may be active together, beside each other."""
        plan = self.examination.plan
        if plan is None:
            return []
        pairs = pairs_of_steps(self.swept, plan)[:MOST_DIAGRAMS]
        return [side_by_side(self.swept, plan, first, second) for first, second in pairs]

    def nearest_places(
        self, between: tuple[str, str], positions: Mapping[str, float], places: Mapping[str, Span]
    ) -> dict[str, float]:
        """Where bodies outside stand nearest to the other body of a pair, by trying; others at their nearest end."""
        found = {name: self.outlines.nearest_place(name, span) for name, span in places.items()}
        pair = next((pair for pair in self.outlines.bodies.pairs if pair.names == between), None)
        for name in set(between) & set(places):
            low, high = places[name]
            tries = [{**positions, name: low + (high - low) * k / _PLACES} for k in range(_PLACES + 1)]
            if pair is not None:
                found[name] = min(tries, key=lambda one: pair.distance(self.outlines.tree.values(one)))[name]
        return found

    def corners(self) -> list[Mapping[str, float]]:
        """Configurations between which all that the routine sweeps lies, roughly."""
        found: list[Mapping[str, float]] = list(self.ends)
        for sweeps in self.sweeps.values():
            for sweep in sweeps:
                for share in (0.0, 0.5, 1.0):
                    found.append({axis: low + share * (high - low) for axis, (low, high) in sweep.box.items()})
        return found

    def _ends(self) -> list[dict[str, float]]:
        """Where the axes are at the start of the plan and after each of its moving steps."""
        plan, machine = self.examination.plan, self.routine.machine
        if plan is None:
            start = {} if self.routine.start == ANYWHERE else dict(machine.presets[self.routine.start].positions)
            return [start]
        times = [0.0, *(step.end for step in plan.steps if step.profiles)]
        return [self.positions(time) for time in dict.fromkeys(times)]
