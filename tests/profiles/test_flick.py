"""Passing a point with a given speed."""

from __future__ import annotations

import pytest

from profiles import InvalidInput, Limits, OutsideTravel, RunUpTooShort, State, flick, s_curve, verify

LIMITS = Limits(2.0, 6.0, 60.0)


@pytest.mark.parametrize("limits", [LIMITS, Limits(2.0, 6.0)])
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_flick_passes_its_point_at_the_mark(limits, sign):
    through, goal = State(0.6 * sign, 1.9 * sign), State(1.2 * sign)
    profile = flick(0.0, through, goal, limits, wind_up=False)
    passing = profile.at(profile.marks["through"])
    assert passing[:2] == pytest.approx(through[:2], abs=1e-12)
    assert profile.first_time_at(through.position) == pytest.approx(profile.marks["through"], abs=1e-9)
    assert verify(profile, State(0.0), goal, limits) == []


def test_the_acceleration_is_zero_at_the_mark():
    profile = flick(0.0, State(0.6, 1.9), 1.2, LIMITS)
    assert profile.at(profile.marks["through"]).acceleration == pytest.approx(0.0, abs=1e-9)


def test_a_short_run_up_winds_up_backwards_and_comes_by_later():
    short, long = flick(0.0, State(0.1, 1.9), 1.2, LIMITS), flick(0.0, State(0.5, 1.9), 1.2, LIMITS)
    assert short.extremes().lowest_position == pytest.approx(-0.2933, abs=1e-4)
    assert short.marks["through"] > long.marks["through"]
    assert verify(short, 0.0, 1.2, LIMITS) == []


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_without_a_wind_up_the_speed_reachable_and_the_run_up_needed_are_told(sign):
    with pytest.raises(RunUpTooShort) as caught:
        flick(0.0, State(0.1 * sign, 1.9 * sign), 1.2 * sign, LIMITS, wind_up=False)
    assert str(caught.value) == (
        "The run-up is 0.1 long and the speed wanted at its end is 1.9: without a wind-up of 0.293333 backwards only "
        "0.835782 is reachable. A run-up of 0.395833 would fit, or that speed, or wind_up=True."
    )


@pytest.mark.parametrize("limits", [LIMITS, Limits(2.0, 6.0)])
def test_the_speed_and_the_run_up_told_do_fit(limits):
    with pytest.raises(RunUpTooShort) as caught:
        flick(State(0.0, 0.3), State(0.1, 1.9), 1.2, limits, wind_up=False)
    reachable, needed = caught.value.reachable, caught.value.needed
    flick(State(0.0, 0.3), State(0.1, reachable * (1.0 - 1e-9)), 1.2, limits, wind_up=False)
    flick(State(0.0, 0.3), State(needed * (1.0 + 1e-9), 1.9), 1.2, limits, wind_up=False)


def test_from_rest_no_more_than_the_speed_told_is_reachable():
    with pytest.raises(RunUpTooShort) as caught:
        flick(0.0, State(0.1, 1.9), 1.2, LIMITS, wind_up=False)
    with pytest.raises(RunUpTooShort):
        flick(0.0, State(0.1, caught.value.reachable * 1.001), 1.2, LIMITS, wind_up=False)


def test_a_wind_up_that_leaves_the_travel_is_refused():
    with pytest.raises(OutsideTravel) as caught:
        flick(0.0, State(0.1, 1.9), 1.2, LIMITS, travel=(-0.1, 1.3))
    assert str(caught.value) == (
        "The run-up reaches -0.293333, which is 0.193333 outside the travel from -0.1 to 1.3. "
        "A lower speed, or a start and goal further inside, would fit."
    )


def test_a_follow_through_that_leaves_the_travel_is_refused():
    with pytest.raises(OutsideTravel, match="The follow-through reaches") as caught:
        flick(0.0, State(0.6, 1.9), 0.7, LIMITS, travel=(0.0, 0.8))
    assert caught.value.position > 0.8
    flick(0.0, State(0.6, 1.9), 1.2, LIMITS, travel=(0.0, 1.2))


