"""The durations of an independent open-source solver, near unit scale where it is a good judge."""

from __future__ import annotations

import random

import pytest

from profiles import lines_to_paste, s_curve

ruckig = pytest.importorskip("ruckig")


def duration_of(problem):
    """What ruckig says, or None where it raises or reports a failure."""
    generator = ruckig.Ruckig(1)
    question, answer = ruckig.InputParameter(1), ruckig.Trajectory(1)
    question.current_position = [problem.start.position]
    question.current_velocity = [problem.start.velocity]
    question.current_acceleration = [problem.start.acceleration]
    question.target_position = [problem.goal.position]
    question.target_velocity = [problem.goal.velocity]
    question.target_acceleration = [0.0]
    (vmin, vmax), (amin, amax) = problem.limits.velocity, problem.limits.acceleration
    question.min_velocity, question.max_velocity = [vmin], [vmax]
    question.min_acceleration, question.max_acceleration = [amin], [amax]
    question.max_jerk = [problem.limits.jerk]
    try:
        result = generator.calculate(question, answer)
    except RuntimeError:
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
    compare(make_problem, 20, 2000)


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
