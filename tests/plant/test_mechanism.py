"""The step: its order, friction that neither drifts nor drives, hard stops, energy."""

from __future__ import annotations

from math import inf, radians, sin

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.plant.friction import Friction
from sequencer.plant.linkage import Body, Joint, Linkage
from sequencer.plant.mechanism import RESTITUTION, Mechanism

STEP = 1e-3


def joint(parent: int, coordinate: int, *, hinge: bool, lean: float = 66.0) -> Joint:
    along = complex(sin(radians(90.0 - lean)), sin(radians(lean)))
    return Joint(parent, coordinate, 1.0, hinge, hinge, 0.1 + 0.02j, along)


def chain(*hinges: bool) -> Mechanism:
    """One tree, each joint on the one before, with bodies of 5, 3, 1 kg."""
    linkage = Linkage([joint(index - 1, index, hinge=hinge) for index, hinge in enumerate(hinges)])
    for index, mass in zip(range(len(hinges)), (5.0, 3.0, 1.0), strict=False):
        linkage.add(index, Body(mass, 0.25 + 0j if hinges[index] else 0j, 0.05))
    return Mechanism(len(hinges), [linkage], [False] * len(hinges), [])


def run(mechanism: Mechanism, seconds: float) -> None:
    for _ in range(round(seconds / STEP)):
        mechanism.step(STEP)


def energy(mechanism: Mechanism) -> float:
    (tree,) = mechanism.trees
    return tree.motion_energy(mechanism.position, mechanism.speed) + tree.height_energy(mechanism.position)


def violent(mechanism: Mechanism, seconds: float, step: float) -> list[float]:
    mechanism.position[:], mechanism.speed[:] = [0.2, 0.3], [0.5, -2.0]
    mechanism.viscous[:] = [20.0, 0.3]
    for index in range(round(seconds / step)):
        time = (index + 0.5) * step
        mechanism.force[:] = [80.0 + 120.0 * sin(9.0 * time), 6.0 * sin(13.0 * time + 1.0)]
        mechanism.step(step)
    return list(mechanism.position)


def test_the_step_is_of_second_order_and_good_for_a_tenth_of_a_millimetre():
    """Two seconds of violent motion (the hand turns almost three times) at 1 ms, 0.5 ms and 0.125 ms."""
    fine = violent(chain(False, True), 2.0, STEP / 8)
    coarse = violent(chain(False, True), 2.0, STEP)
    halved = violent(chain(False, True), 2.0, STEP / 2)
    for axis in (0, 1):
        assert abs(coarse[axis] - fine[axis]) < 1e-4  # m and rad
        assert abs(halved[axis] - fine[axis]) < 0.3 * abs(coarse[axis] - fine[axis])


@pytest.mark.parametrize("hinges", [(False,), (True,), (False, True), (False, True, True), (False, False, True)])
def test_what_is_held_at_three_quarters_of_break_away_does_not_drift(hinges):
    mechanism = chain(*hinges)
    start = [0.3] * len(hinges)
    mechanism.position[:] = start
    (tree,) = mechanism.trees
    tree.evaluate(start, [0.0] * len(hinges), [0.0] * len(hinges))
    for axis in range(len(hinges)):
        mechanism.resist_forward[axis] = mechanism.resist_backward[axis] = 20.0
        mechanism.force[axis] = tree.bias[axis] + 15.0
    run(mechanism, 2.0)
    assert mechanism.position == start  # 0.000 mm, to the last digit
    assert mechanism.speed == [0.0] * len(hinges)


def test_what_is_pushed_beyond_break_away_moves():
    mechanism = chain(False)
    (tree,) = mechanism.trees
    tree.evaluate([0.0], [0.0], [0.0])
    mechanism.resist_forward[0] = mechanism.resist_backward[0] = 20.0
    mechanism.force[0] = tree.bias[0] + 21.0
    run(mechanism, 1.0)
    assert mechanism.position[0] == pytest.approx(0.5 * (1.0 / 5.0), rel=1e-9)


def test_sliding_friction_decelerates_to_rest_and_no_farther():
    mechanism = chain(False)
    (tree,) = mechanism.trees
    tree.evaluate([0.0], [0.0], [0.0])
    mechanism.force[0] = tree.bias[0]
    mechanism.resist_forward[0] = mechanism.resist_backward[0] = 10.0
    mechanism.speed[0] = 1.0
    run(mechanism, 1.0)
    assert mechanism.speed[0] == 0.0
    assert mechanism.position[0] == pytest.approx(1.0 / (2.0 * 10.0 / 5.0), abs=1e-6)  # v^2 / 2a


def test_one_axis_slides_while_friction_holds_the_other():
    mechanism = chain(False, True)
    mechanism.position[:] = [0.0, -1.5]
    mechanism.resist_forward[:] = mechanism.resist_backward[:] = [1.0, 30.0]
    run(mechanism, 0.3)
    assert mechanism.speed[0] < -1.0  # the slide falls
    assert abs(mechanism.position[1] + 1.5) < 1e-6  # and the hand stays where it was


