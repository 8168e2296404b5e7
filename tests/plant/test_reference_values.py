"""Motors, gears, ropes and slopes of the plant against published values and scipy."""

from __future__ import annotations

from dataclasses import replace
from math import pi, sqrt

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from profiles import Envelope, motor_limited
from sequencer.machine.axis import Load, Mount
from sequencer.plant import Plant
from sequencer.plant.motor import MotorGroup
from sequencer.ports.orders import AxisOrder, Orders


def test_a_motor_answers_a_step_as_scipy_says(build):
    """One spin at 6 V: J w' = k_t (U - k_e w) / R - c w, a lag of the first order, compared every tick."""
    rollers = build.rollers(load=Load(inertia=4e-4, viscous=2e-4))
    drive = replace(rollers.actuators[0], winding_limit=None, efficiency=1.0)
    drive = replace(drive, motor=replace(drive.motor, no_load_current=0.0))
    rollers = replace(rollers, actuators=(drive,), mount=Mount())
    plant = Plant(build.machine(rollers, battery=None))
    motor, turn = drive.motor, drive.motor_turn
    gain = motor.torque_per_ampere * turn / motor.resistance
    inertia = 4e-4 + motor.rotor_inertia * turn**2
    system = signal.TransferFunction([6.0 * gain], [inertia, gain * motor.back_emf * turn + 2e-4])
    times = np.arange(0.0, 0.41, 0.02)
    _, expected = signal.step(system, T=times)
    for speed in expected[1:]:
        build.send(plant, 0.02, rollers=AxisOrder("effort", volts=6.0))
        assert plant.state.speeds["rollers"] == pytest.approx(speed, rel=2e-3)


def test_raising_and_lowering_through_a_rope_take_the_published_shares(build, published):
    """A pulley passes E of the pull: raising takes W / E, lowering W E.

    The plant's gear loses a share of the motor's force both ways: raising takes W / E, lowering W / (2 - E).
    """
    row = published["pulley_efficiency_from_raise_lower"]
    weight = row["inputs"]["T_lower"] / row["published_answer"]["E"]
    loss = 1.0 - row["published_answer"]["E"]
    raising, lowering = weight / (1.0 - loss), weight / (1.0 + loss)
    assert raising == pytest.approx(row["inputs"]["T_raise"], rel=1e-12)
    assert lowering == pytest.approx(row["inputs"]["T_lower"], rel=0.011)  # equal to first order in 1 - E
    lift = build.lift(mount=Mount(direction=pi / 2), load=Load(mass=weight / 9.80665))
    one = replace(
        lift.actuators[0], efficiency=1.0 - loss, winding_limit=None, motor=replace(build.LARGE, no_load_current=0.0)
    )
    group = MotorGroup((one,))
    for pull, moves in ((raising * 0.999, 0), (raising * 1.001, 1), (lowering * 1.001, 0), (lowering * 0.999, -1)):
        plant = Plant(build.machine(replace(lift, actuators=(one,)), battery=None), start={"lift": 0.5})
        volts = pull / group.force_per_ampere * group.resistance
        build.send(plant, 0.2, lift=AxisOrder("track", 0.5, 0.0, 0.0, volts))
        loop = plant.parts.driven[0].controller
        loop.answer = loop.answer._replace(position=0.0, speed=0.0)
        before = plant.positions()["lift"]
        build.send(plant, 0.4, lift=AxisOrder("track", 0.5, 0.0, 0.0, volts))
        moved = plant.positions()["lift"] - before
        assert (moved > 1e-5) - (moved < -1e-5) == moves


