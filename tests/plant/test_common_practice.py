"""Plausible machinery, common practice without a source: signs and orders of magnitude, no more.

A rail at 55 degrees from the level, two motors at 9:1, a wrist at 32:1, a constant-force spring of 15 lbf that lifts a
hand of about 15 lb: along the rail the hand pulls 15 sin 55 = 12.3 lbf, so that the spring wins by 2.7 lbf before the
carriage's own weight. One of the two drives alone is said to pull down with about 150 lbf.
"""

from __future__ import annotations

from dataclasses import replace
from math import pi, radians, sin

import pytest

from sequencer.machine.actuator import Actuator
from sequencer.machine.axis import Load, Mount
from sequencer.machine.feedforward import feedforward
from sequencer.plant import ActuatorDead, AxisJammed, Plant
from sequencer.ports.orders import AxisOrder
from sequencer.units import SYMBOLS

POUND, POUND_FORCE = SYMBOLS["lb"].factor, SYMBOLS["lbf"].factor
DRUM_RADIUS = 0.016
WINDING_LIMIT = 60.0
SPRING = (15.0 * POUND_FORCE, 15.0 * POUND_FORCE)


def rail(build, carriage: float, friction: float = 2.0):
    """The rail with its hand on the wrist; `carriage` [kg] is what moves besides the hand."""
    drive = Actuator("left", build.LARGE, 9.0, travel_per_turn=2.0 * pi * DRUM_RADIUS, winding_limit=WINDING_LIMIT)
    free = replace(build.LARGE, no_load_current=0.0)
    drives = tuple(replace(drive, name=name, motor=free) for name in ("left", "right"))
    lift = build.lift(
        mount=Mount("frame", (0.0, 0.0), radians(55.0)),
        actuators=drives,
        load=Load(mass=carriage, counterbalance=SPRING, coulomb=friction),
    )
    turner = replace(build.wrist().actuators[0], ratio=32.0)
    wrist = build.wrist(
        actuators=(turner,), load=Load(mass=15.0 * POUND, centre=(0.05, 0.0), inertia=0.02, coulomb=0.6)
    )
    return build.machine(lift, wrist)


def newtons_per_volt(machine) -> float:
    return sum(a.motor.torque_per_ampere * a.motor_turn / a.motor.resistance for a in machine.axes["lift"].in_service)


def test_the_spring_wins_by_what_is_left_of_it_along_the_rail(build):
    machine = rail(build, carriage=0.0)
    held = feedforward(machine, "lift")["constant"] * newtons_per_volt(machine) / POUND_FORCE
    assert held == pytest.approx(15.0 * sin(radians(55.0)) - 15.0, rel=1e-9)
    assert held == pytest.approx(-2.7, abs=0.05)


@pytest.mark.parametrize(("carriage", "sense"), [(0.1, 1.0), (3.0, -1.0)])
def test_unpowered_it_rises_with_a_light_carriage_and_sinks_with_a_heavy_one(build, carriage, sense):
    plant = Plant(rail(build, carriage), start={"lift": 0.5, "wrist": radians(-90.0)})
    build.send(plant, 0.5, lift=AxisOrder("off"), wrist=AxisOrder("off"))
    assert sense * (plant.positions()["lift"] - 0.5) > 0.005


def test_one_drive_alone_pulls_down_with_about_150_pounds(build):
    """Order of magnitude only: it overcomes half of that and not twice as much."""
    moved = {}
    for pounds in (75.0, 300.0):
        jam = AxisJammed("lift", pounds * POUND_FORCE)
        plant = Plant(rail(build, 2.0), start={"lift": 0.8}, faults=[ActuatorDead("lift", "right"), jam])
        build.send(plant, 0.5, lift=AxisOrder("effort", position=0.0, velocity=0.5, current=-200.0))
        moved[pounds] = 0.8 - plant.positions()["lift"]
        assert plant.readings(0).axes["lift"].current > -WINDING_LIMIT - 1e-9
    assert moved[75.0] > 0.1
    assert moved[300.0] == pytest.approx(0.0, abs=1e-6)


def test_the_wrist_lifts_the_hand_at_32_to_1(build):
    plant = Plant(rail(build, 2.0), start={"lift": 0.5, "wrist": radians(-90.0)})
    known = feedforward(plant.machine, "wrist")
    build.send(plant, 0.6, lift=AxisOrder("hold", 0.5), wrist=AxisOrder("track", 0.0, volts=known["cosine"]))
    assert plant.positions()["wrist"] == pytest.approx(0.0, abs=radians(1.0))
