"""Batches give what one profile at a time gives."""

from __future__ import annotations

import random

import numpy as np
import pytest

import profiles
from profiles import (
    GoalAcceleration,
    GoalOutsideLimits,
    Infeasible,
    InvalidInput,
    JerkLimitMissing,
    Limits,
    State,
    batch,
    lines_to_paste,
)

LIMITS = [
    Limits(2.0, 6.0, 60.0),
    Limits((-0.4, 2.0), (-9.0, 6.0), 60.0),
    Limits(50.0, (-1.0, 4.0), 5.0),
    Limits(50.0, 40.0, 0.5),
    Limits(0.1, 3.0, 20.0),
]
DISTANCES = np.concatenate([-np.logspace(-9, 3, 60), [0.0], np.logspace(-9, 3, 60)])


@pytest.mark.parametrize("limits", LIMITS)
@pytest.mark.parametrize("name", ["s_curve", "trapezoid"])
def test_a_batch_takes_the_durations_of_single_motions(name, limits):
    moves = getattr(batch, name)(0.25, 0.25 + DISTANCES, limits)
    solve = getattr(profiles, name)
    starts, goals = moves.starts[:, 0], moves.goals[:, 0]
    single = [solve(start, goal, limits).duration for start, goal in zip(starts, goals, strict=True)]
    assert moves.durations == pytest.approx(single, rel=1e-9)


@pytest.mark.parametrize("limits", LIMITS)
@pytest.mark.parametrize("name", ["s_curve", "trapezoid"])
def test_a_batch_is_sampled_like_single_motions(name, limits):
    distances = DISTANCES[np.abs(DISTANCES) > 1e-6]
    moves = getattr(batch, name)(0.25, 0.25 + distances, limits)
    times = np.linspace(-0.1, 3.0, 63)
    states = moves.sample(times)
    assert states.shape == (len(moves), 63, 3)
    for row, start, goal in zip(states, moves.starts[:, 0], moves.goals[:, 0], strict=True):
        single = getattr(profiles, name)(start, goal, limits)
        size = np.abs(single.extremes()).max()
        expected = np.array([single.at(time) for time in times])
        assert row[:, :2] == pytest.approx(expected[:, :2], abs=1e-8 * size)
        if name == "s_curve":
            assert row == pytest.approx(expected, abs=1e-6 * size + 1e-8 * limits.jerk)


KINDS = ["inside", "arbitrary", "plain"]


@pytest.fixture(params=KINDS)
def problems(request, make_problem, make_plain_problem):
    """Any states with limits of their own; the plain ones often touch several limits at once."""
    source = random.Random(KINDS.index(request.param))
    if request.param == "plain":
        return [make_plain_problem(source) for _ in range(1500)]
    return [make_problem(source, request.param == "inside") for _ in range(1500)]


@pytest.mark.parametrize("name", ["s_curve", "trapezoid"])
def test_a_batch_from_any_states_is_what_single_motions_are(name, problems):
    moves = getattr(batch, name)(*zip(*problems, strict=True))
    times = np.linspace(-0.1, 5.0, 12)
    columns = 3 if name == "s_curve" else 2  # the acceleration of a trapezoid jumps
    singles = [getattr(profiles, name)(*problem) for problem in problems]
    durations = np.array([single.duration for single in singles])
    expected = np.array([[single.at(time) for time in times] for single in singles])
    wrong = np.abs(moves.durations - durations) > 1e-9 * durations
    wrong |= (np.abs(moves.sample(times) - expected) > 1e-9 * (1.0 + np.abs(expected)))[..., :columns].any(axis=(1, 2))
    assert not wrong.any(), lines_to_paste(*problems[int(np.argmax(wrong))], solver=name)


@pytest.mark.parametrize("name", ["s_curve", "trapezoid"])
def test_limits_that_count_for_every_motion_are_those_of_each(name, make_problem):
    source = random.Random(8)
    problems = [make_problem(source, True) for _ in range(50)]
    limits = problems[0].limits
    starts = [State(problem.start.position) for problem in problems]
    solve = getattr(batch, name)
    together, apart = solve(starts, State(1.0, 0.05), limits), solve(starts, [State(1.0, 0.05)] * 50, [limits] * 50)
    assert (together.durations == apart.durations).all()
    assert (together.goals == apart.goals).all()


def test_a_batch_is_solved_block_by_block():
    """More motions than a block holds, the last block not full."""
    goals = np.linspace(-2.0, 2.0, 2 * 8192 + 7)
    moves = batch.s_curve(State(0.0, 0.3, 1.0), goals, LIMITS[1])
    for k in (0, 8191, 8192, 8193, 16383, 16384, len(goals) - 1):
        single = profiles.s_curve(State(0.0, 0.3, 1.0), goals[k], LIMITS[1])
        assert moves.durations[k] == pytest.approx(single.duration, rel=1e-12)


