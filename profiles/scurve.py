"""The fastest motion under limits of velocity, acceleration and jerk, from any state: one scalar equation.

Throughout, the problem is mirrored so that the first jerk is +J, and velocities are multiplied by J and distances
by J^2, so that every quantity is in powers of an acceleration and the jerk is gone from the algebra. A lobe is a
rise and fall of the acceleration: z is the virtual peak of the first, m the virtual depth of the second, each
clipped to its limit A and then held for (z^2 - A^2)/A. With u the scaled velocity, u_s = u0 - a0^2/2 the velocity
from which the first lobe would have started at acceleration 0, and u_p = u_s + z^2 = u1 + m^2 the velocity between
the lobes, the scaled distance is

    D = (u_s + u_p)/2 T(z) + (u_p + u1)/2 T(m) - (u_s a0 + a0^3/6),    T(x) = 2x, or A + x^2/A where clipped,

since each lobe is symmetric and moves at its mean velocity. z^2 - m^2 = u1 - u_s leaves one unknown; D = d gives it.
"""

from __future__ import annotations

from math import cbrt, sqrt

from profiles.errors import Infeasible, JerkLimitMissing
from profiles.limits import Limits
from profiles.profile import Profile, profile_of_jerks
from profiles.roots import root_between
from profiles.state import State, checked_state
from profiles.stopping import Phase, one_lobe
from profiles.trapezoid import POSITION_ROUNDING, POSITION_ROUNDING_ON_THE_WAY, checked_goal, one_way_only

# A difference this small beside the distances or velocities at play counts as none [1].
_RELATIVE = 1e-12
# A velocity this near to the one that is reached by running out the acceleration is that velocity [1].
_SAME_VELOCITY = 1e-14
# Newton steps double the digits each time; only a degenerate bracket needs more than ten.
_NEWTON_STEPS = 100
# A last Newton step this small beside the unknown leaves no error that a double can hold [1].
_LAST_STEP = 1e-8


def s_curve(start: State | float, goal: State | float, limits: Limits) -> Profile:
    """The fastest jerk-limited motion from any position, velocity and acceleration to any position and velocity.

    Start above a limit: a start outside the limits, or bound to leave them, is brought back first, the acceleration to
    its limit, and the velocity along the fastest step that joins its limit without undershooting it, or that goes
    straight on to a lower velocity where the goal asks for that. Nothing jumps, and what is back inside stays inside.

    Signed limits: each belongs to a direction of the axis, not to speeding up or slowing down; see Limits.

    After the end: the profile holds its goal exactly, also one with a velocity; see Profile.

    Planning anew: ask again from `profile.at(t)`, the state that was commanded, not the one measured. The same goal is
    then reached at the same instant, and a new goal or new limits without a jump of anything but the jerk.

    Goals with an acceleration are refused rather than met roughly.

    Args:
        start: State, or the position [m or rad] at rest.
        goal: State with acceleration 0, or the position [m or rad] at rest.
        limits: Velocity, acceleration and jerk limits.

    Raises:
        InvalidInput: If a number is not finite.
        JerkLimitMissing: If the limits have no jerk limit.
        GoalOutsideLimits: If the goal velocity is outside the velocity limits.
        GoalAcceleration: If the goal has an acceleration.
        Infeasible: If the axis may move one way only and would have to move the other.

    >>> s_curve(0.0, 10.0, Limits(3.0, 2.0, jerk=3.0)).duration
    5.5
    """
    begin = checked_state(start, "start")
    end = checked_goal(goal, limits)
    if limits.jerk is None:
        raise JerkLimitMissing
    vmin, vmax = limits.velocity
    amin, amax = limits.acceleration
    p0, v0, a0 = begin
    p1, v1, _ = end
    at_rest = v0 == 0.0 and a0 == 0.0 and v1 == 0.0
    rounding = (POSITION_ROUNDING if at_rest else POSITION_ROUNDING_ON_THE_WAY) * (abs(p0) + abs(p1))
    phases = s_curve_phases(p1 - p0, v0, a0, v1, vmin, vmax, amin, amax, limits.jerk, rounding)
    return profile_of_jerks(begin, end, phases)


