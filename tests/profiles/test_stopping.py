"""Stops, and how far they travel."""

from __future__ import annotations

import random

import pytest

from profiles import InvalidInput, Limits, State, stop, stop_travel, tick_exact_travel, verify

NAN = float("nan")


def test_a_worked_stop_has_its_duration_and_distance(stop_row):
    numbers, expected = stop_row["input"], stop_row["expect"]
    limits = Limits(10.0, (numbers["amin"], numbers["amax"]), numbers["jmax"])
    start = State(numbers["p0"], numbers["v0"], numbers["a0"])
    profile = stop(start, limits)
    assert profile.duration == pytest.approx(expected["duration"], rel=1e-12)
    assert profile.goal == State(pytest.approx(expected["stop_distance"], rel=1e-12))
    assert verify(profile, start, profile.goal, limits) == []
    pieces = [(part.duration, part.jerk if limits.jerk else part.start.acceleration) for part in profile.segments]
    assert pieces == [pytest.approx(tuple(piece), rel=1e-12) for piece in expected["segments"]]


def test_an_axis_at_rest_is_stopped_already():
    assert stop(0.3, Limits(1.0, 2.0, 10.0)).duration == 0.0
    assert stop(0.3, Limits(1.0, 2.0)).goal == State(0.3)
    assert stop_travel(0.0, 0.0, Limits(1.0, 2.0, 10.0)) == (0.0, 0.0)
    assert stop_travel(0.0, 0.0, Limits(1.0, 2.0)) == (0.0, 0.0)


@pytest.mark.parametrize(
    ("acceleration", "jerk", "travel"), [(0.0, None, 0.27), (0.0, 60.0, 0.36), (6.0, 60.0, 0.6725)]
)
def test_the_stop_travel_of_a_hoist_depends_on_what_it_is_doing(acceleration, jerk, travel):
    """v = 1.8, A = 6, J = 60: v^2/2A; v^2/2A + vA/2J; and with the acceleration still to be run out."""
    found = stop_travel(1.8, acceleration, Limits(2.0, 6.0, jerk))
    assert found == (0.0, pytest.approx(travel, rel=1e-12))


@pytest.mark.parametrize("seed", range(4))
def test_the_stop_travel_is_the_range_of_the_stop(seed):
    source = random.Random(seed)
    for _ in range(1000):
        jerk = source.uniform(0.5, 50.0) if source.random() < 0.9 else None
        limits = Limits(2.0, (-source.uniform(0.3, 5.0), source.uniform(0.3, 5.0)), jerk)
        velocity = source.choice((0.0, source.uniform(-3.0, 3.0), source.uniform(-3.0, 3.0)))
        acceleration = source.choice((0.0, source.uniform(-7.0, 7.0), source.uniform(-7.0, 7.0)))
        found = stop_travel(velocity, acceleration, limits)
        profile = stop(State(0.0, velocity, acceleration), limits)
        extremes = profile.extremes()
        size = 1.0 + found.high - found.low
        assert found.low == pytest.approx(extremes.lowest_position, abs=1e-12 * size)
        assert found.high == pytest.approx(extremes.highest_position, abs=1e-12 * size)
        assert verify(profile, profile.start, profile.goal, limits.slower()) == [] or abs(velocity) > 2.0


def test_a_stop_while_braking_hard_at_a_small_speed_reverses():
    found = stop_travel(0.1, -3.0, Limits(2.0, 3.0, 20.0))
    assert found.low == pytest.approx(-0.01738211768802618, rel=1e-9)
    assert found.high == pytest.approx(stop(State(0.0, 0.1, -3.0), Limits(2.0, 3.0, 20.0)).extremes().highest_position)
    assert found.high > 0.0


def test_a_stop_travel_mirrors():
    forward = stop_travel(1.2, -5.0, Limits(2.0, (-3.0, 5.0), 20.0))
    backward = stop_travel(-1.2, 5.0, Limits(2.0, (-5.0, 3.0), 20.0))
    assert (backward.low, backward.high) == (-forward.high, -forward.low)


