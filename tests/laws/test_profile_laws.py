"""What holds for every profile whatever the numbers: laws of motion, of symmetry and of optimality."""

from __future__ import annotations

import math
from typing import NamedTuple

import pytest
from hypothesis import assume, given, note, settings
from hypothesis import strategies as st

from profiles import Limits, State, lines_to_paste, s_curve, stop, stop_travel, together, trapezoid, verify

MANY = settings(max_examples=300, deadline=None, derandomize=True)
SOME = settings(max_examples=100, deadline=None, derandomize=True)


class Problem(NamedTuple):
    start: State
    goal: State
    limits: Limits


def fractions():
    """From -1 to 1, with the plain values that make limits just touched likely."""
    plain = st.sampled_from([-1.0, -0.5, 0.0, 0.0, 0.5, 1.0])
    return st.one_of(plain, st.floats(-1.0, 1.0).map(lambda x: round(x, 6)))


def sizes():
    return st.one_of(st.sampled_from([0.25, 0.5, 1.0, 2.0, 4.0]), st.floats(0.1, 8.0).map(lambda x: round(x, 6)))


@st.composite
def limits_strategy(draw, symmetric=False):
    velocity, acceleration = draw(sizes()), draw(sizes())
    if symmetric:
        return Limits(velocity, acceleration, draw(sizes()))
    return Limits((-draw(sizes()), velocity), (-draw(sizes()), acceleration), draw(sizes()))


@st.composite
def problems(draw, inside=True, rest_goal=False):
    limits = draw(limits_strategy())
    (vmin, vmax), (amin, amax) = limits.velocity, limits.acceleration
    factor = 1.0 if inside else 1.7
    velocity, acceleration = draw(fractions()), draw(fractions())
    velocity *= factor * (vmax if velocity > 0.0 else -vmin)
    acceleration *= factor * (amax if acceleration > 0.0 else -amin)
    if inside:
        run_out = acceleration * abs(acceleration) / (2.0 * limits.jerk)
        assume(vmin <= velocity + run_out <= vmax)
    goal_velocity = 0.0 if rest_goal else draw(fractions())
    goal_velocity *= vmax if goal_velocity > 0.0 else -vmin
    start = State(4.0 * draw(fractions()), velocity, acceleration)
    problem = Problem(start, State(4.0 * draw(fractions()), goal_velocity), limits)
    note(lines_to_paste(*problem))  # printed with a failure
    return problem


def mirrored(state):
    return State(-state.position, -state.velocity, -state.acceleration)


def mirrored_limits(limits):
    (vmin, vmax), (amin, amax) = limits.velocity, limits.acceleration
    return Limits((-vmax, -vmin), (-amax, -amin), limits.jerk)


SOLVERS = pytest.mark.parametrize("solve", [s_curve, trapezoid])


@SOLVERS
@MANY
@given(problem=problems(inside=False))
def test_mirror(solve, problem):
    """Turning the axis round turns the motion round."""
    start, goal, limits = problem
    profile = solve(start, goal, limits)
    other = solve(mirrored(start), mirrored(goal), mirrored_limits(limits))
    assert other.duration == profile.duration
    for k in range(9):
        time = profile.duration * k / 8
        assert other.at(time) == pytest.approx(mirrored(profile.at(time)), abs=1e-12)


@SOLVERS
@MANY
@given(a=fractions(), b=fractions(), limits=limits_strategy())
def test_time_reversal(solve, a, b, limits):
    """From rest to rest, the way back is the way there run backwards.

    Running backwards turns velocities round and leaves accelerations as they are, so the velocity limits are mirrored.
    """
    (vmin, vmax) = limits.velocity
    there = solve(4.0 * a, 4.0 * b, limits)
    back = solve(4.0 * b, 4.0 * a, Limits((-vmax, -vmin), limits.acceleration, limits.jerk))
    assert back.duration == pytest.approx(there.duration, rel=1e-12)
    for k in range(9):
        time = there.duration * k / 8
        assert back.at(there.duration - time).position == pytest.approx(there.at(time).position, abs=1e-9)