def s_curve_phases(
    distance: float,
    v0: float,
    a0: float,
    v1: float,
    vmin: float,
    vmax: float,
    amin: float,
    amax: float,
    jerk: float,
    rounding: float = 0.0,
) -> list[Phase]:
    """The (duration [s], jerk) phases of `s_curve`; `rounding` [m or rad] is the error of the distance."""
    prelude: list[Phase] = []
    if not amin <= a0 <= amax:
        limit = amax if a0 > amax else amin
        signed = -jerk if a0 > amax else jerk
        duration = (limit - a0) / signed
        distance -= duration * (v0 + duration * (a0 * 0.5 + signed * duration * (1.0 / 6.0)))
        v0 += 0.5 * duration * (a0 + limit)
        a0 = limit
        prelude.append((duration, signed))
    if vmin == 0.0 or vmax == 0.0:
        _refuse_the_forbidden_way(v0, a0, vmin, vmax, jerk)
    d = distance * jerk * jerk
    u0, u1 = v0 * jerk, v1 * jerk
    half = 0.5 * a0 * a0
    coasting = u0 + half if a0 > 0.0 else u0 - half  # where the velocity gets if the acceleration is only run out
    slack = rounding * jerk * jerk
    difference = abs(u1 - coasting)
    if difference <= _SAME_VELOCITY * (abs(u0) + abs(u1) + half + (vmax - vmin) * jerk):
        # A lobe grows like the root of a velocity: one rounding here is 1e-8 of a lobe, perhaps in the wrong direction.
        ramp = abs(a0) * (coasting - a0 * abs(a0) * (1.0 / 6.0))
        if abs(d - ramp) <= slack + _RELATIVE * abs(a0) * (abs(coasting) + half):
            return [*prelude, (abs(a0) / jerk, -jerk if a0 > 0.0 else jerk)]
        if difference <= _SAME_VELOCITY * (abs(u0) + abs(u1) + half):
            u1 = coasting
    if u1 >= coasting:
        from_rest = u0 - half
        lobe = sqrt(u1 - from_rest) if u1 > from_rest else 0.0
        span = 2.0 * lobe if lobe <= amax else amax + lobe * lobe / amax
        step = 0.5 * (from_rest + u1) * span - a0 * (from_rest + a0 * a0 * (1.0 / 6.0))
    else:
        from_rest = u0 + half
        lobe = sqrt(from_rest - u1) if u1 < from_rest else 0.0
        span = 2.0 * lobe if lobe <= -amin else -amin - lobe * lobe / amin
        step = 0.5 * (from_rest + u1) * span + a0 * (from_rest - a0 * a0 * (1.0 / 6.0))
    excess = d - step
    if abs(excess) <= slack + _RELATIVE * (abs(step) + (abs(u0) + abs(u1)) * span + abs(a0) * half):
        if u1 >= coasting:
            return prelude + one_lobe(a0, lobe, amax, jerk, jerk)
        return prelude + one_lobe(-a0, lobe, -amin, jerk, -jerk)
    if excess > 0.0:
        phases = _upwards(d, u0, a0, u1, vmax * jerk, amax, -amin, step, slack, jerk, 1.0)
    else:
        phases = _upwards(-d, -u0, -a0, -u1, -vmin * jerk, -amin, amax, -step, slack, jerk, -1.0)
    return prelude + phases if prelude else phases


