"""Sampling a profile and the exact questions one can put to it."""

from __future__ import annotations

import itertools
import json
import math
import pickle
import random

import pytest

from profiles import InvalidInput, Limits, Profile, State, flick, s_curve, stop, trapezoid

LIMITS = Limits(2.0, 6.0, 60.0)
MOVE = s_curve(0.0, 1.0, LIMITS)


def test_a_worked_sample_has_its_state(sampling_row, to_problem):
    numbers, expected = sampling_row["input"], sampling_row["expect"]
    if "dt" in numbers:
        profile = trapezoid(0.0, numbers["duration"] ** 2, Limits(10.0, 4.0))
        assert profile.duration == numbers["duration"]
        assert profile.sample_times(numbers["dt"]) == pytest.approx(expected["sample_times"])
        assert profile.sample_times(numbers["dt"])[-1] == profile.duration
        return
    start, goal, limits = to_problem(numbers)
    profile = s_curve(start, goal, limits)
    assert profile.duration == pytest.approx(expected["duration"], rel=1e-12)
    for sample in expected["samples"]:
        # The duration of the row may be a rounding short of ours.
        time = sample["t"] if sample["t"] != expected["duration"] else profile.duration
        at_goal = time >= profile.duration
        assert profile.at(time) == (goal if at_goal else State(sample["p"], sample["v"], sample["a"]))


def test_after_the_end_a_profile_holds_its_goal_velocity_and_place():
    profile = s_curve(0.0, State(2.0, 0.5), Limits(1.0, 2.0, 10.0))
    assert profile.at(profile.duration) == profile.at(1e9) == State(2.0, 0.5)


def test_before_the_start_a_profile_is_at_its_start():
    start = State(1.0, 0.5, -1.0)
    profile = s_curve(start, 2.0, LIMITS)
    assert profile.at(-1.0) == profile.at(0.0) == start


def test_a_sample_on_a_node_belongs_to_the_piece_that_begins_there():
    for segment in MOVE.segments:
        assert MOVE.at(segment.start_time) == pytest.approx(segment.start, abs=1e-12)


def test_a_time_that_is_not_a_number_is_refused():
    with pytest.raises(InvalidInput) as caught:
        MOVE.at(math.nan)
    assert str(caught.value) == "The time is nan; it must be a number."


def test_sample_times_increase_strictly_and_end_at_the_duration():
    for period in (0.02, 0.1, 0.3, 1.0, MOVE.duration, MOVE.duration / 3.0):
        times = MOVE.sample_times(period)
        assert times[0] == 0.0
        assert times[-1] == MOVE.duration
        assert all(later > earlier for earlier, later in itertools.pairwise(times))
    assert s_curve(0.0, 0.0, LIMITS).sample_times(0.02) == [0.0]


@pytest.mark.parametrize("period", [0.0, -0.02, math.inf, math.nan])
def test_a_period_that_is_not_above_zero_is_refused(period):
    with pytest.raises(InvalidInput, match="a finite number above 0"):
        MOVE.sample_times(period)


def test_the_first_time_at_a_position_is_where_the_profile_is():
    source = random.Random(3)
    for _ in range(200):
        start = State(0.0, source.uniform(-2.0, 2.0), source.uniform(-6.0, 6.0))
        profile = s_curve(start, source.uniform(-2.0, 2.0), LIMITS)
        found = profile.extremes()
        position = source.uniform(found.lowest_position, found.highest_position)
        time = profile.first_time_at(position)
        assert time is not None
        assert profile.at(time).position == pytest.approx(position, abs=1e-9)
        before = [profile.at(time * k / 400).position - position for k in range(400)]
        assert all(value * before[0] > 0.0 for value in before)


def test_the_first_time_at_start_goal_and_turning_points_is_found():
    profile = s_curve(State(0.0, -1.0), 1.0, LIMITS)
    found = profile.extremes()
    assert profile.first_time_at(0.0) == 0.0
    assert profile.first_time_at(found.lowest_position) is not None
    assert MOVE.first_time_at(1.0) == pytest.approx(MOVE.duration, abs=1e-4)
    assert MOVE.first_time_at(1.0000001) is None
    assert MOVE.first_time_at(-1e-9) is None


def test_the_extremes_are_those_of_a_dense_scan():
    for start in (State(0.0, -1.5, -4.0), State(0.0, 1.9, 3.0), State(0.0, 0.4, -5.9)):
        profile = s_curve(start, State(0.3, -0.5), LIMITS)
        states = [profile.at(profile.duration * k / 5000) for k in range(5001)]
        found = profile.extremes()
        for k, (lowest, highest) in enumerate(((found[0], found[1]), (found[2], found[3]), (found[4], found[5]))):
            scan = [state[k] for state in states]
            assert lowest <= min(scan) + 1e-12
            assert highest >= max(scan) - 1e-12
            assert lowest == pytest.approx(min(scan), abs=0.02)
            assert highest == pytest.approx(max(scan), abs=0.02)


