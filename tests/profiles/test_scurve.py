"""S-curves against worked cases, and against the audit on many random problems."""

from __future__ import annotations

import itertools
import json
import random
from pathlib import Path

import pytest

from profiles import (
    GoalAcceleration,
    GoalOutsideLimits,
    Infeasible,
    InvalidInput,
    JerkLimitMissing,
    Limits,
    ProfileError,
    State,
    lines_to_paste,
    s_curve,
    stop,
    verify,
)

CASES = Path(__file__).parents[1] / "cases"

# Rows that start outside the velocity limits give the duration of a solver that dips below the limit, and the
# duration with the limit joined and held. Ours joins it only on the way to a goal that lets it be held, so the faster
# of the two is right.
FASTER_THAN_BOTH = {
    "J28": 0.1635009195859985,  # goes straight on to rest, and neither reaches the limit early nor dwells there
    "J32": 5.428605296514698,  # bound to pass the limit: joins it, where the row dips below it and returns
}


def test_a_worked_case_has_its_duration(jerk_limited_row, to_problem):
    expected = jerk_limited_row["expect"]
    start, goal, limits = to_problem(jerk_limited_row["input"])
    profile = s_curve(start, goal, limits)
    assert verify(profile, start, goal, limits) == []
    joined = expected.get("duration_if_limit_is_joined_without_undershoot", float("inf"))
    duration = FASTER_THAN_BOTH.get(jerk_limited_row["id"], min(expected["duration"], joined))
    assert profile.duration <= min(expected["duration"], joined) * (1.0 + 1e-9)
    if "tolerance" in expected:
        assert abs(profile.duration - expected["published"]) <= expected["tolerance"]
    else:
        assert profile.duration == pytest.approx(duration, rel=1e-9)


def test_a_worked_case_ends_exactly_at_its_goal(jerk_limited_row, to_problem):
    start, goal, limits = to_problem(jerk_limited_row["input"])
    profile = s_curve(start, goal, limits)
    assert profile.at(profile.duration) == goal
    assert profile.at(profile.duration + 1e4) == goal
    assert profile.at(0.0) == start


def test_a_worked_case_keeps_the_ranges_of_its_row(jerk_limited_row, to_problem):
    expected = jerk_limited_row["expect"]
    start, goal, limits = to_problem(jerk_limited_row["input"])
    found = s_curve(start, goal, limits).extremes()
    overshoot = max(
        found.highest_position - max(start.position, goal.position),
        min(start.position, goal.position) - found.lowest_position,
    )
    joins = "duration_if_limit_is_joined_without_undershoot" in expected
    if joins or jerk_limited_row["id"] in FASTER_THAN_BOTH:
        assert found.highest_velocity <= max(expected["v_range"][1], start.velocity) + 1e-9
        return
    scale = max(abs(number) for number in expected["v_range"])
    assert found.lowest_velocity == pytest.approx(expected["v_range"][0], abs=1e-9 * scale)
    assert found.highest_velocity == pytest.approx(expected["v_range"][1], abs=1e-9 * scale)
    if "tolerance" in expected:
        return  # J61: the start is on the optimum but for a rounding, and a spike of no meaning is left out
    rates = 1e-8 * (limits.acceleration[1] - limits.acceleration[0])
    assert found.lowest_acceleration == pytest.approx(expected["a_range"][0], abs=rates)
    assert found.highest_acceleration == pytest.approx(expected["a_range"][1], abs=rates)
    assert overshoot == pytest.approx(
        expected["overshoot"], rel=1e-9, abs=1e-9 * (abs(goal.position) + abs(start.position) + 1e-9)
    )


@pytest.mark.parametrize(
    ("start", "goal", "limits"),
    [
        (State(0.7, 3.0), State(10.0), Limits(1.0, 5.0, 10.0)),  # J30
        (State(0.48, 0.55), State(1.2), Limits(0.1, 1.0, 2.0)),  # J31
        (State(0.0, 0.9, 1.5), State(5.0), Limits(1.0, 2.0, 4.0)),  # J32
    ],
)
def test_a_start_above_the_limit_joins_it_without_undershoot(start, goal, limits):
    profile = s_curve(start, goal, limits)
    vmax = limits.velocity[1]
    cruise = [part for part in profile.segments if part.jerk == 0.0 and part.start.velocity == pytest.approx(vmax)]
    assert [part.start.acceleration for part in cruise] == [pytest.approx(0.0, abs=1e-9)]
    velocities = [profile.at(profile.duration * k / 1000).velocity for k in range(1001)]
    before = velocities[: round(1000 * cruise[0].start_time / profile.duration)]
    assert min(before) >= min(start.velocity, vmax) - 1e-12


