"""The equations of motion against a closed form, Lagrange's equations by differences, scipy and published slopes."""

from __future__ import annotations

from cmath import rect
from math import cos, pi, radians, sin
from random import Random

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from sequencer.machine.axis import Load, Mount
from sequencer.plant.linkage import Body, Joint, Linkage, linkages

LEAN, CARRIAGE, HAND, ARM, INERTIA, GRAVITY = radians(66.0), 5.0, 3.0, 0.25, 0.05, 9.80665


def slide_with_wrist() -> Linkage:
    """A slide at 66 degrees that carries a hinge, whose hand has its mass 0.25 m out."""
    linkage = Linkage(
        [Joint(-1, 0, 1.0, False, False, 0j, rect(1.0, LEAN)), Joint(0, 1, 1.0, True, True, 0.1 + 0.02j, 1 + 0j)]
    )
    linkage.add(0, Body(CARRIAGE, 0j))
    linkage.add(1, Body(HAND, complex(ARM, 0.0), INERTIA))
    return linkage


def closed_form(angle: float, turning: float) -> tuple[list[list[float]], list[float]]:
    """Mass matrix and bias of slide and hinge, written out by hand."""
    total, across, along = CARRIAGE + HAND, HAND * ARM * sin(LEAN - angle), HAND * ARM * cos(LEAN - angle)
    matrix = [[total, across], [across, INERTIA + HAND * ARM**2]]
    bias = [total * GRAVITY * sin(LEAN) - along * turning**2, HAND * GRAVITY * ARM * cos(angle)]
    return matrix, bias


def random_linkage(source: Random, size: int) -> Linkage:
    """A tree of slides and hinges of any shape, some with shares, each with a body off its origin."""
    joints = []
    for index in range(size):
        hinge = source.random() < 0.6
        level = hinge and source.random() < 0.4
        at = complex(source.uniform(-0.5, 0.5), source.uniform(-0.5, 0.5))
        coordinate = index if index == 0 or source.random() < 0.85 else source.randrange(index)
        parent = source.randrange(-1, index) if index else -1
        along = rect(1.0, source.uniform(-pi, pi))
        joints.append(Joint(parent, coordinate, source.choice([1.0, 0.5]), hinge, level, at, along))
    linkage = Linkage(joints)
    for index in range(size):
        centre = complex(source.uniform(-0.5, 0.5), source.uniform(-0.5, 0.5))
        linkage.add(index, Body(source.uniform(0.1, 3.0), centre, source.uniform(0.0, 0.1)))
    return linkage


def test_slide_and_hinge_agree_with_the_closed_form():
    linkage = slide_with_wrist()
    for angle in np.linspace(-2.0, 2.0, 9):
        linkage.evaluate([0.3, angle], [1.2, -3.0], [0.0, 0.0])
        matrix, bias = closed_form(angle, -3.0)
        assert np.allclose(linkage.matrix, matrix, rtol=1e-13, atol=1e-13)
        assert np.allclose(linkage.bias, bias, rtol=1e-13, atol=1e-13)


@pytest.mark.parametrize("seed", range(40))
def test_any_tree_obeys_lagranges_equations(seed):
    """bias_i = sum_jk dM_ij/dq_k v_j v_k - 1/2 d(v M v)/dq_i + dV/dq_i, the derivatives by central differences."""
    source = Random(seed)
    linkage = random_linkage(source, source.randint(1, 5))
    count = len(linkage.joints)
    place = [source.uniform(-2.0, 2.0) for _ in range(count)]
    speed = np.array([source.uniform(-2.0, 2.0) for _ in range(count)])
    still = [0.0] * count
    rows = list(linkage.coordinates)
    moving = speed[rows]
    nudge = 1e-5

    def matrix_at(position):
        linkage.evaluate(position, still, still)
        return np.array(linkage.matrix)

    slopes, heights = [], []
    for coordinate in rows:
        ahead, behind = list(place), list(place)
        ahead[coordinate] += nudge
        behind[coordinate] -= nudge
        slopes.append((matrix_at(ahead) - matrix_at(behind)) / (2.0 * nudge))
        heights.append((linkage.height_energy(ahead) - linkage.height_energy(behind)) / (2.0 * nudge))
    change = sum(slope * rate for slope, rate in zip(slopes, moving, strict=True))
    expected = change @ moving - 0.5 * np.array([moving @ slope @ moving for slope in slopes]) + np.array(heights)
    linkage.evaluate(place, list(speed), still)
    assert np.allclose(linkage.bias, expected, rtol=1e-6, atol=1e-6)


@pytest.mark.parametrize("seed", range(10))
def test_a_given_acceleration_weighs_in_as_its_column_of_the_mass_matrix(seed):
    source = Random(seed)
    linkage = random_linkage(source, 4)
    place, speed, given = ([source.uniform(-2.0, 2.0) for _ in range(4)] for _ in range(3))
    linkage.evaluate(place, speed, [0.0] * 4)
    matrix, bias = np.array(linkage.matrix), np.array(linkage.bias)
    linkage.evaluate(place, speed, given)
    along = np.array(given)[list(linkage.coordinates)]
    assert np.allclose(linkage.bias, bias + matrix @ along, rtol=1e-10, atol=1e-10)


