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


def test_a_flick_needs_a_speed():
    with pytest.raises(InvalidInput, match="a motion to rest there is an s_curve"):
        flick(0.0, State(0.5), 1.0, LIMITS)


def test_a_travel_the_wrong_way_round_is_refused():
    with pytest.raises(InvalidInput, match=r"a pair \(lowest, highest\)"):
        flick(0.0, State(0.5, 1.0), 1.0, LIMITS, travel=(1.0, 0.0))