def _upwards(
    d: float,
    u0: float,
    a0: float,
    u1: float,
    um: float,
    up: float,
    down: float,
    least: float,
    slack: float,
    jerk: float,
    sign: float,
) -> list[Phase]:
    """The phases in the mirrored frame: the direct step gets to `least`, short of d, so the first jerk is +J."""
    half = 0.5 * a0 * a0
    if u0 + (half if a0 > 0.0 else -half) - um > _RELATIVE * (um + abs(u0) + half):
        return _joining_the_limit(d, u0, a0, u1, um, up, down, jerk, sign)
    from_rest = u0 - half
    # From here on distances count from where the first lobe would have started at rest.
    offset = a0 * (from_rest + a0 * a0 * (1.0 / 6.0))
    d += offset
    least += offset
    lowest = a0
    if a0 < 0.0 and u1 < 0.0 and u1 < from_rest:
        top = first_maximum(a0, from_rest - u1, u1, down)
        if top is not None:
            reached = _distance(top, from_rest, u1, up, down)
            if d <= reached:
                peak = _peak_for(d, from_rest, u1, a0, top, least, reached, up, down)
                return lobe_phases(a0, peak, sqrt(peak * peak + from_rest - u1), 0.0, up, down, jerk, sign)
            lowest, least = top, reached
    # At the velocity limit: the largest lobes that there are.
    deepest = sqrt(um - u1) if um > u1 else 0.0
    highest = sqrt(um - from_rest) if um > from_rest else 0.0
    if highest < a0:
        highest = a0
    rise = 2.0 * highest if highest <= up else up + highest * highest / up
    fall = 2.0 * deepest if deepest <= down else down + deepest * deepest / down
    most = 0.5 * ((from_rest + um) * rise + (um + u1) * fall)
    if d >= most:
        if um > 0.0:
            return lobe_phases(a0, highest, deepest, (d - most) / um, up, down, jerk, sign)
        if d - most > slack:
            raise one_way_only(sign, (d - most) / (jerk * jerk))
        return lobe_phases(a0, highest, deepest, 0.0, up, down, jerk, sign)
    difference = u1 - from_rest  # z^2 - m^2
    if difference < 0.0:
        peak = _peak_for(d, from_rest, u1, lowest, highest, least, most, up, down)
        return lobe_phases(a0, peak, sqrt(peak * peak - difference), 0.0, up, down, jerk, sign)
    # Unknown m: z^2 = m^2 + difference has no cancellation.
    low = sqrt(max(u0 + half - u1, 0.0)) if a0 > 0.0 else 0.0
    depth = _depth_for(d, from_rest, u1, low, deepest, least, most, up, down)
    peak = sqrt(depth * depth + difference)
    return lobe_phases(a0, peak if peak > a0 else a0, depth, 0.0, up, down, jerk, sign)


def lobe_phases(
    a0: float, peak: float, depth: float, cruise: float, up: float, down: float, jerk: float, sign: float
) -> list[Phase]:
    signed = sign * jerk
    rise, fall = peak, depth
    holding = eased = 0.0
    if peak > up:
        rise, holding = up, (peak * peak - up * up) / (up * jerk)
    if depth > down:
        fall, eased = down, (depth * depth - down * down) / (down * jerk)
    first, last = ((rise - a0) / jerk, signed), (fall / jerk, signed)
    if cruise > 0.0:
        between = ((rise / jerk, -signed), (cruise / jerk, 0.0), (fall / jerk, -signed))
        return [first, (holding, 0.0), *between, (eased, 0.0), last]
    return [first, (holding, 0.0), ((rise + fall) / jerk, -signed), (eased, 0.0), last]


def _distance(z: float, us: float, u1: float, up: float, down: float) -> float:
    between = us + z * z
    return 0.5 * ((us + between) * _span(z, up) + (between + u1) * _span(sqrt(max(between - u1, 0.0)), down))


