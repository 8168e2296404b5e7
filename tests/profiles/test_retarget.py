"""Changing goal or limits on the way, from the commanded state."""

from __future__ import annotations

import itertools

import pytest

from profiles import Limits, State, s_curve, verify


def limits_of(numbers):
    return Limits((numbers["vmin"], numbers["vmax"]), (numbers["amin"], numbers["amax"]), numbers["jmax"])


def test_a_worked_change_of_goal_or_limits_has_its_duration(retarget_row):
    numbers, expected = retarget_row["input"], retarget_row["expect"]
    first, second = numbers["first"], numbers["second"]
    profile = s_curve(first["p0"], first["p1"], limits_of(first))
    assert profile.duration == pytest.approx(expected["first_duration"], rel=1e-12)
    state = profile.at(numbers["t_switch"])
    assert state == pytest.approx(expected["state_at_switch"], abs=1e-12)
    after = s_curve(state, second["p1"], limits_of(second))
    assert verify(after, state, second["p1"], limits_of(second)) == []
    if "ruckig semantics" in expected.get("notes", ""):
        # R06: the row dips below the lowered limit and comes back; joining the limit is faster.
        assert after.duration < expected["duration_after_switch"]
        return
    assert after.duration == pytest.approx(expected["duration_after_switch"], rel=1e-9)
    found = after.extremes()
    assert (found.lowest_position, found.highest_position) == pytest.approx(expected["p_range_after"], abs=1e-9)
    assert (found.lowest_velocity, found.highest_velocity) == pytest.approx(expected["v_range_after"], abs=1e-9)


def test_a_limit_lowered_in_the_cruise_is_joined_and_held():
    """R06: from 0.55 down to 0.1 without dipping below 0.1 before the final braking."""
    limits = Limits(0.1, 1.0, 2.0)
    after = s_curve(State(0.53625, 0.55), 1.2, limits)
    velocities = [after.at(after.duration * k / 1000).velocity for k in range(1001)]
    assert all(later <= earlier + 1e-12 for earlier, later in itertools.pairwise(velocities))


def test_planning_anew_in_every_tick_does_not_slow_the_motion():
    limits = Limits(1.8, (-9.0, 6.0), 60.0)
    once = s_curve(0.1, 1.45, limits)
    state, time = State(0.1), 0.0
    while time < once.duration:
        profile = s_curve(state, 1.45, limits)
        assert time + profile.duration == pytest.approx(once.duration, abs=1e-9)
        state = profile.at(0.02)
        time += 0.02
    assert state == State(1.45)
