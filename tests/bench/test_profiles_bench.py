"""What profiles cost, as ratios to a yardstick of the same run: they hold on a slow machine as on a fast one."""

from __future__ import annotations

import random
import timeit
from collections.abc import Callable

import pytest

from profiles import Limits, State, s_curve, stop_travel, trapezoid

pytestmark = pytest.mark.bench

PROBLEMS = 500


def problems():
    """Random starts inside the limits, near unit scale."""
    source = random.Random(3)
    found = []
    while len(found) < PROBLEMS:
        vmax, amax, jerk = source.uniform(0.1, 4.0), source.uniform(0.1, 4.0), source.uniform(0.1, 8.0)
        velocity, acceleration = source.uniform(-vmax, vmax), source.uniform(-amax, amax)
        if abs(velocity + acceleration * abs(acceleration) / (2.0 * jerk)) <= vmax:
            goal = State(source.uniform(-6.0, 6.0), source.uniform(-vmax, vmax))
            found.append((State(0.0, velocity, acceleration), goal, Limits(vmax, amax, jerk)))
    return found


def cost(work: Callable[[], object], times: int) -> float:
    """Seconds a piece, the best of many rounds."""
    return min(timeit.repeat(work, number=1, repeat=30)) / times


def measured(benchmark, work: Callable[[], object], times: int) -> float:
    """The same by way of the benchmark plugin, which prints and stores it."""
    benchmark(work)
    if benchmark.disabled:
        return cost(work, times)
    return benchmark.stats.stats.min / times


def do_nothing(first, second, third):
    return first


def test_an_s_curve_costs_about_three_times_a_compiled_solver(benchmark):
    """From State and Limits to a profile to sample, checks included, against ruckig with all its inputs set."""
    ruckig = pytest.importorskip("ruckig")
    questions = problems()
    generator = ruckig.Ruckig(1)
    question, answer = ruckig.InputParameter(1), ruckig.Trajectory(1)

    def ours():
        for start, goal, limits in questions:
            s_curve(start, goal, limits)

    def theirs():
        for start, goal, limits in questions:
            question.current_position = [start.position]
            question.current_velocity = [start.velocity]
            question.current_acceleration = [start.acceleration]
            question.target_position = [goal.position]
            question.target_velocity = [goal.velocity]
            question.target_acceleration = [goal.acceleration]
            question.min_velocity = [limits.velocity[0]]
            question.max_velocity = [limits.velocity[1]]
            question.min_acceleration = [limits.acceleration[0]]
            question.max_acceleration = [limits.acceleration[1]]
            question.max_jerk = [limits.jerk]
            generator.calculate(question, answer)

    ratio = measured(benchmark, ours, PROBLEMS) / cost(theirs, PROBLEMS)
    benchmark.extra_info["ratio"] = ratio
    assert ratio < 3.5


def test_a_sample_costs_about_a_dozen_empty_calls(benchmark):
    profiles = [s_curve(*problem) for problem in problems()]

    def sample():
        for profile in profiles:
            profile.at(0.7)

    def empty():
        for profile in profiles:
            do_nothing(profile, profile, profile)

    ratio = measured(benchmark, sample, PROBLEMS) / cost(empty, PROBLEMS)
    benchmark.extra_info["ratio"] = ratio
    assert ratio < 15.0


def test_a_stop_travel_costs_less_than_a_fifth_of_an_s_curve(benchmark):
    questions = problems()

    def travels():
        for start, _, limits in questions:
            stop_travel(start.velocity, start.acceleration, limits)

    def curves():
        for start, goal, limits in questions:
            s_curve(start, goal, limits)

    ratio = measured(benchmark, travels, PROBLEMS) / cost(curves, PROBLEMS)
    benchmark.extra_info["ratio"] = ratio
    assert ratio < 0.2


def test_a_trapezoid_costs_less_than_an_s_curve(benchmark):
    questions = problems()

    def ramps():
        for start, goal, limits in questions:
            trapezoid(start, goal, limits)

    def curves():
        for start, goal, limits in questions:
            s_curve(start, goal, limits)

    ratio = measured(benchmark, ramps, PROBLEMS) / cost(curves, PROBLEMS)
    benchmark.extra_info["ratio"] = ratio
    assert ratio < 0.8


def test_a_batch_costs_less_than_a_tenth_of_single_s_curves_from_rest_to_rest(benchmark):
    numpy = pytest.importorskip("numpy")
    from profiles import batch

    limits = Limits((-1.8, 1.8), (-9.0, 6.0), 60.0)
    goals = numpy.linspace(-2.0, 2.0, 100_000)

    def many():
        batch.s_curve(0.0, goals, limits)

    def single():
        for k in range(PROBLEMS):
            s_curve(0.0, float(goals[k]), limits)

    ratio = measured(benchmark, many, len(goals)) / cost(single, PROBLEMS)
    benchmark.extra_info["ratio"] = ratio
    assert ratio < 0.1