def test_the_follow_through_may_have_limits_of_its_own():
    gentle = Limits(2.0, 2.0, 20.0)
    profile = flick(0.0, State(0.6, 1.9), 2.0, LIMITS, limits_after=gentle)
    after = s_curve(State(0.6, 1.9), 2.0, gentle)
    assert profile.duration - profile.marks["through"] == pytest.approx(after.duration)


@pytest.mark.parametrize(
    ("start", "through", "travel", "text"),
    [
        (
            0.0,
            State(0.5),
            None,
            "The through velocity is 0.0; it must be other than 0; a motion to rest there is an s_curve.",
        ),
        (0.0, State(0.5, 1.0), (1.0, 0.0), "The travel is (1.0, 0.0); it must be a pair (lowest, highest)."),
        (float("nan"), State(0.5, 1.0), None, "The start position is nan; it must be a finite number."),
        (0.0, State(0.5, float("inf")), None, "The through velocity is inf; it must be a finite number."),
    ],
)
def test_a_flick_that_cannot_be_meant_is_refused(start, through, travel, text):
    with pytest.raises(InvalidInput) as caught:
        flick(start, through, 1.0, LIMITS, travel=travel)
    assert str(caught.value) == text


def test_a_travel_may_be_touched_by_a_rounding():
    flick(0.0, State(0.6, 1.9), 1.2, LIMITS, travel=(0.5e-9, 1.2 - 0.5e-9))
    with pytest.raises(OutsideTravel):
        flick(0.0, State(0.6, 1.9), 1.2, LIMITS, travel=(2e-9, 1.2))
    with pytest.raises(OutsideTravel):
        flick(0.0, State(0.6, 1.9), 1.2, LIMITS, travel=(0.0, 1.2 - 2e-9))
    with pytest.raises(OutsideTravel):  # a place is a pair, too
        flick(0.0, State(0.6, 1.9), 1.2, LIMITS, travel=(0.6, 0.6))


@pytest.mark.parametrize("limits", [LIMITS, Limits(2.0, (-6.0, 3.0))])
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_the_refusal_counts_from_the_start_wherever_that_is(limits, sign):
    """From 5, already moving: the run-up needed is the distance of the velocity step."""
    if sign < 0.0:
        limits = Limits(limits.velocity, tuple(-a for a in reversed(limits.acceleration)), limits.jerk)
    start, speed = State(5.0 * sign, 0.5 * sign), 1.9
    with pytest.raises(RunUpTooShort) as caught:
        flick(start, State(5.1 * sign, speed * sign), 7.0 * sign, limits, wind_up=False)
    needed = caught.value.needed
    if limits.jerk is None:
        assert needed == pytest.approx((speed**2 - 0.5**2) / (2.0 * 3.0))
        assert caught.value.reachable == pytest.approx((0.5**2 + 2.0 * 3.0 * 0.1) ** 0.5)
    else:
        assert needed == pytest.approx(0.5 * (0.5 + speed) * (1.4 / 6.0 + 0.1))
    assert "The run-up is 0.1 long" in str(caught.value)
    fits = flick(start, State((5.0 + needed) * sign, speed * sign), 7.0 * sign, limits, wind_up=False)
    assert fits.marks["through"] > 0.0


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_slow_passing_needs_a_run_up_too(sign):
    """To 0.5 with a jerk of 60: 0.25 times 2 sqrt(0.5/60)."""
    with pytest.raises(RunUpTooShort) as caught:
        flick(0.0, State(0.01 * sign, 0.5 * sign), 1.0 * sign, LIMITS, wind_up=False)
    assert caught.value.needed == pytest.approx(0.5 * (0.5 / 60.0) ** 0.5)
