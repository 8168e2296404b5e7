"""Changing the velocity as fast as the limits allow, and how far an axis travels while it comes to rest."""

from __future__ import annotations

from math import ceil, isfinite, sqrt
from typing import NamedTuple

from profiles.errors import InvalidInput
from profiles.limits import Limits
from profiles.profile import Profile, profile_of_accelerations, profile_of_jerks
from profiles.segment import Segment
from profiles.state import State, checked_state

Phase = tuple[float, float]

_new_travel = tuple.__new__  # in half the time; a supervisor asks several times a tick


class StopTravel(NamedTuple):
    """The lowest and highest place [m or rad] that an axis visits from now until it is at rest, counted from now.

    `low` <= 0 <= `high`, since the axis is at 0 now.
    """

    low: float
    high: float


def stop(start: State | float, limits: Limits) -> Profile:
    """The fastest way to rest from any velocity and acceleration; it ends where it ends.

    With a jerk limit it is one velocity step to zero (three phases at most), without one the braking acceleration
    alone, and the acceleration at the start is dropped. Velocity limits play no part. If the acceleration is so
    large that the velocity must pass through zero, the axis reverses and comes to rest from the other side.

    Args:
        start: Position [m or rad], velocity and acceleration now.
        limits: Acceleration and jerk limits count.

    Raises:
        InvalidInput: If a number is not finite.

    >>> stop(State(0.0, 1.8), Limits(2.0, 6.0, jerk=60.0)).goal.position
    0.36
    """
    begin = checked_state(start, "start")
    _, velocity, acceleration = begin
    amin, amax = limits.acceleration
    if limits.jerk is None:
        braking = amin if velocity > 0.0 else amax
        duration = -velocity / braking
        goal = State(begin.position + 0.5 * velocity * duration)
        return profile_of_accelerations(begin, goal, [(duration, braking)])
    phases = velocity_step(velocity, acceleration, 0.0, amin, amax, limits.jerk)
    end = begin
    for duration, jerk in phases:
        if duration > 0.0:
            end = Segment(0.0, duration, end, jerk).end
    return profile_of_jerks(begin, State(end.position), phases)


def stop_travel(velocity: float, acceleration: float, limits: Limits) -> StopTravel:
    """How far the axis goes, down and up, while `stop` brings it to rest: in closed form, without a Profile.

    Without a jerk limit v^2/(2a). With one, the velocity first moves on to v + a|a|/(2J) while the acceleration
    runs out, and falls from there in a symmetric lobe of mean velocity one half; a reversal adds the place where
    the velocity is zero.

    Who must be sure that the axis does stop, such as a supervisor, gives the deceleration that the machine manages at
    its worst, not the one that motions are planned with, and brakes along `stop` with the same limits. Set-points
    taken from that stop tick by tick are places of it, so they need no more room; and from each of them on, the
    stopping set only shrinks. A stop that is commanded as a speed per tick needs `tick_exact_travel`.

    Args:
        velocity: [m/s or rad/s]
        acceleration: [m/s^2 or rad/s^2], dropped if there is no jerk limit.
        limits: Acceleration and jerk limits that the caller is sure of; those of the velocity do not count.

    Raises:
        InvalidInput: If a number is not finite.

    >>> round(stop_travel(1.8, 6.0, Limits(2.0, 6.0, jerk=60.0)).high, 3)
    0.673
    """
    amin, amax = limits.acceleration
    jerk = limits.jerk
    if jerk is None:
        if velocity > 0.0:
            return _new_travel(StopTravel, (0.0, velocity * velocity / (-2.0 * amin)))
        if velocity <= 0.0:
            return _new_travel(StopTravel, (velocity * velocity / (-2.0 * amax), 0.0))
        raise InvalidInput("velocity", velocity, "a finite number")
    if acceleration == 0.0 and velocity - velocity == 0.0:  # at a constant speed, which is most of the time
        speed, brake = (velocity, -amin) if velocity >= 0.0 else (-velocity, amax)
        lobe = 2.0 * sqrt(speed / jerk) if jerk * speed <= brake * brake else speed / brake + brake / jerk
        end = 0.5 * speed * lobe
        return _new_travel(StopTravel, (0.0, end) if velocity >= 0.0 else (-end, 0.0))
    # Mirrored so that the velocity must be brought down: it would stay at or above zero if the acceleration ran out.
    coasting = velocity + 0.5 * acceleration * abs(acceleration) / jerk
    if coasting >= 0.0:
        down = True
        brake = -amin
    elif coasting < 0.0:
        down = False
        velocity, acceleration, brake = -velocity, -acceleration, amax
    else:
        raise InvalidInput("velocity or acceleration", (velocity, acceleration), "a finite number")
    ramp = acceleration / jerk
    peak = velocity + 0.5 * acceleration * ramp
    if acceleration >= -brake:
        depth_squared = jerk * peak
        lobe = 2.0 * sqrt(peak / jerk) if depth_squared <= brake * brake else peak / brake + brake / jerk
        end = ramp * (velocity + acceleration * ramp * (1.0 / 3.0)) + 0.5 * peak * lobe
    else:
        end = _travel_from_too_hard_braking(velocity, acceleration, brake, jerk)
    if velocity >= 0.0:
        lowest, highest = 0.0, end
    else:
        # Moving away first: turns where v + a t - J t^2/2 = 0, then comes back towards (or beyond) where it is now.
        turn = -2.0 * velocity / (acceleration + sqrt(acceleration * acceleration + 2.0 * jerk * velocity))
        turned = turn * (velocity + turn * (0.5 * acceleration - jerk * turn * (1.0 / 6.0)))
        lowest, highest = (turned, end) if end > 0.0 else (min(turned, end), 0.0)
    return _new_travel(StopTravel, (lowest, highest) if down else (-highest, -lowest))


