"""Many motions at once with numpy: samples of one profile, and all rest-to-rest motions of one axis in closed form.

The only module of the package that needs numpy.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from profiles.errors import Infeasible, InvalidInput, JerkLimitMissing
from profiles.limits import Limits
from profiles.profile import Profile

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Moves:
    """n motions from rest to rest, each a chain of k phases of constant jerk or constant acceleration.

    Attributes:
        starts: (n,) positions at time 0 [m or rad].
        goals: (n,) positions at the end [m or rad].
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
        position = np.broadcast_to(self.starts[:, None], (len(self), len(at))).copy()
        velocity = np.zeros_like(position)
        acceleration = np.zeros_like(position)
        left = np.broadcast_to(np.maximum(at, 0.0), position.shape).copy()
        for k in range(self.phases.shape[1]):
            elapsed = np.minimum(left, self.phases[:, k, None])
            here = elapsed > 0.0
            begin = self.accelerations[:, k, None]
            change = self.jerks[:, k, None] * elapsed
            position += elapsed * (velocity + elapsed * (begin * 0.5 + change / 6.0))
            velocity += elapsed * (begin + change * 0.5)
            acceleration = np.where(here, begin + change, acceleration)
            left -= elapsed
        ended = at >= self.durations[:, None]
        position = np.where(ended, self.goals[:, None], position)
        moving = ~ended & (at > 0.0)
        return np.stack([position, velocity * moving, acceleration * moving], axis=-1)


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
    states[at <= 0.0] = profile.start
    states[at >= profile.duration] = profile.goal
    return states


def s_curve(starts: ArrayLike, goals: ArrayLike, limits: Limits) -> Moves:
    """The fastest jerk-limited motions from rest to rest between pairs of positions, k = 7 phases each.

    With x^2/J the peak velocity, A the lower and B the higher of the two acceleration limits, and D = |d| J^2: x =
    (D/2)^(1/3) while x <= A; then x (x + A) = sqrt(2 D A) while x <= B; then x^4 (1/A + 1/B) + x^2 (A + B) = 2 D;
    and no more than the velocity limit allows. Each is its own closed form of the equation that profiles.scurve
    solves.

    Args:
        starts: Positions [m or rad], broadcast against `goals` to (n,).
        goals: Positions [m or rad].
        limits: Limits of the axis.

    Raises:
        InvalidInput: If a position is not finite.
        JerkLimitMissing: If the limits have no jerk limit.
        Infeasible: If the axis may move one way only and a goal lies the other way.
    """
    if limits.jerk is None:
        raise JerkLimitMissing
    begin, end = _pairs(starts, goals)
    distance = end - begin
    sign, up, down, fastest = _directed(distance, limits)
    jerk = limits.jerk
    wanted = np.abs(distance) * jerk * jerk
    low, high = np.minimum(up, down), np.maximum(up, down)
    both_free = np.cbrt(0.5 * wanted)
    one_clipped = 0.5 * (np.sqrt(low * low + 4.0 * np.sqrt(2.0 * wanted * low)) - low)
    total = low + high
    both_clipped = np.sqrt(4.0 * wanted / (total + np.sqrt(total * total + 8.0 * wanted * (1.0 / low + 1.0 / high))))
    peak = np.where(both_free <= low, both_free, np.where(one_clipped <= high, one_clipped, both_clipped))
    scaled_limit = fastest * jerk
    at_limit = peak >= np.sqrt(scaled_limit)
    peak = np.where(at_limit, np.sqrt(scaled_limit), peak)
    reached = 0.5 * peak * peak * (_span(peak, up) + _span(peak, down))
    cruise = np.where(at_limit, np.maximum(wanted - reached, 0.0) / np.where(at_limit, scaled_limit, 1.0), 0.0)
    rise, fall = np.minimum(peak, up), np.minimum(peak, down)
    square = peak * peak
    holding = np.maximum(square - up * up, 0.0) / up
    eased = np.maximum(square - down * down, 0.0) / down
    phases = np.stack([rise, holding, rise, cruise, fall, eased, fall], axis=-1) / jerk
    still = np.zeros_like(rise)
    accelerations = sign[:, None] * np.stack([still, rise, rise, still, still, -fall, -fall], axis=-1)
    jerks = sign[:, None] * jerk * np.array([1.0, 0.0, -1.0, 0.0, -1.0, 0.0, 1.0])
    return Moves(begin, end, phases, accelerations, jerks, phases.sum(axis=1))