def test_a_start_above_the_limit_is_left_on_the_way_down_to_a_near_goal():
    """From the goal that the direct stop reaches to the goal that lets the limit be held the duration is continuous."""
    limits = Limits(1.0, 4.0, 10.0)
    start = State(0.0, 2.0)
    durations = [s_curve(start, 0.8 + 0.01 * k, limits).duration for k in range(200)]
    direct = min(durations)
    after = durations[durations.index(direct) :]
    assert all(later >= earlier - 1e-12 for earlier, later in itertools.pairwise(after))
    assert max(later - earlier for earlier, later in itertools.pairwise(after)) < 0.06


def test_identical_moving_states_need_no_time():
    assert s_curve(State(0.0, 0.125), State(0.0, 0.125), Limits(0.5, 1.0, 4.0)).duration == 0.0


def test_a_cruise_of_years_does_not_drift():
    """A rounding of the acceleration, held through a crawl of four years, would be millimetres.

    The nodes after the longest piece are counted back from the goal, so the crawl takes what the way has gathered.
    """
    start = State(72.79917729584315, 9.583404192914545, 0.0012181602636883002)
    velocities, accelerations = (-0.0004917458662695276, 20.4203150753713), (-0.0007302139017484355, 0.002039794315697)
    limits = Limits(velocities, accelerations, 25090.85177272792)
    profile = s_curve(start, 0.00223230933976289, limits)
    assert profile.duration > 1e8
    assert profile.segments[-1].end.position == pytest.approx(0.00223230933976289, abs=1e-8)
    for before, after in itertools.pairwise(profile.segments):
        assert after.start.position == pytest.approx(before.end.position, abs=1e-9)


@pytest.mark.parametrize("offset", [0.0, 1.0, -1.375, 40.0])
@pytest.mark.parametrize("share", [-0.9, 0.9])
def test_a_rounding_on_the_way_costs_no_detour(offset, share):
    """The direct step from 1 to 0.5 with 0.8 s of ramps; a goal short of it by more costs a turn and a half."""
    limits = Limits(2.0, 2.0, 3.125)
    place = offset + 0.6
    rounding = 1e-13 * (abs(offset) + abs(place))
    near = s_curve(State(offset, 1.0), State(place + share * rounding, 0.5), limits)
    assert near.duration == pytest.approx(0.8, abs=1e-12)
    assert s_curve(State(offset, 1.0), State(place - 20.0 * rounding - 1e-11, 0.5), limits).duration > 1.5


@pytest.mark.parametrize("offset", [0.0, 1.0, -1.0])
def test_from_rest_the_smallest_distance_is_one(offset):
    """Positions that differ by a few of their last digits are still two places."""
    distance = (offset + 4e-14) - offset
    assert s_curve(offset, offset + distance, Limits(2.0, 1.0, 2.0)).duration == pytest.approx(
        (16.0 * distance) ** (1.0 / 3.0), rel=1e-9
    )


def test_integers_are_numbers():
    assert s_curve(0, 10, Limits(3, 2, 3)).duration == 5.5


def test_no_distance_at_rest_needs_no_time():
    profile = s_curve(0.5, 0.5, Limits(1.0, 2.0, 10.0))
    assert (profile.duration, profile.segments, profile.at(0.3)) == (0.0, (), State(0.5))


@pytest.mark.parametrize("distance", [1e-12, 1e-9, 1e-6, 1e-3])
def test_a_very_short_move_takes_the_cube_root_of_its_length(distance):
    """From rest to rest with jerk alone: T = (32 d/J)^(1/3); tolerances of a fixed size would show here."""
    profile = s_curve(0.0, distance, Limits(5.0, 2.0, 2.0))
    assert profile.duration == pytest.approx((32.0 * distance / 2.0) ** (1.0 / 3.0), rel=1e-12)


def audit(problem, allow_prelude=True):
    profile = s_curve(*problem)
    assert verify(profile, *problem, allow_prelude=allow_prelude) == [], lines_to_paste(*problem)
    return profile


def audit_in_other_units(problem, source, scale):
    """The same problem mirrored and scaled, by up to 10^4 in length and 10^2 in time: valid, and the same motion.

    Where several limits are just touched a rounding of the input is the square root of it in the duration.
    """
    unit = audit(problem)
    length, time = -(10.0 ** source.uniform(-4.0, 4.0)), 10.0 ** source.uniform(-2.0, 2.0)
    other = scale(problem, length, time)
    profile = audit(other)
    assert profile.duration / time == pytest.approx(unit.duration, rel=1e-7, abs=1e-10), lines_to_paste(*other)
    # At the very same share of both durations, as places are compared while the axis moves.
    for share in (0.2, 0.5, 0.8):
        position = profile.at(share * profile.duration).position / length
        here = unit.at(share * unit.duration)
        fast = max(abs(here.velocity) * unit.duration, abs(here.position), 1.0)
        assert position == pytest.approx(here.position, abs=1e-6 * fast), lines_to_paste(*other)


