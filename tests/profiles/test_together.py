"""Axes that arrive at the same instant."""

from __future__ import annotations

import random

import numpy as np
import pytest
from scipy.optimize import linprog

from profiles import InvalidInput, Limits, ProfileError, State, lines_to_paste, s_curve, together, trapezoid, verify


def axes_of(row, to_problem):
    return tuple(zip(*(to_problem(axis) for axis in row["input"]["axes"]), strict=True))


def test_worked_axes_have_their_own_and_their_common_durations(sync_row, to_problem):
    """A row that rounds up to a control cycle, or that does not synchronise, is compared by its slowest axis."""
    starts, goals, limits = axes_of(sync_row, to_problem)
    expected = sync_row["expect"]["independent_durations"]
    own = [s_curve(*axis).duration for axis in zip(starts, goals, limits, strict=True)]
    assert own == pytest.approx(expected, rel=1e-9)
    moves = together(starts, goals, limits)
    assert {move.duration for move in moves} == {moves[0].duration}
    assert moves[0].duration == pytest.approx(max(expected), rel=1e-9)
    for move, start, goal, of in zip(moves, starts, goals, limits, strict=True):
        assert verify(move, start, goal, of) == []


def test_equal_axes_get_equal_profiles():
    first, second = together([0.0, 0.0], [1.0, 1.0], [Limits(1.0, 2.0, 10.0)] * 2)
    assert first == second == s_curve(0.0, 1.0, Limits(1.0, 2.0, 10.0))


def test_an_axis_that_does_not_move_waits_at_its_place():
    _, still = together([0.0, 0.3], [1.0, 0.3], [Limits(1.0, 2.0, 10.0)] * 2)
    assert still.duration == pytest.approx(1.7)
    assert still.extremes()[:4] == (0.3, 0.3, 0.0, 0.0)


def test_no_axes_need_no_profiles():
    assert together([], [], []) == ()


def test_a_least_duration_is_kept():
    moves = together([0.0, 0.0], [1.0, -0.2], [Limits(1.0, 2.0, 10.0), Limits(2.0, 4.0, 20.0)], at_least=5.0)
    assert [move.duration for move in moves] == [5.0, 5.0]
    assert moves[0].extremes().highest_velocity < 0.25


def test_a_held_back_axis_keeps_its_velocities_at_the_ends():
    """Scaling time would scale them too."""
    starts, goals = [State(0.0, 0.5), State(0.0)], [State(0.6, 0.2), State(2.0)]
    moves = together(starts, goals, [Limits(1.0, 2.0, 10.0)] * 2)
    assert moves[0].at(0.0).velocity == 0.5
    assert moves[0].segments[0].start.velocity == 0.5
    assert moves[0].segments[-1].end.velocity == pytest.approx(0.2, abs=1e-12)


@pytest.mark.parametrize(
    ("wanted", "given"),
    [(1.5, 1.5), (2.0, 2.0), (2.02, 2.6055), (2.58, 2.6055), (3.0, 3.0)],
)
def test_a_blocked_duration_is_raised_to_the_next_one(wanted, given):
    """L. Berscheid and T. Kroeger (2021), figure 3, limits completed by us: no motion lasts from 2.0 to 2.6055 s."""
    start, goal, limits = State(-0.75, 1.0), State(0.75, 1.0), Limits(2.0, 1.5, 2.0)
    (move,) = together([start], [goal], [limits], at_least=wanted)
    assert move.duration == pytest.approx(given, abs=5e-4)
    assert verify(move, start, goal, limits) == []


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("jerk_limited", [True, False])
def test_random_axes_pass_the_audit_and_end_at_one_instant(seed, jerk_limited, make_problem):
    source = random.Random(seed)
    for _ in range(100):
        problems = [make_problem(source, True) for _ in range(3)]
        if not jerk_limited:
            problems = [problem._replace(limits=Limits(*limits_without_jerk(problem.limits))) for problem in problems]
        moves = together(*zip(*problems, strict=True))
        assert len({move.duration for move in moves}) == 1
        solve = s_curve if jerk_limited else trapezoid
        assert moves[0].duration >= max(solve(*problem).duration for problem in problems) * (1.0 - 1e-12)
        for move, problem in zip(moves, problems, strict=True):
            assert verify(move, *problem) == [], lines_to_paste(*problem, solver=solve.__name__)


def limits_without_jerk(limits):
    return limits.velocity, limits.acceleration


def test_axes_from_rest_to_rest_never_wait_for_more_than_the_slowest(make_problem):
    source = random.Random(9)
    for _ in range(200):
        problems = [make_problem(source, True) for _ in range(2)]
        problems = [
            problem._replace(start=State(problem.start.position), goal=State(problem.goal.position))
            for problem in problems
        ]
        moves = together(*zip(*problems, strict=True))
        assert moves[0].duration == pytest.approx(max(s_curve(*problem).duration for problem in problems), rel=1e-11)


