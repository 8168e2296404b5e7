"""The audit finds what is wrong: profiles are spoilt one way at a time."""

from __future__ import annotations

import pytest

from profiles import Limits, Profile, State, lines_to_paste, s_curve, trapezoid, verify

LIMITS = Limits(2.0, 6.0, 60.0)
START, GOAL = State(0.0), State(1.0)
MOVE = s_curve(START, GOAL, LIMITS)


def spoilt(piece, entry, change):
    data = MOVE.to_data()
    data[8 + 5 * piece + entry] += change
    return Profile.from_data(data)


def test_a_right_profile_has_no_violation():
    assert verify(MOVE, START, GOAL, LIMITS) == []
    assert verify(MOVE, 0.0, 1.0, LIMITS, allow_prelude=False) == []


@pytest.mark.parametrize(
    ("entry", "change", "what"),
    [(1, 1e-6, "jump of the position"), (2, 1e-6, "jump of the velocity"), (3, 1e-5, "jump of the acceleration")],
)
def test_a_jump_is_found(entry, change, what):
    found = verify(spoilt(3, entry, change), START, GOAL, LIMITS)
    assert what in [violation.what for violation in found]
    assert found[0].time == pytest.approx(MOVE.segments[3].start_time)


@pytest.mark.parametrize(
    ("limits", "what"),
    [
        (Limits(1.9, 6.0, 60.0), "velocity"),
        (Limits(2.0, 5.9, 60.0), "acceleration"),
        (Limits(2.0, 6.0, 59.0), "jerk"),
        (Limits(2.0, (-5.9, 6.0), 60.0), "acceleration"),
    ],
)
def test_a_limit_that_is_not_kept_is_found(limits, what):
    assert what in [violation.what for violation in verify(MOVE, START, GOAL, limits)]


@pytest.mark.parametrize("limits", [Limits((-1.9, 2.0), 6.0, 60.0), Limits(2.0, (-6.0, 5.9), 60.0)])
def test_a_lower_limit_that_is_not_kept_is_found(limits):
    back = s_curve(1.0, 0.0, LIMITS)
    assert verify(back, 1.0, 0.0, limits) != []


def test_another_start_or_goal_is_found():
    assert verify(MOVE, 0.1, GOAL, LIMITS)[0].what == "start position"
    assert verify(MOVE, START, 1.1, LIMITS)[-1].what == "position after the last piece"


def test_an_end_that_is_not_the_goal_is_found():
    shorter = MOVE.to_data()
    shorter[0] -= 1e-3
    assert verify(Profile.from_data(shorter), START, GOAL, LIMITS) != []


def test_a_negative_duration_is_found():
    swapped = MOVE.to_data()
    swapped[8 + 5 * 3] = swapped[8 + 5 * 2] - 0.01
    assert "duration of a piece" in [found.what for found in verify(Profile.from_data(swapped), START, GOAL, LIMITS)]


def test_a_profile_without_pieces_that_should_move_is_found():
    nothing = Profile(START, GOAL, [], 0.0)
    assert [found.what for found in verify(nothing, START, GOAL, LIMITS)] == ["position after the last piece"]


def test_a_jumping_acceleration_is_right_without_a_jerk_limit_and_wrong_with_one():
    profile = trapezoid(START, GOAL, LIMITS)
    assert verify(profile, START, GOAL, Limits(2.0, 6.0)) == []
    assert verify(profile, START, GOAL, LIMITS) != []


def test_a_prelude_is_excused_once_and_only_if_allowed():
    start, lowered = State(0.0, 1.5), Limits(1.0, 6.0, 60.0)
    profile = s_curve(start, GOAL, lowered)
    assert verify(profile, start, GOAL, lowered) == []
    assert {found.what for found in verify(profile, start, GOAL, lowered, allow_prelude=False)} == {"velocity"}
    # A second excursion has no excuse: first below the lowered limit, then above it again.
    again = s_curve(State(0.0, 1.5, -6.0), State(2.0), LIMITS)
    assert again.extremes().highest_velocity > 1.5
    twice = s_curve(State(0.0, 1.05, -6.0), State(2.0), Limits(1.05, 6.0, 60.0))
    assert {found.what for found in verify(twice, twice.start, twice.goal, lowered)} == {"velocity"}


def test_a_violation_reads_as_a_sentence():
    found = verify(MOVE, START, GOAL, Limits(1.9, 6.0, 60.0))[0]
    assert str(found).startswith("At 0.433333333 s the velocity is 2; 1.9000000038 is allowed.")


def test_lines_to_paste_state_the_problem_again():
    start, goal = State(0.1, -0.7, 1.0 / 3.0), State(1.0, 0.5)
    space: dict[str, object] = {}
    exec(lines_to_paste(start, goal, LIMITS), space)
    assert (space["start"], space["goal"], space["limits"]) == (start, goal, LIMITS)
    assert space["profile"] == s_curve(start, goal, LIMITS)
