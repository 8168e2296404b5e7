"""Machines whose motors can be worked out by hand: one slide and one arm, with round numbers."""

from __future__ import annotations

from dataclasses import replace
from math import pi
from typing import Any

from profiles import Limits
from sequencer.machine.actuator import Actuator, Motor
from sequencer.machine.axis import Axis, Load, Mount, Tolerance
from sequencer.machine.machine import Battery, Machine, Preset
from sequencer.plan import Plan, plan
from sequencer.routine.routine import Routine
from sequencer.routine.steps import At, Move, Step, Timeout

GRAVITY = 9.80665
MOTOR = Motor("round", rated_voltage=12.0, stall_torque=2.0, stall_current=100.0, no_load_speed=200.0 * pi)
"""Torque 0.02 N m/A, winding 0.12 ohm, back-EMF 12 V / 200 pi rad/s."""
TURN = 200.0 * pi
"""Motor angle per travel of the slide [rad/m]."""
BATTERY = Battery(12.5, 0.02, 7.0, (10.0, 50.0))
LIMITS = Limits(0.5, 2.0)


def actuator(name: str = "only", **changes: Any) -> Actuator:
    """Ten turns of the motor move a slide by 0.1 m: 200 pi rad/m, so that 1 m/s is its no-load speed."""
    return replace(Actuator(name, MOTOR, ratio=10.0, travel_per_turn=0.1, efficiency=0.8), **changes)


def slide(load: Load, *actuators: Actuator, direction: float = pi / 2.0, **changes: Any) -> Axis:
    axis = Axis(
        "lift",
        "linear",
        LIMITS,
        (0.0, 1.0),
        mount=Mount(direction=direction),
        tolerance=Tolerance(0.005, following=0.05),
        load=load,
        actuators=actuators or (actuator(),),
    )
    return replace(axis, **changes)


def machine(*axes: Axis, battery: Battery | None = BATTERY, **changes: Any) -> Machine:
    places = {axis.name: 0.1 for axis in axes if axis.travel is not None}
    presets = {"low": Preset("low", places)}
    return Machine("by hand", {axis.name: axis for axis in axes}, battery=battery, presets=presets, **changes)


def routine(of: Machine, *steps: Step) -> Routine:
    moves = steps or (Step("raise", Move((("lift", At(0.9)),)), profile="trapezoid"),)
    return Routine("up", of, moves, "low", default_timeout=Timeout("planned", 10**9))


def planned(of: Machine, *steps: Step) -> Plan:
    return plan(routine(of, *steps))
