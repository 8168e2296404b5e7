"""The fastest motion under limits of velocity and acceleration alone: a trapezoid of velocity, or a triangle."""

from __future__ import annotations

from math import sqrt

from profiles.errors import GoalAcceleration, GoalOutsideLimits, Infeasible
from profiles.limits import Limits
from profiles.profile import Profile, profile_of_accelerations
from profiles.state import State, checked_state

# A distance this small beside that of the direct velocity step counts as none [1].
RELATIVE = 1e-13
# The rounding of a difference of two positions, relative to them [1].
POSITION_ROUNDING = 2e-15
# A state met on the way carries the rounding of the motion so far, and a false detour costs a moving goal seconds [1].
POSITION_ROUNDING_ON_THE_WAY = 1e-13


def trapezoid(start: State | float, goal: State | float, limits: Limits) -> Profile:
    """The fastest motion from any position and velocity to any position and velocity; acceleration may jump.

    The jerk limit is ignored, and so is the acceleration at the start: the first piece begins with the acceleration
    it needs. A start velocity outside the limits is first brought to the nearer limit. After the end the profile holds
    its goal exactly. Planned anew from `profile.at(t)`, the commanded state, the same goal is reached at the same
    instant. The peak velocity vp of a motion that needs no cruise follows from d = (vp^2 - v0^2)/(2u) +
    (vp^2 - v1^2)/(2w) with up-rate u and down-rate w.

    Args:
        start: State, or the position [m or rad] at rest.
        goal: State with acceleration 0, or the position [m or rad] at rest.
        limits: Velocity and acceleration limits count.

    Raises:
        InvalidInput: If a number is not finite.
        GoalOutsideLimits: If the goal velocity is outside the velocity limits.
        GoalAcceleration: If the goal has an acceleration.
        Infeasible: If the axis may move one way only and the goal lies the other way.

    >>> trapezoid(0.0, 200.0, Limits(200.0, 500.0)).duration
    1.4
    """
    begin, end = checked_state(start, "start"), checked_goal(goal, limits)
    vmin, vmax = limits.velocity
    amin, amax = limits.acceleration
    v0, v1 = begin.velocity, end.velocity
    distance = end.position - begin.position
    phases: list[tuple[float, float]] = []
    if not vmin <= v0 <= vmax:
        limit = min(max(v0, vmin), vmax)
        braking = amin if v0 > limit else amax
        duration = (limit - v0) / braking
        phases.append((duration, braking))
        distance -= 0.5 * (v0 + limit) * duration
        v0 = limit
    direct = amax if v1 >= v0 else amin
    step_duration = (v1 - v0) / direct
    step_distance = 0.5 * (v0 + v1) * step_duration
    at_rest = v0 == 0.0 and v1 == 0.0
    rounding = (POSITION_ROUNDING if at_rest else POSITION_ROUNDING_ON_THE_WAY) * (abs(begin[0]) + abs(end[0]))
    rounding += RELATIVE * (abs(v0) + abs(v1)) * step_duration
    excess = distance - step_distance
    if abs(excess) <= rounding:
        phases.append((step_duration, direct))
    elif excess > 0.0:
        phases += _upwards(distance, v0, v1, vmax, amax, -amin, rounding, 1.0)
    else:
        phases += _upwards(-distance, -v0, -v1, -vmin, -amin, amax, rounding, -1.0)
    return profile_of_accelerations(begin, end, phases)


def checked_goal(goal: State | float, limits: Limits) -> State:
    """The goal as a State that some motion inside the limits can end in.

    Raises:
        InvalidInput: If a number is not finite.
        GoalOutsideLimits: If its velocity is, or must have been or become, outside the velocity limits.
        GoalAcceleration: If it has an acceleration.
    """
    end = checked_state(goal, "goal")
    vmin, vmax = limits.velocity
    _, velocity, acceleration = end
    if not vmin <= velocity <= vmax:
        raise GoalOutsideLimits(velocity, vmin, vmax)
    if acceleration != 0.0:
        if limits.jerk is not None:
            # An acceleration cannot begin at once: a falling velocity must have been higher, a rising one lower.
            before = velocity - 0.5 * acceleration * abs(acceleration) / limits.jerk
            if not vmin <= before <= vmax:
                reason = f"with acceleration {acceleration:.9g} it must have been {before:.9g} before"
                raise GoalOutsideLimits(velocity, vmin, vmax, reason, "A goal without acceleration")
        raise GoalAcceleration(acceleration)
    return end


def _upwards(
    distance: float, v0: float, v1: float, vmax: float, up: float, down: float, rounding: float, sign: float
) -> list[tuple[float, float]]:
    peak = sqrt(max((2.0 * up * down * distance + down * v0 * v0 + up * v1 * v1) / (up + down), 0.0))
    cruise = 0.0
    if peak > vmax:
        left = distance - (vmax * vmax - v0 * v0) / (2.0 * up) - (vmax * vmax - v1 * v1) / (2.0 * down)
        if vmax > 0.0:
            cruise = left / vmax
        elif left > rounding:
            raise one_way_only(sign, left)
        peak = vmax
    return [((peak - v0) / up, sign * up), (cruise, 0.0), ((peak - v1) / down, -sign * down)]


def one_way_only(sign: float, missing: float) -> Infeasible:
    """The error for an axis whose velocity limit is 0 in the direction it would have to move."""
    side = "highest" if sign > 0.0 else "lowest"
    towards, away = ("upwards", "down") if sign > 0.0 else ("downwards", "up")
    return Infeasible(
        f"the {side} velocity allowed is 0 and the axis would have to move {missing:.6g} {towards}",
        f"A goal {missing:.6g} further {away}, or a velocity limit that allows moving {towards}, would fit.",
    )
