"""Machines of the made-up lantern league, small as the tests of the plant need them, and a stand-in for the runner."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import replace
from math import cos, pi, radians
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from profiles import Limits, Profile
from sequencer.machine.actuator import Actuator, Motor
from sequencer.machine.axis import Axis, Load, Mount, PositionSource, Tolerance
from sequencer.machine.condition import parse_condition
from sequencer.machine.feedforward import feedforward
from sequencer.machine.machine import Battery, Machine
from sequencer.machine.piece import Piece
from sequencer.machine.sensor import PlantLink, Sensor
from sequencer.plant import Plant
from sequencer.ports.orders import AxisOrder, Orders
from sequencer.units import SYMBOLS

RPM = SYMBOLS["rpm"].factor

LARGE = Motor("large", 12.0, 2.7, 132.0, 5450 * RPM, 2.0, 4e-5)
SMALL = Motor("small", 12.0, 0.7, 71.0, 11000 * RPM, 1.4, 1.2e-5)
LANTERN = Piece("lantern", 0.6, "wrist", (0.34, 0.0), "rollers", grip_torque=2.0, turns_to_leave=pi)


def lift(**changes: Any) -> Axis:
    """A slide at 66 degrees with two motors and a spring that carries part of its weight."""
    drive = Actuator("left", LARGE, 6.0, travel_per_turn=0.132, efficiency=0.88, winding_limit=40.0)
    axis = Axis(
        "lift",
        "linear",
        Limits((-1.5, 1.7), (-8.0, 6.0), 90.0),
        travel=(0.0, 1.18),
        mount=Mount("frame", (-0.12, 0.16), radians(66.0)),
        tolerance=Tolerance(0.008, 60_000_000, 0.05, "wait"),
        actuators=(drive, replace(drive, name="right")),
        position=PositionSource(("left", "right"), "relative", 0.015),
        load=Load(mass=7.8, counterbalance=(58.0, 66.0), coulomb=18.0, viscous=10.0),
    )
    return replace(axis, **changes)


def wrist(**changes: Any) -> Axis:
    """A hinge on the lift, measured from the level."""
    axis = Axis(
        "wrist",
        "rotary",
        Limits(radians(420.0), radians(2500.0), radians(30000.0)),
        travel=(radians(-95.0), radians(110.0)),
        mount=Mount("lift", (0.10, 0.02)),
        tolerance=Tolerance(radians(1.0), 60_000_000, radians(8.0), "wait"),
        actuators=(Actuator("turner", LARGE, 50.0, efficiency=0.85, winding_limit=40.0),),
        load=Load(mass=3.0, centre=(0.22, 0.0), inertia=0.04, coulomb=0.6, viscous=0.1),
    )
    return replace(axis, **changes)


def rollers(**changes: Any) -> Axis:
    """The rollers of the hand, driven by one small motor."""
    axis = Axis(
        "rollers",
        "spin",
        Limits(400.0, 10000.0),
        mount=Mount("wrist", (0.30, 0.0)),
        actuators=(Actuator("roller", SMALL, 4.0, efficiency=0.9, winding_limit=40.0),),
        load=Load(inertia=3e-4, coulomb=0.05),
    )
    return replace(axis, **changes)


def machine(*axes: Axis, **changes: Any) -> Machine:
    """The machine of those axes, or of lift, wrist and rollers."""
    given = {axis.name: axis for axis in axes or (lift(), wrist(), rollers())}
    made = Machine("lantern hand", given, battery=Battery(12.5, 0.02, 6.8, (3.0, 3.0)))
    return replace(made, **changes) if changes else made


def sensed(**changes: Any) -> Machine:
    """The whole machine with a piece and with sensors that are linked to the plant."""
    bare = machine(pieces={"lantern": LANTERN}, **changes)
    bottom = parse_condition("lift < 3 mm", bare.vocabulary())
    sensors = [
        Sensor("lift_bottom", "switch", plant=PlantLink(condition=bottom)),
        Sensor("piece", "one_of", values=("none", "lantern"), plant=PlantLink(piece=True)),
        Sensor("lift_speed", "number", plant=PlantLink(quantity="lift.speed")),
        Sensor("range_to_hook", "number"),
    ]
    return replace(bare, sensors={sensor.name: sensor for sensor in sensors})


def follow(
    plant: Plant,
    profiles: Mapping[str, Profile],
    seconds: float,
    each_tick: Callable[[float], None] = lambda time: None,
    others: Mapping[str, AxisOrder] | None = None,
) -> None:
    """Send the plant along profiles with their feedforward; `each_tick` gets the time [s] before each tick."""
    axes = plant.machine.axes
    known = {name: feedforward(plant.machine, name) for name in axes}
    for tick in range(round(seconds * 1e9 / plant.machine.period)):
        time = tick * plant.machine.period * 1e-9
        each_tick(time)
        orders = dict(others or {})
        for name, profile in profiles.items():
            position, velocity, acceleration = profile.at(time)
            terms, volts = known[name], 0.0
            if terms is not None:
                volts = terms["constant"] + terms["cosine"] * cos(position + terms["angle"])
                volts += terms["velocity"] * velocity + terms["acceleration"] * acceleration
                volts += terms["coulomb"] * ((velocity > 0.0) - (velocity < 0.0))
            orders[name] = AxisOrder("track", position, velocity, acceleration, volts)
        plant.apply(Orders(tick * plant.machine.period, orders, {}))
        plant.advance(plant.machine.period)


def send(plant: Plant, seconds: float, **orders: AxisOrder) -> None:
    """Give the same orders every tick for some time."""
    for tick in range(round(seconds * 1e9 / plant.machine.period)):
        plant.apply(Orders(tick, orders, {}))
        plant.advance(plant.machine.period)


@pytest.fixture(scope="session")
def build() -> SimpleNamespace:
    """Builders of axes and machines, and two ways to drive a plant."""
    return SimpleNamespace(
        lift=lift, wrist=wrist, rollers=rollers, machine=machine, sensed=sensed, follow=follow, send=send, LARGE=LARGE
    )


@pytest.fixture(scope="session")
def published() -> dict[str, Any]:
    """Published values by their id; each row names its source."""
    rows = json.loads((Path(__file__).parents[1] / "cases" / "reference_values.json").read_text(encoding="utf-8"))
    return {row["id"]: row for row in rows}