@pytest.mark.parametrize("seed", range(5))
def test_random_starts_inside_the_limits_pass_the_audit(seed, make_problem):
    source = random.Random(1000 + seed)
    for _ in range(1000):
        audit(make_problem(source, True), allow_prelude=False)


@pytest.mark.parametrize("seed", range(5))
def test_arbitrary_starts_pass_the_audit(seed, make_problem):
    source = random.Random(2000 + seed)
    for _ in range(1000):
        audit(make_problem(source, False))


@pytest.mark.parametrize("seed", range(2))
def test_plain_numbers_in_any_units_pass_the_audit_and_scale(seed, make_plain_problem, scale):
    source = random.Random(3000 + seed)
    for _ in range(1000):
        audit_in_other_units(make_plain_problem(source), source, scale)


@pytest.mark.slow
@pytest.mark.parametrize("inside", [True, False])
def test_200_000_random_starts_pass_the_audit(inside, make_problem):
    source = random.Random(4)
    for _ in range(200_000):
        audit(make_problem(source, inside), allow_prelude=not inside)


@pytest.mark.slow
def test_100_000_plain_numbers_in_any_units_pass_the_audit_and_scale(make_problem, make_plain_problem, scale):
    """Half of them degenerate, half of them not."""
    source = random.Random(5)
    for _ in range(50_000):
        audit_in_other_units(make_plain_problem(source), source, scale)
        audit_in_other_units(make_problem(source, False), source, scale)


def test_limits_a_million_apart_pass_the_audit():
    source = random.Random(6)

    def size():
        return 10.0 ** source.uniform(-3.0, 3.0)

    for _ in range(1000):
        limits = Limits((-size(), size()), (-size(), size()), size())
        (vmin, vmax), (amin, amax) = limits.velocity, limits.acceleration
        start = State(source.uniform(-1.0, 1.0) * size(), source.uniform(vmin, vmax), source.uniform(amin, amax))
        goal = State(source.uniform(-1.0, 1.0) * size(), source.choice((0.0, source.uniform(vmin, vmax))))
        profile = s_curve(start, goal, limits)
        assert verify(profile, start, goal, limits) == [], lines_to_paste(start, goal, limits)


def test_a_goal_velocity_outside_the_limits_is_refused():
    with pytest.raises(GoalOutsideLimits) as caught:
        s_curve(0.0, State(1.0, 2.5), Limits(2.0, 6.0, 60.0))
    assert str(caught.value) == (
        "The goal velocity is 2.5; the velocity limits allow -2 to 2. "
        "A goal velocity of 2 would fit, or wider velocity limits."
    )


def test_a_goal_acceleration_that_a_faster_axis_would_need_tells_so():
    """0.95 + 0.5^2 / (2 1.25) = 1.05 before; half the acceleration at the same jerk would have begun at 0.975."""
    limits = Limits(1.0, 2.0, 1.25)
    with pytest.raises(GoalOutsideLimits, match=r"0\.95 \(with acceleration -0\.5 it must have been 1\.05 before\)"):
        s_curve(0.0, State(1.0, 0.95, -0.5), limits)
    with pytest.raises(GoalAcceleration):
        s_curve(0.0, State(1.0, 0.95, -0.25), limits)


def test_a_start_that_is_not_a_number_is_refused_by_its_name():
    with pytest.raises(InvalidInput) as caught:
        s_curve(State(0.0, float("nan")), 1.0, Limits(1.0, 2.0, 10.0))
    assert str(caught.value) == "The start velocity is nan; it must be a finite number."


def test_a_goal_acceleration_is_refused_with_its_own_error():
    with pytest.raises(GoalAcceleration) as caught:
        s_curve(0.0, State(1.0, 0.0, 0.5), Limits(2.0, 6.0, 60.0))
    assert str(caught.value) == (
        "The goal acceleration is 0.5; only goals with acceleration 0 are solved. "
        "Leave it out and let the motion reach the goal velocity with acceleration 0."
    )


