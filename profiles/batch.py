"""Many motions at once with numpy: all of one kind, from any states, and samples of them or of one profile.

The only module of the package that needs numpy.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from profiles.errors import GoalAcceleration, GoalOutsideLimits, Infeasible, InvalidInput, JerkLimitMissing
from profiles.limits import Limits
from profiles.profile import Profile
from profiles.scurve import s_curve as one_s_curve
from profiles.state import State
from profiles.trapezoid import POSITION_ROUNDING, POSITION_ROUNDING_ON_THE_WAY, RELATIVE, one_way_only

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    Floats = NDArray[np.float64]
    Mask = NDArray[np.bool_]

# So many motions at a time, so that what is computed of them stays in the cache of a core.
_BLOCK = 8192
# Newton steps before the few motions left are solved one by one.
_NEWTON_STEPS = 16
# A last Newton step this small beside the unknown leaves no error that a double can hold [1].
_LAST_STEP = 1e-8
# What is this near to a special case, relative to the quantities at play, is solved one by one [1].
_SPECIAL = 1e-9


@dataclass(frozen=True, slots=True)
class Moves:
    """n motions, each a chain of k phases of constant jerk or constant acceleration.

    Attributes:
        starts: (n, 3) states at time 0: position, velocity and acceleration.
        goals: (n, 3) states at the end.
        phases: (n, k) durations of the phases [s], 0 where a motion lacks one.
        accelerations: (n, k) accelerations at the beginning of each phase [m/s^2 or rad/s^2].
        jerks: (n, k) jerks [m/s^3 or rad/s^3].
        durations: (n,) [s]
    """

    starts: Floats
    goals: Floats
    phases: Floats
    accelerations: Floats
    jerks: Floats
    durations: Floats

    def __len__(self) -> int:
        return len(self.starts)

    def __repr__(self) -> str:
        longest = f", longest {self.durations.max():.6g} s" if len(self) else ""
        return f"<Moves of {len(self)} motions{longest}>"

    def sample(self, times: ArrayLike) -> Floats:
        """Position, velocity and acceleration (n, m, 3) of each motion at each of m times (m,) [s].

        Before its start a motion is at its start, at its end and after at its goal, exactly.

        Raises:
            InvalidInput: If a time is not a number.
        """
        at = _finite("times", times, allow_infinite=True)
        shape = (len(self), len(at))
        position = np.broadcast_to(self.starts[:, 0, None], shape).copy()
        velocity = np.broadcast_to(self.starts[:, 1, None], shape).copy()
        acceleration = np.zeros(shape)
        left = np.broadcast_to(np.maximum(at, 0.0), shape).copy()
        for k in range(self.phases.shape[1]):
            elapsed = np.minimum(left, self.phases[:, k, None])
            here = elapsed > 0.0
            begin = self.accelerations[:, k, None]
            change = self.jerks[:, k, None] * elapsed
            position += elapsed * (velocity + elapsed * (begin * 0.5 + change / 6.0))
            velocity += elapsed * (begin + change * 0.5)
            acceleration = np.where(here, begin + change, acceleration)
            left -= elapsed
        states = np.stack([position, velocity, acceleration], axis=-1)
        states = np.where((at >= self.durations[:, None])[..., None], self.goals[:, None, :], states)
        return np.where((at <= 0.0)[:, None], self.starts[:, None, :], states)


def sample(profile: Profile, times: ArrayLike) -> Floats:
    """Position, velocity and acceleration (n, 3) of one profile at n times (n,) [s], as Profile.at gives them.

    Args:
        profile: The profile.
        times: In any order; before the start and after the end too.

    Raises:
        InvalidInput: If a time is not a number.
    """
    at = _finite("times", times, allow_infinite=True)
    segments = profile.segments
    states = np.empty((len(at), 3))
    if segments:
        begins = np.array([segment.start_time for segment in segments])
        nodes = np.array([[*segment.start, segment.jerk] for segment in segments])
        index = np.clip(np.searchsorted(begins, at, side="right") - 1, 0, None)
        elapsed = np.clip(at, 0.0, profile.duration) - begins[index]
        position, velocity, acceleration, jerk = nodes[index].T
        change = jerk * elapsed
        states[:, 0] = position + elapsed * (velocity + elapsed * (acceleration * 0.5 + change * (1.0 / 6.0)))
        states[:, 1] = velocity + elapsed * (acceleration + change * 0.5)
        states[:, 2] = acceleration + change
    states[at >= profile.duration] = profile.goal
    states[at <= 0.0] = profile.start
    return states


def s_curve(starts: ArrayLike, goals: ArrayLike, limits: Limits | Sequence[Limits]) -> Moves:
    """The fastest jerk-limited motions between pairs of states, k = 8 phases each; as profiles.s_curve solves each.

    From rest to rest all are solved in closed form. From moving states Newton's method runs on all at once; the few
    that begin outside their limits, or near a case where several kinds of motion meet, are solved one by one.

    Args:
        starts: (n,) positions at rest [m or rad], or (n, 3) states: position, velocity and acceleration. A single
            number or a single row counts for every motion; so do goals and limits.
        goals: (n,) positions at rest [m or rad], or (n, 2) positions and velocities.
        limits: Limits of the axis, or one for each motion.

    Raises:
        InvalidInput: If a number is not finite or the shapes do not fit.
        JerkLimitMissing: If limits have no jerk limit.
        GoalOutsideLimits: If a goal velocity is outside the velocity limits.
        Infeasible: If the axis may move one way only and would have to move the other.
    """
    begin, end, bounds = _questions(starts, goals, limits)
    if np.isnan(bounds.jerk).any():
        raise JerkLimitMissing
    phases, accelerations, jerks = np.zeros((3, 8, len(begin)))
    one_way = (bounds.vmin == 0.0) | (bounds.vmax == 0.0)
    at_rest = not (begin[:, 1:].any() or end[:, 1].any() or one_way.any())
    for first in range(0, len(begin), _BLOCK):
        rows = slice(first, first + _BLOCK)
        p0, v0, a0 = begin[rows].T
        p1, v1, _ = end[rows].T
        part = _Bounds(*(bound[rows] if len(bound) > 1 else bound for bound in bounds))
        if at_rest:
            lobes, special = _from_rest_to_rest(p1 - p0, part), None
        else:
            lobes, special = _from_any_state(p1 - p0, v0, a0, v1, part, one_way[rows] if len(one_way) > 1 else one_way)
        _write_lobes(lobes, part, phases[:, rows], accelerations[:, rows], jerks[:, rows])
        if special is not None:
            for k in np.flatnonzero(special) + first:
                profile = _one_by_one(int(k), begin[k], end[k], bounds)
                phases[:, k] = accelerations[:, k] = jerks[:, k] = 0.0
                for i, segment in enumerate(profile.segments):
                    phases[i, k], accelerations[i, k] = segment.duration, segment.start.acceleration
                    jerks[i, k] = segment.jerk
    return Moves(begin, end, phases.T, accelerations.T, jerks.T, phases.sum(axis=0))


def trapezoid(starts: ArrayLike, goals: ArrayLike, limits: Limits | Sequence[Limits]) -> Moves:
    """The fastest motions without a jerk limit between pairs of states, k = 4 phases each, as profiles.trapezoid does.

    Args:
        starts: (n,) positions at rest [m or rad], or (n, 2) positions and velocities; an acceleration is dropped. A
            single number or a single row counts for every motion; so do goals and limits.
        goals: (n,) positions at rest [m or rad], or (n, 2) positions and velocities.
        limits: Limits of the axis, or one for each motion; the jerk limit is ignored.

    Raises:
        InvalidInput: If a number is not finite or the shapes do not fit.
        GoalOutsideLimits: If a goal velocity is outside the velocity limits.
        Infeasible: If the axis may move one way only and a goal lies the other way.
    """
    begin, end, (vmin, vmax, amin, amax, _) = _questions(starts, goals, limits)
    (p0, v0, _), (p1, v1, _) = begin.T, end.T
    entry = np.clip(v0, vmin, vmax)
    braking = np.where(v0 > entry, amin, amax)
    joining = (entry - v0) / braking
    distance = p1 - p0 - 0.5 * (v0 + entry) * joining
    direct = np.where(v1 >= entry, amax, amin)
    step = (v1 - entry) / direct
    step_distance = 0.5 * (entry + v1) * step
    moving = (entry != 0.0) | (v1 != 0.0)
    rounding = np.where(moving, POSITION_ROUNDING_ON_THE_WAY, POSITION_ROUNDING) * (np.abs(p0) + np.abs(p1))
    rounding += RELATIVE * (np.abs(entry) + np.abs(v1)) * step
    excess = distance - step_distance
    is_step = np.abs(excess) <= rounding
    sign = np.where(excess > 0.0, 1.0, -1.0)
    upwards = sign > 0.0
    up, down = np.where(upwards, amax, -amin), np.where(upwards, -amin, amax)
    fastest = np.where(upwards, vmax, -vmin)
    d, u0, u1 = sign * distance, sign * entry, sign * v1
    peak = np.sqrt(np.maximum((2.0 * up * down * d + down * u0 * u0 + up * u1 * u1) / (up + down), 0.0))
    limited = (peak > fastest) & ~is_step
    left = d - (fastest * fastest - u0 * u0) / (2.0 * up) - (fastest * fastest - u1 * u1) / (2.0 * down)
    _refuse_the_other_way(limited & (fastest == 0.0) & (left > rounding), left * sign)
    peak = np.where(limited, fastest, peak)
    cruise = np.where(limited, left / np.where(fastest > 0.0, fastest, np.inf), 0.0)
    rise = np.where(is_step, step, (peak - u0) / up)
    fall = np.where(is_step, 0.0, (peak - u1) / down)
    phases = np.maximum([joining, rise, cruise, fall], 0.0)
    accelerations = np.array([braking, np.where(is_step, direct, sign * up), np.zeros_like(rise), -sign * down])
    return Moves(begin, end, phases.T, accelerations.T, np.zeros_like(phases).T, phases.sum(axis=0))


class _Bounds(NamedTuple):
    """Limits as arrays of one number for all or one for each motion; no jerk limit is nan."""

    vmin: Floats
    vmax: Floats
    amin: Floats
    amax: Floats
    jerk: Floats


class _Lobes(NamedTuple):
    """What the phases follow from, mirrored by `sign`: start acceleration, heights of the lobes and J times cruise."""

    sign: Floats
    a0: Floats | float
    peak: Floats
    depth: Floats
    cruise: Floats
    up: Floats
    down: Floats


def _from_rest_to_rest(distance: Floats, bounds: _Bounds) -> _Lobes:
    """With A the lower and B the higher of the acceleration limits and D = |d| J^2, the peak x of both lobes is
    (D/2)^(1/3) while x <= A; then x (x + A) = sqrt(2 D A) while x <= B; then x^4 (1/A + 1/B) + x^2 (A + B) = 2 D.
    """
    jerk = bounds.jerk
    sign = np.where(distance >= 0.0, 1.0, -1.0)
    forward = sign > 0.0
    up, down = np.where(forward, bounds.amax, -bounds.amin), np.where(forward, -bounds.amin, bounds.amax)
    fastest = np.where(forward, bounds.vmax, -bounds.vmin) * jerk
    wanted = np.abs(distance) * jerk * jerk
    peak = np.sqrt(fastest)
    left = wanted - 0.5 * fastest * (_span(peak, up) + _span(peak, down))
    short = np.flatnonzero(left < 0.0)
    if len(short):
        d, low, high = wanted[short], np.minimum(up, down)[short], np.maximum(up, down)[short]
        root = np.sqrt(2.0 * d * low)
        one_clipped = 0.5 * (np.sqrt(low * low + 4.0 * root) - low)
        total = low + high
        both_clipped = np.sqrt(4.0 * d / (total + np.sqrt(total * total + 8.0 * d * (1.0 / low + 1.0 / high))))
        found = np.where(one_clipped <= high, one_clipped, both_clipped)
        free = np.flatnonzero(0.5 * d <= low**3)
        found[free] = np.cbrt(0.5 * d[free])
        peak[short] = found
    return _Lobes(sign, 0.0, peak, peak, np.maximum(left, 0.0) / fastest, up, down)


def _from_any_state(
    distance: Floats, v0: Floats, a0: Floats, v1: Floats, bounds: _Bounds, one_way: Mask
) -> tuple[_Lobes, Mask]:
    """The lobes as profiles.scurve finds them, and which motions are special and still to be solved."""
    vmin, vmax, amin, amax, jerk = bounds
    d, u0, u1 = distance * jerk * jerk, v0 * jerk, v1 * jerk
    half = 0.5 * a0 * a0
    coasting = u0 + np.copysign(half, a0)
    rises = u1 >= coasting
    turn = np.where(rises, 1.0, -1.0)
    from_rest = u0 - turn * half
    lobe = np.sqrt(np.maximum(turn * (u1 - from_rest), 0.0))
    span = _span(lobe, np.where(rises, amax, -amin))
    excess = d - (0.5 * (from_rest + u1) * span - turn * a0 * (from_rest + turn * a0 * a0 * (1.0 / 6.0)))
    size = np.abs(d) + (np.abs(u0) + np.abs(u1) + half) * (span + np.abs(a0))
    special = one_way | (a0 > amax) | (a0 < amin) | (np.abs(excess) <= _SPECIAL * size)
    special |= np.abs(u1 - coasting) <= _SPECIAL * (np.abs(u0) + np.abs(u1) + half + (vmax - vmin) * jerk)
    sign = np.where(excess > 0.0, 1.0, -1.0)
    upwards = sign > 0.0
    d, u0, a0, u1 = sign * d, sign * u0, sign * a0, sign * u1
    um = np.where(upwards, vmax, -vmin) * jerk
    up, down = np.where(upwards, amax, -amin), np.where(upwards, -amin, amax)
    special |= u0 + np.copysign(half, a0) > um
    from_rest = u0 - half
    d = d + a0 * (from_rest + a0 * a0 * (1.0 / 6.0))
    depth = np.sqrt(np.maximum(um - u1, 0.0))
    peak = np.maximum(np.sqrt(np.maximum(um - from_rest, 0.0)), a0)
    cruise = d - 0.5 * ((from_rest + um) * _span(peak, up) + (um + u1) * _span(depth, down))
    rise = u1 - from_rest
    special |= _may_have_several_roots(a0, u1, rise, down)
    rows = np.flatnonzero((cruise < 0.0) & ~special)
    unsolved = _solve(rows, d, a0, from_rest, u1, rise, up, down, peak, depth)
    special[unsolved] = True
    return _Lobes(sign, a0, peak, depth, np.maximum(cruise, 0.0) / np.where(um > 0.0, um, np.inf), up, down), special


def _may_have_several_roots(a0: Floats, u1: Floats, rise: Floats, down: Floats) -> Mask:
    """Where profiles.scurve.first_maximum, whose names these are, may find one."""
    several = (a0 < 0.0) & (u1 < 0.0) & (rise < 0.0)
    rows = np.flatnonzero(several)
    start, c, k, down = -a0[rows], -2.0 * u1[rows], -rise[rows], np.broadcast_to(down, a0.shape)[rows]
    clipped_above = np.sqrt(np.maximum(down * down - k, 0.0))
    b = k - 4.0 * c
    y = (np.sqrt(np.maximum(b * b - 12.0 * c * c, 0.0)) - b) / 6.0
    turns = (b < 0.0) & (b * b > 12.0 * c * c) & (k < y) & (y < k + np.minimum(start, clipped_above) ** 2)
    turns &= (3.0 * y > c) == (3.0 * y > k + c)
    under_root = down * down - 8.0 * (2.0 * k - c)
    w = 0.25 * (down + np.sqrt(np.maximum(under_root, 0.0)))
    turns |= (under_root >= 0.0) & (clipped_above < w) & (w < start)
    several[rows] = turns
    return several


def _solve(
    rows: NDArray[np.intp],
    d: Floats,
    a0: Floats,
    from_rest: Floats,
    u1: Floats,
    rise: Floats,
    up: Floats,
    down: Floats,
    peak: Floats,
    depth: Floats,
) -> NDArray[np.intp]:
    """Puts the lobes at which the distance is d into peak and depth; returns the rows at which Newton's method fails.

    The unknown x is the depth where the velocity rises on the whole, else the peak: no cancellation either way. With w
    the velocity between the lobes, dD/dx = dT/dx (w + z m/2), z and m clipped; see profiles.reach.
    """
    d, us, u1, up, down, rise, a0 = (values[rows] for values in (d, from_rest, u1, up, down, rise, a0))
    deep, other = rise >= 0.0, np.abs(rise)

    def lobes_at(x: Floats) -> tuple[Floats, Floats]:
        root = np.sqrt(x * x + other)
        return np.where(deep, root, x), np.where(deep, x, root)

    def missing_at(z: Floats, m: Floats) -> Floats:
        w = us + z * z
        return d - 0.5 * ((us + w) * _span(z, up) + (w + u1) * _span(m, down))

    # The least lobes are those of the direct step.
    low = np.where(deep, np.sqrt(np.maximum(np.where(a0 > 0.0, a0 * a0, 0.0) - rise, 0.0)), a0)
    high = np.where(deep, depth[rows], peak[rows])
    bottom = missing_at(*lobes_at(low))
    growth = bottom - missing_at(*lobes_at(high))
    x = low + (high - low) * np.cbrt(np.clip(bottom / np.where(growth > 0.0, growth, np.inf), 0.0, 1.0))
    done = np.ones(len(rows), dtype=bool)
    for _ in range(_NEWTON_STEPS):
        z, m = lobes_at(x)
        missing = missing_at(z, m)
        zc, mc = np.minimum(z, up), np.minimum(m, down)
        with np.errstate(divide="ignore", invalid="ignore"):
            step = missing / (2.0 * x * (1.0 / zc + 1.0 / mc) * (us + z * z + 0.5 * zc * mc))
        low, high = np.where(missing > 0.0, x, low), np.where(missing > 0.0, high, x)
        done = np.abs(step) <= _LAST_STEP * np.abs(x)
        inside = (low < x + step) & (x + step < high)
        x = np.where(inside | done, x + step, 0.5 * (low + high))
        if done.all():
            break
    z, m = lobes_at(x)
    peak[rows], depth[rows] = np.where(deep, np.maximum(z, a0), z), m
    return rows[~done]


def _write_lobes(lobes: _Lobes, bounds: _Bounds, phases: Floats, accelerations: Floats, jerks: Floats) -> None:
    sign, a0, peak, depth, cruise, up, down = lobes
    slowness = 1.0 / bounds.jerk
    rise, fall = np.minimum(peak, up), np.minimum(depth, down)
    has_cruise = cruise > 0.0
    phases[0] = (rise - a0) * slowness
    phases[1] = (np.maximum(peak, up) ** 2 - up * up) / up * slowness
    phases[2] = (rise + np.where(has_cruise, 0.0, fall)) * slowness
    phases[3] = cruise * slowness
    phases[4] = np.where(has_cruise, fall, 0.0) * slowness
    phases[5] = (np.maximum(depth, down) ** 2 - down * down) / down * slowness
    phases[6] = fall * slowness
    accelerations[0] = sign * a0
    accelerations[1] = accelerations[2] = sign * rise
    accelerations[5] = accelerations[6] = -sign * fall
    jerks[0] = jerks[6] = sign * bounds.jerk
    jerks[2] = jerks[4] = -jerks[0]


def _span(lobe: Floats, limit: Floats) -> Floats:
    return np.where(lobe > limit, limit + lobe * lobe / limit, 2.0 * lobe)


def _one_by_one(k: int, begin: Floats, end: Floats, bounds: _Bounds) -> Profile:
    vmin, vmax, amin, amax, jerk = (float(bound[k if len(bound) > 1 else 0]) for bound in bounds)
    try:
        return one_s_curve(State(*begin.tolist()), State(*end.tolist()), Limits((vmin, vmax), (amin, amax), jerk))
    except Infeasible as error:
        raise Infeasible(f"motion {k}: {error.reason}", error.would_fit) from None


def _questions(
    starts: ArrayLike, goals: ArrayLike, limits: Limits | Sequence[Limits]
) -> tuple[Floats, Floats, _Bounds]:
    """(n, 3) starts and goals and the limits, all of one length or, the limits, of one entry."""
    begin, end = _states("starts", starts), _states("goals", goals)
    given = [limits] if isinstance(limits, Limits) else list(limits)
    rows = [(*of.velocity, *of.acceleration, np.nan if of.jerk is None else of.jerk) for of in given]
    bounds = _Bounds(*np.array(rows, dtype=np.float64).reshape(-1, 5).T)
    counts = (len(begin), len(end), len(given))
    count = next((one for one in counts if one != 1), 1)
    if any(one not in (1, count) for one in counts):
        raise InvalidInput("count of starts, goals and limits", counts, "equal, or 1 for what counts for every motion")
    begin, end = (np.array(np.broadcast_to(states, (count, 3))) for states in (begin, end))
    outside = (end[:, 1] < bounds.vmin) | (end[:, 1] > bounds.vmax)
    if outside.any():
        k = int(np.argmax(outside))
        vmin, vmax = (float(bound[k if len(bound) > 1 else 0]) for bound in bounds[:2])
        raise GoalOutsideLimits(float(end[k, 1]), vmin, vmax, f"motion {k}")
    if end[:, 2].any():
        raise GoalAcceleration(float(end[np.argmax(end[:, 2] != 0.0), 2]))
    return begin, end, bounds


def _states(name: str, values: ArrayLike) -> Floats:
    array = _finite(name, [values] if isinstance(values, State) else values)
    if array.ndim > 2 or (array.ndim == 2 and not 1 <= array.shape[1] <= 3):
        raise InvalidInput(f"shape of the {name}", array.shape, "(n,), (n, 2) or (n, 3)")
    columns = array[:, None] if array.ndim == 1 else array
    states = np.zeros((len(columns), 3))
    states[:, : columns.shape[1]] = columns
    return states


def _refuse_the_other_way(stuck: Mask, missing: Floats) -> None:
    if stuck.any():
        k = int(np.argmax(stuck))
        error = one_way_only(1.0 if missing[k] > 0.0 else -1.0, abs(float(missing[k])))
        raise Infeasible(f"motion {k}: {error.reason}", error.would_fit)


def _finite(name: str, values: ArrayLike, allow_infinite: bool = False) -> Floats:
    try:
        array = np.atleast_1d(np.asarray(values, dtype=np.float64))
    except (TypeError, ValueError):
        raise InvalidInput(name, values, "an array of numbers") from None
    wrong = np.isnan(array) if allow_infinite else ~np.isfinite(array)
    if wrong.any():
        where = tuple(np.argwhere(wrong)[0].tolist())
        place = where[0] if len(where) == 1 else where
        raise InvalidInput(f"number {place} of the {name}", float(array[where]), "a finite number")
    return array