def test_the_position_range_of_a_span_is_that_of_a_dense_scan():
    profile = s_curve(State(0.0, -1.5, -4.0), 0.3, LIMITS)
    source = random.Random(8)
    for _ in range(100):
        begin, end = sorted((source.uniform(-0.2, 2.0), source.uniform(-0.2, 2.0)))
        scan = [profile.at(begin + (end - begin) * k / 500).position for k in range(501)]
        found = profile.position_range(begin, end)
        assert found.lowest <= min(scan) + 1e-12
        assert found.highest >= max(scan) - 1e-12
        assert found.lowest == pytest.approx(min(scan), abs=1e-4)
        assert found.highest == pytest.approx(max(scan), abs=1e-4)


def test_a_position_range_outside_the_motion_is_where_it_holds():
    assert MOVE.position_range(-2.0, -1.0) == (0.0, 0.0)
    assert MOVE.position_range(5.0, 6.0) == (1.0, 1.0)
    with pytest.raises(InvalidInput, match="two times in order"):
        MOVE.position_range(1.0, 0.5)


def test_a_delayed_motion_waits_and_is_the_same_after_that():
    profile = flick(0.0, State(0.6, 1.9), 1.2, LIMITS)
    later = profile.delayed(0.013)
    assert later.duration == profile.duration + 0.013
    assert later.marks["through"] == profile.marks["through"] + 0.013
    assert later.at(0.01) == State(0.0)
    for k in range(50):
        time = profile.duration * k / 50
        assert later.at(time + 0.013) == pytest.approx(profile.at(time), abs=1e-12)
    assert profile.delayed(0.0) is profile


def test_a_motion_that_starts_moving_cannot_wait():
    moving = stop(State(0.0, 1.0), LIMITS)
    with pytest.raises(InvalidInput, match="at rest"):
        moving.delayed(0.1)
    with pytest.raises(InvalidInput, match="0 s or more"):
        MOVE.delayed(-0.1)


def test_a_profile_survives_plain_data_exactly():
    for profile in (MOVE, flick(0.0, State(0.6, 1.9), 1.2, LIMITS), s_curve(0.0, 0.0, LIMITS)):
        again = Profile.from_data(json.loads(json.dumps(profile.to_data())))
        assert again == profile
        assert hash(again) == hash(profile)
        assert again.marks == profile.marks
        assert [again.at(0.01 * k) for k in range(100)] == [profile.at(0.01 * k) for k in range(100)]
        assert pickle.loads(pickle.dumps(profile)) == profile
    assert all(isinstance(value, float | int) for value in MOVE.to_data())


@pytest.mark.parametrize("data", [[], [1.0], ["a"] * 9, [1.0] * 8, [*MOVE.to_data(), "through"]])
def test_data_of_another_form_is_refused(data):
    with pytest.raises(InvalidInput, match=r"it must be what Profile\.to_data gives"):
        Profile.from_data(data)


def test_motions_that_meet_can_follow_each_other():
    back = s_curve(1.0, 0.0, LIMITS)
    both = MOVE.followed_by(back, "turn")
    assert both.duration == MOVE.duration + back.duration
    assert both.at(both.marks["turn"]).position == pytest.approx(1.0, abs=1e-12)
    with pytest.raises(InvalidInput, match="the goal of the first"):
        MOVE.followed_by(MOVE)


def test_a_profile_does_not_change():
    with pytest.raises(AttributeError, match="does not change once it is made"):
        MOVE.duration = 3.0
    with pytest.raises(TypeError):
        MOVE.marks["through"] = 1.0


def test_a_profile_shows_itself_in_a_line():
    assert repr(MOVE) == "<Profile 0.933333 s, 0 to 1, 7 pieces>"


def test_a_description_names_ends_extremes_marks_and_pieces():
    text = flick(0.0, State(0.6, 1.9), 1.2, LIMITS).describe().splitlines()
    assert text[0] == "1.03742 s from 0 to 1.2"
    assert text[1] == "position 0 to 1.2, velocity 0 to 2, acceleration -6 to 6"
    assert text[2] == "through at 0.518708 s"
    assert text[3] == "at 0 s for 0.1 s: from 0, jerk 60"
    assert len(text) == 15


def test_an_end_may_be_moved_by_a_rounding_and_no_more():
    moved = MOVE.lasting(MOVE.duration * (1.0 + 1e-14))
    assert moved.duration != MOVE.duration
    assert moved.segments[:-1] == MOVE.segments[:-1]
    with pytest.raises(InvalidInput, match="within a rounding of"):
        MOVE.lasting(1.0)
