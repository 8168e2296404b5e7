"""The durations of an independent open-source solver, near unit scale where it is a good judge."""

from __future__ import annotations

import random

import pytest

from profiles import lines_to_paste, s_curve, together

ruckig = pytest.importorskip("ruckig")


def duration_of(*axes):
    """What ruckig says, all axes synchronised in time, or None where it raises or reports a failure."""
    generator = ruckig.Ruckig(len(axes))
    question, answer = ruckig.InputParameter(len(axes)), ruckig.Trajectory(len(axes))
    question.current_position = [start.position for start, _, _ in axes]
    question.current_velocity = [start.velocity for start, _, _ in axes]
    question.current_acceleration = [start.acceleration for start, _, _ in axes]
    question.target_position = [goal.position for _, goal, _ in axes]
    question.target_velocity = [goal.velocity for _, goal, _ in axes]
    question.target_acceleration = [0.0] * len(axes)
    question.min_velocity, question.max_velocity = zip(*(limits.velocity for _, _, limits in axes), strict=True)
    question.min_acceleration, question.max_acceleration = zip(
        *(limits.acceleration for _, _, limits in axes), strict=True
    )
    question.max_jerk = [limits.jerk for _, _, limits in axes]
    try:
        result = generator.calculate(question, answer)
    except (RuntimeError, ValueError):  # no solution, or a code of failure without a name
        return None
    return answer.duration if result in (ruckig.Result.Working, ruckig.Result.Finished) else None


def compare(make_problem, seed, count):
    source = random.Random(seed)
    compared = 0
    for _ in range(count):
        problem = make_problem(source, True)
        expected = duration_of(problem)
        if expected is not None:
            compared += 1
            assert s_curve(*problem).duration == pytest.approx(expected, rel=1e-9), lines_to_paste(*problem)
    assert compared > 0.999 * count


def test_random_starts_inside_the_limits_take_the_same_time(make_problem):
    compare(make_problem, 20, 5000)


@pytest.mark.slow
def test_many_random_starts_inside_the_limits_take_the_same_time(make_problem):
    compare(make_problem, 21, 200_000)


def test_arbitrary_starts_take_no_longer(make_problem):
    """Outside the limits the policies differ: ruckig leaves the limit behind and comes back to it, we join it."""
    source = random.Random(22)
    faster = 0
    for _ in range(1000):
        problem = make_problem(source, False)
        expected = duration_of(problem)
        if expected is not None:
            duration = s_curve(*problem).duration
            assert duration <= expected * (1.0 + 1e-9), lines_to_paste(*problem)
            faster += duration < 0.999 * expected
    assert faster > 50


@pytest.mark.slow
def test_near_the_direct_velocity_step_take_the_same_time(make_problem):
    """Just beyond the direct step, the acceleration pointing the other way: the distance may have three roots."""
    source = random.Random(23)
    compared = 0
    while compared < 50_000:
        start, goal, limits = make_problem(source, True)
        if start.acceleration * goal.velocity <= 0.0:
            continue
        step = distance_of_step(start, goal.velocity, limits)
        beyond = 10.0 ** source.uniform(-6.0, -0.3) * (-1.0 if start.acceleration > 0.0 else 1.0)
        problem = type(make_problem(source, True))(start, goal._replace(position=step + beyond), limits)
        expected = duration_of(problem)
        if expected is not None:
            compared += 1
            assert s_curve(*problem).duration <= expected * (1.0 + 1e-7), lines_to_paste(*problem)


def distance_of_step(start, velocity, limits):
    from profiles.segment import Segment
    from profiles.stopping import velocity_step

    state = start
    for duration, jerk in velocity_step(
        start.velocity, start.acceleration, velocity, *limits.acceleration, limits.jerk
    ):
        state = Segment(0.0, duration, state, jerk).end
    return state.position


def compare_together(make_problem, seed, count):
    source = random.Random(seed)
    compared = waited = 0
    for k in range(count):
        axes = [make_problem(source, True) for _ in range(2 + k % 2)]
        expected = duration_of(*axes)
        if expected is not None:
            compared += 1
            duration = together(*zip(*axes, strict=True))[0].duration
            assert duration == pytest.approx(expected, rel=1e-9), axes
            waited += duration > 1.0001 * max(s_curve(*axis).duration for axis in axes)
    assert compared > 0.999 * count
    assert waited > 0.01 * count


def test_axes_together_take_the_same_time(make_problem):
    compare_together(make_problem, 24, 1500)


@pytest.mark.slow
def test_many_axes_together_take_the_same_time(make_problem):
    compare_together(make_problem, 25, 50_000)