def trapezoid(starts: ArrayLike, goals: ArrayLike, limits: Limits) -> Moves:
    """The fastest motions from rest to rest without a jerk limit between pairs of positions, k = 3 phases each.

    The peak velocity is sqrt(2 u w d/(u + w)) with up-rate u and down-rate w, or the velocity limit.

    Args:
        starts: Positions [m or rad], broadcast against `goals` to (n,).
        goals: Positions [m or rad].
        limits: Limits of the axis; the jerk limit is ignored.

    Raises:
        InvalidInput: If a position is not finite.
        Infeasible: If the axis may move one way only and a goal lies the other way.
    """
    begin, end = _pairs(starts, goals)
    distance = end - begin
    sign, up, down, fastest = _directed(distance, limits)
    wanted = np.abs(distance)
    peak = np.minimum(np.sqrt(2.0 * up * down * wanted / (up + down)), fastest)
    left = np.maximum(wanted - 0.5 * peak * peak * (1.0 / up + 1.0 / down), 0.0)
    at_limit = peak >= fastest
    cruise = np.where(at_limit, left / np.where(at_limit, fastest, 1.0), 0.0)
    phases = np.stack([peak / up, cruise, peak / down], axis=-1)
    accelerations = sign[:, None] * np.stack([up, np.zeros_like(up), -down], axis=-1)
    return Moves(begin, end, phases, accelerations, np.zeros_like(phases), phases.sum(axis=1))


def _span(lobe: Floats, limit: Floats) -> Floats:
    return np.where(lobe > limit, limit + lobe * lobe / limit, 2.0 * lobe)


def _pairs(starts: ArrayLike, goals: ArrayLike) -> tuple[Floats, Floats]:
    begin, end = _finite("starts", starts), _finite("goals", goals)
    try:
        begin, end = np.broadcast_arrays(begin, end)
    except ValueError:
        shapes = (begin.shape, end.shape)
        raise InvalidInput("shapes of starts and goals", shapes, "equal, or one of them a single number") from None
    return begin.copy(), end.copy()


def _directed(distance: Floats, limits: Limits) -> tuple[Floats, Floats, Floats, Floats]:
    """Sign, up-rate, down-rate and highest speed in the direction of each motion; that of no motion does not matter."""
    (vmin, vmax), (amin, amax) = limits.velocity, limits.acceleration
    forward = distance >= 0.0 if vmax > 0.0 else distance > 0.0
    fastest = np.where(forward, vmax, -vmin)
    stuck = (fastest == 0.0) & (distance != 0.0)
    if stuck.any():
        k = int(np.argmax(stuck))
        raise Infeasible(
            f"motion {k} is {distance[k]:.6g} long and the velocity limits are {vmin:.6g} to {vmax:.6g}",
            "A goal the other way, or wider velocity limits, would fit.",
        )
    return (
        np.where(forward, 1.0, -1.0),
        np.where(forward, amax, -amin),
        np.where(forward, -amin, amax),
        fastest,
    )


def _finite(name: str, values: ArrayLike, allow_infinite: bool = False) -> Floats:
    try:
        array = np.atleast_1d(np.asarray(values, dtype=np.float64))
    except (TypeError, ValueError):
        raise InvalidInput(name, values, "an array of numbers") from None
    if array.ndim != 1:
        raise InvalidInput(f"shape of the {name}", array.shape, "(n,)")
    wrong = np.isnan(array) if allow_infinite else ~np.isfinite(array)
    if wrong.any():
        k = int(np.argmax(wrong))
        raise InvalidInput(f"number {k} of the {name}", float(array[k]), "a finite number")
    return array
