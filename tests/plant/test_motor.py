"""Motors against published worked examples and the straight torque-speed line."""

from __future__ import annotations

from math import exp

import pytest

from profiles import Limits
from sequencer.machine.actuator import Actuator, Motor
from sequencer.machine.axis import Axis, Load
from sequencer.machine.machine import Machine
from sequencer.plant import Plant
from sequencer.plant.motor import motor_groups
from sequencer.ports.orders import AxisOrder, Orders


def motor_of(*, constant: float, resistance: float, volts: float, inertia: float = 0.0) -> Motor:
    """A motor with equal torque and back-EMF constants and no friction of its own."""
    return Motor("m", volts, constant * volts / resistance, volts / resistance, volts / constant, 0.0, inertia)


def spin_of(motor: Motor, inertia: float, viscous: float) -> Machine:
    load = Load(inertia=inertia, viscous=viscous)
    axis = Axis("wheel", "spin", Limits(1e6, 1e6), actuators=(Actuator("a", motor, 1.0),), load=load)
    return Machine("bench", {"wheel": axis}, longest_gap=10_000_000_000)


def spin_up(machine: Machine, volts: float, seconds: float) -> float:
    plant = Plant(machine)
    plant.apply(Orders(0, {"wheel": AxisOrder("effort", volts=volts)}, {}))
    plant.advance(round(seconds * 1e9))
    return plant.state.speeds["wheel"]


def current_at(motor: Motor, speed: float, volts: float, **limits: float) -> float:
    """The current of one motor on one volt-true bus."""
    (group,) = motor_groups([Actuator("a", motor, 1.0, **limits)])
    group.duty, group.emf, group.switching = 1.0, group.emf_per_speed * speed, "driven"
    group.set_current(volts)
    return group.current


def test_the_final_speed_of_a_published_motor_is_reached(published):
    row = published["ctms_speed_dc_gain"]
    given = row["inputs"]
    motor = motor_of(constant=given["K"], resistance=given["R"], volts=1.0)
    final = spin_up(spin_of(motor, given["J"], given["b"]), 1.0, 3.0)
    assert final == pytest.approx(row["published_answer"]["final_rad_s"], abs=row["tolerance"])
    # K / (b R + K^2), exactly: inductance has no part in it
    assert final == pytest.approx(given["K"] / (given["b"] * given["R"] + given["K"] ** 2), rel=1e-9)


def test_a_motor_spins_up_as_the_resistive_model_says(published):
    """The published motor has 0.5 H and would take its own way; without inductance the answer is one exponential."""
    given = published["ctms_speed_dc_gain"]["inputs"]
    motor = motor_of(constant=given["K"], resistance=given["R"], volts=1.0)
    machine = spin_of(motor, given["J"], given["b"])
    final = given["K"] / (given["b"] * given["R"] + given["K"] ** 2)
    rate = (given["b"] + given["K"] ** 2 / given["R"]) / given["J"]
    for time in (0.02, 0.1, 0.25):
        assert spin_up(machine, 1.0, time) == pytest.approx(final * (1.0 - exp(-rate * time)), rel=2e-5)


def test_the_slow_pole_of_a_published_motor_with_little_inductance_is_met(published):
    row = published["ctms_position_poles"]
    given = row["inputs"]
    motor = motor_of(constant=given["K"], resistance=given["R"], volts=12.0, inertia=given["J"])
    machine = spin_of(motor, 0.0, given["b"])
    final = spin_up(machine, 6.0, 1.0)
    time = 0.03
    pole = row["published_answer"]["p_slow"]
    # one exponential with the published pole; 0.2 % is what steps of 1 ms leave at 59 / s
    assert spin_up(machine, 6.0, time) / final == pytest.approx(1.0 - exp(pole * time), rel=2e-3)


def test_start_and_running_currents_of_published_motors(published):
    row = published["openstax_motor_start_current"]
    given, answer = row["inputs"], row["published_answer"]
    motor = motor_of(constant=0.5, resistance=given["R"], volts=given["emf"])
    assert current_at(motor, 0.0, given["emf"]) == pytest.approx(answer["I_start"], abs=row["tolerance"])
    running = current_at(motor, given["back_emf_run"] / 0.5, given["emf"])
    assert running == pytest.approx(answer["I_run"], abs=row["tolerance"])
    assert running**2 * motor.resistance == pytest.approx(answer["P_heat_run"], rel=1e-9)

    row = published["openstax_motor_resistance"]
    given, answer = row["inputs"], row["published_answer"]
    motor = Motor("m", given["V"], 1.0, given["I_start"], given["V"])
    assert motor.resistance == pytest.approx(answer["R"], abs=row["tolerance"])
    at_emf = current_at(motor, given["back_emf"] / motor.back_emf, given["V"])
    assert at_emf == pytest.approx(answer["I_run"], abs=row["tolerance"])

    row = published["openstax_back_emf_from_currents"]
    given, answer = row["inputs"], row["published_answer"]
    motor = Motor("m", given["V"], 1.0, given["I_start"], given["V"])
    speed = answer["back_emf"] / motor.back_emf
    assert current_at(motor, speed, given["V"]) == pytest.approx(given["I_run"], abs=row["tolerance"])


def test_most_power_comes_at_half_the_free_speed(published):
    answer = published["dc_motor_max_power"]["published_answer"]
    motor = Motor("unit", 1.0, 1.0, 1.0, 1.0)
    powers = {
        share: current_at(motor, share, 1.0) * motor.torque_per_ampere * share for share in (0.4, 0.45, 0.5, 0.55)
    }
    best = max(powers, key=powers.__getitem__)
    assert best == answer["speed"]
    assert powers[best] == pytest.approx(answer["P"], rel=1e-12)


def test_no_torque_is_left_at_the_no_load_current(build):
    motor = build.LARGE
    speed = spin_up(spin_of(motor, 1e-4, 0.0), motor.rated_voltage, 3.0)
    assert speed == pytest.approx(motor.no_load_speed, rel=1e-6)


def test_the_winding_limit_holds_both_ways(build):
    assert current_at(build.LARGE, 0.0, 12.0, winding_limit=40.0) == 40.0
    assert current_at(build.LARGE, 1000.0, 12.0, winding_limit=40.0) == -40.0


def test_the_supply_limit_bounds_what_is_drawn_not_what_flows_in_the_winding(build):
    (group,) = motor_groups([Actuator("a", build.LARGE, 1.0, supply_limit=30.0)])
    for speed in (0.0, 100.0, 250.0):
        group.duty, group.emf, group.switching = 1.0, group.emf_per_speed * speed, "driven"
        group.set_current(12.0)
        assert group.supply_current(group.current, 12.0) == pytest.approx(30.0, rel=1e-12)
        assert group.current > 30.0


def test_like_motors_share_one_group_and_a_dead_one_stands_apart(build):
    actuators = build.lift().actuators
    assert [group.names for group in motor_groups(actuators)] == [("left", "right")]
    groups = motor_groups(actuators, frozenset({"right"}))
    assert [(group.names, group.has_power) for group in groups] == [(("left",), True), (("right",), False)]
