"""How far an axis gets in a given time, against dense scans of its furthest motions."""

from __future__ import annotations

import math
import random

import numpy as np
import pytest

from profiles import Limits, State, lines_to_paste, s_curve
from profiles.reach import CurveReach, RampReach
from profiles.scurve import first_maximum
from profiles.stopping import velocity_step


def lobes_distance(z, k, u1, down):
    """Distance over the peak z of the first lobe, for peaks below the limit; k = m^2 - z^2."""
    m = np.sqrt(z * z + k)
    between = u1 + m * m
    fall = np.where(m > down, down + m * m / down, 2.0 * m)
    return 0.5 * ((between + between - z * z) * 2.0 * z + (between + u1) * fall)


def test_the_first_maximum_is_that_of_a_dense_scan():
    """Where the distance grows at first, where it falls from the start, and where it only grows; clipped and not."""
    source = random.Random(2)
    kinds = {"clipped": 0, "unclipped": 0, "falls at first": 0, "only grows": 0}
    for _ in range(4000):
        down = source.choice((1.0, 0.5, 3.0))
        a0 = -down * source.choice((1.0, source.uniform(0.01, 1.0)))
        k = down * down * source.choice((source.uniform(0.0, 0.3), source.uniform(0.0, 2.0)))
        u1 = -0.5 * down * down * source.choice((source.uniform(0.0, 0.5), source.uniform(0.0, 3.0)))
        z = a0 * np.linspace(1.0, 0.0, 3001)
        growth = np.diff(lobes_distance(z, k, u1, down))
        rounding = 1e-10 * down**3
        if ((np.abs(growth) < rounding) & (np.abs(z[1:]) > 0.01 * -a0)).any():
            continue  # so flat that the scan cannot tell
        found = first_maximum(a0, k, u1, down)
        falling = np.flatnonzero(growth < -rounding)
        if not len(falling):
            assert found is None or found > 0.01 * a0
            kinds["only grows"] += 1
        elif falling[0] == 0:
            assert found is None, (a0, k, u1, down)
            kinds["falls at first"] += 1
        else:
            assert found == pytest.approx(z[falling[0]], abs=2e-3 * -a0), (a0, k, u1, down)
            kinds["clipped" if found * found + k > down * down else "unclipped"] += 1
    assert min(kinds.values()) > 30, kinds


def random_reach(source, joins):
    """Moving backwards at the end, the acceleration pointing backwards at first: the distance may have two turns."""
    down, jerk = source.choice((1.0, 2.0)), source.choice((1.0, 2.0, 0.5))
    a0 = -down * source.uniform(0.3, 1.0)
    k = down * down * source.choice((source.uniform(0.0, 0.3), source.uniform(0.0, 1.5)))
    u1 = -0.5 * down * down * source.uniform(0.2, 2.5)
    if source.random() < 0.3:
        k = -2.0 * u1 * source.uniform(0.46, 0.5359)  # so that the distance falls but little between its two rises
    if joins:
        fastest = max(u1 + k, 0.02 * k)
        start = fastest + source.uniform(0.1, 2.0) * down * down
        return CurveReach(start / jerk, (fastest - k) / jerk, fastest / jerk, source.uniform(0.5, 2.0), down, a0, jerk)
    start = u1 + k + 0.5 * a0 * a0
    fastest = max(start, 0.0) + source.uniform(0.1, 1.0) * down * down
    return CurveReach(start / jerk, u1 / jerk, fastest / jerk, source.uniform(0.5, 2.0), down, a0, jerk)


def total(phases):
    return sum(duration for duration, _ in phases)


def shortest_duration(reach):
    """That of the direct step to the goal velocity, which the solver of stops knows."""
    return total(
        velocity_step(reach.velocity, reach.acceleration, reach.goal_velocity, -reach.down, reach.up, reach.jerk)
    )


@pytest.mark.parametrize("joins", [False, True])
def test_the_shortest_motion_is_the_step_to_the_goal_velocity(joins):
    source = random.Random(5)
    for _ in range(300):
        reach = random_reach(source, joins)
        assert total(reach.furthest(0.0, reach.fastest)) == pytest.approx(shortest_duration(reach), rel=1e-12)


