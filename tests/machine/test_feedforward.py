"""The feedforward against the plant: it holds, it moves at the ordered speed, it speeds up as ordered."""

from __future__ import annotations

from dataclasses import replace
from math import atan2, cos, hypot, pi, radians, sin

import pytest

from profiles import Limits
from sequencer.machine.actuator import Actuator, Motor
from sequencer.machine.axis import Axis, Load, Mount, Tolerance
from sequencer.machine.feedforward import feedforward
from sequencer.machine.machine import Machine
from sequencer.plant import Plant
from sequencer.ports.orders import AxisOrder, Orders

GRAVITY = 9.80665
MOTOR = Motor("large", 12.0, 2.7, 132.0, 570.0, 0.0, 4e-5)
DRIVE = Actuator("a", MOTOR, 6.0, travel_per_turn=0.132)


def slide(**changes) -> Axis:
    load = Load(mass=8.0, counterbalance=(40.0, 60.0), viscous=10.0)
    axis = Axis(
        "lift",
        "linear",
        Limits(2.0, 9.0),
        (0.0, 50.0),
        Mount(direction=radians(66.0)),
        Tolerance(0.01),
        (DRIVE,),
        load=load,
    )
    return replace(axis, **changes)


def hinge(**changes) -> Axis:
    load = Load(mass=2.0, centre=(0.2, 0.1), inertia=0.05)
    drive = Actuator("b", MOTOR, 50.0)
    axis = Axis("wrist", "rotary", Limits(5.0, 40.0), (-2.0, 2.0), Mount("frame"), Tolerance(0.01), (drive,), load=load)
    return replace(axis, **changes)


def machine(*axes: Axis) -> Machine:
    return Machine("bench", {axis.name: axis for axis in axes}, longest_gap=10**10)


def driven(made: Machine, name: str, volts: float, seconds: float, start: dict[str, float] | None = None):
    """The plant's state after one axis was driven with plain volts (its own loop does not answer at its goal)."""
    plant = Plant(made, start=start)
    for drive in plant._driven:
        drive.controller.answer = type(drive.controller.answer)(0.0, 0.0)
    plant.apply(Orders(0, {name: AxisOrder("track", volts=volts)}, {}))
    plant.advance(round(seconds * 1e9))
    return plant.state


def test_a_slide_holds_its_weight_less_the_mean_counterbalance():
    made = machine(slide())
    known = feedforward(made, "lift")
    newtons_per_volt = MOTOR.torque_per_ampere * DRIVE.motor_turn / MOTOR.resistance
    assert known["constant"] * newtons_per_volt == pytest.approx(8.0 * GRAVITY * sin(radians(66.0)) - 50.0)
    assert (known["cosine"], known["angle"], known["coulomb"]) == (0.0, 0.0, 0.0)
    state = driven(made, "lift", known["constant"], 1.0, {"lift": 1.0})
    assert state.positions["lift"] == pytest.approx(1.0, abs=1e-12)


def test_a_slide_reaches_the_speed_its_volts_are_for():
    made = machine(slide())
    known = feedforward(made, "lift")
    state = driven(made, "lift", known["constant"] + known["velocity"] * 1.3, 3.0)
    assert state.speeds["lift"] == pytest.approx(1.3, rel=1e-9)


def test_a_slide_speeds_up_as_its_volts_are_for():
    made = machine(slide())
    known = feedforward(made, "lift")
    state = driven(made, "lift", known["constant"] + known["acceleration"] * 5.0, 0.001, {"lift": 1.0})
    drag = known["velocity"] / known["acceleration"]
    assert state.speeds["lift"] == pytest.approx(0.005 * (1.0 - 0.0005 * drag), rel=1e-3)


def test_a_hinge_holds_its_weight_at_any_angle():
    made = machine(hinge())
    known = feedforward(made, "wrist")
    assert known["angle"] == pytest.approx(atan2(0.1, 0.2))
    newton_metres_per_volt = MOTOR.torque_per_ampere * 50.0 / MOTOR.resistance
    assert known["cosine"] * newton_metres_per_volt == pytest.approx(2.0 * GRAVITY * hypot(0.2, 0.1))

    for angle in (-1.5, 0.0, 0.7):
        volts = known["cosine"] * cos(angle + known["angle"])
        state = driven(made, "wrist", volts, 0.5, {"wrist": angle})
        assert state.positions["wrist"] == pytest.approx(angle, abs=1e-6)


def test_what_a_slide_carries_counts_with_it_whatever_its_angle():
    alone, loaded = machine(slide()), machine(slide(), hinge(mount=Mount("lift", (0.1, 0.0))))
    heavier = machine(slide(load=Load(mass=10.0, counterbalance=(40.0, 60.0), viscous=10.0)))
    assert feedforward(loaded, "lift") == pytest.approx(feedforward(heavier, "lift"))
    assert feedforward(loaded, "lift")["constant"] > feedforward(alone, "lift")["constant"]


