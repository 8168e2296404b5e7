"""What profiles cost, as ratios to a yardstick of the same run: they hold on a slow machine as on a fast one.

Run them with -m bench -s to see the ratios.
"""

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


@pytest.fixture
def rival():
    """Asks ruckig in a Python loop with all nine setters; the limits are the same in both directions."""
    ruckig = pytest.importorskip("ruckig")
    generator = ruckig.Ruckig(1)
    question, answer = ruckig.InputParameter(1), ruckig.Trajectory(1)

    def ask(questions):
        for start, goal, limits in questions:
            question.current_position = [start.position]
            question.current_velocity = [start.velocity]
            question.current_acceleration = [start.acceleration]
            question.target_position = [goal.position]
            question.target_velocity = [goal.velocity]
            question.target_acceleration = [goal.acceleration]
            question.max_velocity = [limits.velocity[1]]
            question.max_acceleration = [limits.acceleration[1]]
            question.max_jerk = [limits.jerk]
            generator.calculate(question, answer)

    return ask


def told(benchmark, ratio, allowed):
    """Keeps and prints the ratio, then holds it to what is allowed."""
    benchmark.extra_info["ratio"] = ratio
    print(f"ratio {ratio:.3g}, at most {allowed:.3g} allowed")
    assert ratio <= allowed


def test_an_s_curve_costs_at_most_six_times_a_compiled_solver(benchmark, rival):
    """From State and Limits to a profile to sample, checks included; three times is what we aim at."""
    questions = problems()

    def ours():
        for start, goal, limits in questions:
            s_curve(start, goal, limits)

    ratio = measured(benchmark, ours, PROBLEMS) / cost(lambda: rival(questions), PROBLEMS)
    told(benchmark, ratio, 6.0)


MANY = 100_000


def test_a_batch_from_rest_to_rest_costs_at_most_a_tenth_of_a_compiled_solver(benchmark, rival):
    numpy = pytest.importorskip("numpy")
    from profiles import batch

    limits = Limits(1.8, 6.0, 60.0)
    goals = numpy.linspace(-2.0, 2.0, MANY)
    some = [(State(0.0), State(float(goal)), limits) for goal in goals[:: MANY // PROBLEMS]]
    ours = measured(benchmark, lambda: batch.s_curve(0.0, goals, limits), MANY)
    told(benchmark, ours / cost(lambda: rival(some), len(some)), 0.1)


def test_a_batch_from_any_state_costs_at_most_half_of_a_compiled_solver(benchmark, rival):
    """One axis, 100,000 random states of it inside the limits, near unit scale."""
    numpy = pytest.importorskip("numpy")
    from profiles import batch

    limits = Limits(2.0, 2.0, 4.0)
    source = numpy.random.default_rng(1)
    accelerations = source.uniform(-2.0, 2.0, MANY)
    room = 2.0 - accelerations**2 / 8.0
    starts = numpy.stack([numpy.zeros(MANY), room * source.uniform(-1.0, 1.0, MANY), accelerations], axis=1)
    goals = numpy.stack([source.uniform(-6.0, 6.0, MANY), source.uniform(-2.0, 2.0, MANY)], axis=1)
    some = [(State(*starts[k]), State(*goals[k]), limits) for k in range(0, MANY, MANY // PROBLEMS)]
    some = [(State(*map(float, start)), State(*map(float, goal)), limits) for start, goal, limits in some]
    ours = measured(benchmark, lambda: batch.s_curve(starts, goals, limits), MANY)
    told(benchmark, ours / cost(lambda: rival(some), len(some)), 0.5)


def test_a_sample_costs_about_a_dozen_empty_calls(benchmark):
    profiles = [s_curve(*problem) for problem in problems()]

    def sample():
        for profile in profiles:
            profile.at(0.7)

    def empty():
        for profile in profiles:
            do_nothing(profile, profile, profile)

    ratio = measured(benchmark, sample, PROBLEMS) / cost(empty, PROBLEMS)
    told(benchmark, ratio, 15.0)


def test_a_stop_travel_costs_less_than_a_fifth_of_an_s_curve(benchmark):
    questions = problems()

    def travels():
        for start, _, limits in questions:
            stop_travel(start.velocity, start.acceleration, limits)

    def curves():
        for start, goal, limits in questions:
            s_curve(start, goal, limits)

    ratio = measured(benchmark, travels, PROBLEMS) / cost(curves, PROBLEMS)
    told(benchmark, ratio, 0.2)


def test_a_trapezoid_costs_less_than_an_s_curve(benchmark):
    questions = problems()

    def ramps():
        for start, goal, limits in questions:
            trapezoid(start, goal, limits)

    def curves():
        for start, goal, limits in questions:
            s_curve(start, goal, limits)

    ratio = measured(benchmark, ramps, PROBLEMS) / cost(curves, PROBLEMS)
    told(benchmark, ratio, 0.8)
