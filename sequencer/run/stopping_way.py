"""How far an axis still gets while it comes to rest: what the supervisor counts as occupied beyond the set-point."""

from __future__ import annotations

from typing import TYPE_CHECKING

from profiles import Limits, State, stop, stop_travel

if TYPE_CHECKING:
    from sequencer.run.definition import AxisDefinition


def way_to_stop(velocity: float, acceleration: float, limits: Limits) -> tuple[float, float]:
    """The lowest and highest place [m or rad] on the way to rest, counted from now.

    In the last phase of an S-curve the state lies on the edge of what the closed form knows, v = -a |a| / (2 J); where
    rounding puts it beyond, the stopping profile itself is asked.
    """
    try:
        return stop_travel(velocity, acceleration, limits)
    except ValueError:
        found = stop(State(0.0, velocity, acceleration), limits).extremes()
        return found.lowest_position, found.highest_position


def carried_on(axis: AxisDefinition, velocity: float, acceleration: float, limits: Limits) -> tuple[float, float]:
    """How far [m or rad] beyond its way to rest, downwards and upwards, an axis gets whose actuators carry on between
    ticks, less its tracking band.

    A late tick finds it ahead of its brake: by at most v T and a T^2 / 2, with v the speed that it reaches, a its
    deceleration and T the longest gap. Both bounds never grow along the brake.

    Args:
        axis: its longest gap and its band count.
        velocity: [m/s or rad/s]
        acceleration: [m/s^2 or rad/s^2]
        limits: those that it brakes with.
    """
    least = most = velocity
    if limits.jerk is not None:
        more = 0.5 * acceleration * acceleration / limits.jerk
        least, most = (least, most + more) if acceleration > 0.0 else (least - more, most)
    slowing, rising = limits.acceleration
    gap = axis.longest_gap
    half = 0.5 * gap * gap
    up = min(half * max(-slowing, acceleration), max(most, 0.0) * gap) - axis.band
    down = min(half * max(rising, -acceleration), max(-least, 0.0) * gap) - axis.band
    return max(down, 0.0), max(up, 0.0)
