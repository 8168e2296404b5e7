"""Every kind of fault that was met in public has a row here, named by its kind.

The kinds, where each was met and how it shows are in tests/cases/profile_fault_kinds.json; the rows they point to, with
durations by independent means, in tests/cases/profiles.json. Kinds without such a row have a check of their own below.
"""

from __future__ import annotations

import itertools
import json
import random
from pathlib import Path

import pytest

from profiles import (
    GoalAcceleration,
    GoalOutsideLimits,
    Infeasible,
    Limits,
    ProfileError,
    State,
    lines_to_paste,
    s_curve,
    stop,
    stop_travel,
    together,
    trapezoid,
    verify,
)

CASES = Path(__file__).parents[1] / "cases"
KINDS = json.loads((CASES / "profile_fault_kinds.json").read_text(encoding="utf-8"))
ROWS = {row["id"]: row for row in json.loads((CASES / "profiles.json").read_text(encoding="utf-8"))}
LIMITS = Limits(2.0, 6.0, 60.0)


def name_of(kind):
    return f"{kind['id']}: {kind['kind']}"


@pytest.mark.parametrize("kind", [pytest.param(kind, id=name_of(kind)) for kind in KINDS])
def test_a_fault_met_in_public_is_not_ours(kind, to_problem):
    own_check = CHECKS.get(kind["id"])
    assert kind["cases"] or own_check is not None, "a kind without a row or a check"
    for row_id in kind["cases"]:
        check_row(ROWS[row_id], to_problem)
    if own_check is not None:
        own_check()


def test_every_check_belongs_to_a_kind():
    assert CHECKS.keys() <= {kind["id"] for kind in KINDS}


def check_row(row, to_problem):
    numbers, expected = row["input"], row["expect"]
    if row["type"] == "error" or "error" in expected:
        with pytest.raises(ProfileError):
            s_curve(*to_problem({key: float(value) for key, value in numbers.items()}))
    elif row["type"] == "sync":
        check_together([to_problem(axis) for axis in numbers["axes"]], expected)
    elif row["type"] == "stop":
        limits = Limits(10.0, (numbers["amin"], numbers["amax"]), numbers["jmax"])
        profile = stop(State(numbers["p0"], numbers["v0"], numbers["a0"]), limits)
        assert (profile.duration, profile.goal.position) == pytest.approx(
            (expected["duration"], expected["stop_distance"])
        )
    elif row["type"] == "retarget":
        first, second = to_problem(numbers["first"]), to_problem(numbers["second"])
        state = s_curve(*first).at(numbers["t_switch"])
        check_motion(state, second.goal, second.limits, s_curve, expected["duration_after_switch"])
    elif row["type"] == "sampling":
        check_samples(row, to_problem)
    elif numbers.get("a1", 0.0) != 0.0:
        with pytest.raises((GoalAcceleration, GoalOutsideLimits)):
            s_curve(*to_problem(numbers))
    else:
        solve = s_curve if row["type"] == "jerk_limited" else trapezoid
        joined = expected.get("duration_if_limit_is_joined_without_undershoot", float("inf"))
        check_motion(*to_problem(numbers), solve, min(expected["duration"], joined))


def check_motion(start, goal, limits, solve, longest):
    """Valid, exact at its end, and no slower than the row, whose durations the other tests hold to 1e-9."""
    profile = solve(start, goal, limits)
    told = lines_to_paste(start, goal, limits, solver=solve.__name__)
    of = limits if solve is s_curve else Limits(limits.velocity, limits.acceleration)
    assert verify(profile, start, goal, of) == [], told
    assert profile.at(profile.duration) == goal, told
    assert profile.duration <= longest * (1.0 + 1e-9) + 1e-15, told


def check_together(axes, expected):
    moves = together(*zip(*axes, strict=True))
    assert len({move.duration for move in moves}) == 1
    assert moves[0].duration == pytest.approx(max(expected["independent_durations"]), rel=1e-9)
    for move, axis in zip(moves, axes, strict=True):
        assert verify(move, *axis) == []