@pytest.mark.parametrize(
    ("question", "text"),
    [
        (
            lambda: stop_travel(NAN, 0.0, Limits(1.0, 1.0)),
            "The velocity is nan; it must be a finite number.",
        ),
        (
            lambda: stop_travel(0.0, NAN, Limits(1.0, 1.0, 10.0)),
            "The velocity or acceleration is (0.0, nan); it must be a finite number.",
        ),
        (
            lambda: tick_exact_travel(1.0, 0.0, 0.02),
            "The deceleration is 0.0; it must be a finite number above 0.",
        ),
        (lambda: tick_exact_travel(1.0, 6.0, -0.5), "The period is -0.5; it must be a finite number above 0."),
        (lambda: tick_exact_travel(NAN, 6.0, 0.02), "The speed is nan; it must be a finite number."),
        (lambda: stop(NAN, Limits(1.0, 1.0)), "The start position is nan; it must be a finite number."),
    ],
)
def test_what_is_not_a_number_is_refused(question, text):
    with pytest.raises(InvalidInput) as caught:
        question()
    assert str(caught.value) == text


@pytest.mark.parametrize("jerk", [None, 10.0])
@pytest.mark.parametrize("velocity", [0.5, -0.5, 0.0])
def test_a_stop_travel_has_two_finite_ends(jerk, velocity):
    """The sign of each is that of its side, for axes at rest as well."""
    limits = Limits(1.0, (-2.0, 4.0), jerk)
    found = stop_travel(velocity, 0.0, limits)
    assert found.low <= 0.0 <= found.high
    room = stop(State(0.0, velocity), limits).goal.position
    assert (found.low, found.high) == pytest.approx((min(room, 0.0), max(room, 0.0)), rel=1e-12)


def test_a_stop_uses_no_pieces_of_no_duration():
    profile = stop(State(0.0, 1.8, 6.0), Limits(2.0, 6.0, 60.0))
    assert [part.duration for part in profile.segments] == pytest.approx([0.2, 0.25, 0.1])
    assert [part.jerk for part in stop(State(0.0, 0.3, -6.0), Limits(2.0, 6.0, 60.0)).segments] == [60.0]


def test_braking_at_exactly_the_limit_holds_it():
    limits = Limits(2.0, 6.0, 60.0)
    profile = stop(State(0.0, 1.0, -6.0), limits)
    assert [part.jerk for part in profile.segments] == [0.0, 60.0]
    found = stop_travel(1.0, -6.0, limits)
    assert found == (0.0, pytest.approx(profile.goal.position, rel=1e-12))


def test_a_stop_commanded_in_ticks_travels_what_the_ticks_sum_to():
    for speed in (0.0, 0.01, 0.12, 1.8, 1.801, 1.85, -1.85):
        velocity, travelled = abs(speed), 0.0
        while velocity > 1e-12:
            following = max(velocity - 6.0 * 0.02, 0.0)
            travelled += 0.5 * (velocity + following) * 0.02
            velocity = following
        assert tick_exact_travel(speed, 6.0, 0.02) == pytest.approx(travelled, abs=1e-12)


def test_a_stop_commanded_in_ticks_travels_at_most_an_eighth_of_a_tick_squared_more():
    more = [tick_exact_travel(0.0005 * k, 6.0, 0.02) - (0.0005 * k) ** 2 / 12.0 for k in range(4000)]
    assert min(more) >= -1e-12
    assert max(more) == pytest.approx(6.0 * 0.02**2 / 8.0, rel=1e-6)


@pytest.mark.parametrize(("deceleration", "period"), [(0.0, 0.02), (6.0, 0.0), (NAN, 0.02), (6.0, -0.02)])
def test_ticks_need_a_period_and_a_deceleration(deceleration, period):
    with pytest.raises(InvalidInput, match="a finite number above 0"):
        tick_exact_travel(1.0, deceleration, period)