@SOLVERS
@MANY
@given(problem=problems(inside=False), lengths=st.floats(-4.0, 4.0), times=st.floats(-2.0, 2.0))
def test_unit_scaling(solve, problem, lengths, times):
    """Metres or micrometres, seconds or milliseconds: powers of two here, so that not a digit may differ."""
    length, time = 2.0 ** round(3.3 * lengths), 2.0 ** round(3.3 * times)
    speed, rate = length / time, length / time**2

    def scaled(state):
        return State(state.position * length, state.velocity * speed, state.acceleration * rate)

    (vmin, vmax), (amin, amax) = problem.limits.velocity, problem.limits.acceleration
    limits = Limits((vmin * speed, vmax * speed), (amin * rate, amax * rate), problem.limits.jerk * rate / time)
    profile = solve(*problem)
    other = solve(scaled(problem.start), scaled(problem.goal), limits)
    assert other.duration == profile.duration * time
    assert other.segments == tuple(
        part._replace(
            start_time=part.start_time * time,
            duration=part.duration * time,
            start=scaled(part.start),
            jerk=part.jerk * rate / time,
        )
        for part in profile.segments
    )


@SOLVERS
@MANY
@given(problem=problems(inside=False, rest_goal=True), fraction=st.floats(0.0, 1.0))
def test_restart(solve, problem, fraction):
    """Planned anew from any state on the way, the same goal is reached at the same instant.

    A state on its last phase is on the edge of what leads to the goal without turning: one that is off by the rounding
    r of the positions passed costs up to the time of a move by r from rest to rest, 4 (r / 2J)^(1/3).
    """
    start, goal, limits = problem
    profile = solve(start, goal, limits)
    time = fraction * profile.duration
    rest = solve(profile.at(time), goal, limits)
    found = profile.extremes()
    rounding = 2.0**-52 * max(abs(found.lowest_position), abs(found.highest_position))
    edge = 0.0 if limits.jerk is None else 4.0 * (rounding / (2.0 * limits.jerk)) ** (1.0 / 3.0)
    assert time + rest.duration == pytest.approx(profile.duration, abs=1e-6 + edge)


@MANY
@given(problem=problems(inside=False), fraction=st.floats(0.0, 1.0))
def test_restart_to_a_moving_goal(problem, fraction):
    """A needless detour to a moving goal would cost seconds, and so would one taken for a rounding."""
    start, goal, limits = problem
    profile = s_curve(start, goal, limits)
    time = fraction * profile.duration
    rest = s_curve(profile.at(time), goal, limits)
    assert time + rest.duration == pytest.approx(profile.duration, abs=1e-6)


@SOLVERS
@MANY
@given(problem=problems(inside=False))
def test_continuity_of_samples(solve, problem):
    """Neighbouring samples differ by no more than the highest velocity and acceleration allow, at nodes too."""
    profile = solve(*problem)
    found = profile.extremes()
    fastest = max(found.highest_velocity, -found.lowest_velocity)
    hardest = max(found.highest_acceleration, -found.lowest_acceleration)
    size = 1.0 + max(map(abs, found))
    for node in [part.start_time for part in profile.segments[1:]] + [profile.duration]:
        before, after = profile.at(math.nextafter(node, 0.0)), profile.at(node)
        assert before[:2] == pytest.approx(after[:2], abs=1e-11 * size)
        assert solve is trapezoid or before.acceleration == pytest.approx(after.acceleration, abs=1e-7 * size)
    step = profile.duration / 64
    for k in range(65):
        here, there = profile.at(k * step), profile.at((k + 1) * step)
        assert abs(there.position - here.position) <= fastest * step + 1e-9
        if solve is s_curve:
            assert abs(there.velocity - here.velocity) <= hardest * step + 1e-9
            assert abs(there.acceleration - here.acceleration) <= problem.limits.jerk * step + 1e-6