def check_samples(row, to_problem):
    numbers, expected = row["input"], row["expect"]
    if "dt" in numbers:
        profile = trapezoid(0.0, numbers["duration"] ** 2, Limits(10.0, 4.0))
        times = profile.sample_times(numbers["dt"])
        assert times == pytest.approx(expected["sample_times"])
        assert all(later > earlier for earlier, later in itertools.pairwise(times))
    else:
        start, goal, limits = to_problem(numbers)
        profile = s_curve(start, goal, limits)
        assert profile.at(profile.duration + 1e4) == profile.at(1e9) == goal


def neighbours_in_the_tenth_digit_take_the_same_time():
    source = random.Random(1)
    for _ in range(100):
        start = State(*(source.uniform(-1.0, 1.0) for _ in range(3)))
        goal = source.uniform(-2.0, 2.0)
        durations = [
            s_curve(State(*(x * (1.0 + step * 1e-10) for x in start)), goal, LIMITS).duration for step in range(-5, 6)
        ]
        # A duration may grow like the square root of a distance, not jump.
        assert max(durations) - min(durations) < 1e-4


def a_residue_of_rounding_at_the_start_costs_nothing():
    plain = s_curve(0.0, 1.0, LIMITS).duration
    for size in (1e-17, -1e-15, 1e-13, -1e-11):
        start = State(size, size, -size)
        profile = s_curve(start, 1.0, LIMITS)
        assert verify(profile, start, 1.0, LIMITS) == []
        assert profile.duration == pytest.approx(plain, abs=1e-9)
        assert s_curve(start, 0.0, LIMITS).duration < 1e-2


def a_speed_above_a_lowered_limit_comes_down_no_faster_than_the_brakes():
    for solve, limits in ((s_curve, Limits(450.0, 1000.0, 20000.0)), (trapezoid, Limits(450.0, 1000.0))):
        profile = solve(State(0.0, 3600.0), 20000.0, limits)
        velocities = [profile.at(0.01 * k).velocity for k in range(600)]
        assert velocities[0] == 3600.0
        assert all(earlier - later <= 10.0 + 1e-9 for earlier, later in itertools.pairwise(velocities))


def an_acceleration_limit_belongs_to_a_direction_of_the_axis():
    profile = trapezoid(0.0, -1.0, Limits(10.0, (-4.0, 2.0)))
    assert [part.start.acceleration for part in profile.segments] == [-4.0, 2.0]


def a_sample_on_a_boundary_lies_between_its_neighbours():
    profile = s_curve(State(0.0, 0.3), State(1.0, 0.5), LIMITS)
    for part in profile.segments:
        around = [profile.at(part.start_time + step).velocity for step in (-1e-9, 0.0, 1e-9)]
        assert max(around) - min(around) < 1e-7


def the_last_sample_is_the_goal():
    for period in (0.02, 0.07, 0.3):
        profile = s_curve(0.0, 1.0, LIMITS)
        times = profile.sample_times(period)
        assert [profile.at(time) for time in times][-1] == State(1.0)
        assert times[-1] == profile.duration


def before_the_start_it_is_at_the_start():
    start = State(0.5, -0.2, 1.0)
    assert s_curve(start, 1.0, LIMITS).at(-3.0) == start


def accelerations_are_those_of_the_motion_however_short_its_pieces():
    for tiny in (1e-14, 1e-12, 1e-9):
        profile = s_curve(State(0.0, 2.0 - tiny), State(0.36 + 1e-3, tiny), LIMITS)
        for part in profile.segments:
            for share in (0.0, 0.5, 1.0):
                state = profile.at(part.start_time + share * part.duration)
                assert abs(state.acceleration) <= 6.0 * (1.0 + 1e-9)


def a_least_duration_counts():
    for at_least in (0.0, 1.0, 2.5):
        moves = together([0.0, 0.2], [1.0, 0.4], [LIMITS] * 2, at_least=at_least)
        expected = max(at_least, s_curve(0.0, 1.0, LIMITS).duration)
        assert [move.duration for move in moves] == [pytest.approx(expected, rel=1e-15)] * 2


def axes_that_cannot_arrive_together_are_an_error():
    one_way = Limits((0.0, 1.0), 1.0, 5.0)
    with pytest.raises(Infeasible):
        together([State(0.0, 1.0), 0.0], [State(0.4, 1.0), 90.0], [one_way, LIMITS])


