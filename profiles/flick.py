"""Pass a point with a given speed and then come to rest."""

from __future__ import annotations

from profiles.errors import InvalidInput, OutsideTravel, RunUpTooShort
from profiles.limits import Limits
from profiles.profile import Profile
from profiles.roots import root_between
from profiles.scurve import s_curve
from profiles.segment import Segment
from profiles.state import State, checked_state
from profiles.stopping import velocity_step
from profiles.trapezoid import trapezoid

# Going backwards by no more than this is rounding, not a wind-up [m or rad].
_NO_WIND_UP = 1e-9

THROUGH = "through"


def flick(
    start: State | float,
    through: State,
    goal: State | float,
    limits: Limits,
    *,
    wind_up: bool = True,
    travel: tuple[float, float] | None = None,
    limits_after: Limits | None = None,
) -> Profile:
    """The fastest motion to `through` with its velocity and acceleration 0, and the fastest from there to the goal.

    The instant of passing is exact and is the mark "through" of the profile. If the run-up is too short for the
    speed, the fastest motion goes backwards first. S-curves where the limits have a jerk limit, trapezoids where
    not.

    Args:
        start: State, or the position [m or rad] at rest.
        through: Position [m or rad] and velocity [m/s or rad/s] of passing.
        goal: State, or the position [m or rad] at rest, at the end of the follow-through.
        limits: Limits of the run-up.
        wind_up: Whether the run-up may go backwards beyond the start.
        travel: The lowest and highest position [m or rad] that may be reached, or None for any.
        limits_after: Limits of the follow-through, or None for the same.

    Raises:
        RunUpTooShort: If a wind-up would be needed and is not allowed. The speed that it names is reachable directly;
            an axis that already moves may reach a little more by slowing down first.
        OutsideTravel: If the motion leaves the travel.
        InvalidInput: If the velocity of passing is 0 or a number is not finite.
        ProfileError: As trapezoid and s_curve do.

    >>> flick(0.0, State(0.6, 2.0), 1.2, Limits(3.0, 8.0, jerk=200.0)).marks["through"]
    0.42765194267719436
    """
    begin, passing = checked_state(start, "start"), checked_state(through, "through")
    if passing.velocity == 0.0:
        raise InvalidInput("through velocity", passing.velocity, "other than 0; a motion to rest there is an s_curve")
    run_up = _fastest(begin, passing, limits)
    if not wind_up:
        _refuse_a_wind_up(run_up, limits)
    follow_through = _fastest(passing, goal, limits if limits_after is None else limits_after)
    if travel is not None:
        _refuse_leaving(run_up, "run-up", travel)
        _refuse_leaving(follow_through, "follow-through", travel)
    return run_up.followed_by(follow_through, THROUGH)


def _fastest(start: State, goal: State | float, limits: Limits) -> Profile:
    return trapezoid(start, goal, limits) if limits.jerk is None else s_curve(start, goal, limits)


def _refuse_a_wind_up(run_up: Profile, limits: Limits) -> None:
    backwards = _backwards(run_up)
    if backwards <= _NO_WIND_UP:
        return
    start, passing = run_up.start, run_up.goal
    sign = 1.0 if passing.velocity > 0.0 else -1.0
    distance = sign * (passing.position - start.position)

    def spare(speed: float) -> float:
        """How much of the run-up is left when the speed is reached in the fastest way."""
        return distance - sign * _distance_to_speed(start, sign * speed, limits)

    speed = abs(passing.velocity)
    now = max(sign * start.velocity, 0.0)
    reachable = root_between(spare, now, speed) if now < speed and spare(now) > 0.0 > spare(speed) else now
    raise RunUpTooShort(distance, speed, reachable, distance - spare(speed), backwards)


def _distance_to_speed(start: State, velocity: float, limits: Limits) -> float:
    amin, amax = limits.acceleration
    if limits.jerk is None:
        return (velocity * velocity - start.velocity * start.velocity) / (
            2.0 * (amax if velocity >= start.velocity else amin)
        )
    state = start
    for duration, jerk in velocity_step(start.velocity, start.acceleration, velocity, amin, amax, limits.jerk):
        state = Segment(0.0, duration, state, jerk).end
    return state.position - start.position


def _backwards(run_up: Profile) -> float:
    found = run_up.extremes()
    if run_up.goal.velocity > 0.0:
        return run_up.start.position - found.lowest_position
    return found.highest_position - run_up.start.position


def _refuse_leaving(part: Profile, name: str, travel: tuple[float, float]) -> None:
    low, high = travel
    if not low <= high:
        raise InvalidInput("travel", travel, "a pair (lowest, highest)")
    found = part.extremes()
    if found.lowest_position < low - _NO_WIND_UP:
        raise OutsideTravel(name, found.lowest_position, low, high)
    if found.highest_position > high + _NO_WIND_UP:
        raise OutsideTravel(name, found.highest_position, low, high)
