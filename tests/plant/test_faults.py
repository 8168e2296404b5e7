"""Single faults: what breaks, from when to when, and what the readings show of it."""

from __future__ import annotations

from math import radians, sin

import pytest

from profiles import s_curve
from sequencer.errors import ModelError
from sequencer.machine.axis import Load
from sequencer.plant import (
    ActuatorDead,
    ActuatorLoose,
    ActuatorWeak,
    AxisJammed,
    BatteryWeak,
    BrownOut,
    Disabled,
    EncoderNoisy,
    EncoderOffset,
    OrdersLost,
    OtherLoad,
    PieceDropped,
    PieceMissing,
    Plant,
    SensorBouncing,
    SensorNoisy,
    SensorSilent,
    SensorStuck,
    TicksLate,
)
from sequencer.ports.orders import AxisOrder


def test_the_other_actuator_carries_on_alone_with_more_current(build):
    hold = {"lift": AxisOrder("hold", 0.5), "wrist": AxisOrder("hold", 0.0)}
    machine = build.machine(build.lift(load=Load(mass=14.0)), build.wrist())
    plant = Plant(machine, start={"lift": 0.5}, faults=[ActuatorDead("lift", "right", at=0.2)])
    build.send(plant, 0.2, **hold)
    before = plant.readings(0).axes["lift"]
    build.send(plant, 0.4, **hold)
    after = plant.readings(0).axes["lift"]
    assert after.position < before.position  # it sags a little deeper into the same loop
    assert after.current == pytest.approx(before.current, rel=0.15)  # one motor now draws what two did
    assert after.fault is None


def test_a_loose_actuator_runs_away_and_the_reading_says_which(build):
    plant = Plant(build.machine(), start={"lift": 0.1}, faults=[ActuatorLoose("lift", "left", at=0.1)])
    profile = s_curve(0.1, 1.0, plant.machine.axes["lift"].limits)
    faults = []
    build.follow(plant, {"lift": profile}, 0.4, lambda _: faults.append(plant.readings(0).axes["lift"].fault))
    assert faults[5] is None
    assert faults[-1].startswith("left and right differ by 0.")
    assert faults[-1].endswith(" m, more than 0.015 m")


def test_a_jam_stops_the_axis_and_lets_it_go_again(build):
    plant = Plant(build.machine(), start={"lift": 0.1}, faults=[AxisJammed("lift", at=0.1, until=0.3)])
    build.send(plant, 0.1, lift=AxisOrder("track", 0.4, 0.0, 0.0, 1.0))
    stuck = plant.positions()["lift"]
    build.send(plant, 0.2, lift=AxisOrder("track", 0.4, 0.0, 0.0, 1.0))
    assert plant.positions()["lift"] == pytest.approx(stuck, abs=1e-3)
    build.send(plant, 0.4, lift=AxisOrder("track", 0.4, 0.0, 0.0, 1.0))
    assert plant.positions()["lift"] > 0.38


def test_sensors_stick_and_fall_silent_for_their_time(build):
    faults = [SensorStuck("lift_bottom", True, at=0.1, until=0.2), SensorSilent("piece", at=0.1)]
    plant = Plant(build.sensed(), start={"lift": 0.5}, faults=faults)
    seen = []
    for _ in range(3):
        sensors = plant.readings(0).sensors
        seen.append((sensors["lift_bottom"], sensors.get("piece")))
        build.send(plant, 0.1, lift=AxisOrder("hold", 0.5))
    assert seen == [(False, "none"), (True, None), (False, None)]


def test_lost_orders_drop_the_drives_until_new_ones_arrive(build):
    machine = build.machine(build.lift(load=Load(mass=7.8)), build.wrist())
    plant = Plant(machine, start={"lift": 0.8}, faults=[OrdersLost(at=0.1, until=0.3)])
    order = {"lift": AxisOrder("hold", 0.8, volts=0.8), "wrist": AxisOrder("hold", 0.0)}
    build.send(plant, 0.12, **order)
    assert plant.state.currents["lift"] != 0.0
    build.send(plant, 0.12, **order)
    assert plant.state.currents["lift"] == 0.0
    build.send(plant, 0.12, **order)
    assert plant.state.currents["lift"] != 0.0


def test_an_actuator_at_half_force_pushes_half_and_two_of_them_are_one(build):
    machine = build.machine(build.lift(), build.wrist())
    halves = [ActuatorWeak("lift", "left", 0.5), ActuatorWeak("lift", "right", 0.5)]
    climbed = []
    for faults in ([], [ActuatorDead("lift", "right")], halves):
        plant = Plant(machine, start={"lift": 0.1}, faults=faults)
        build.send(plant, 0.4, lift=AxisOrder("track", 0.1, 0.0, 0.0, 3.0), wrist=AxisOrder("hold", 0.0))
        build.send(plant, 0.1, lift=AxisOrder("track", 1.1, 1.7, 0.0, 12.0), wrist=AxisOrder("hold", 0.0))
        climbed.append(plant.state.speeds["lift"])
    whole, single, halved = climbed
    assert halved < 0.7 * whole
    assert halved == pytest.approx(single, rel=0.1)  # but for the other rotor's friction and gear


