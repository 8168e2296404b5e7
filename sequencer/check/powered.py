"""All rules about motors and power over one routine."""

from __future__ import annotations

from typing import NamedTuple

from sequencer.check.actuators import actuator_findings
from sequencer.check.braking import braking_findings
from sequencer.check.feasibility import Feasibility, feasibility_of
from sequencer.check.finding import Finding
from sequencer.check.proofs import Proofs
from sequencer.check.unpowered import WithoutPower, without_power
from sequencer.check.unpowered_findings import unpowered_findings
from sequencer.plan.motion import moved_axes
from sequencer.plan.planned import Plan
from sequencer.plan.resolve import FlatRoutine


class Power(NamedTuple):
    """What a plan takes out of motors and battery, what becomes of it without, and the findings about both."""

    feasibility: Feasibility
    unpowered: WithoutPower
    findings: tuple[Finding, ...]


def examine_power(flat: FlatRoutine, plan: Plan, proofs: Proofs | None) -> Power:
    """Judge motors, battery, brakes, and cuts of the power.

    Args:
        flat: the routine.
        plan: its punctual plan.
        proofs: of its bodies; None where none are declared.
    """
    feasibility, unpowered = feasibility_of(plan), without_power(plan)
    moved = frozenset(axis for node in flat.nodes for axis in moved_axes(node))
    findings = (
        *actuator_findings(flat, feasibility),
        *braking_findings(flat.machine, moved),
        *unpowered_findings(flat, unpowered, proofs),
    )
    return Power(feasibility, unpowered, findings)