@pytest.mark.parametrize("joins", [False, True])
def test_the_earliest_duration_is_that_of_a_dense_scan(joins):
    source = random.Random(3)
    turned = 0
    for _ in range(60):
        reach = random_reach(source, joins)
        shortest = shortest_duration(reach)
        durations = shortest + np.linspace(0.0, 3.0 * shortest, 400)
        places = np.array([reach.travel(reach.furthest(duration, reach.fastest)) for duration in durations])
        turned += bool((np.diff(places) < -1e-9).any() and places.argmax() > 0)
        step = durations[1] - durations[0]
        for _ in range(6):
            since = source.randrange(0, 300)
            distance = source.uniform(places.min(), places.max())
            found = reach.earliest(durations[since], distance)
            there = np.flatnonzero(places[since:] >= distance)
            if len(there):
                # A peak between two durations of the scan may reach it earlier.
                assert found <= durations[since + there[0]] + 1e-9, reach
            if math.isfinite(found):
                furthest = reach.travel(reach.furthest(found, reach.fastest))
                assert furthest >= distance - 1e-9 * (1.0 + abs(distance)), reach
                before = durations[since] + (found - durations[since]) * np.linspace(0.0, 0.98, 8)
                if found > durations[since] + 2.0 * step:
                    for duration in before:
                        assert reach.travel(reach.furthest(duration, reach.fastest)) < distance, reach
    assert turned >= 5


@pytest.mark.parametrize("joins", [False, True])
def test_the_fastest_motion_is_the_earliest_that_reaches(joins):
    """Two ways to the same duration: the solver's own, and the first duration whose furthest motion gets there."""
    source = random.Random(4)
    for _ in range(1500):
        reach = random_reach(source, joins)
        shortest = shortest_duration(reach)
        near = reach.travel(reach.furthest(shortest, reach.fastest))
        distance = near + source.choice((1e-3, 1e-2, 0.1, 1.0)) * source.random() * shortest
        if source.random() < 0.5:  # a little short of where the limit is reached, which may be on the second rise
            lobes = [phase for phase in reach.furthest(1e6, reach.fastest) if phase[0] < 1e5]
            distance = reach.travel(lobes) - source.choice((1e-6, 1e-4, 1e-2)) * source.random() * shortest
        if distance <= near:
            continue  # that is the other direction's
        limits = Limits((-90.0, reach.fastest), (-reach.down, reach.up), reach.jerk)
        start, goal = State(0.0, reach.velocity, reach.acceleration), State(distance, reach.goal_velocity)
        expected = reach.earliest(shortest, distance)
        assert s_curve(start, goal, limits).duration == pytest.approx(expected, rel=1e-9), lines_to_paste(
            start, goal, limits
        )


def test_longer_than_to_the_limit_the_limit_is_held():
    reach = CurveReach(0.0, 0.0, 1.0, 2.0, 2.0, 0.0, 10.0)
    phases = reach.furthest(5.0, 1.0)
    assert total(phases) == pytest.approx(5.0)
    assert reach.travel(phases) == pytest.approx(5.0 - 0.7)
    assert reach.furthest(5.0, 0.5) != phases
    assert reach.travel(reach.furthest(5.0, 0.0)) == 0.0
    assert reach.earliest(2.0, 4.3) == pytest.approx(5.0)
    assert reach.earliest(7.0, 4.3) == 7.0


def test_ramps_get_furthest_by_a_triangle_then_a_trapezoid():
    """Up with 2, down with 4, no faster than 3: 1.5 + 0.75 s of ramps."""
    reach = RampReach(0.0, 0.0, 3.0, 2.0, 4.0)
    assert reach.travel(reach.furthest(1.5, 3.0)) == pytest.approx(0.5 * 1.5 * 2.0)
    assert reach.travel(reach.furthest(4.25, 3.0)) == pytest.approx(0.5 * 2.25 * 3.0 + 2.0 * 3.0)
    assert reach.earliest(0.0, 1.5) == pytest.approx(1.5)
    assert reach.earliest(2.0, 1.5) == 2.0
    assert reach.earliest(0.0, 0.5 * 2.25 * 3.0 + 6.0) == pytest.approx(4.25)


def test_ramps_between_backward_speeds_may_wait_long():
    """From -1 to -1: at once or, back at the same place, after 2 s; in between only behind it."""
    reach = RampReach(-1.0, -1.0, 3.0, 2.0, 2.0)
    assert reach.earliest(0.0, 0.0) == 0.0
    assert reach.earliest(0.1, 0.0) == pytest.approx(2.0)


def test_an_axis_that_may_not_move_on_never_gets_there():
    assert RampReach(-1.0, 0.0, 0.0, 1.0, 1.0).earliest(1.0, 0.5) == math.inf
    assert CurveReach(-1.0, 0.0, 0.0, 1.0, 1.0, 0.0, 5.0).earliest(1.0, 0.5) == math.inf