def test_a_weak_battery_and_other_loads_lower_the_voltage(build):
    plant = Plant(build.machine(), faults=[BatteryWeak(open_circuit=11.0, at=0.1), OtherLoad(100.0, at=0.2)])
    seen = []
    for _ in range(3):
        build.send(plant, 0.1, lift=AxisOrder("off"), wrist=AxisOrder("off"))
        seen.append(plant.battery_voltage)
    # open circuit less what other loads draw: 3 A as declared, then 100 A, through 20 mohm
    assert seen == pytest.approx([12.5 - 0.06, 11.0 - 0.06, 11.0 - 2.0])


def test_a_brown_out_by_fault_drops_the_drives_and_the_zero(build):
    plant = Plant(build.machine(), start={"lift": 0.5}, faults=[BrownOut(at=0.1)])
    build.send(plant, 0.14, lift=AxisOrder("hold", 0.5))
    found = plant.readings(0)
    assert not found.enabled
    assert plant.state.currents["lift"] == 0.0
    assert not found.axes["lift"].zeroed  # relative encoders
    assert found.axes["wrist"].zeroed
    build.send(plant, 0.3, lift=AxisOrder("off"))
    assert plant.readings(0).enabled


def test_permission_is_taken_away_and_given_back(build):
    plant = Plant(build.machine(), faults=[Disabled(at=0.1, until=0.2)])
    seen = []
    for _ in range(3):
        seen.append(plant.readings(0).enabled)
        build.send(plant, 0.1, lift=AxisOrder("off"))
    assert seen == [True, False, True]


def test_a_missing_piece_is_neither_there_nor_does_it_come(build):
    plant = Plant(build.sensed(), piece="lantern", faults=[PieceMissing("lantern")])
    assert plant.readings(0).sensors["piece"] == "none"
    plant.offer("lantern")
    build.send(plant, 0.6, rollers=AxisOrder("effort", volts=6.0))
    assert plant.readings(0).sensors["piece"] == "none"


def test_a_dropped_piece_takes_its_weight_with_it(build):
    plant = Plant(build.sensed(), piece="lantern", start={"lift": 0.5}, faults=[PieceDropped(at=0.3)])
    hold = {"lift": AxisOrder("hold", 0.5), "wrist": AxisOrder("hold", 0.0)}
    build.send(plant, 0.3, **hold)
    before, at = plant.energy(), plant.positions()
    assert plant.readings(0).sensors["piece"] == "none"
    assert plant.state.holding == "gone"
    height = 0.16 + at["lift"] * sin(radians(66.0)) + 0.02 + 0.34 * sin(at["wrist"])
    assert before - plant.energy() == pytest.approx(0.6 * 9.80665 * height, rel=1e-6)


def test_late_ticks_are_told_for_as_long_as_they_last(build):
    plant = Plant(build.machine(), faults=[TicksLate(0.04, at=0.1, until=0.2)])
    seen = []
    for _ in range(3):
        seen.append(plant.lateness())
        plant.advance(100_000_000)
    assert seen == [0, 40_000_000, 0]


def test_faults_that_name_nothing_are_refused_with_the_nearest_name(build):
    for fault, text in (
        (SensorSilent("piec"), "fault: unknown sensor 'piec'; did you mean 'piece'?"),
        (AxisJammed("lifft"), "fault: unknown axis 'lifft'; did you mean 'lift'?"),
        (ActuatorDead("lift", "rihgt"), "fault: 'lift' has no actuator 'rihgt'; did you mean 'right'?"),
        (PieceMissing("lanten"), "fault: unknown piece 'lanten'; did you mean 'lantern'?"),
        (EncoderOffset("rollers", 1.0), "fault: 'rollers' is a spin and has no encoder that could fail"),
        (
            EncoderOffset("wrist", 1.0, "turner"),
            "fault: 'wrist' is not measured at 'turner'; it is at none of its actuators by name",
        ),
    ):
        with pytest.raises(ModelError) as caught:
            Plant(build.sensed(), faults=[fault])
        assert str(caught.value) == text


@pytest.mark.parametrize(
    ("fault", "text"),
    [
        (ActuatorWeak("lift", "left", 1.5), "fault ActuatorWeak: its share is 1.5; it must be from 0 to 1"),
        (AxisJammed("lift", -3.0), "fault AxisJammed: force is -3 N or N.m; it must be greater than 0"),
        (EncoderNoisy("lift", 0.0), "fault EncoderNoisy: deviation is 0 of its unit; it must be greater than 0"),
        (OrdersLost(at=-1.0), "fault OrdersLost: it begins at -1 s; it must be 0 s or later"),
        (OrdersLost(at=2.0, until=1.0), "fault OrdersLost: it ends at 1 s, but begins at 2 s; it must end later"),
        (TicksLate(0.0), "fault TicksLate: the ticks are 0 s late; it must be more than 0 s"),
        (OtherLoad(-5.0), "fault OtherLoad: the current is -5 A; it must be 0 A or more"),
        (SensorBouncing("piece", 0.0), "fault SensorBouncing: duration is 0 s; it must be greater than 0"),
        (SensorNoisy("piece", 0.1), "fault SensorNoisy: 'piece' reads no number"),
        (BatteryWeak(11.0), "fault BatteryWeak: the machine declares no battery that could be weak or loaded"),
    ],
)
def test_faults_that_cannot_be_are_refused(build, fault, text):
    machine = build.sensed(battery=None) if isinstance(fault, BatteryWeak) else build.sensed()
    with pytest.raises(ModelError) as caught:
        Plant(machine, faults=[fault])
    assert str(caught.value) == text