@SOLVERS
@MANY
@given(problem=problems(inside=False))
def test_area_under_the_speed_is_the_distance(solve, problem):
    """Simpson's rule is exact on a piece whose velocity is a quadratic of time."""
    start, goal, limits = problem
    profile = solve(start, goal, limits)
    area = 0.0
    for part in profile.segments:
        middle = part.state_after(0.5 * part.duration).velocity
        area += part.duration * (part.start.velocity + 4.0 * middle + part.end.velocity) / 6.0
    size = sum(part.duration * abs(part.start.velocity) for part in profile.segments)
    assert area == pytest.approx(goal.position - start.position, abs=1e-9 * (1.0 + size))


@MANY
@given(problem=problems(inside=False))
def test_the_audit_finds_nothing(problem):
    profile = s_curve(*problem)
    assert verify(profile, *problem) == [], lines_to_paste(*problem)


@MANY
@given(problem=problems(inside=False))
def test_a_stop_stays_within_its_stop_travel(problem):
    start, _, limits = problem
    travel = stop_travel(start.velocity, start.acceleration, limits)
    profile = stop(start, limits)
    for k in range(33):
        gone = profile.at(profile.duration * k / 32).position - start.position
        assert travel.low - 1e-9 <= gone <= travel.high + 1e-9


@MANY
@given(problem=problems(inside=False), fraction=st.floats(0.0, 1.0))
def test_the_stopping_set_only_shrinks_while_stopping(problem, fraction):
    """What a supervisor has found free stays enough for every later tick of the stop."""
    start, _, limits = problem
    whole = stop_travel(start.velocity, start.acceleration, limits)
    profile = stop(start, limits)
    later = profile.at(fraction * profile.duration)
    left = stop_travel(later.velocity, later.acceleration, limits)
    gone = later.position - start.position
    size = 1e-9 * (1.0 + whole.high - whole.low)
    assert whole.low - size <= gone + left.low
    assert gone + left.high <= whole.high + size


@MANY
@given(problem=problems(), share=st.floats(0.2, 1.0))
def test_a_surer_deceleration_never_needs_more_room(problem, share):
    """From a start without acceleration; what still accelerates is run out at the jerk limit whatever the brakes."""
    start, _, limits = problem
    (amin, amax), velocity = limits.acceleration, start.velocity
    weaker = limits.slower(acceleration=(share * amin, share * amax))
    planned, sure = stop_travel(velocity, 0.0, limits), stop_travel(velocity, 0.0, weaker)
    assert sure.low <= planned.low + 1e-12
    assert sure.high >= planned.high - 1e-12


@SOLVERS
@MANY
@given(
    a=fractions(),
    b=fractions(),
    limits=limits_strategy(),
    changes=st.lists(st.tuples(st.floats(0.0, 1.0), st.floats(0.0, 1.0), st.booleans()), min_size=1, max_size=6),
)
def test_interrupted_and_planned_anew_it_stays_between_start_and_goal(solve, a, b, limits, changes):
    """However often it is stopped, and sent to any place between the two, before it has come to rest."""
    if solve is trapezoid:
        limits = Limits(limits.velocity, limits.acceleration)
    low, high = 4.0 * min(a, b), 4.0 * max(a, b)
    profile = solve(4.0 * a, 4.0 * b, limits)
    for share, place, stopped in changes:
        time = share * profile.duration
        state = profile.at(time)
        way = profile.position_range(0.0, time)
        assert low - 1e-9 <= way.lowest
        assert way.highest <= high + 1e-9
        profile = stop(state, limits) if stopped else solve(state, low + place * (high - low), limits)
    found = profile.extremes()
    assert low - 1e-9 <= found.lowest_position
    assert found.highest_position <= high + 1e-9


@MANY
@given(problem=problems())
def test_no_stop_is_shorter(problem):
    """Coming to rest at a place of one's choice takes at least as long as coming to rest anywhere."""
    start, goal, limits = problem
    fastest = stop(start, limits)
    assert s_curve(start, goal.position, limits).duration >= fastest.duration * (1.0 - 1e-9)
    assert s_curve(start, fastest.goal, limits).duration == pytest.approx(fastest.duration, abs=1e-6)


