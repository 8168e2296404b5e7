"""`order`: the fastest way that was found, put to the same check as every routine."""

from __future__ import annotations

from collections.abc import Mapping

from sequencer.check.face import examine
from sequencer.check.finding import CheckFailed
from sequencer.errors import ModelError
from sequencer.machine.machine import Machine
from sequencer.ordering.gated import GatedPlan, Progress
from sequencer.ordering.grid import Grid, cells_of
from sequencer.ordering.search import Ordered, Ordering, Place
from sequencer.ordering.written import routine_of_plan
from sequencer.routine.routine import Routine


def order(
    machine: Machine,
    start: Place,
    goal: Place,
    *,
    cells: int | None = None,
    outside: Mapping[str, tuple[float, float]] | None = None,
    within: float | None = None,
) -> Routine:
    """A routine of ordinary steps and gates that takes a machine from one configuration to another, as fast as was
    found, clear by `check` and whatever is late, held or begun anew.

    Args:
        machine: the machine.
        start: a preset, or positions by axis [m or rad]; then the routine's machine has a preset `here` for them.
        goal: the same; an axis that it does not name ends where it was.
        cells: cells along each axis, a power of 2; None: by how many axes count. Finer ones certify narrower places.
        outside: where bodies outside may stand [m], by default anywhere in their ranges; the routine says so too.
        within: how long to look [s]; then the best so far. None: as long as it takes.

    Raises:
        ModelError: a preset or axis is unknown, a position lies outside the travel, or there is nothing to move.
        NoOrder: there is no way, or none was found; the message says what is in the way.
        CheckFailed: the check does not agree, not even with every gate replaced by the end of what it waits for.
    """
    return order_with(Ordering(machine, Grid(machine, cells_of(cells), outside)), start, goal, within)[0]


def order_with(ordering: Ordering, start: Place, goal: Place, within: float | None = None) -> tuple[Routine, Ordered]:
    """The same with what is known of a machine already, and what was found.

    Raises:
        As `order`.
    """
    found = ordering.find(start, goal, within)
    if found.kind == "still":
        raise ModelError(
            f"at {ordering.name(start)} all axes stand where {ordering.name(goal)} has them: nothing to move"
        )
    plan = found.plan
    routine = routine_of_plan(ordering, plan, start, goal)
    examination = examine(routine)
    for other in (plan.explicit(), _patient(plan), _patient(plan.explicit())) if plan.gates else ():
        if examination.checked is not None:
            break
        routine = routine_of_plan(ordering, other, start, goal)
        examination = examine(routine)
    if examination.checked is None:
        raise CheckFailed(routine.name, examination)
    return routine, found


def _patient(plan: GatedPlan) -> GatedPlan:
    """The same way, with every place that is waited for replaced by the end of that leg."""
    waits = {
        leg: {other: Progress(progress.leg) for other, progress in mine.items()} for leg, mine in plan.waits.items()
    }
    return GatedPlan(plan.start, plan.stops, waits)
