"""Batches give what one profile at a time gives."""

from __future__ import annotations

import numpy as np
import pytest

import profiles
from profiles import Infeasible, InvalidInput, JerkLimitMissing, Limits, State, batch

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
    single = [solve(start, goal, limits).duration for start, goal in zip(moves.starts, moves.goals, strict=True)]
    assert moves.durations == pytest.approx(single, rel=1e-9)


@pytest.mark.parametrize("limits", LIMITS)
@pytest.mark.parametrize("name", ["s_curve", "trapezoid"])
def test_a_batch_is_sampled_like_single_motions(name, limits):
    distances = DISTANCES[np.abs(DISTANCES) > 1e-6]
    moves = getattr(batch, name)(0.25, 0.25 + distances, limits)
    times = np.linspace(-0.1, 3.0, 63)
    states = moves.sample(times)
    assert states.shape == (len(moves), 63, 3)
    for row, start, goal in zip(states, moves.starts, moves.goals, strict=True):
        single = getattr(profiles, name)(start, goal, limits)
        size = np.abs(single.extremes()).max()
        expected = np.array([single.at(time) for time in times])
        assert row[:, :2] == pytest.approx(expected[:, :2], abs=1e-8 * size)
        if name == "s_curve":
            assert row == pytest.approx(expected, abs=1e-6 * size + 1e-8 * limits.jerk)


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
    with pytest.raises(Infeasible, match="motion 1 is -1 long and the velocity limits are 0 to 1"):
        batch.s_curve(0.0, [1.0, -1.0], limits)


def test_what_is_not_a_finite_number_is_refused():
    with pytest.raises(InvalidInput) as caught:
        batch.s_curve(0.0, [1.0, float("nan")], LIMITS[0])
    assert str(caught.value) == "The number 1 of the goals is nan; it must be a finite number."
    with pytest.raises(InvalidInput, match="equal, or one of them a single number"):
        batch.trapezoid([0.0, 1.0], [1.0, 2.0, 3.0], LIMITS[0])
    with pytest.raises(InvalidInput, match="an array of numbers"):
        batch.trapezoid("here", 1.0, LIMITS[0])
    with pytest.raises(InvalidInput, match=r"it must be \(n,\)"):
        batch.trapezoid([[0.0]], 1.0, LIMITS[0])
    with pytest.raises(JerkLimitMissing):
        batch.s_curve(0.0, 1.0, Limits(1.0, 1.0))
