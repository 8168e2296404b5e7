"""Zeroing and jogging: routines of one step that no file holds, under the same supervisor (R42, R44)."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from sequencer.errors import did_you_mean
from sequencer.run.definition import AxisDefinition, MachineDefinition, RoutineDefinition

if TYPE_CHECKING:
    from sequencer.run.host import Host

SLOW = 0.1
"""Share of its speed limit with which an axis may be jogged that is not zeroed (R42)."""

SPAN = 1.2
"""An axis that is not zeroed is moved at most so many travels."""

_PATIENCE = 3.0
"""A zeroing may take so long [s] above the time that the whole span takes at its speed."""

_STEP: dict[str, Any] = {
    "parent": -1,
    "start": {"kind": "after", "steps": []},
    "once": None,
    "until": None,
    "must_stay": None,
    "only_if": None,
    "steady": 0,
    "blind": 0,
    "duration": None,
    "timeout": None,
    "on_timeout": "fault",
    "retry": 0,
    "preempt": False,
    "together": False,
}


def zero_routine(axis: AxisDefinition, machine: MachineDefinition) -> RoutineDefinition:
    """The routine that zeroes an axis: it creeps until its condition, and stands at a known place then."""
    zero = axis.zero
    assert zero is not None  # asked for by zero_refused
    low, high = axis.travel
    span = SPAN * (high - low)
    step = {
        "name": "zero",
        "kind": "zero",
        "axis": axis.index,
        "until": zero["until"],
        "once": zero["once"],
        "timeout": round((span / abs(zero["speed"]) + _PATIENCE) * 1e9),
        "limits": {str(axis.index): _limits(axis)},
    }
    return _routine(f"zero {axis.name}", step)


def jog_routine(axis: AxisDefinition, machine: MachineDefinition) -> RoutineDefinition:
    """The routine that moves an axis as long as it is asked to."""
    step = {
        "name": "jog",
        "kind": "jog",
        "axis": axis.index,
        "limits": {str(axis.index): _limits(axis)},
    }
    return _routine(f"jog {axis.name}", step)


def zero_refused(host: Host, name: str) -> str | None:
    """Why an axis cannot be zeroed now, or None."""
    axis = host.definition.axes[host.definition.axis_index[name]]
    if axis.zero is None:
        return f"{name} declares no zero; it is zeroed from elsewhere"
    return _busy(host, axis, f"zero {name}")


def jog_refused(host: Host, name: str, speed: float | None, going_on: bool = False) -> str | None:
    """Why an axis cannot be jogged now (at a speed, or at all), or None."""
    axis = host.definition.axes[host.definition.axis_index[name]]
    if speed is not None and not axis.is_spin and not host.zeroed[axis.index]:
        slowest, fastest = (SLOW * limit for limit in axis.limits.velocity)
        if not slowest <= speed <= fastest:
            return (
                f"{axis.show_speed(speed)} is outside {axis.show_speed(slowest)} to {axis.show_speed(fastest)}, "
                f"because {name} is not zeroed"
            )
    return None if going_on else _busy(host, axis, f"jog {name}")


def axis_named(machine: MachineDefinition, name: str) -> AxisDefinition | str:
    """The axis, or a sentence part for a misspelt one."""
    index = machine.axis_index.get(name) if isinstance(name, str) else None
    if index is None:
        return f"unknown axis '{name}'; {did_you_mean(str(name), machine.axis_index)}"
    return machine.axes[index]


def _busy(host: Host, axis: AxisDefinition, what: str) -> str | None:
    if not host.enabled:
        return "the machine is not enabled"
    if host.fault_cause is not None:
        return f"reset first; the last fault: {host.fault_cause}"
    motion = host.motions[axis.index]
    if motion.stopping:
        return f"{axis.name} is stopping"
    for run in host.runs:
        if axis.index in run.definition.axes or motion.run is run:
            return f"{axis.name} is in use by {run.name}"
    for runs, request in host.waiting:
        if not runs and request[0] == "after" and axis.index in request[1].axes:
            return f"{axis.name} is in use by {request[1].name}"
    return None


def _limits(axis: AxisDefinition) -> list[Any]:
    """Those of the axis, in their plain form; its speed is told by what is asked for."""
    return [list(axis.limits.velocity), list(axis.limits.acceleration), axis.limits.jerk]


def _routine(name: str, step: dict[str, Any]) -> RoutineDefinition:
    data = {
        "name": name,
        "from": "anywhere",
        "region": [],
        "parameters": [],
        "roots": [0],
        "steps": [{**_STEP, **step}],
    }
    return RoutineDefinition(data, "", by_hand=True)