def test_axes_with_and_without_a_jerk_limit_go_together():
    moves = together([0.0, 0.0], [1.0, 1.0], [Limits(1.0, 2.0, 10.0), Limits(1.0, 2.0)])
    assert moves[0].duration == moves[1].duration
    assert moves[1].duration > trapezoid(0.0, 1.0, Limits(1.0, 2.0)).duration


def test_sequences_of_different_lengths_are_refused():
    with pytest.raises(InvalidInput) as caught:
        together([0.0], [1.0, 2.0], [Limits(1.0, 1.0)])
    assert str(caught.value) == ("The count of starts, goals and limits is (1, 2, 1); it must be the same for each.")
    with pytest.raises(InvalidInput) as caught:
        together([0.0], [1.0], [Limits(1.0, 1.0)], at_least=-1.0)
    assert str(caught.value) == "The least duration is -1.0; it must be 0 s or more."


def test_a_one_way_axis_that_cannot_wait_long_enough_is_refused():
    """It passes its goal at speed, and may neither stop for ever nor come back."""
    moving = Limits((0.0, 1.0), 1.0, 5.0)
    with pytest.raises(ProfileError) as caught:
        together([State(0.0, 1.0)], [State(0.4, 1.0)], [moving], at_least=30.0)
    assert str(caught.value) == (
        "No motion inside the limits leads there: no duration of 30 s or more is accepted by every axis. "
        "Goals at rest would fit, or goals further away."
    )


# Equal steps of constant jerk of the linear programme.
STEPS = 40


def can_last(problem, duration):
    """Whether a linear programme finds jerks, constant in equal steps, that take this long: yes is a proof.

    Limits are asked for at the ends of steps, the velocity's less what it can bulge in between.
    """
    (p0, v0, a0), (p1, v1, _), limits = problem
    dt = duration / STEPS
    bulge = limits.jerk * dt * dt / 8.0
    after = np.tril(np.ones((STEPS, STEPS)))
    times = dt * np.arange(1, STEPS + 1)
    # Each step's jerk, held for dt, seen at the end of step k: a + J dt, v + J dt (t_k - middle of the step), ...
    ages = dt * (np.arange(STEPS)[:, None] - np.arange(STEPS)[None, :] + 0.5)
    to_acceleration, to_velocity = after * dt, after * ages * dt
    to_position = dt * ((duration - times + dt / 2.0) ** 2 / 2.0 + dt * dt / 24.0)
    velocities, accelerations = v0 + a0 * times, np.full(STEPS, a0)
    (vmin, vmax), (amin, amax) = limits.velocity, limits.acceleration
    found = linprog(
        np.zeros(STEPS),
        A_ub=np.vstack([to_velocity, -to_velocity, to_acceleration, -to_acceleration])[:, :],
        b_ub=np.concatenate(
            [vmax - bulge - velocities, velocities - vmin - bulge, amax - accelerations, accelerations - amin]
        ),
        A_eq=np.vstack([to_position, to_velocity[-1], to_acceleration[-1]]),
        b_eq=[p1 - p0 - v0 * duration - a0 * duration**2 / 2.0, v1 - velocities[-1], -a0],
        bounds=(-limits.jerk, limits.jerk),
        method="highs",
    )
    return found.status == 0


def shorter_durations(problems, common):
    """Durations to try: from the slowest axis' own, or where that is the common one from 0.9 times that, upwards."""
    own = max(s_curve(*problem).duration for problem in problems)
    if common > 1.001 * own:
        return True, [own + (0.998 * common - own) * k / 9 for k in range(10)]
    return False, [0.9 * common, 0.995 * common]


def assert_none_shorter(problems):
    """Whether the axes had to wait for a duration that all accept, and whether the programme finds a motion then."""
    common = together(*zip(*problems, strict=True))[0].duration
    waits, durations = shorter_durations(problems, common)
    for duration in durations:
        told = "\n".join(lines_to_paste(*problem) for problem in problems)
        assert not all(can_last(problem, duration) for problem in problems), f"{duration} s for\n{told}"
    return waits, waits and all(can_last(problem, 1.02 * common) for problem in problems)


def test_no_shorter_common_duration_is_found_by_brute_force(make_problem):
    """300 random pairs of axes; of some the slowest axis' own duration is blocked for the other."""
    source = random.Random(12)
    found = [assert_none_shorter([make_problem(source, True) for _ in range(2)]) for _ in range(300)]
    waiting, proved = (sum(column) for column in zip(*found, strict=True))
    assert waiting >= 5
    # The programme does find motions where there are some.
    assert proved >= 0.6 * waiting


