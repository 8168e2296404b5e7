"""Several axes that leave and arrive at the same instants."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from math import inf, isfinite
from typing import NamedTuple

from profiles.errors import Infeasible, InvalidInput
from profiles.limits import Limits
from profiles.profile import Profile, profile_of_accelerations, profile_of_jerks
from profiles.roots import root_between
from profiles.scurve import s_curve
from profiles.segment import Segment
from profiles.state import State
from profiles.stopping import Phase, velocity_step
from profiles.trapezoid import trapezoid

# Durations that differ by no more than this, relative to them, are the same [1].
_SAME_DURATION = 1e-12
# A duration found as the edge of what an axis accepts is lengthened by this, so that rounding does not leave it
# outside [1].
_INSIDE_THE_EDGE = 1e-11
# So many times a duration is raised before giving up; each axis has few blocked intervals.
_RAISES = 50
# Halvings of a bracket of durations.
_HALVINGS = 60
# Narrowings, by a third each, of the bracket of a flat maximum: its height is then exact to about 1e-10.
_THIRDS = 30


def together(
    starts: Sequence[State | float],
    goals: Sequence[State | float],
    limits: Sequence[Limits],
    at_least: float = 0.0,
) -> tuple[Profile, ...]:
    """One profile for each axis, all of the same duration: that of the slowest axis, or `at_least`.

    A faster axis is held back by a lower cruise velocity: a velocity step to it, the cruise, and a velocity step to
    the goal velocity. An axis that is moving, or shall be at the end, cannot take just any time: the duration is
    raised to the next one that every axis accepts. Time is never scaled, since that would scale the velocities at
    the ends too. Of random problems with moving ends one or two in a thousand have a shorter common duration, by up to
    a quarter, which this family of motions does not contain.

    Args:
        starts: State of each axis, or its position [m or rad] at rest.
        goals: State of each axis with acceleration 0, or its position [m or rad] at rest.
        limits: Limits of each axis; those with a jerk limit get S-curves, the others trapezoids.
        at_least: A duration [s] that is not gone below.

    Raises:
        InvalidInput: If the sequences differ in length, or a number is not finite.
        Infeasible: If there is no duration that every axis accepts.
        ProfileError: As s_curve and trapezoid do for each axis.

    >>> moves = together([0.0, 0.0], [1.0, -0.2], [Limits(1.0, 2.0, 10.0), Limits(2.0, 4.0, 20.0)])
    >>> [round(move.duration, 9) for move in moves]
    [1.7, 1.7]
    """
    if not len(starts) == len(goals) == len(limits):
        raise InvalidInput(
            "count of starts, goals and limits", (len(starts), len(goals), len(limits)), "the same for each"
        )
    if not (isfinite(at_least) and at_least >= 0.0):
        raise InvalidInput("least duration", at_least, "0 s or more")
    axes = [_axis(start, goal, of) for start, goal, of in zip(starts, goals, limits, strict=True)]
    duration = max([at_least, *(axis.fastest.duration for axis in axes)])
    for _ in range(_RAISES):
        raised = max([duration, *(axis.next_duration(duration) for axis in axes)])
        if raised == duration:
            return tuple(axis.lasting(duration) for axis in axes)
        if raised == inf:
            break
        duration = raised
    raise Infeasible(
        f"no duration of {duration:.6g} s or more is accepted by every axis",
        "Goals at rest would fit, or goals further away.",
    )


class _Ramps(NamedTuple):
    """The ramp from the start to a cruise velocity, and the ramp from there to the goal velocity."""

    first: list[Phase]
    last: list[Phase]
    duration: float
    distance: float


class _Span(NamedTuple):
    """Cruise velocities between which both ramps fit into the duration."""

    low: float
    high: float


class _Axis(NamedTuple):
    """One axis and what it takes to hold it back.

    Between the two ends one ramp speeds up and the other slows down; beyond them both do the same. The ends are the
    goal velocity and the velocity that is reached when the acceleration at the start is run out. `longest` lies
    between them: there the ramps take the longest, since the duration of each is concave in the cruise velocity.
    """

    start: State
    goal: State
    limits: Limits
    fastest: Profile
    slower_end: float
    faster_end: float
    longest: float

    def lasting(self, duration: float) -> Profile:
        """The profile of exactly this duration, which must be one that the axis accepts."""
        if self._is_fastest(duration):
            return _lasting(self.fastest, duration)
        if self.start == self.goal and self.start.velocity == 0.0:
            return Profile(self.start, self.goal, [(0.0, self.start.position, 0.0, 0.0, 0.0)], duration)
        cruise = self._cruise_velocity(duration)
        if cruise is None:
            gentler = self._gentler(duration)
            assert gentler is not None, "the duration was accepted"
            return _lasting(gentler, duration)
        ramps = _ramps(self, cruise)
        phases = [*ramps.first, (max(duration - ramps.duration, 0.0), 0.0), *ramps.last]
        make = profile_of_accelerations if self.limits.jerk is None else profile_of_jerks
        return _lasting(make(self.start, self.goal, phases), duration)

    def next_duration(self, duration: float) -> float:
        """The shortest acceptable duration [s] that is not below this one; infinite if there is none."""
        if (
            self._is_fastest(duration)
            or self._cruise_velocity(duration) is not None
            or self._gentler(duration) is not None
        ):
            return duration
        spans = self._spans(duration)
        if not spans:
            edge = min(_ramps(self, end).duration for end in (self.slower_end, self.faster_end))
        elif self._wanted < self._distance(spans[0].low, duration):
            edge = self._edge(spans[0].low, self.limits.velocity[0])
        elif self._wanted > self._distance(spans[-1].high, duration):
            edge = self._edge(spans[-1].high, self.limits.velocity[1])
        else:
            edge = self._end_of_gap(duration)
        return max(edge, duration) * (1.0 + _INSIDE_THE_EDGE)

    @property
    def _wanted(self) -> float:
        return self.goal.position - self.start.position

    def _is_fastest(self, duration: float) -> bool:
        return abs(duration - self.fastest.duration) <= _SAME_DURATION * duration

    def _edge(self, nearest: float, limit: float) -> float:
        """The duration at which the slowest or furthest motion reaches the goal: without a cruise, or at the limit."""

        def missing(velocity: float) -> float:
            return _ramps(self, velocity).distance - self._wanted

        if (missing(limit) > 0.0) != (missing(nearest) > 0.0):
            return _ramps(self, root_between(missing, nearest, limit)).duration
        if limit == 0.0:
            return inf
        return _ramps(self, limit).duration - missing(limit) / limit

    def _end_of_gap(self, duration: float) -> float:
        """The duration from which on the goal is no longer between those of the slow and of the fast cruises."""
        low, high = duration, _ramps(self, self.longest).duration
        for _ in range(_HALVINGS):
            middle = 0.5 * (low + high)
            if self._cruise_velocity(middle) is None:
                low = middle
            else:
                high = middle
        return high

    def _cruise_velocity(self, duration: float) -> float | None:
        for low, high in self._spans(duration):
            if self._distance(low, duration) <= self._wanted <= self._distance(high, duration):
                return root_between(lambda velocity: self._distance(velocity, duration) - self._wanted, low, high)
        return None

    def _gentler(self, duration: float) -> Profile | None:
        """The fastest motion under a lower jerk limit that happens to last this long.

        It serves where the acceleration at the start does not run out before the goal: there is no cruise velocity
        then.
        """
        velocity, acceleration, jerk = self.start.velocity, self.start.acceleration, self.limits.jerk
        if jerk is None or acceleration == 0.0:
            return None
        vmin, vmax = self.limits.velocity
        room = (vmax - velocity if acceleration > 0.0 else velocity - vmin) - 1e-9 * (vmax - vmin)
        if room <= 0.0:
            return None
        low, high = 0.5 * acceleration * acceleration / room, jerk
        for _ in range(_HALVINGS):
            middle = 0.5 * (low + high)
            if not low < middle < high:
                break
            profile = s_curve(self.start, self.goal, self.limits.slower(jerk=middle))
            if abs(profile.duration - duration) <= _SAME_DURATION * duration:
                return profile
            if profile.duration > duration:
                low = middle
            else:
                high = middle
        return None

    def _spans(self, duration: float) -> list[_Span]:
        def spare(velocity: float) -> float:
            return duration - _ramps(self, velocity).duration

        vmin, vmax = self.limits.velocity
        low = _last_that_fits(spare, self.slower_end, vmin)
        high = _last_that_fits(spare, self.faster_end, vmax)
        if spare(self.longest) >= 0.0:
            return [_Span(self.longest if low is None else low, self.longest if high is None else high)]
        spans = []
        if low is not None:
            up = _last_that_fits(spare, self.slower_end, self.longest)
            spans.append(_Span(low, self.slower_end if up is None else up))
        if high is not None:
            down = _last_that_fits(spare, self.faster_end, self.longest)
            spans.append(_Span(self.faster_end if down is None else down, high))
        return spans

    def _distance(self, cruise: float, duration: float) -> float:
        """How far the axis gets with this cruise velocity; it grows with it, since both ramps end and begin there."""
        ramps = _ramps(self, cruise)
        return ramps.distance + cruise * (duration - ramps.duration)


def _lasting(profile: Profile, duration: float) -> Profile:
    """The profile with the last digits of its duration made equal to those of the others."""
    return profile if profile.duration == duration else profile.lasting(duration)


def _axis(start: State | float, goal: State | float, limits: Limits) -> _Axis:
    fastest = trapezoid(start, goal, limits) if limits.jerk is None else s_curve(start, goal, limits)
    begin, end = fastest.start, fastest.goal
    coasting = begin.velocity
    if limits.jerk is not None:
        coasting += 0.5 * begin.acceleration * abs(begin.acceleration) / limits.jerk
    vmin, vmax = limits.velocity
    coasting = min(max(coasting, vmin), vmax)
    axis = _Axis(begin, end, limits, fastest, min(coasting, end.velocity), max(coasting, end.velocity), end.velocity)
    return axis._replace(longest=_longest_ramps(axis))


def _longest_ramps(axis: _Axis) -> float:
    low, high = axis.slower_end, axis.faster_end
    for _ in range(_THIRDS):
        third = (high - low) / 3.0
        if not low < low + third < high:
            break
        if _ramps(axis, low + third).duration < _ramps(axis, high - third).duration:
            low += third
        else:
            high -= third
    return 0.5 * (low + high)


def _ramps(axis: _Axis, cruise: float) -> _Ramps:
    (_, v0, a0), v1 = axis.start, axis.goal.velocity
    amin, amax = axis.limits.acceleration
    jerk = axis.limits.jerk
    if jerk is None:
        first = [((cruise - v0) / (amax if cruise >= v0 else amin), amax if cruise >= v0 else amin)]
        last = [((v1 - cruise) / (amax if v1 >= cruise else amin), amax if v1 >= cruise else amin)]
        distance = 0.5 * ((v0 + cruise) * first[0][0] + (cruise + v1) * last[0][0])
        return _Ramps(first, last, first[0][0] + last[0][0], distance)
    first = velocity_step(v0, a0, cruise, amin, amax, jerk)
    last = velocity_step(cruise, 0.0, v1, amin, amax, jerk)
    state = State(0.0, v0, a0)
    duration = 0.0
    for time, signed in first:
        state = Segment(0.0, time, state, signed).end
        duration += time
    # The second ramp begins and ends without acceleration: it is symmetric and moves at its mean velocity.
    after = sum([time for time, _ in last])
    return _Ramps(first, last, duration + after, state.position + 0.5 * (cruise + v1) * after)


def _last_that_fits(spare: Callable[[float], float], inside: float, outside: float) -> float | None:
    """The velocity furthest from `inside` towards `outside` with time to spare; None if `inside` has none."""
    if spare(inside) < 0.0:
        return None
    if spare(outside) >= 0.0:
        return outside
    return root_between(spare, inside, outside)
