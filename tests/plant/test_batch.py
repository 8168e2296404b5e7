"""The batch against the scalar plant: the same machine, orders and faults, sample by sample."""

from __future__ import annotations

from dataclasses import replace
from math import cos, pi, radians
from random import Random

import pytest

from profiles import s_curve
from sequencer.errors import ModelError
from sequencer.machine.axis import Load
from sequencer.machine.machine import Battery
from sequencer.machine.piece import Piece
from sequencer.plant import (
    ActuatorDead,
    ActuatorLoose,
    ActuatorWeak,
    AxisJammed,
    BatteryWeak,
    BrownOut,
    Contact,
    EncoderFrozen,
    EncoderOffset,
    OrdersLost,
    OtherLoad,
    Plant,
    PlantBatch,
)
from sequencer.ports.orders import AxisOrder, Orders

AGREE = 1e-9
"""What scalar plant and batch may differ by after two seconds [m, rad, m/s, rad/s, A, V]."""
LANTERN = Piece("lantern", 0.6, "wrist", (0.34, 0.0), "rollers", grip_torque=2.0, turns_to_leave=pi)

FAULTS = [
    (),
    (ActuatorDead("lift", "left", at=0.7),),
    (ActuatorWeak("lift", "right", 0.5, at=0.3, until=1.1),),
    (AxisJammed("wrist", 30.0, at=0.5, until=0.9),),
    (EncoderFrozen("wrist", at=0.6, until=0.8),),
    (EncoderOffset("lift", 0.02, at=0.41),),
    (BatteryWeak(9.5, 0.05, at=0.2), OtherLoad(60.0, at=0.9, until=1.4)),
    (BrownOut(at=0.613),),
    (OrdersLost(at=0.5, until=0.9),),
]


def varied(build, number: int) -> Plant:
    """A plant with numbers, faults and start of its own."""
    draw = Random(number)
    lift, wrist, rollers = build.lift(), build.wrist(), build.rollers()
    pull = draw.uniform(58.0, 66.0)
    load = replace(
        lift.load, mass=draw.uniform(6.0, 9.0), counterbalance=(pull, pull), breakaway=draw.choice([None, 25.0])
    )
    limited = tuple(replace(one, supply_limit=draw.choice([None, 15.0])) for one in lift.actuators)
    lift = replace(lift, load=load, actuators=limited, latency=(5_000_000, 25_000_000), between="carry_on")
    wrist = replace(wrist, latency=(5_000_000, 25_000_000))
    piece = replace(LANTERN, inertia=draw.choice([0.0, 3e-4]))
    machine = build.machine(
        lift,
        wrist,
        rollers,
        battery=Battery(draw.uniform(11.0, 13.0), 0.02, 6.8, (3.0, 3.0)),
        pieces={"lantern": piece},
    )
    contacts = [Contact("wrist", radians(5.0), -1)] if number % 4 == 1 else []
    return Plant(
        machine,
        seed=number,
        start={"lift": draw.uniform(0.2, 0.4), "wrist": draw.uniform(0.0, 0.5)},
        piece=draw.choice([None, "lantern"]),
        faults=FAULTS[number % len(FAULTS)],
        contacts=contacts,
    )


def orders_at(time: float, plant: Plant, number: int) -> Orders:
    """Moves, presses, brakes and rollers, different for each sample."""
    up = s_curve(0.3, 1.0, plant.machine.axes["lift"].limits)
    position, velocity, acceleration = up.at(time - 0.1 * (number % 5))
    lift = AxisOrder("track", position, velocity, acceleration, 1.0 + 4.0 * velocity)
    if time > 1.5:
        lift = AxisOrder("brake" if number % 2 else "off")
    wrist = AxisOrder("track", 0.6 + 0.5 * cos(7.0 * time + number), 0.0, 0.0, 0.2)
    if time > 1.0:
        wrist = AxisOrder("effort", radians(-30.0), radians(60.0), 0.0, 0.0, -14.0)
    rollers = AxisOrder("effort", volts=1.5 if time < 0.8 else -8.0)
    return Orders(0, {"lift": lift, "wrist": wrist, "rollers": rollers}, {})


