"""What pulses and presses draw at most: a spin that gets going or is held by what it grips, a hand that leans."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from sequencer.check.spans import span_of
from sequencer.machine.axis import Axis
from sequencer.machine.machine import Battery
from sequencer.plan.planned import Plan, PlannedStep
from sequencer.plan.resolve import FlatRoutine, Node, flatten
from sequencer.plant.battery import STIFF_SUPPLY
from sequencer.plant.motor import motor_groups
from sequencer.routine.steps import Press, Pulse


class Surge(NamedTuple):
    """What a pulse or a press draws at most while its step is active, from `begin` to `end` [s of the plan].

    The motors stand still then: `volts` [V] are theirs, `amps` [A] is what flows in each actuator, `watts` [W] is what
    all of the axis take from the battery.
    """

    step: str
    axis: str
    begin: float
    end: float
    volts: float
    amps: Mapping[str, float]
    watts: float


def surges_of(plan: Plan) -> tuple[Surge, ...]:
    """The surges of a plan, over all values of its parameters.

    Args:
        plan: the plan.
    """
    if not any(step.kind in ("pulse", "press") for step in plan.steps):
        return ()
    flat = flatten(plan.routine)
    nodes = {node.name: node for node in flat.nodes}
    return tuple(surge for step in plan.steps for surge in _of_step(step, nodes[step.name], flat))


def _of_step(step: PlannedStep, node: Node, flat: FlatRoutine) -> list[Surge]:
    axes, full = flat.machine.axes, _full(flat.machine.battery)
    match node.step.body:
        case Pulse(drives=drives):
            found = []
            for drive in drives:
                axis = axes.get(drive.target)
                if axis is None or not axis.in_service or isinstance(drive.value, bool):
                    continue
                low, high = span_of(node.scope.operand(drive.value), flat, {})
                # Asked for a speed, a spin gets going with all that the battery has.
                volts = max(abs(low), abs(high)) if drive.quantity == "voltage" else full
                found.append(_surge(step, axis, min(volts, full)))
            return found
        case Press(axis=name, effort=effort) if axes[name].in_service:
            amps = max(map(abs, span_of(node.scope.operand(effort), flat, {})))
            conductance = sum(group.conductance for group in motor_groups(axes[name].in_service))
            return [_surge(step, axes[name], amps / conductance)]
        case _:
            return []


def _surge(step: PlannedStep, axis: Axis, volts: float) -> Surge:
    amps: dict[str, float] = {}
    watts = 0.0
    for group in motor_groups(axis.in_service):
        current = min(volts * group.per_ohm, group.winding_limit)
        amps.update(dict.fromkeys(group.names, current))
        watts += group.count * current * current * group.resistance
    return Surge(step.name, axis.name, step.start, step.end, volts, amps, watts)


def _full(battery: Battery | None) -> float:
    return battery.open_circuit if battery is not None else STIFF_SUPPLY
