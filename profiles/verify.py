"""An audit of a profile that shares no formula with the solvers: it integrates again and looks at every extremum."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from math import isfinite, ulp
from typing import NamedTuple

from profiles.limits import Limits
from profiles.profile import Profile
from profiles.segment import Segment
from profiles.state import State, checked_state

# Differences this small beside the range of the limits, or the length of the motion, are rounding [1].
_RELATIVE = 1e-9
# Node times carry this many roundings of the duration; multiplied by the rate of change they bound the error of a
# state [1].
_TIME_ROUNDINGS = 8.0


class Violation(NamedTuple):
    """One thing that is wrong with a profile: what, when [s], the value found, and the value allowed or expected."""

    what: str
    time: float
    found: float
    allowed: float

    def __str__(self) -> str:
        return f"At {self.time:.9g} s the {self.what} is {self.found:.12g}; {self.allowed:.12g} is allowed."


class _Tolerances(NamedTuple):
    position: float
    velocity: float
    acceleration: float
    jerk: float


def verify(
    profile: Profile,
    start: State | float,
    goal: State | float,
    limits: Limits,
    allow_prelude: bool = True,
) -> list[Violation]:
    """Everything that is wrong with a profile as an answer to (start, goal, limits); an empty list if nothing is.

    Looked at are: the first and last state, durations that are finite and not negative, continuity of position and
    velocity (and of acceleration under a jerk limit), and the velocity, acceleration and jerk limits at every extremum.
    That the motion is the fastest is not looked at.

    Args:
        profile: The profile to look at.
        start: What it should start from.
        goal: Where it should end.
        limits: What it should keep.
        allow_prelude: Whether a start outside the limits, or bound to leave them, may do so: once, no further than it
            must, and not again after it is back inside.

    Raises:
        InvalidInput: If a number of start or goal is not finite.
    """
    begin, end = checked_state(start, "start"), checked_state(goal, "goal")
    segments = profile.segments
    tolerances = _tolerances(profile, begin, end, limits)
    found = [
        *_ends(profile, segments, begin, end, limits, tolerances),
        *_continuity(segments, limits, tolerances),
    ]
    vmin, vmax = limits.velocity
    amin, amax = limits.acceleration
    lowest_velocity, highest_velocity, lowest_acceleration, highest_acceleration = vmin, vmax, amin, amax
    if allow_prelude:
        if limits.jerk is None:
            run_out = 0.0
        else:
            run_out = begin.acceleration * abs(begin.acceleration) / (2.0 * limits.jerk)
            lowest_acceleration = min(amin, begin.acceleration)
            highest_acceleration = max(amax, begin.acceleration)
        lowest_velocity = min(vmin, begin.velocity, begin.velocity + run_out)
        highest_velocity = max(vmax, begin.velocity, begin.velocity + run_out)
    velocities = list(_velocities(segments))
    accelerations = list(_accelerations(segments))
    v, a = tolerances.velocity, tolerances.acceleration
    found += _excursions("velocity", velocities, vmax + v, highest_velocity + v, 1.0)
    found += _excursions("velocity", velocities, vmin - v, lowest_velocity - v, -1.0)
    found += _excursions("acceleration", accelerations, amax + a, highest_acceleration + a, 1.0)
    found += _excursions("acceleration", accelerations, amin - a, lowest_acceleration - a, -1.0)
    return sorted(found, key=lambda violation: violation.time)


def lines_to_paste(start: State | float, goal: State | float, limits: Limits, solver: str = "s_curve") -> str:
    """The problem as lines of Python that state it again, every digit included.

    Args:
        start: State or position [m or rad].
        goal: State or position [m or rad].
        limits: The limits.
        solver: The name of the function that was asked: "s_curve", "trapezoid", ...

    >>> print(lines_to_paste(0.0, 1.0, Limits(2.0, 6.0)))
    from profiles import Limits, State, s_curve, verify
    start = 0.0
    goal = 1.0
    limits = Limits(velocity=(-2.0, 2.0), acceleration=(-6.0, 6.0), jerk=None)
    profile = s_curve(start, goal, limits)
    print(profile.describe(), *verify(profile, start, goal, limits), sep="\\n")
    """
    return "\n".join(
        (
            f"from profiles import Limits, State, {solver}, verify",
            f"start = {start!r}",
            f"goal = {goal!r}",
            f"limits = {limits!r}",
            f"profile = {solver}(start, goal, limits)",
            'print(profile.describe(), *verify(profile, start, goal, limits), sep="\\n")',
        )
    )


def _tolerances(profile: Profile, start: State, goal: State, limits: Limits) -> _Tolerances:
    (vmin, vmax), (amin, amax) = limits.velocity, limits.acceleration
    jerk = limits.jerk or 0.0
    run_out = 0.0 if limits.jerk is None else 0.5 * start.acceleration**2 / limits.jerk
    speed = max(vmax - vmin, abs(start.velocity) + run_out)
    rate = max(amax - amin, abs(start.acceleration))
    tick = _TIME_ROUNDINGS * ulp(profile.duration) if isfinite(profile.duration) else 0.0
    furthest = max((abs(segment.start.position) for segment in profile.segments), default=0.0)
    length = furthest + abs(goal.position) + speed * min(profile.duration, speed / rate)
    return _Tolerances(
        _RELATIVE * length + tick * speed,
        _RELATIVE * speed + tick * rate,
        _RELATIVE * rate + tick * jerk,
        _RELATIVE * jerk,
    )


def _ends(
    profile: Profile, segments: Sequence[Segment], start: State, goal: State, limits: Limits, tolerances: _Tolerances
) -> Iterator[Violation]:
    if profile.start != start:
        yield Violation("start position", 0.0, profile.start.position, start.position)
    if profile.goal != goal:
        yield Violation("goal position", profile.duration, profile.goal.position, goal.position)
    if not (isfinite(profile.duration) and profile.duration >= 0.0):
        yield Violation("duration", 0.0, profile.duration, 0.0)
    first = segments[0].start if segments else start
    last = _end(segments[-1]) if segments else start
    names = State._fields if limits.jerk is not None else State._fields[:2]
    for k, name in enumerate(names):
        if not abs(first[k] - start[k]) <= tolerances[k]:
            yield Violation(f"{name} of the first piece", 0.0, first[k], start[k])
        if not abs(last[k] - goal[k]) <= tolerances[k]:
            yield Violation(f"{name} after the last piece", profile.duration, last[k], goal[k])


def _continuity(segments: Sequence[Segment], limits: Limits, tolerances: _Tolerances) -> Iterator[Violation]:
    names = State._fields if limits.jerk is not None else State._fields[:2]
    for k, segment in enumerate(segments):
        if not (isfinite(segment.duration) and segment.duration >= 0.0):
            yield Violation("duration of a piece", segment.start_time, segment.duration, 0.0)
        if limits.jerk is not None and not abs(segment.jerk) <= limits.jerk + tolerances.jerk:
            yield Violation("jerk", segment.start_time, segment.jerk, limits.jerk)
        if k > 0:
            before = _end(segments[k - 1])
            for i, name in enumerate(names):
                if not abs(before[i] - segment.start[i]) <= tolerances[i]:
                    yield Violation(f"jump of the {name}", segment.start_time, segment.start[i], before[i])


def _end(segment: Segment) -> State:
    t, j = segment.duration, segment.jerk
    p, v, a = segment.start
    return State(p + v * t + a * t**2 / 2 + j * t**3 / 6, v + a * t + j * t**2 / 2, a + j * t)


def _velocities(segments: Sequence[Segment]) -> Iterator[tuple[float, float]]:
    """(time, velocity) at the ends and the extremum of each piece: between two neighbours the velocity is monotone."""
    for segment in segments:
        yield segment.start_time, segment.start.velocity
        a, j = segment.start.acceleration, segment.jerk
        if a * j < 0.0 and -a / j < segment.duration:
            yield segment.start_time - a / j, segment.start.velocity - a * a / (2 * j)
        yield segment.start_time + segment.duration, _end(segment).velocity


def _accelerations(segments: Sequence[Segment]) -> Iterator[tuple[float, float]]:
    for segment in segments:
        yield segment.start_time, segment.start.acceleration
        yield segment.start_time + segment.duration, _end(segment).acceleration


def _excursions(
    what: str, points: Sequence[tuple[float, float]], limit: float, furthest: float, sign: float
) -> Iterator[Violation]:
    """Points beyond `furthest`, and points beyond `limit` that a prelude does not excuse."""
    may_be_outside = furthest != limit
    was_outside = False
    for time, value in points:
        if not sign * value <= sign * furthest:
            yield Violation(what, time, value, furthest)
        elif sign * value > sign * limit:
            if not may_be_outside:
                yield Violation(what, time, value, limit)
            was_outside = True
        elif was_outside:
            may_be_outside = False
