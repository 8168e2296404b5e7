"""Single faults: what breaks, from when to when, and what the readings show of it."""

from __future__ import annotations

import pytest

from profiles import s_curve
from sequencer.errors import ModelError
from sequencer.machine.axis import Load
from sequencer.plant import ActuatorDead, ActuatorLoose, AxisJammed, OrdersLost, Plant, SensorSilent, SensorStuck
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


def test_faults_that_name_nothing_are_refused_with_the_nearest_name(build):
    for fault, text in (
        (SensorSilent("piec"), "fault: unknown sensor 'piec'; did you mean 'piece'?"),
        (AxisJammed("lifft"), "fault: unknown axis 'lifft'; did you mean 'lift'?"),
        (ActuatorDead("lift", "rihgt"), "fault: 'lift' has no actuator 'rihgt'; did you mean 'right'?"),
    ):
        with pytest.raises(ModelError) as caught:
            Plant(build.sensed(), faults=[fault])
        assert str(caught.value) == text