def _depth_for(
    d: float, us: float, u1: float, low: float, high: float, least: float, most: float, up: float, down: float
) -> float:
    """The m between `low` and `high` at which the distance is d: Newton inside a bracket."""
    difference = u1 - us
    m = _first_guess(d, low, high, least, most)
    for _ in range(_NEWTON_STEPS):
        square = m * m
        z = sqrt(square + difference)
        between = u1 + square
        if z > up:
            rise, rise_slope = up + z * z / up, 2.0 * m / up
        else:
            rise, rise_slope = 2.0 * z, 2.0 * m / z if z > 0.0 else 2.0
        if m > down:
            fall, fall_slope = down + square / down, 2.0 * m / down
        else:
            fall, fall_slope = 2.0 * m, 2.0
        twice_first, twice_last = us + between, between + u1
        error = 0.5 * (twice_first * rise + twice_last * fall) - d
        slope = m * (rise + fall) + 0.5 * (twice_first * rise_slope + twice_last * fall_slope)
        if error < 0.0:
            low = m
        else:
            high = m
        following = 0.5 * (low + high)
        if slope > 0.0:
            step = error / slope
            if abs(step) <= _LAST_STEP * m:
                return m - step
            if low < m - step < high:
                following = m - step
        if following in (low, high):
            return m
        m = following
    return m


def _peak_for(
    d: float, us: float, u1: float, low: float, high: float, least: float, most: float, up: float, down: float
) -> float:
    """The z between `low` and `high` at which the distance is d: Newton inside a bracket."""
    difference = u1 - us
    z = _first_guess(d, low, high, least, most)
    for _ in range(_NEWTON_STEPS):
        square = z * z
        m = sqrt(square - difference)
        between = us + square
        if z > up:
            rise, rise_slope = up + square / up, 2.0 * z / up
        else:
            rise, rise_slope = 2.0 * z, 2.0
        if m > down:
            fall, fall_slope = down + m * m / down, 2.0 * z / down
        else:
            fall, fall_slope = 2.0 * m, 2.0 * z / m
        twice_first, twice_last = us + between, between + u1
        error = 0.5 * (twice_first * rise + twice_last * fall) - d
        slope = z * (rise + fall) + 0.5 * (twice_first * rise_slope + twice_last * fall_slope)
        if error < 0.0:
            low = z
        else:
            high = z
        following = 0.5 * (low + high)
        if slope > 0.0:
            step = error / slope
            if abs(step) <= _LAST_STEP * abs(z):
                return z - step
            if low < z - step < high:
                following = z - step
        if following in (low, high):
            return z
        z = following
    return z


def _first_guess(d: float, low: float, high: float, least: float, most: float) -> float:
    """From rest the distance grows like the cube of the lobes: there the cube root of the fraction is exact."""
    if most > least:
        fraction = (d - least) / (most - least)
        if 0.0 < fraction < 1.0:
            return low + (high - low) * cbrt(fraction)
    return 0.5 * (low + high)


def first_maximum(a0: float, k: float, u1: float, down: float) -> float | None:
    """The first peak z in (a0, 0) at which the distance stops growing, for u1 < 0; None if there is none.

    The earliest root, which is the fastest motion, may lie before it.

    With k = m^2 - z^2 and c = -2 u1 the slope vanishes, unclipped, where 3 y^2 + (k - 4c) y + c^2 = 0 for y = m^2,
    and with the second lobe clipped where 2 w^2 - A w + 2k - c = 0 for w = -z.
    """
    c = -2.0 * u1
    start = -a0
    clipped_above = sqrt(max(down * down - k, 0.0))
    if start > clipped_above:
        discriminant = down * down - 8.0 * (2.0 * k - c)
        if discriminant < 0.0:
            return None if clipped_above <= 0.0 else _first_unclipped_maximum(min(start, clipped_above), k, c)
        w = 0.25 * (down + sqrt(discriminant))
        if w >= start:
            # Falling from the start on, or already between the two roots.
            return None if 0.25 * (down - sqrt(discriminant)) < start else _first_unclipped_maximum(clipped_above, k, c)
        if w > clipped_above:
            return -w
        start = clipped_above
    return _first_unclipped_maximum(start, k, c)