def tick_exact_travel(speed: float, deceleration: float, period: float) -> float:
    """How far an axis goes [m or rad] when a stop is commanded tick by tick and each tick lowers the speed by a dt.

    With v = k a dt + r, 0 <= r < a dt: (v^2 - r^2)/(2a) + r dt/2, which is up to a dt^2/8 more than v^2/(2a),
    because the last, incomplete step takes a whole tick.

    Args:
        speed: [m/s or rad/s], its sign is not looked at.
        deceleration: a [m/s^2 or rad/s^2], above 0: the one that the caller is sure of.
        period: dt [s], above 0.

    Raises:
        InvalidInput: If a number is not finite or not above 0.

    >>> round(tick_exact_travel(1.8, 6.0, 0.02), 6)
    0.27
    """
    for name, value in (("deceleration", deceleration), ("period", period)):
        if not (isfinite(value) and value > 0.0):
            raise InvalidInput(name, value, "a finite number above 0")
    if not isfinite(speed):
        raise InvalidInput("speed", speed, "a finite number")
    step = deceleration * period
    magnitude = abs(speed)
    whole = max(ceil(magnitude / step) - 1, 0)
    rest = magnitude - whole * step
    return (magnitude * magnitude - rest * rest) / (2.0 * deceleration) + 0.5 * rest * period


def velocity_step(v0: float, a0: float, v1: float, amin: float, amax: float, jerk: float) -> list[Phase]:
    """The fastest (duration, jerk) phases from velocity v0 and acceleration a0 to velocity v1 and acceleration 0.

    Peak ap = sqrt(J |v1 - v0| + a0^2/2), held for (ap^2 - A^2)/(J A) where it is clipped to the limit A. An
    acceleration beyond its limit is first brought back to it.
    """
    if v1 < v0 + 0.5 * a0 * abs(a0) / jerk:
        return _velocity_rise(-v0, -a0, -v1, -amin, jerk, -jerk)
    return _velocity_rise(v0, a0, v1, amax, jerk, jerk)


def _velocity_rise(v0: float, a0: float, v1: float, limit: float, jerk: float, signed: float) -> list[Phase]:
    if a0 > limit:
        hold = (v1 - v0 - 0.5 * a0 * a0 / jerk) / limit
        return [((a0 - limit) / jerk, -signed), (max(hold, 0.0), 0.0), (limit / jerk, -signed)]
    return one_lobe(a0, sqrt(max(jerk * (v1 - v0) + 0.5 * a0 * a0, 0.0)), limit, jerk, signed)


def one_lobe(a0: float, peak: float, limit: float, jerk: float, signed: float) -> list[Phase]:
    """The phases of a rise of the acceleration from a0 <= limit to its virtual peak and a fall to 0.

    The jerk of the first phase is `signed`, so that the same serves upside down.
    """
    if peak > limit:
        hold = (peak * peak - limit * limit) / (jerk * limit)
        return [((limit - a0) / jerk, signed), (hold, 0.0), (limit / jerk, -signed)]
    peak = max(peak, a0)
    return [((peak - a0) / jerk, signed), (peak / jerk, -signed)]


def _travel_from_too_hard_braking(velocity: float, acceleration: float, brake: float, jerk: float) -> float:
    state = State(0.0, velocity, acceleration)
    for duration, signed in velocity_step(velocity, acceleration, 0.0, -brake, brake, jerk):
        state = Segment(0.0, duration, state, signed).end
    return state.position
