"""A machine as plain data."""

from __future__ import annotations

from math import isinf
from typing import Any

from profiles import Limits
from sequencer.check.blocked import blocked_data
from sequencer.check.terms import term_data
from sequencer.machine.axis import Axis
from sequencer.machine.condition import names_in
from sequencer.machine.feedforward import feedforward
from sequencer.machine.interlock import KeepOut, MustStay
from sequencer.machine.machine import Machine
from sequencer.machine.sensor import Sensor
from sequencer.pack.checked import machine_hash


def compile_machine(machine: Machine) -> dict[str, Any]:
    """The machine as dicts, lists, numbers, texts, booleans and None, in SI with times in whole nanoseconds; it
    carries its hash."""
    index = {name: number for number, name in enumerate(machine.axes)}
    data: dict[str, Any] = {
        "name": machine.name,
        "period": machine.period,
        "longest_gap": machine.longest_gap,
        "overlays": list(machine.overlays),
        "axes": [_axis(machine, axis) for axis in machine.axes.values()],
        "sensors": [_sensor(sensor, index) for sensor in machine.sensors.values()],
        "outputs": [
            {"name": output.name, "kind": output.kind, "rest": plain(output.rest)}
            for output in machine.outputs.values()
        ],
        "keep_outs": [
            {
                "name": rule.name,
                "box": [[index[axis], float(low), float(high)] for axis, (low, high) in rule.box],
                "when": term_data(rule.when),
                "because": rule.because,
            }
            for rule in machine.interlocks
            if isinstance(rule, KeepOut)
        ],
        "must_stay": [
            {
                "name": rule.name,
                "term": term_data(rule.condition),
                "axes": [index[axis] for axis in rule.axes],
                "stop": rule.stop,
                "because": rule.because,
            }
            for rule in machine.interlocks
            if isinstance(rule, MustStay)
        ],
        "presets": {
            preset.name: [[index[axis], float(position)] for axis, position in preset.positions.items()]
            for preset in machine.presets.values()
        },
    }
    if machine.bodies:
        data["blocked"] = blocked_data(machine, data)
    data["hash"] = machine_hash(data)
    return data


def limits_data(limits: Limits) -> list[Any]:
    """Limits as [[vmin, vmax], [amin, amax], jerk or None]."""
    return [list(limits.velocity), list(limits.acceleration), limits.jerk]


def plain(value: bool | float | str) -> bool | float | str:
    """A value with whole numbers made floats, so that equal models give equal data."""
    return float(value) if isinstance(value, int) and not isinstance(value, bool) else value


def _axis(machine: Machine, axis: Axis) -> dict[str, Any]:
    tolerance = axis.tolerance
    return {
        "name": axis.name,
        "kind": axis.kind,
        "travel": None if axis.travel is None else [float(axis.travel[0]), float(axis.travel[1])],
        "limits": limits_data(axis.limits),
        "sure": limits_data(axis.limits),
        "tolerance": {
            "position": float(tolerance.position),
            "speed": float(tolerance.arrived_speed),
            "settle": tolerance.settle,
            "following": None if isinf(tolerance.following) else float(tolerance.following),
            "behind": tolerance.behind,
        },
        "latency": list(axis.latency),
        "between": axis.between,
        "rest": [
            {"mode": case.mode, "voltage": float(case.voltage), "when": term_data(case.when)} for case in axis.rest
        ],
        "stop": axis.stop,
        "feedforward": feedforward(machine, axis.name),
        "zero": None
        if axis.zero is None
        else {
            "speed": float(axis.zero.move),
            "until": term_data(axis.zero.until),
            "then": float(axis.zero.then),
            "once": term_data(axis.zero.once),
        },
        "differ_by": None
        if axis.position is None or axis.position.differ_by is None
        else float(axis.position.differ_by),
        "most_current": _most_current(axis),
    }


def _most_current(axis: Axis) -> float | None:
    """The sum of its actuators' winding limits [A]; None where one is not told."""
    limits = [actuator.winding_limit for actuator in axis.actuators if not actuator.out_of_service]
    known = [limit for limit in limits if limit is not None]
    return float(sum(known)) if known and len(known) == len(limits) else None


def _sensor(sensor: Sensor, index: dict[str, int]) -> dict[str, Any]:
    derived = None
    if sensor.derived is not None:
        named = {name.split(".")[0] for name in names_in(sensor.derived.source.term)}
        derived = {
            "term": term_data(sensor.derived.source),
            "steady": sensor.derived.steady,
            "blind": sensor.derived.blind,
            "axes": sorted(index[name] for name in named if name in index),
        }
    return {
        "name": sensor.name,
        "kind": sensor.kind,
        "values": list(sensor.values),
        "dimension": None if sensor.dimension is None else list(sensor.dimension),
        "stale_after": sensor.stale_after,
        "derived": derived,
    }