def _first_unclipped_maximum(start: float, k: float, c: float) -> float | None:
    b = k - 4.0 * c
    discriminant = b * b - 12.0 * c * c
    if b >= 0.0 or discriminant <= 0.0:
        return None
    y = (-b + sqrt(discriminant)) / 6.0
    if not k < y < k + start * start:
        return None
    # Squaring has brought in roots at which the two sides differ in sign.
    if (3.0 * y - c > 0.0) != (3.0 * y - k - c > 0.0):
        return None
    return -sqrt(y - k)


def _joining_the_limit(
    d: float, u0: float, a0: float, u1: float, um: float, up: float, down: float, jerk: float, sign: float
) -> list[Phase]:
    """From above the velocity limit, or bound to pass it, to a goal that the direct step does not reach.

    The fastest descent that joins the limit without undershoot is followed; to its end if the goal is so far that
    the limit can be held, else it is left, before its acceleration has run out, for the fastest step to the goal
    velocity.
    """
    half = 0.5 * a0 * a0
    joined = sqrt(max(u0 - um + half, 0.0))
    hold = (joined * joined - down * down) / down if joined > down else 0.0
    reach = min(joined, down)
    from_rest = u0 + half
    to_limit = 0.5 * (from_rest + um) * _span(joined, down) + a0 * (from_rest - a0 * a0 * (1.0 / 6.0))

    def missing(kept: float) -> float:
        """By how much the distance falls short when the descent is left at acceleration -kept."""
        square = kept * kept
        deepest = sqrt(square + um - u1)
        not_travelled = kept * (um + square * (1.0 / 6.0))
        peak = um + square
        onwards = 0.5 * (peak + u1) * _span(deepest, down) - kept * (peak - square * (1.0 / 6.0))
        return d - (to_limit - not_travelled + onwards)

    signed = sign * jerk
    phases = [((a0 + reach) / jerk, -signed), (hold / jerk, 0.0)]
    earliest, latest = reach, 0.0
    # As in _upwards, the distance may grow, shrink and grow again the later the descent is left.
    top = first_maximum(-reach, um - u1, u1, down) if u1 < 0.0 else None
    if top is not None:
        if missing(-top) <= 0.0:
            latest = -top
        else:
            earliest = -top
    left = missing(latest)
    if latest == 0.0 and left >= 0.0:
        phases += ((reach / jerk, signed), (left / um / jerk, 0.0))
        return phases + step_down(0.0, sqrt(max(um - u1, 0.0)), down, jerk, signed)
    kept = earliest if missing(earliest) <= 0.0 else root_between(missing, latest, earliest)
    phases.append(((reach - kept) / jerk, signed))
    return phases + step_down(kept, sqrt(kept * kept + um - u1), down, jerk, signed)


def step_down(kept: float, deepest: float, down: float, jerk: float, signed: float) -> list[Phase]:
    fall = min(deepest, down)
    hold = (deepest * deepest - down * down) / down if deepest > down else 0.0
    return [((fall - kept) / jerk, -signed), (hold / jerk, 0.0), (fall / jerk, signed)]


def _span(lobe: float, limit: float) -> float:
    """The duration of a lobe times J."""
    return limit + lobe * lobe / limit if lobe > limit else 2.0 * lobe


def _refuse_the_forbidden_way(v0: float, a0: float, vmin: float, vmax: float, jerk: float) -> None:
    run_out = 0.5 * a0 * abs(a0) / jerk
    scale = _RELATIVE * (abs(v0) + abs(run_out) + vmax - vmin)
    worst = min(v0, v0 + run_out) if vmin == 0.0 else max(v0, v0 + run_out)
    if (vmin == 0.0 and worst < -scale) or (vmax == 0.0 and worst > scale):
        bearable = sqrt(2.0 * jerk * max(v0 if vmin == 0.0 else -v0, 0.0))
        raise Infeasible(
            f"velocity {v0:.6g} with acceleration {a0:.6g} must pass {worst:.6g}, "
            f"and the velocity limits are {vmin:.6g} to {vmax:.6g}",
            f"A start acceleration of magnitude {bearable:.6g} or less would fit.",
        )
