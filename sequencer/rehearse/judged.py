"""Whether a rehearsal came out as it should, in words; and the routines that it needs beside its own."""

from __future__ import annotations

from typing import TYPE_CHECKING

from sequencer.routine.routine import Routine, walk
from sequencer.routine.steps import RehearsalSpec
from sequencer.units import LENGTH, show

if TYPE_CHECKING:
    from sequencer.machine.machine import Machine
    from sequencer.rehearse.rehearsal import Rehearsal


def shortfalls(rehearsal: Rehearsal, machine: Machine, spec: RehearsalSpec | None = None) -> tuple[str, ...]:
    """What a rehearsal fell short of, a phrase each; none: it is fine.

    It falls short where an expectation is not held, where no outcome is expected and it is not done, where the plant
    entered a keep-out, and where two bodies came nearer than their margin.

    Args:
        rehearsal: what came of it.
        machine: the machine that it ran on.
        spec: what was asked; None: nothing.
    """
    found = []
    because = f" ({rehearsal.cause})" if rehearsal.cause else ""
    if (spec is None or spec.expect.outcome is None) and rehearsal.outcome != "done":
        found.append(f"it should be done, and was {rehearsal.outcome}{because}")
    for held in rehearsal.expectations:
        if not held.held:
            why = because if held.name == "outcome" else ""
            found.append(f"{held.name}: asked for {held.allowed}, and found {held.found}{why}")
    return (*found, *conflicts(rehearsal, machine))


def conflicts(rehearsal: Rehearsal, machine: Machine) -> tuple[str, ...]:
    """What the machine met that it must not, a phrase each: keep-outs that it entered, and bodies nearer than their
    margin.

    Args:
        rehearsal: what came of it.
        machine: the machine that it ran on.
    """
    found = []
    for distance in rehearsal.keep_outs:
        if distance.least is not None and distance.least <= 0.0:
            inside = machine.axes[distance.axis].show(-distance.least)
            found.append(f"it entered {distance.name} by {inside} of {distance.axis}")
    near = rehearsal.clearance
    if near is not None and near.too_near:
        # What is not certain to have been kept is told by what is certain.
        came = "came" if near.least <= near.margin else "may have come"
        least = show(round(near.least if near.least <= near.margin else near.bound, 4), LENGTH)
        both, margin = " and ".join(near.between), show(near.margin, LENGTH)
        how = f"{came} within {least}" if near.least >= 0.0 else f"overlapped by {show(round(-near.least, 4), LENGTH)}"
        found.append(f"{both} {how} at {near.at:.2f} s, where {margin} must remain")
    return tuple(found)


def fallbacks_of(routine: Routine) -> tuple[Routine, ...]:
    """The routines that its timeouts fall back to, each once."""
    names = dict.fromkeys(step.on_timeout for step in walk(routine.steps))
    return tuple(routine.subroutines[name] for name in names if name in routine.subroutines)