def test_a_motor_is_most_efficient_where_handbooks_say(build, published):
    row = published["dc_motor_max_efficiency"]
    share = row["inputs"]["I0_over_Is"]
    motor = replace(build.LARGE, no_load_current=share * build.LARGE.stall_current)
    # a data sheet whose force and back-EMF constants agree, as energy demands
    left = motor.rated_voltage - motor.resistance * motor.no_load_current
    motor = replace(motor, no_load_speed=left / motor.torque_per_ampere)
    best, at = 0.0, 0.0
    for step in range(1, 10_000):
        speed = motor.no_load_speed * step / 10_000
        current = (motor.rated_voltage - motor.back_emf * speed) / motor.resistance
        torque = motor.torque_per_ampere * (current - motor.no_load_current)
        power = torque * speed / (motor.rated_voltage * current)
        if power > best:
            best, at = power, current / motor.stall_current
    assert at == pytest.approx(row["published_answer"]["i"], abs=1e-3)
    assert best == pytest.approx(row["published_answer"]["eta"], rel=1e-3)


def test_the_fastest_way_of_a_double_integrator_is_that_of_pontryagin(published):
    row = published["double_integrator_min_time"]
    free = Envelope(inertia=1.0, stall_force=row["inputs"]["u_max"], drag=0.0)
    found = motor_limited(0.0, row["inputs"]["x0"], free).duration
    assert found == pytest.approx(row["published_answer"]["T"], abs=row["tolerance"])
    assert found == pytest.approx(2.0 * sqrt(row["inputs"]["x0"]), abs=1e-9)


@pytest.fixture(autouse=True)
def _lend(build):
    """Hypothesis calls the laws many times; they borrow the builders once."""
    test_what_the_battery_gives_is_found_again_or_lost.build = build
    test_without_drive_energy_never_grows.build = build


@settings(max_examples=20, deadline=None)
@given(volts=st.floats(-12.0, 12.0), start=st.floats(0.3, 0.8), spring=st.floats(0.0, 80.0))
def test_what_the_battery_gives_is_found_again_or_lost(volts, start, spring):
    """Energy drawn = heat of the windings + gain of motion and height + what frictions took, and those only take."""
    build = test_what_the_battery_gives_is_found_again_or_lost.build
    lift = build.lift(load=Load(mass=8.0, counterbalance=(spring, spring), coulomb=10.0))
    plant = Plant(build.machine(lift, battery=None), start={"lift": start})
    build.send(plant, 0.02, lift=AxisOrder("brake"))
    (drive,) = plant.parts.driven
    (group,) = drive.controller.groups
    before, drawn, heat = plant.energy(), 0.0, 0.0
    order = AxisOrder("track", 0.0, 0.0, 0.0, volts)
    drive.controller.answer = drive.controller.answer._replace(position=0.0, speed=0.0)
    for _ in range(150):
        plant.apply(Orders(0, {"lift": order}, {}))
        plant.advance(1_000_000)
        low, high = plant.machine.axes["lift"].travel
        if not low < plant.positions()["lift"] < high:
            break
        current = group.count * group.current
        drawn += current * (group.current * group.resistance + group.emf) * 1e-3
        heat += current * group.current * group.resistance * 1e-3
        lost = drawn - heat - (plant.energy() - before)
        assert lost >= -1e-2 * (1.0 + heat)
    assert heat >= 0.0


@settings(max_examples=20, deadline=None)
@given(
    mode=st.sampled_from(["off", "brake"]),
    speeds=st.tuples(st.floats(-1.0, 1.0), st.floats(-6.0, 6.0)),
    start=st.tuples(st.floats(0.3, 0.8), st.floats(-1.0, 1.0)),
)
def test_without_drive_energy_never_grows(mode, speeds, start):
    build = test_without_drive_energy_never_grows.build
    plant = Plant(build.machine(build.lift(), build.wrist()), start=dict(zip(("lift", "wrist"), start, strict=True)))
    build.send(plant, 0.02, lift=AxisOrder(mode), wrist=AxisOrder(mode))
    plant.parts.mechanism.speed[:] = speeds
    energy = plant.energy()
    for _ in range(40):
        build.send(plant, 0.02, lift=AxisOrder(mode), wrist=AxisOrder(mode))
        now = plant.energy()
        assert now <= energy + 1e-3 * (1.0 + abs(energy))
        energy = min(energy, now)
