"""`profile: motor` from the file to the plant: planned, checked, packed, run, and followed at every instant."""

from __future__ import annotations

from dataclasses import replace

import pytest

from profiles import Limits, motor_limited, trapezoid
from sequencer import check, load_pack, load_routine, plan, write_pack
from sequencer.check import CheckFailed
from sequencer.machine.envelope import envelope_of, limits_for
from sequencer.machine.feedforward import feedforward
from sequencer.plant import Plant
from sequencer.ports.orders import AxisOrder, Orders
from sequencer.rehearse import rehearse

ROUTINE = """
routine: up_and_down
machine: MACHINE
from: {}
steps:
- raise: {{move: {{lift: 0.9 m}}, profile: {}, timeout: 5 s}}
- lower: {{move: {{lift: 0.2 m}}, profile: {}, timeout: 5 s}}
"""


def text(profile: str, machine: str = "machine.yaml") -> str:
    return ROUTINE.format("anywhere", profile, profile).replace("MACHINE", machine)


def test_a_routine_that_moves_by_its_motors_is_done(prepare):
    checked, routine, machine = prepare(text("motor"))
    found = rehearse(checked, machine=machine)
    assert (found.outcome, found.cause) == ("done", None)
    planned = plan(routine)
    assert found.duration == pytest.approx(planned.duration, abs=0.25)


def test_the_plan_is_the_motor_limited_profile(prepare):
    _, routine, machine = prepare(text("motor"))
    axis = machine.axes["lift"]
    envelope = envelope_of(machine, "lift", Limits(axis.limits.velocity, axis.limits.acceleration))
    raising, lowering = plan(routine).steps
    assert raising.profiles["lift"] == motor_limited(raising.profiles["lift"].start, 0.9, envelope)
    assert lowering.profiles["lift"] == motor_limited(0.9, 0.2, envelope)


def test_packed_and_read_back_it_is_the_same(prepare, tmp_path):
    checked, _, machine = prepare(text("motor"))
    write_pack(tmp_path / "robot.pack", [checked])
    (again,) = load_pack(tmp_path / "robot.pack").routines.values()
    assert again.hash == checked.hash
    assert again.routine["steps"][0]["envelopes"] == checked.routine["steps"][0]["envelopes"]
    assert rehearse(again, machine=machine).duration == rehearse(checked, machine=machine).duration


def test_an_axis_without_motors_cannot_move_by_them(prepare, tmp_path):
    prepare("up")
    (tmp_path / "y.routine.yaml").write_text(text("motor", "bare.yaml"), encoding="utf-8")
    with pytest.raises(CheckFailed, match="profile motor needs actuators in service and the load of lift"):
        check(load_routine(tmp_path / "y.routine.yaml"))


def follow(machine, profile, name):
    """Run a profile on the plant with its feedforward; the worst error, and the worst duty of the motors."""
    others = {axis: AxisOrder("hold") for axis in machine.axes if axis not in (name, "rollers")}
    plant = Plant(machine, start={name: profile.start.position})
    terms = feedforward(machine, name)
    worst = duty = 0.0
    (drive,) = (drive for drive in plant.parts.driven if drive.axis.name == name)
    for tick in range(round(profile.duration * 1000) + 100):
        position, velocity, acceleration = profile.at(tick * 1e-3)
        volts = terms["constant"] + terms["velocity"] * velocity + terms["acceleration"] * acceleration
        volts += terms["coulomb"] * ((velocity > 0.0) - (velocity < 0.0))
        order = AxisOrder("track", position, velocity, acceleration, volts)
        plant.apply(Orders(tick, {**others, name: order}, {}))
        plant.advance(1_000_000)
        worst = max(worst, abs(plant.positions()[name] - profile.at((tick + 1) * 1e-3).position))
        duty = max(duty, *(abs(group.duty) for group in drive.controller.groups))
    return worst, duty


def alone(machine):
    """The lift without latency, and nothing else that moves much."""
    lift = replace(machine.axes["lift"], latency=(0, 0), limits=Limits(3.0, 60.0))
    return replace(machine, axes={**machine.axes, "lift": lift})


@pytest.mark.parametrize(("start", "goal"), [(0.1, 1.0), (1.0, 0.1), (0.4, 0.45)])
def test_the_plant_follows_at_every_instant_what_the_motors_can_do(prepare, start, goal):
    _, _, machine = prepare("hang")
    machine = alone(machine)
    profile = motor_limited(start, goal, envelope_of(machine, "lift"))
    worst, duty = follow(machine, profile, "lift")
    assert worst < 0.01
    assert duty < 1.0  # the reserve is never used up


def test_the_plant_cannot_follow_a_trapezoid_that_is_as_fast(prepare):
    """Beyond the envelope the motors are at their end: the error is many times as great."""
    _, _, machine = prepare("hang")
    machine = alone(machine)
    within = motor_limited(0.1, 1.0, envelope_of(machine, "lift"))
    beyond = trapezoid(0.1, 1.0, Limits(1.8, 20.0))
    assert follow(machine, beyond, "lift")[0] > 5.0 * follow(machine, within, "lift")[0]


@pytest.mark.parametrize("name", ["lift", "wrist"])
def test_proposed_limits_are_within_the_envelope_anywhere(prepare, name):
    _, _, machine = prepare("hang")
    envelope = envelope_of(machine, name)
    bare = replace(envelope, limits=None)
    found = limits_for(machine, name)
    low, high = machine.axes[name].travel
    (down, up), (least, most) = found.velocity, found.acceleration
    for step in range(11):
        place = low + (high - low) * step / 10
        for sense, speed in ((1.0, up), (-1.0, down)):
            for part in (0.0, 0.5, 1.0):
                lowest, highest = bare.accelerations(place, part * speed, sense)
                assert lowest <= least + 0.01 * abs(least)
                assert highest >= most - 0.01 * abs(most)


def test_limits_are_not_proposed_where_nothing_is_known(prepare):
    _, _, machine = prepare("hang")
    with pytest.raises(Exception, match="no limits can be proposed"):
        limits_for(machine, "rollers")
    heavy = replace(machine.axes["lift"], load=replace(machine.axes["lift"].load, mass=300.0))
    with pytest.raises(Exception, match="the motors of axis 'lift' cannot move and stop it everywhere"):
        limits_for(replace(machine, axes={**machine.axes, "lift": heavy}), "lift")