def test_a_one_way_axis_in_the_other_direction_has_the_same_bounds():
    """J35 and X11 mirrored."""
    with pytest.raises(Infeasible) as caught:
        s_curve(State(0.0, -0.09231752680904051, 0.3081870857576314), -0.02, Limits((-1.0, 0.0), 1.5, 0.5))
    assert str(caught.value) == (
        "No motion inside the limits leads there: velocity -0.0923175 with acceleration 0.308187 must pass "
        "0.00266175, and the velocity limits are -1 to 0. A start acceleration of magnitude 0.303838 or less would fit."
    )
    with pytest.raises(
        Infeasible, match=r"the highest velocity allowed is 0 .* would have to move 1 upwards\. A goal 1"
    ):
        s_curve(0.0, 1.0, Limits((-1.0, 0.0), 1.0, 1.0))


@pytest.mark.parametrize("acceleration", [-0.4, -0.25])
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_one_way_axis_may_just_touch_rest_and_goes_no_shorter_way(sign, acceleration):
    """It stops as fast as it can, at -0.4 by running out its braking, and then takes sqrt(0.1) s to reach 0.1."""
    limits = Limits((0.0, 2.0) if sign > 0.0 else (-2.0, 0.0), 2.0, 4.0)
    to_rest = stop(State(0.0, 0.02, acceleration), limits)
    shortest, duration = to_rest.goal.position + 0.05 * 0.1**0.5, to_rest.duration + 0.1**0.5

    def move(distance):
        start, goal = State(sign, 0.02 * sign, acceleration * sign), State(sign * (1.0 + distance), 0.1 * sign)
        profile = s_curve(start, goal, limits)
        assert verify(profile, start, goal, limits) == []
        return profile

    for rounding in (-1e-13, 0.0, 1e-13):
        assert move(shortest + rounding).duration == pytest.approx(duration, abs=1e-6)
    with pytest.raises(Infeasible, match=r"would have to move 0\.01 (downwards|upwards)\. A goal 0\.01 further"):
        move(shortest - 0.01)
    with pytest.raises(Infeasible):
        move(shortest - 1e-11)


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_one_way_axis_moves_its_way(sign):
    limits = Limits((0.0, 1.0) if sign > 0.0 else (-1.0, 0.0), 1.5, 5.0)
    start, goal = State(0.0, 0.3 * sign), State(2.0 * sign)
    profile = s_curve(start, goal, limits)
    assert verify(profile, start, goal, limits, allow_prelude=False) == []


def test_without_a_jerk_limit_the_trapezoid_is_recommended():
    with pytest.raises(JerkLimitMissing) as caught:
        s_curve(0.0, 1.0, Limits(1.0, 1.0))
    assert str(caught.value) == (
        "An S-curve needs a jerk limit and these limits have none. "
        "Give Limits(..., jerk=...) or use trapezoid(start, goal, limits), which needs no jerk limit."
    )


def test_a_wrong_question_gets_the_error_of_its_cause(error_row, to_problem):
    """What was found, what is allowed, what would fit. J73 and J74 have solutions, but goals with an acceleration."""
    texts = json.loads((CASES / "profile_error_texts.json").read_text(encoding="utf-8"))
    numbers = {key: float(value) for key, value in error_row["input"].items()}
    with pytest.raises(ProfileError) as caught:
        s_curve(*to_problem(numbers))
    assert f"{type(caught.value).__name__}: {caught.value}" == texts[error_row["id"]]


PUBLISHED_THAT_AGREE = 13


def test_published_durations_agree(published):
    """Rows with plain inputs: the textbook of Biagiotti and Melchiorri, published test data, and a library's example.

    Two worked examples of the book are not the fastest motion (its verdict in the file): upper bounds only.
    """
    agreed = bounded = 0
    for row in published:
        numbers = row["inputs"]
        names = {"q0": "p0", "q1": "p1"}
        if not {"vmax", "amax", "jmax"} <= numbers.keys() or isinstance(numbers.get("q1"), str):
            continue
        values = {names.get(name, name): value for name, value in numbers.items()}
        printed = row["published"]
        if isinstance(printed, dict):
            printed = printed.get("T") or printed["Ta"] + printed.get("Tv", 0.0) + printed.get("Td", printed["Ta"])
        vmax, amax = values["vmax"], values["amax"]
        start = State(values.get("p0", 0.0), values.get("v0", 0.0), values.get("a0", 0.0))
        goal = State(values["p1"], values.get("v1", 0.0))
        duration = s_curve(start, goal, Limits(vmax, amax, values["jmax"])).duration
        if row["section"] in ("3.4, example 3.11", "3.4, example 3.12"):
            assert duration < 0.95 * printed
            bounded += 1
        elif goal.velocity == 0.5:
            # Starts above its limit: the printed duration is that of a dip below it.
            assert duration < printed
            bounded += 1
        else:
            assert duration == pytest.approx(printed, abs=1.5e-4)
            agreed += 1
    assert (agreed, bounded) == (PUBLISHED_THAT_AGREE, 3)