@SOLVERS
@MANY
@given(a=fractions(), b=fractions(), limits=limits_strategy())
def test_from_rest_to_rest_nothing_outside_start_and_goal_is_visited(solve, a, b, limits):
    profile = solve(4.0 * a, 4.0 * b, limits)
    found = profile.extremes()
    assert found.lowest_position >= 4.0 * min(a, b) - 1e-9
    assert found.highest_position <= 4.0 * max(a, b) + 1e-9


@SOLVERS
@MANY
@given(problem=problems(), factors=st.tuples(*[st.floats(1.0, 3.0)] * 5))
def test_wider_limits_never_take_longer(solve, problem, factors):
    """From inside the limits; what is outside is brought back first, harder under wider limits, and ends elsewhere."""
    start, goal, limits = problem
    (vmin, vmax), (amin, amax) = limits.velocity, limits.acceleration
    duration = solve(start, goal, limits).duration
    for k in range(5):
        one = [factors[k] if k == i else 1.0 for i in range(5)]
        wider = Limits((vmin * one[0], vmax * one[1]), (amin * one[2], amax * one[3]), limits.jerk * one[4])
        assert solve(start, goal, wider).duration <= duration + 1e-6, lines_to_paste(start, goal, wider)


@MANY
@given(problem=problems())
def test_the_motion_without_a_jerk_limit_is_a_lower_bound(problem):
    start, goal, limits = problem
    assert trapezoid(start, goal, limits).duration <= s_curve(start, goal, limits).duration + 1e-9


@MANY
@given(problem=problems(), middle=fractions(), speed=fractions(), share=st.floats(0.1, 0.9))
def test_no_detour_is_faster(problem, middle, speed, share):
    """The triangle inequality of time: by way of any state it takes at least as long."""
    start, goal, limits = problem
    vmin, vmax = limits.velocity
    by_way = State(4.0 * middle, speed * share * (vmax if speed > 0.0 else -vmin))
    detour = s_curve(start, by_way, limits).duration + s_curve(by_way, goal, limits).duration
    assert s_curve(start, goal, limits).duration <= detour + 1e-6, lines_to_paste(*problem)


@MANY
@given(problem=problems(inside=False), position=fractions())
def test_the_first_time_at_a_place_is_the_first(problem, position):
    profile = s_curve(*problem)
    place = 4.0 * position
    time = profile.first_time_at(place)
    found = profile.extremes()
    if time is None:
        assert not found.lowest_position <= place <= found.highest_position
        return
    assert profile.at(time).position == pytest.approx(place, abs=1e-8 * (1.0 + math.fabs(found.highest_position)))
    earlier = profile.position_range(0.0, max(time - 1e-6, 0.0))
    assert not earlier.lowest + 1e-9 < place < earlier.highest - 1e-9 or time < 2e-6


@SOME
@given(axes=st.lists(problems(inside=False), min_size=1, max_size=3), least=st.floats(0.0, 10.0))
def test_together_they_keep_their_limits_and_end_at_one_instant(axes, least):
    starts, goals, limits = zip(*axes, strict=True)
    moves = together(starts, goals, limits, at_least=least)
    durations = {move.duration for move in moves}
    assert len(durations) == 1
    assert durations.pop() >= max(least, *(s_curve(*axis).duration for axis in axes)) * (1.0 - 1e-12)
    for move, axis in zip(moves, axes, strict=True):
        assert verify(move, *axis) == [], lines_to_paste(*axis)


@SOME
@given(axes=st.lists(problems(), min_size=2, max_size=3))
def test_together_the_order_of_axes_and_their_direction_do_not_matter(axes):
    duration = together(*zip(*axes, strict=True))[0].duration
    turned = [(mirrored(start), mirrored(goal), mirrored_limits(limits)) for start, goal, limits in reversed(axes)]
    assert together(*zip(*turned, strict=True))[0].duration == pytest.approx(duration, rel=1e-9)


@SOME
@given(axes=st.lists(problems(), min_size=2, max_size=3))
def test_together_with_one_more_axis_never_takes_less(axes):
    fewer, more = together(*zip(*axes[1:], strict=True)), together(*zip(*axes, strict=True))
    assert more[0].duration >= fewer[0].duration * (1.0 - 1e-9)
