"""Trapezoids against worked cases, and against the audit on random problems."""

from __future__ import annotations

import random

import pytest

from profiles import Infeasible, InvalidInput, Limits, State, lines_to_paste, trapezoid, verify


def test_a_worked_case_has_its_duration(trapezoid_row, to_problem):
    start, goal, limits = to_problem(trapezoid_row["input"])
    profile = trapezoid(start, goal, limits)
    assert profile.duration == pytest.approx(trapezoid_row["expect"]["duration"], rel=1e-9, abs=1e-15)
    assert profile.at(profile.duration) == goal
    assert verify(profile, start, goal, limits) == []


def test_a_worked_case_keeps_the_ranges_of_its_row(trapezoid_row, to_problem):
    start, goal, limits = to_problem(trapezoid_row["input"])
    expected = trapezoid_row["expect"]
    found = trapezoid(start, goal, limits).extremes()
    assert found.lowest_velocity == pytest.approx(expected["v_range"][0], rel=1e-9, abs=1e-12)
    assert found.highest_velocity == pytest.approx(expected["v_range"][1], rel=1e-9, abs=1e-12)
    overshoot = max(
        found.highest_position - max(start.position, goal.position),
        min(start.position, goal.position) - found.lowest_position,
    )
    assert overshoot == pytest.approx(expected["overshoot"], rel=1e-9, abs=1e-9 * (abs(goal.position) + 1e-6))


def test_the_acceleration_is_zero_in_the_cruise():
    """A list of accelerations shifted by one piece would show here."""
    profile = trapezoid(0.0, 200.0, Limits(200.0, 500.0))
    assert profile.at(0.7) == pytest.approx(State(100.0, 200.0, 0.0), rel=1e-12)


def test_the_jerk_limit_is_ignored_and_the_start_acceleration_dropped():
    limits = Limits(1.0, 2.0)
    with_jerk = trapezoid(State(0.0, 0.0, 5.0), 1.0, limits.slower(jerk=3.0))
    assert with_jerk.duration == trapezoid(0.0, 1.0, limits).duration
    assert with_jerk.at(1e-9).acceleration == 2.0


@pytest.mark.parametrize("inside", [True, False])
def test_random_problems_pass_the_audit(inside, make_problem):
    source = random.Random(17)
    for _ in range(2500):
        start, goal, limits = make_problem(source, inside)
        limits = Limits(limits.velocity, limits.acceleration)
        profile = trapezoid(start, goal, limits)
        assert verify(profile, start, goal, limits) == [], lines_to_paste(start, goal, limits, "trapezoid")


def test_no_other_peak_velocity_is_faster(make_problem):
    """Every motion of two ramps and a cruise at a middle velocity that fits takes at least as long."""
    source = random.Random(5)
    for _ in range(200):
        start, goal, limits = make_problem(source, True)
        best = trapezoid(start, goal, limits).duration
        (vmin, vmax), (amin, amax) = limits.velocity, limits.acceleration
        for k in range(101):
            middle = vmin + (vmax - vmin) * k / 100
            if middle == 0.0:
                continue
            first = (middle - start.velocity) / (amax if middle >= start.velocity else amin)
            last = (goal.velocity - middle) / (amax if goal.velocity >= middle else amin)
            ramps = 0.5 * (start.velocity + middle) * first + 0.5 * (middle + goal.velocity) * last
            cruise = (goal.position - start.position - ramps) / middle
            if cruise >= 0.0:
                assert best <= first + cruise + last + 1e-9


def test_a_one_way_axis_with_its_goal_behind_is_infeasible():
    with pytest.raises(Infeasible) as caught:
        trapezoid(0.0, 1.0, Limits((-1.0, 0.0), 1.0))
    assert str(caught.value) == (
        "No motion inside the limits leads there: the highest velocity allowed is 0 and the axis would have to move 1 "
        "upwards. A goal 1 further down, or a velocity limit that allows moving upwards, would fit."
    )


def test_a_goal_that_is_not_a_number_is_refused():
    with pytest.raises(InvalidInput) as caught:
        trapezoid(0.0, State(float("nan")), Limits(1.0, 1.0))
    assert str(caught.value) == "The goal position is nan; it must be a finite number."


@pytest.mark.parametrize("offset", [0.0, 1.0, -1.375, 40.0])
@pytest.mark.parametrize("share", [-0.9, 0.9])
def test_a_rounding_on_the_way_costs_no_detour(offset, share):
    """The direct step from 1 to 0.5 takes half a second; a goal short of it by more costs a turn and a half."""
    limits = Limits(2.0, 1.0)
    place = offset + 0.375
    rounding = 1e-13 * (abs(offset) + abs(place))
    near = trapezoid(State(offset, 1.0), State(place + share * rounding, 0.5), limits)
    assert near.duration == pytest.approx(0.5, abs=1e-12)
    assert trapezoid(State(offset, 1.0), State(place - 20.0 * rounding, 0.5), limits).duration > 1.0


@pytest.mark.parametrize("offset", [0.0, 1.0, -1.0])
def test_from_rest_the_smallest_distance_is_one(offset):
    """Positions that differ by a few of their last digits are still two places."""
    distance = 4e-14
    profile = trapezoid(offset, offset + distance, Limits(2.0, 1.0))
    expected = 2.0 * ((offset + distance) - offset) ** 0.5
    assert profile.duration == pytest.approx(expected, rel=1e-9)
    # What is moving, or has to be, is given more.
    assert trapezoid(State(1.0, 1e-9), State(1.0 + distance, 0.0), Limits(2.0, 1.0)).duration < 1e-8


def test_at_a_velocity_limit_nothing_is_brought_back():
    """The first piece is the cruise, and none of no duration comes before it."""
    limits = Limits((-1.0, 2.0), 1.0)
    for velocity, goal in ((2.0, 10.0), (-1.0, -10.0)):
        first = trapezoid(State(0.0, velocity), goal, limits).segments[0]
        assert first.start == State(0.0, velocity)
        assert first.duration > 1.0


def test_a_backward_start_outside_the_limit_is_braked_forwards():
    limits = Limits((-1.0, 2.0), (-4.0, 3.0))
    profile = trapezoid(State(0.0, -2.5), -10.0, limits)
    assert profile.segments[0] == (0.0, 0.5, State(0.0, -2.5, 3.0), 0.0)
    assert verify(profile, State(0.0, -2.5), -10.0, limits) == []