def test_breakaway_is_felt_at_rest_and_fades_within_its_speed(build):
    lift = build.lift()
    load = lift.load
    friction = Friction(build.lift(load=type(load)(mass=1.0, coulomb=18.0, breakaway=25.0)))
    assert friction.at(0.0) == 25.0
    assert 18.0 < friction.at(0.01) < 25.0
    assert friction.at(-0.3) == pytest.approx(18.0)
    assert Friction(lift).at(0.0) == 18.0


@pytest.mark.parametrize("hinges", [(False,), (False, True), (False, True, True)])
def test_a_hard_stop_is_never_passed_and_reports_its_impulse(hinges):
    mechanism = chain(*hinges)
    mechanism.lowest[0], mechanism.highest[0] = 0.0, inf
    mechanism.position[0] = 0.4
    for axis in range(1, len(hinges)):
        mechanism.resist_forward[axis] = mechanism.resist_backward[axis] = 1e3
    lowest = 1.0
    for _ in range(2000):
        mechanism.step(STEP)
        lowest = min(lowest, mechanism.position[0])
    assert lowest == 0.0
    assert mechanism.position[0] == 0.0
    assert mechanism.speed[0] == 0.0
    fall = (2.0 * 9.80665 * sin(radians(66.0)) * 0.4) ** 0.5
    (tree,) = mechanism.trees
    tree.evaluate([0.0] * len(hinges), [0.0] * len(hinges), [0.0] * len(hinges))
    felt = 1.0 / np.linalg.inv(tree.matrix)[0][0]  # what hangs on hinges swings on, whatever their friction
    assert mechanism.impact[0] == pytest.approx(felt * fall * (1.0 + RESTITUTION), rel=0.01)


@pytest.mark.parametrize("hinges", [(False, True), (False, True, True)])
def test_what_leans_on_a_stop_does_not_creep_and_does_not_shake_what_it_carries(hinges):
    mechanism = chain(*hinges)
    mechanism.lowest[0] = 0.0
    start = [0.0, *([-1.0] * (len(hinges) - 1))]
    mechanism.position[:] = start
    mechanism.force[0] = -300.0
    for axis in range(len(hinges)):
        mechanism.resist_forward[axis] = mechanism.resist_backward[axis] = 20.0
    run(mechanism, 1.0)
    assert mechanism.position == start
    assert mechanism.impact[0] == 0.0


@settings(max_examples=30, deadline=None)
@given(
    kinds=st.lists(st.booleans(), min_size=1, max_size=3),
    speeds=st.lists(st.floats(-3.0, 3.0), min_size=3, max_size=3),
    friction=st.floats(0.5, 20.0),
    viscous=st.floats(0.0, 5.0),
)
def test_unpowered_with_friction_energy_never_grows(kinds, speeds, friction, viscous):
    mechanism = chain(*kinds)
    count = len(kinds)
    mechanism.speed[:] = speeds[:count]
    mechanism.viscous[:] = [viscous] * count
    mechanism.resist_forward[:] = mechanism.resist_backward[:] = [friction] * count
    least = energy(mechanism)
    scale = 1.0 + mechanism.trees[0].motion_energy(mechanism.position, mechanism.speed)
    for _ in range(100):
        run(mechanism, 0.01)
        now = energy(mechanism)
        # what the integrator itself may add in 10 ms, relative to the energy of the motion
        assert now <= least + 1e-4 * scale
        scale = 1.0 + mechanism.trees[0].motion_energy(mechanism.position, mechanism.speed)
        least = min(least, now)


def test_without_friction_energy_is_kept_to_a_thousandth():
    mechanism = chain(False, True)
    mechanism.speed[:] = [1.0, 4.0]
    before = energy(mechanism)
    motion = mechanism.trees[0].motion_energy(mechanism.position, mechanism.speed)
    run(mechanism, 1.0)
    assert energy(mechanism) == pytest.approx(before, abs=1e-3 * motion)


def test_a_counterbalanced_elevator_takes_the_published_power(published):
    """It starts from rest and reaches 4.00 m/s within 35 m and 12 s: a ramp of 6.5 s, then steady speed."""
    row = published["openstax_counterbalanced_elevator"]
    given_values = row["inputs"]
    total, load, height, time, speed = (given_values[key] for key in ("total", "load", "h", "t", "v"))
    elevator = Linkage([Joint(-1, 0, 1.0, False, False, 0j, 1j)], given_values["g"])
    elevator.add(0, Body(total, 0j))
    mechanism = Mechanism(1, [elevator], [False], [])
    balance = (total - load) * given_values["g"]
    ramp = 2.0 * (time - height / speed)
    work = 0.0
    for index in range(round(time / STEP)):
        pull = load * given_values["g"] + (total * speed / ramp if index * STEP < ramp else 0.0)
        mechanism.force[0] = pull + balance
        before = mechanism.position[0]
        mechanism.step(STEP)
        work += pull * (mechanism.position[0] - before)
    assert mechanism.position[0] == pytest.approx(height, rel=1e-3)
    assert mechanism.speed[0] == pytest.approx(speed, rel=1e-3)
    assert work / time / 1000.0 == pytest.approx(row["published_answer"]["P_kW"], abs=row["tolerance"])