def state(plant: Plant) -> list[float]:
    found = plant.state
    return [
        *found.positions.values(),
        *found.speeds.values(),
        *found.impacts.values(),
        plant.battery_voltage,
        plant.least_battery,
        *(reading.current for reading in plant.readings(0).axes.values()),
    ]


@pytest.mark.parametrize("samples", [1, 2 * len(FAULTS)])
def test_the_batch_agrees_with_the_scalar_plant_over_two_seconds(build, samples):
    alone = [varied(build, number) for number in range(samples)]
    together = [varied(build, number) for number in range(samples)]
    batch = PlantBatch(together)
    period = alone[0].machine.period
    for tick in range(100):
        for number, (one, other) in enumerate(zip(alone, together, strict=True)):
            orders = orders_at(tick * period * 1e-9, one, number)
            one.apply(orders)
            other.apply(orders)
            one.advance(period)
        batch.advance(period)
        if tick % 7 and tick != 99:
            continue
        batch.give_back()
        for number, (one, other) in enumerate(zip(alone, together, strict=True)):
            assert state(other) == pytest.approx(state(one), abs=AGREE, rel=0.0), (tick, number)
            assert other.state.holding == one.state.holding
            assert other.state.dropped_out == one.state.dropped_out
            first, second = one.readings(0), other.readings(0)
            assert first.enabled == second.enabled
            assert first.axes["lift"].zeroed == second.axes["lift"].zeroed


def test_gaps_of_any_length_are_stepped_alike(build):
    one, other = varied(build, 0), varied(build, 0)
    batch = PlantBatch([other])
    for gap in (20_000_000, 7_300_001, 500_000, 61_000_000):
        orders = orders_at(0.3, one, 0)
        one.apply(orders)
        other.apply(orders)
        one.advance(gap)
        batch.advance(gap)
        batch.give_back()
        assert other.time_ns == one.time_ns
        assert state(other) == pytest.approx(state(one), abs=AGREE, rel=0.0)


def test_three_axes_on_each_other_agree_too(build):
    """A tree of a slide and two hinges takes the general inverse."""
    arm = replace(build.wrist(), name="arm", mount=replace(build.wrist().mount, to="wrist", angle_from="carrier"))
    machine = build.machine(build.lift(), build.wrist(), arm)
    one, other = (Plant(machine, start={"lift": 0.5, "wrist": 0.3, "arm": -0.5}) for _ in range(2))
    batch = PlantBatch([other])
    for tick in range(100):
        goal = 0.5 + 0.4 * (tick // 25 % 2)
        orders = Orders(0, {name: AxisOrder("hold", goal) for name in machine.axes}, {})
        for plant in (one, other):
            plant.apply(orders)
        one.advance(machine.period)
        batch.advance(machine.period)
        batch.give_back()
        assert state(other) == pytest.approx(state(one), abs=AGREE, rel=0.0)


def test_what_cannot_be_stepped_together_is_refused(build):
    plain = build.machine()
    loose = Plant(plain, faults=[ActuatorLoose("lift", "left")])
    with pytest.raises(ModelError, match="a plant with backlash, a loose actuator, substeps or an axis without motors"):
        PlantBatch([Plant(plain), loose])
    with pytest.raises(ModelError, match="the plants of a batch must have the same axes on the same mounts"):
        PlantBatch([Plant(plain), Plant(build.machine(build.lift()))])
    with pytest.raises(ModelError, match="a batch needs at least one plant"):
        PlantBatch([])


def test_backlash_is_for_the_scalar_plant(build):
    machine = build.machine(build.lift(load=Load(mass=8.0, backlash=0.001)))
    with pytest.raises(ModelError, match="backlash"):
        PlantBatch([Plant(machine)])