@pytest.mark.slow
def test_no_shorter_common_duration_is_found_by_brute_force_where_axes_wait(make_problem):
    """300 of those that have to wait, among some 20,000."""
    source = random.Random(13)
    waiting = proved = 0
    while waiting < 300:
        problems = [make_problem(source, True) for _ in range(2)]
        common = together(*zip(*problems, strict=True))[0].duration
        if common > 1.001 * max(s_curve(*problem).duration for problem in problems):
            waits, can = assert_none_shorter(problems)
            waiting += waits
            proved += can
    assert proved >= 0.5 * waiting


def test_an_axis_lasts_any_duration_that_it_can(make_problem):
    """Single axes asked for random durations: the one given is the next that the linear programme can find, too."""
    source = random.Random(14)
    refused = 0
    for _ in range(400):
        problem = make_problem(source, True)
        asked = s_curve(*problem).duration * source.uniform(1.0, 1.5)
        (move,) = together(*([one] for one in problem), at_least=asked)
        assert verify(move, *problem) == [], lines_to_paste(*problem)
        if move.duration > asked * 1.002:
            refused += 1
            for k in range(4):
                assert not can_last(problem, asked + (0.998 * move.duration - asked) * k / 3), lines_to_paste(*problem)
    assert refused >= 5


def test_between_two_furthest_motions_their_mean_leads_to_the_goal():
    """From 0.5 to 0.2 at a pace between the two: neither is kept for longer, and no limit is used up."""
    start, goal, limits = State(0.0, 0.5), State(0.6, 0.2), Limits(1.0, 2.0, 10.0)
    (move,) = together([start], [goal], [limits], at_least=1.7)
    assert move.duration == 1.7
    assert verify(move, start, goal, limits) == []
    velocities = [part.start.velocity for part in move.segments]
    assert velocities == sorted(velocities, reverse=True)
    assert all(abs(part.jerk) < 10.0 for part in move.segments)
    assert move.segments[-1].end == pytest.approx(goal, abs=1e-12)


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize(("goal", "full"), [(0.62, False), (0.64, True)])
def test_a_lower_velocity_limit_holds_an_axis_back_where_it_can(sign, goal, full):
    """From 0.3, which the acceleration brings to 0.35: kept there until the last moment it gets to 0.63285.

    0.0333 while the acceleration runs out, 1.525834 s at 0.35, 0.0655 while it stops. Further, a velocity limit above
    that is enough, and jerks are full; less far the axis is the mean of that and of its first stop.
    """
    start = State(0.0, 0.3 * sign, 1.0 * sign)
    (move,) = together([start], [goal * sign], [Limits(1.0, 2.0, 10.0)], at_least=2.0)
    assert ({abs(part.jerk) for part in move.segments} <= {0.0, 10.0}) == full
    assert verify(move, start, goal * sign, Limits(1.0, 2.0, 10.0)) == []


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_an_axis_without_a_jerk_limit_is_brought_inside_at_once(sign):
    """From 3 down to the limit of 1 with 4 in half a second, whichever way it goes on."""
    start, ramps = State(0.0, 3.0 * sign), Limits(1.0, 4.0)
    for goal in (4.0, 0.5, -2.0):
        move, _ = together([start, 0.0], [goal * sign, 1.0], [ramps, Limits(0.1, 1.0)])
        assert move.duration > 10.0
        assert move.segments[0] == (0.0, 0.5, State(0.0, 3.0 * sign, -4.0 * sign), 0.0)
        assert verify(move, start, goal * sign, ramps) == []


def test_an_axis_with_its_start_outside_the_limits_is_brought_inside_once(make_problem):
    source = random.Random(15)
    for _ in range(150):
        problems = [make_problem(source, False) for _ in range(2)]
        for move, problem in zip(together(*zip(*problems, strict=True)), problems, strict=True):
            assert verify(move, *problem) == [], lines_to_paste(*problem)
    ramps = Limits(1.0, 2.0)
    move, _ = together([State(0.0, 3.0), 0.0], [State(4.0, 0.5), 5.0], [ramps, ramps])
    assert verify(move, State(0.0, 3.0), State(4.0, 0.5), ramps) == []


def test_what_brings_an_axis_inside_counts_in_the_durations_it_refuses():
    """Moving ends and too high an acceleration at the start, asked for many durations, of which some are blocked."""
    source = random.Random(16)
    raised = 0
    for _ in range(60):
        limits = Limits(2.0, 1.5, 2.0)
        start = State(0.0, source.uniform(-0.2, 0.4), source.uniform(1.6, 2.2))
        goal = State(source.uniform(1.0, 3.0), source.uniform(1.0, 2.0))
        own = s_curve(start, goal, limits).duration
        for k in range(12):
            (move,) = together([start], [goal], [limits], at_least=own * (1.0 + 0.15 * k))
            assert verify(move, start, goal, limits) == [], lines_to_paste(start, goal, limits)
            raised += move.duration > own * (1.001 + 0.15 * k)
    assert raised > 20
