"""Several axes that leave and arrive at the same instants."""

from __future__ import annotations

from collections.abc import Sequence
from math import inf, isfinite
from typing import NamedTuple

from profiles.errors import Infeasible, InvalidInput
from profiles.limits import Limits
from profiles.profile import Piece, Profile, profile_of_accelerations, profile_of_jerks
from profiles.reach import CurveReach, RampReach, Reach
from profiles.roots import root_between
from profiles.scurve import s_curve
from profiles.segment import Segment
from profiles.state import State
from profiles.stopping import Phase
from profiles.trapezoid import trapezoid

# Durations that differ by no more than this, relative to them, are the same [1].
_SAME_DURATION = 1e-12
# Nodes of two motions nearer to each other than this, relative to the duration, are one [1].
_SAME_NODE = 1e-14
# So many times a duration is raised before giving up; each axis has two blocked intervals in each direction at most.
_RAISES = 50


def together(
    starts: Sequence[State | float],
    goals: Sequence[State | float],
    limits: Sequence[Limits],
    at_least: float = 0.0,
) -> tuple[Profile, ...]:
    """One profile for each axis, all of the same duration: that of the slowest axis, or `at_least`.

    The common duration is the shortest that there is. An axis that is moving, or shall be at the end, cannot take
    just any time: the duration is raised to the next one that every axis accepts. A faster axis is held back by a
    lower velocity limit. Between the motions held to the least such limits, upwards and downwards, their mean with
    suitable weights leads to the goal: limits are convex, so a mean of two motions keeps them. Time is never scaled,
    since that would scale the velocities at the ends too.

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


class _Axis(NamedTuple):
    """One axis and how far it gets in a given time, after a prelude that brings its start back inside the limits."""

    limits: Limits
    fastest: Profile
    prelude: list[Phase]
    prelude_duration: float
    distance: float
    upwards: Reach
    downwards: Reach
    slowest_up: float
    slowest_down: float

    def next_duration(self, duration: float) -> float:
        """The shortest acceptable duration [s] that is not below this one; infinite if there is none."""
        if self._is_fastest(duration):
            return duration
        left = self.upwards.earliest(duration - self.prelude_duration, self.distance)
        if left < inf:
            left = self.downwards.earliest(left, -self.distance)
        return max(duration, left + self.prelude_duration)

    def lasting(self, duration: float) -> Profile:
        """The profile of exactly this duration, which must be one that the axis accepts."""
        if self._is_fastest(duration):
            return _lasting(self.fastest, duration)
        left, distance = duration - self.prelude_duration, self.distance
        above = self.upwards.furthest(left, self.slowest_up)
        beyond = self.upwards.travel(above) - distance
        if beyond < 0.0:
            above = _held_back(self.upwards, left, distance, self.slowest_up)
        if beyond <= 0.0:
            return _lasting(self._profile(above, 0.0), duration)
        below = self.downwards.furthest(left, self.slowest_down)
        short = self.downwards.travel(below) + distance
        if short < 0.0:
            below = _held_back(self.downwards, left, -distance, self.slowest_down)
        if short <= 0.0:
            return _lasting(self._profile(_mirrored(below), 0.0), duration)
        mean = _mean(self._profile(above, beyond), self._profile(_mirrored(below), -short), short / (beyond + short))
        return _lasting(Profile(self.fastest.start, self.fastest.goal, mean, left + self.prelude_duration), duration)

    def _is_fastest(self, duration: float) -> bool:
        return abs(duration - self.fastest.duration) <= _SAME_DURATION * duration

    def _profile(self, phases: list[Phase], beyond: float) -> Profile:
        """The prelude and then the phases, which end `beyond` [m or rad] the goal."""
        start, goal = self.fastest.start, self.fastest.goal
        make = profile_of_accelerations if self.limits.jerk is None else profile_of_jerks
        return make(start, goal._replace(position=goal.position + beyond), [*self.prelude, *phases])


def _axis(start: State | float, goal: State | float, limits: Limits) -> _Axis:
    fastest = trapezoid(start, goal, limits) if limits.jerk is None else s_curve(start, goal, limits)
    _, v0, a0 = fastest.start
    v1 = fastest.goal.velocity
    (vmin, vmax), (amin, amax) = limits.velocity, limits.acceleration
    jerk = limits.jerk
    distance = fastest.goal.position - fastest.start.position
    prelude: list[Phase] = []
    upwards: Reach
    downwards: Reach
    if jerk is None:
        entry = min(max(v0, vmin), vmax)
        if entry != v0:
            braking = amin if v0 > entry else amax
            prelude = [((entry - v0) / braking, braking)]
            distance -= 0.5 * (v0 + entry) * prelude[0][0]
        upwards = RampReach(entry, v1, vmax, amax, -amin)
        downwards = RampReach(-entry, -v1, -vmin, -amin, amax)
        coasting = entry
    else:
        inside = min(max(a0, amin), amax)
        if inside != a0:
            signed = -jerk if a0 > inside else jerk
            duration = (inside - a0) / signed
            prelude = [(duration, signed)]
            distance -= duration * (v0 + duration * (0.5 * a0 + signed * duration * (1.0 / 6.0)))
            v0 += 0.5 * duration * (a0 + inside)
        upwards = CurveReach(v0, v1, vmax, amax, -amin, inside, jerk)
        downwards = CurveReach(-v0, -v1, -vmin, -amin, amax, -inside, jerk)
        coasting = v0 + 0.5 * inside * abs(inside) / jerk
    slowest_up = min(max(coasting, v1), vmax)
    slowest_down = min(max(-coasting, -v1), -vmin)
    lost = sum(duration for duration, _ in prelude)
    return _Axis(limits, fastest, prelude, lost, distance, upwards, downwards, slowest_up, slowest_down)


def _held_back(reach: Reach, duration: float, distance: float, slowest: float) -> list[Phase]:
    """The phases under the velocity limit that makes the furthest motion of this duration end at the distance."""

    def missing(highest: float) -> float:
        return distance - reach.travel(reach.furthest(duration, highest))

    if slowest >= reach.fastest or missing(reach.fastest) >= 0.0:
        return reach.furthest(duration, reach.fastest)
    return reach.furthest(duration, root_between(missing, slowest, reach.fastest))


def _mirrored(phases: list[Phase]) -> list[Phase]:
    return [(duration, 0.0 - rate) for duration, rate in phases]


def _mean(one: Profile, other: Profile, weight: float) -> list[Piece]:
    """The pieces of the motion that is at every instant `weight` times the one and 1 - `weight` times the other."""

    def mean(first: float, second: float) -> float:
        return weight * first + (1.0 - weight) * second

    duration = one.duration
    nodes = sorted({segment.start_time for profile in (one, other) for segment in profile.segments})
    pieces: list[Piece] = []
    for node in nodes:
        # Nodes that should coincide differ by a rounding; the later one knows of both changes.
        if pieces and node - pieces[-1][0] <= _SAME_NODE * duration:
            pieces.pop()
        if duration - node > _SAME_NODE * duration:
            here, there = _piece_from(one, node), _piece_from(other, node)
            p, v, a = map(mean, here.start, there.start)
            pieces.append((node, p, v, a, mean(here.jerk, there.jerk)))
    return pieces


def _piece_from(profile: Profile, time: float) -> Segment:
    """What is left of a piece of the profile from this time on; at its very start the piece that then begins."""
    whole = next(segment for segment in reversed(profile.segments) if segment.start_time <= time)
    elapsed = time - whole.start_time
    return Segment(time, whole.duration - elapsed, whole.state_after(elapsed), whole.jerk)


def _lasting(profile: Profile, duration: float) -> Profile:
    """The profile with the last digits of its duration made equal to those of the others."""
    return profile if profile.duration == duration else profile.lasting(duration)
