"""Limits: both ways of giving them, and what is refused."""

from __future__ import annotations

import math

import pytest

from profiles import InvalidInput, InvalidLimit, Limits, State, trapezoid


def test_one_number_is_both_directions():
    assert Limits(2, 6, 60) == Limits((-2.0, 2.0), (-6.0, 6.0), 60.0)
    assert Limits(2, 6).jerk is None


def test_a_pair_is_kept():
    limits = Limits((-0.4, 2.0), (-9.0, 6.0))
    assert (limits.velocity, limits.acceleration) == ((-0.4, 2.0), (-9.0, 6.0))


def test_a_velocity_may_be_zero_on_one_side():
    assert Limits((0.0, 1.0), 1.0).velocity == (0.0, 1.0)
    assert Limits((-1.0, 0.0), 1.0).velocity == (-1.0, 0.0)


NAN, INF = math.nan, math.inf


@pytest.mark.parametrize(
    ("arguments", "text"),
    [
        (
            (0.0, 1.0),
            "The velocity limit is 0.0; it must be one number above 0, or a pair (most negative, most positive) around "
            "0 that is not zero on both sides. (0, 1) would fit.",
        ),
        (
            ((0.5, 1.0), 1.0),
            "The velocity limit is (0.5, 1.0); it must be one number above 0, or a pair (most negative, most positive) "
            "around 0 that is not zero on both sides. (-0.5, 1) would fit.",
        ),
        (
            (1.0, (0.5, 1.0)),
            "The acceleration limit is (0.5, 1.0); it must be one number above 0, or a pair (below 0, above 0). "
            "(-0.5, 1) would fit.",
        ),
        (
            (1.0, 1.0, 0.0),
            "The jerk limit is 0.0; it must be above 0, or None for no jerk limit. 1 or None would fit.",
        ),
        ((NAN, 1.0), "The velocity limit is nan; it must be a finite number. 1.0 would fit."),
        ((1.0, INF), "The acceleration limit is inf; it must be a finite number. 1.0 would fit."),
        (("fast", 1.0), "The velocity limit is 'fast'; it must be a finite number. 1.0 would fit."),
        (
            ((1.0,), 1.0),
            "The velocity limit is (1.0,); it must be one number or a pair (most negative, most positive). "
            "(-1.0, 1.0) would fit.",
        ),
    ],
)
def test_a_limit_that_no_motion_can_keep_is_refused(arguments, text):
    with pytest.raises(InvalidLimit) as caught:
        Limits(*arguments)
    assert str(caught.value) == text


@pytest.mark.parametrize("arguments", [(-1.0, 1.0), (1.0, 0.0), (1.0, -1.0), (1.0, 1.0, -1.0), (1.0, 1.0, NAN)])
def test_zero_and_wrong_signs_are_refused(arguments):
    with pytest.raises(InvalidLimit):
        Limits(*arguments)


def test_scaled_limits_are_those_of_slow_motion():
    limits = Limits((-1.0, 2.0), (-9.0, 6.0), 60.0)
    assert limits.scaled(0.5) == Limits((-0.5, 1.0), (-2.25, 1.5), 7.5)
    assert limits.scaled(1.0) == limits
    assert trapezoid(0.0, 1.0, limits.scaled(0.5)).duration == pytest.approx(2.0 * trapezoid(0.0, 1.0, limits).duration)


@pytest.mark.parametrize("factor", [0.0, -0.5, 1.5, NAN])
def test_a_speed_factor_is_above_zero_and_at_most_one(factor):
    with pytest.raises(InvalidInput, match="above 0 and at most 1"):
        Limits(1.0, 1.0).scaled(factor)


def test_slower_limits_are_the_tighter_of_both_in_each_direction():
    limits = Limits((-1.0, 2.0), (-9.0, 6.0), 60.0)
    assert limits.slower() == limits
    assert limits.slower(velocity=1.5) == Limits((-1.0, 1.5), (-9.0, 6.0), 60.0)
    assert limits.slower(acceleration=(-5.0, 8.0), jerk=100.0) == Limits((-1.0, 2.0), (-5.0, 6.0), 60.0)
    assert Limits(1.0, 1.0).slower(jerk=5.0).jerk == 5.0


def test_limits_do_not_change():
    with pytest.raises(AttributeError):
        Limits(1.0, 1.0).jerk = 3.0


def test_a_start_of_the_wrong_kind_is_refused():
    with pytest.raises(InvalidInput) as caught:
        trapezoid("here", 1.0, Limits(1.0, 1.0))
    assert str(caught.value) == "The start is 'here'; it must be a State or a finite number (a position at rest)."
    assert trapezoid((0.0, 0.5), State(1.0), Limits(1.0, 1.0)).start == State(0.0, 0.5)