def test_moving_ends_are_kept_before_the_start_and_after_the_end():
    start, goal = State(0.2, -0.3, 1.0), State(1.0, 0.5)
    states = batch.s_curve(start, goal, LIMITS[0]).sample([-1.0, 0.0, 9.0, np.inf])
    assert states.tolist() == [[list(start), list(start), list(goal), list(goal)]]


def test_a_batch_ends_exactly_at_its_goals():
    moves = batch.s_curve(0.0, DISTANCES, LIMITS[1])
    assert (moves.sample([1e6])[:, 0] == np.stack([DISTANCES, 0 * DISTANCES, 0 * DISTANCES], axis=-1)).all()
    assert (moves.sample([-1.0])[:, 0] == 0.0).all()


def test_a_profile_is_sampled_as_it_samples_itself():
    profile = profiles.s_curve(State(0.0, -1.0, 2.0), State(1.0, 0.5), LIMITS[0])
    nodes = [segment.start_time for segment in profile.segments]
    times = np.concatenate([np.linspace(-0.5, 3.0, 777), nodes, [np.inf]])
    np.random.default_rng(1).shuffle(times)
    assert batch.sample(profile, times) == pytest.approx(np.array([profile.at(time) for time in times]), abs=1e-13)


def test_a_profile_without_pieces_is_sampled_at_its_place():
    still = profiles.s_curve(0.5, 0.5, LIMITS[0])
    assert batch.sample(still, [-1.0, 0.0, 1.0]).tolist() == [[0.5, 0.0, 0.0]] * 3


def test_an_empty_batch_is_empty():
    moves = batch.s_curve([], [], LIMITS[0])
    assert (len(moves), repr(moves)) == (0, "<Moves of 0 motions>")


def test_a_batch_shows_itself_in_a_line():
    assert repr(batch.s_curve(0.0, [1.0, 0.5], LIMITS[0])) == "<Moves of 2 motions, longest 0.933333 s>"


def test_a_one_way_axis_moves_one_way():
    limits = Limits((0.0, 1.0), 2.0, 10.0)
    assert batch.s_curve(0.0, [0.0, 1.0], limits).durations == pytest.approx([0.0, 1.7])
    assert batch.trapezoid(0.0, [0.0, -1.0], Limits((-1.0, 0.0), 2.0)).durations == pytest.approx([0.0, 1.5])
    told = (
        "No motion inside the limits leads there: motion 1: the lowest velocity allowed is 0 and the axis would have "
        "to move 1 downwards. A goal 1 further up, or a velocity limit that allows moving downwards, would fit."
    )
    for solve in (batch.s_curve, batch.trapezoid):
        with pytest.raises(Infeasible) as caught:
            solve(0.0, [1.0, -1.0], limits)
        assert str(caught.value) == told


def test_a_goal_that_no_motion_can_end_in_is_refused():
    with pytest.raises(GoalOutsideLimits) as caught:
        batch.s_curve(0.0, [[1.0, 0.5], [1.0, -2.5]], LIMITS[0])
    assert str(caught.value) == (
        "The goal velocity is -2.5 (motion 1); the velocity limits allow -2 to 2. "
        "A goal velocity of -2 would fit, or wider velocity limits."
    )
    with pytest.raises(GoalOutsideLimits, match=r"\(motion 1\); the velocity limits allow -1 to 1"):
        batch.trapezoid(0.0, [[1.0, 1.5], [1.0, 1.5]], [Limits(2.0, 1.0), Limits(1.0, 1.0)])
    with pytest.raises(GoalAcceleration, match=r"The goal acceleration is 0\.25"):
        batch.s_curve(0.0, [State(1.0), State(1.0, 0.0, 0.25)], LIMITS[0])


def test_what_is_not_a_finite_number_is_refused():
    with pytest.raises(InvalidInput) as caught:
        batch.s_curve(0.0, [1.0, float("nan")], LIMITS[0])
    assert str(caught.value) == "The number 1 of the goals is nan; it must be a finite number."
    with pytest.raises(InvalidInput, match=r"number \(1, 2\) of the starts is inf"):
        batch.s_curve([State(0.0), State(0.0, 0.0, float("inf"))], 1.0, LIMITS[0])
    with pytest.raises(InvalidInput) as caught:
        batch.trapezoid([0.0, 1.0], [1.0, 2.0, 3.0], LIMITS[0])
    assert str(caught.value) == (
        "The count of starts, goals and limits is (2, 3, 1); it must be equal, or 1 for what counts for every motion."
    )
    with pytest.raises(InvalidInput, match="an array of numbers"):
        batch.trapezoid("here", 1.0, LIMITS[0])
    with pytest.raises(InvalidInput, match=r"it must be \(n,\), \(n, 2\) or \(n, 3\)"):
        batch.trapezoid([[0.0] * 4], 1.0, LIMITS[0])
    with pytest.raises(JerkLimitMissing):
        batch.s_curve(0.0, 1.0, Limits(1.0, 1.0))
    with pytest.raises(JerkLimitMissing):
        batch.s_curve(0.0, 1.0, [LIMITS[0], Limits(1.0, 1.0)])