def test_what_rides_on_a_stage_with_half_the_motion_counts_half():
    half = machine(slide(), hinge(mount=Mount("lift", (0.1, 0.0), share=0.5)))
    full = machine(slide(), hinge(mount=Mount("lift", (0.1, 0.0))))
    bare = feedforward(machine(slide()), "lift")["constant"]
    added = feedforward(full, "lift")["constant"] - bare
    assert feedforward(half, "lift")["constant"] - bare == pytest.approx(added / 2.0)
    bare = feedforward(machine(slide()), "lift")["acceleration"]
    added = feedforward(full, "lift")["acceleration"] - bare
    assert feedforward(half, "lift")["acceleration"] - bare == pytest.approx(added / 4.0)


def test_an_arm_carries_a_hand_at_its_end():
    """A hand that turns with the arm counts at its own place, in mid-travel; one that keeps its level at its pivot."""
    arm = hinge(name="arm", load=Load(mass=1.0, centre=(0.5, 0.0)))
    hand = hinge(mount=Mount("arm", (1.0, 0.0), angle_from="carrier"), load=Load(mass=2.0, centre=(0.3, 0.0)))
    level = replace(hand, mount=Mount("arm", (1.0, 0.0), angle_from="level"))
    newton_metres_per_volt = MOTOR.torque_per_ampere * 50.0 / MOTOR.resistance
    turned = feedforward(machine(arm, hand), "arm")["cosine"] * newton_metres_per_volt
    assert turned == pytest.approx(GRAVITY * (1.0 * 0.5 + 2.0 * 1.3))
    kept = feedforward(machine(arm, level), "arm")["cosine"] * newton_metres_per_volt
    assert kept == pytest.approx(GRAVITY * (1.0 * 0.5 + 2.0 * 1.0))


def test_a_telescope_on_an_arm_stands_in_the_middle_of_its_travel():
    arm = hinge(name="arm", load=Load(mass=1.0, centre=(0.5, 0.0)))
    tube = slide(name="tube", mount=Mount("arm", (0.5, 0.0), 0.0), travel=(0.0, 0.4), load=Load(mass=2.0))
    newton_metres_per_volt = MOTOR.torque_per_ampere * 50.0 / MOTOR.resistance
    arm_volts = feedforward(machine(arm, tube), "arm")
    assert arm_volts["cosine"] * newton_metres_per_volt == pytest.approx(GRAVITY * (1.0 * 0.5 + 2.0 * 0.7))
    leaning = replace(arm, travel=(0.0, pi / 3.0))  # on average at 30 degrees
    constant = feedforward(machine(leaning, tube), "tube")["constant"]
    newtons_per_volt = MOTOR.torque_per_ampere * DRIVE.motor_turn / MOTOR.resistance
    assert constant * newtons_per_volt == pytest.approx(2.0 * GRAVITY * 0.5)


def test_only_actuators_in_service_share_the_load():
    pair = (DRIVE, replace(DRIVE, name="c"))
    both = feedforward(machine(slide(actuators=pair)), "lift")
    one_out = feedforward(machine(slide(actuators=(pair[0], replace(pair[1], out_of_service=True)))), "lift")
    assert one_out["constant"] == pytest.approx(2.0 * both["constant"])


def test_friction_of_motors_gears_and_rails_makes_the_dry_term():
    worn = replace(DRIVE, motor=replace(MOTOR, no_load_current=2.0), efficiency=0.8)
    known = feedforward(machine(slide(actuators=(worn,), load=Load(mass=8.0, coulomb=18.0))), "lift")
    motor = worn.motor
    newtons_per_volt = motor.torque_per_ampere * worn.motor_turn / motor.resistance
    expected = 18.0 + motor.torque_per_ampere * worn.motor_turn * 2.0 + 0.2 * 8.0 * GRAVITY * sin(radians(66.0))
    assert known["coulomb"] * newtons_per_volt == pytest.approx(expected)


def test_a_spin_has_no_weight():
    spin = Axis("wheel", "spin", Limits(400.0, 1e4), actuators=(Actuator("a", MOTOR, 4.0),), load=Load(inertia=1e-3))
    known = feedforward(machine(spin), "wheel")
    assert (known["constant"], known["cosine"]) == (0.0, 0.0)
    newton_metres_per_volt = MOTOR.torque_per_ampere * 4.0 / MOTOR.resistance
    assert known["acceleration"] * newton_metres_per_volt == pytest.approx(1e-3 + 4e-5 * 16.0)
    assert known["velocity"] == pytest.approx(MOTOR.back_emf * 4.0)


def test_there_is_none_where_load_or_actuators_are_missing():
    out = replace(DRIVE, out_of_service=True)
    for axis in (slide(load=None), slide(actuators=()), slide(actuators=(out,))):
        assert feedforward(machine(axis), "lift") is None
    with pytest.raises(KeyError):
        feedforward(machine(slide()), "lifft")
