"""Limits of the machine that no profile looks at: what a press may draw, what a pulse may ask of a spin axis."""

from __future__ import annotations

from collections.abc import Iterator

from sequencer.check.finding import Finding
from sequencer.check.spans import span_of
from sequencer.plan.resolve import FlatRoutine, Node
from sequencer.routine.steps import Drive, Press, Pulse
from sequencer.units import CURRENT, VOLTAGE, show


def limit_findings(flat: FlatRoutine) -> Iterator[Finding]:
    """Efforts, voltages and speeds above what the machine has."""
    for node in flat.nodes:
        match node.step.body:
            case Press(axis=axis, effort=effort):
                yield from _effort(flat, node, axis, max(map(abs, span_of(node.scope.operand(effort), flat, {}))))
            case Pulse(drives=drives):
                for drive in drives:
                    if drive.target in flat.machine.axes and not isinstance(drive.value, bool):
                        low, high = span_of(node.scope.operand(drive.value), flat, {})
                        yield from _drive(flat, node, drive, low, high)
            case _:
                pass


def _effort(flat: FlatRoutine, node: Node, name: str, effort: float) -> Iterator[Finding]:
    actuators = flat.machine.axes[name].in_service
    bounds = [actuator.winding_limit for actuator in actuators]
    if not actuators or any(bound is None for bound in bounds):
        return
    allowed = sum(bound for bound in bounds if bound is not None)
    if effort > allowed:
        yield Finding(
            "limits",
            "error",
            f"'{node.name}' presses with up to {show(effort, CURRENT)}; the actuators of {name} in service may draw "
            f"{show(allowed, CURRENT)} together",
            node.name,
            node.step.place,
            "lower the effort, or its range",
            found=effort,
            allowed=allowed,
        )


def _drive(flat: FlatRoutine, node: Node, drive: Drive, low: float, high: float) -> Iterator[Finding]:
    axis = flat.machine.axes[drive.target]
    if drive.quantity == "speed":
        allowed_low, allowed_high = axis.limits.velocity
        found = low if low < allowed_low else high if high > allowed_high else None
        if found is not None:
            yield Finding(
                "limits",
                "error",
                f"'{node.name}' drives {axis.name} at {show(found, axis.speed_dimension)}; its limits are "
                f"{show(allowed_low, axis.speed_dimension)} to {show(allowed_high, axis.speed_dimension)}",
                node.name,
                node.step.place,
                "lower the speed, or its range",
                found=found,
                allowed=allowed_low if found < 0.0 else allowed_high,
            )
    elif drive.quantity == "voltage" and flat.machine.battery is not None:
        most = max(abs(low), abs(high))
        if most > flat.machine.battery.open_circuit:
            yield Finding(
                "limits",
                "warning",
                f"'{node.name}' drives {axis.name} with {show(most, VOLTAGE)}; the battery has "
                f"{show(flat.machine.battery.open_circuit, VOLTAGE)} without load",
                node.name,
                node.step.place,
                found=most,
                allowed=flat.machine.battery.open_circuit,
            )