def the_same_goal_after_a_stop_is_reached():
    halted = stop(s_curve(0.0, 1.0, LIMITS).at(0.3), LIMITS).goal
    assert halted.position < 0.9
    check_motion(halted, State(1.0), LIMITS, s_curve, 2.0)


def a_new_goal_at_the_very_end_is_taken():
    profile = s_curve(0.0, 1.0, LIMITS)
    after = s_curve(profile.at(profile.duration), 2.0, LIMITS)
    assert after.duration == pytest.approx(profile.duration, rel=1e-12)
    assert after.at(9.0) == State(2.0)


def the_first_time_at_a_place_is_told():
    profile = s_curve(State(0.0, 1.0), -0.5, LIMITS)
    turning = profile.extremes().highest_position
    time = profile.first_time_at(0.9 * turning)
    assert 0.0 < time < profile.first_time_at(-0.4)
    assert profile.at(time).position == pytest.approx(0.9 * turning)
    assert profile.first_time_at(1.1 * turning) is None


def the_peak_velocity_is_the_one_sampled():
    profile = s_curve(0.0, 0.2, LIMITS)
    sampled = max(profile.at(profile.duration * k / 2000).velocity for k in range(2001))
    assert profile.extremes().highest_velocity == pytest.approx(sampled, rel=1e-6)


def no_piece_of_a_short_move_lasts_less_than_nothing():
    for distance in (1e-15, 1e-9, 1e-4, 0.01, 0.36):
        for speed in (0.0, 0.5, 2.0):
            profile = s_curve(State(0.0, speed), State(distance, speed), LIMITS)
            assert all(part.duration > 0.0 for part in profile.segments)
            assert sum(part.duration for part in profile.segments) == pytest.approx(profile.duration, rel=1e-14)


def the_end_is_still_whatever_the_sampling():
    for period in (1e-4, 0.013, 0.5):
        profile = s_curve(0.0, 1.0, LIMITS)
        assert profile.at(profile.sample_times(period)[-1]) == State(1.0, 0.0, 0.0)


def backwards_in_time_velocities_turn_and_accelerations_stay():
    there, back = s_curve(0.0, 1.0, LIMITS), s_curve(1.0, 0.0, LIMITS)
    for k in range(20):
        time = there.duration * (k + 0.5) / 20
        state = there.at(there.duration - time)
        assert back.at(time) == pytest.approx(State(state[0], -state[1], state[2]), abs=1e-9)


def more_braking_never_needs_more_room():
    for jerk in (None, 5.0, 20.0, 400.0):
        travels = [stop_travel(2.0, 0.0, Limits(3.0, 0.5 + 0.1 * k, jerk)).high for k in range(60)]
        assert all(later <= earlier + 1e-12 for earlier, later in itertools.pairwise(travels))


CHECKS = {
    "K01": neighbours_in_the_tenth_digit_take_the_same_time,
    "K04": a_residue_of_rounding_at_the_start_costs_nothing,
    "K13": a_speed_above_a_lowered_limit_comes_down_no_faster_than_the_brakes,
    "K21": an_acceleration_limit_belongs_to_a_direction_of_the_axis,
    "K25": a_sample_on_a_boundary_lies_between_its_neighbours,
    "K28": the_last_sample_is_the_goal,
    "K30": before_the_start_it_is_at_the_start,
    "K31": accelerations_are_those_of_the_motion_however_short_its_pieces,
    "K37": a_least_duration_counts,
    "K38": axes_that_cannot_arrive_together_are_an_error,
    "K42": more_braking_never_needs_more_room,
    "K46": the_same_goal_after_a_stop_is_reached,
    "K48": a_new_goal_at_the_very_end_is_taken,
    "K59": the_first_time_at_a_place_is_told,
    "K60": the_peak_velocity_is_the_one_sampled,
    "K65": no_piece_of_a_short_move_lasts_less_than_nothing,
    "K69": the_end_is_still_whatever_the_sampling,
    "K72": backwards_in_time_velocities_turn_and_accelerations_stay,
}