def test_the_coupled_equations_agree_with_scipy_over_two_violent_seconds():
    """Reference: scipy's DOP853 (tolerance 1e-11) on the closed form; ours: the linkage under classic RK4 at 1 ms."""
    viscous = (20.0, 0.3)

    def forces(time):
        return 80.0 + 120.0 * sin(9.0 * time), 6.0 * sin(13.0 * time + 1.0)

    def rates(time, state, equations):
        matrix, bias = equations(state)
        push = [f - c * v - b for f, c, v, b in zip(forces(time), viscous, state[2:], bias, strict=True)]
        return np.concatenate([state[2:], np.linalg.solve(matrix, push)])

    def by_hand(state):
        return closed_form(state[1], state[3])

    linkage = slide_with_wrist()

    def by_linkage(state):
        linkage.evaluate(state[:2], state[2:], [0.0, 0.0])
        return linkage.matrix, linkage.bias

    start = np.array([0.2, 0.3, 0.5, -2.0])
    reference = solve_ivp(lambda t, y: rates(t, y, by_hand), (0.0, 2.0), start, method="DOP853", rtol=1e-11, atol=1e-12)
    state, step = start, 1e-3
    for index in range(2000):
        time = index * step
        first = rates(time, state, by_linkage)
        second = rates(time + step / 2, state + step / 2 * first, by_linkage)
        third = rates(time + step / 2, state + step / 2 * second, by_linkage)
        fourth = rates(time + step, state + step * third, by_linkage)
        state = state + step / 6 * (first + 2 * second + 2 * third + fourth)
    # the hand turns by almost three turns; reached: 4e-10 in position, 3e-9 in speed
    assert np.abs(state - reference.y[:, -1]).max() < 1e-8


def test_a_skier_speeds_up_as_published(published):
    row = published["openstax_skier_slope"]
    given = row["inputs"]
    slope = Linkage([Joint(-1, 0, 1.0, False, False, 0j, rect(1.0, -radians(given["deg"])))], given["g"])
    slope.add(0, Body(given["m"], 0j))
    slope.evaluate([0.0], [0.0], [0.0])
    free = -slope.bias[0] / slope.matrix[0][0]
    assert free == pytest.approx(row["published_answer"]["a_frictionless"], abs=row["tolerance"])
    slowed = (-slope.bias[0] - given["friction"]) / slope.matrix[0][0]
    assert slowed == pytest.approx(row["published_answer"]["a"], abs=row["tolerance"])


def test_a_scale_in_an_elevator_reads_as_published(published):
    row = published["openstax_elevator_scale"]
    given, answer = row["inputs"], row["published_answer"]
    elevator = Linkage([Joint(-1, 0, 1.0, False, False, 0j, 1j)], given["g"])
    elevator.add(0, Body(given["m"], 0j))
    elevator.evaluate([0.0], [1.5], [given["a"]])
    assert elevator.bias[0] == pytest.approx(answer["F"], abs=row["tolerance"])
    elevator.evaluate([0.0], [1.5], [0.0])
    assert elevator.bias[0] == pytest.approx(answer["F_const_speed"], abs=row["tolerance"])


def test_a_stage_that_moves_half_as_far_weighs_half_and_a_quarter_as_heavy_to_speed_up(build):
    middle = build.wrist(mount=Mount("lift", (0.1, 0.0), share=0.5), load=Load(mass=4.0))
    (linkage,) = linkages(build.machine(build.lift(load=Load(mass=6.0)), middle))
    linkage.evaluate([0.0, 0.0], [0.0, 0.0], [0.0, 0.0])
    assert linkage.matrix[0][0] == pytest.approx(6.0 + 0.25 * 4.0)
    assert linkage.bias[0] == pytest.approx((6.0 + 0.5 * 4.0) * GRAVITY * sin(LEAN))


def test_a_hinge_that_keeps_its_level_is_a_point_for_the_arm_that_carries_it(build):
    arm = build.wrist(name="arm", mount=Mount("frame"), load=Load(mass=1.0, centre=(0.5, 0.0)))
    for angle_from, inertia in (("level", 1.0 * 0.25 + 2.0 * 1.0), ("carrier", 1.0 * 0.25 + 2.0 * 1.5**2)):
        hand = build.wrist(
            mount=Mount("arm", (1.0, 0.0), angle_from=angle_from), load=Load(mass=2.0, centre=(0.5, 0.0))
        )
        (linkage,) = linkages(build.machine(arm, hand))
        linkage.evaluate([0.0, 0.0], [0.0, 0.0], [0.0, 0.0])
        assert linkage.matrix[0][0] == pytest.approx(inertia)


def test_machines_are_split_into_the_trees_that_hang_on_the_frame(build):
    other = build.lift(name="hook")
    found = linkages(build.machine(build.lift(), other, build.wrist(), build.rollers()))
    assert [tree.coordinates for tree in found] == [(0, 2), (1,)]
