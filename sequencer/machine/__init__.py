"""The machine: axes, actuators, sensors, outputs, bodies, pieces, presets and interlocks of one robot."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from sequencer.machine.actuator import Actuator, Motor
    from sequencer.machine.axis import Axis, Load, Mount, PositionSource, RestCase, Tolerance, Zero
    from sequencer.machine.body import Body, Clearance
    from sequencer.machine.condition import Condition, parse_condition
    from sequencer.machine.envelope import envelope_of, limits_for
    from sequencer.machine.interlock import KeepOut, MustStay
    from sequencer.machine.machine import Battery, Machine, Preset
    from sequencer.machine.piece import Piece
    from sequencer.machine.sensor import Output, Sensor

_HOMES = {
    "Actuator": "actuator",
    "Axis": "axis",
    "Battery": "machine",
    "Body": "body",
    "Clearance": "body",
    "Condition": "condition",
    "KeepOut": "interlock",
    "Load": "axis",
    "Machine": "machine",
    "Motor": "actuator",
    "Mount": "axis",
    "MustStay": "interlock",
    "Output": "sensor",
    "Piece": "piece",
    "PositionSource": "axis",
    "Preset": "machine",
    "RestCase": "axis",
    "Sensor": "sensor",
    "Tolerance": "axis",
    "Zero": "axis",
    "envelope_of": "envelope",
    "limits_for": "envelope",
    "parse_condition": "condition",
}
__all__ = [
    "Actuator",
    "Axis",
    "Battery",
    "Body",
    "Clearance",
    "Condition",
    "KeepOut",
    "Load",
    "Machine",
    "Motor",
    "Mount",
    "MustStay",
    "Output",
    "Piece",
    "PositionSource",
    "Preset",
    "RestCase",
    "Sensor",
    "Tolerance",
    "Zero",
    "envelope_of",
    "limits_for",
    "parse_condition",
]


def __getattr__(name: str) -> Any:
    from importlib import import_module

    if name in _HOMES:
        return getattr(import_module(f"{__name__}.{_HOMES[name]}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    return list(__all__)
