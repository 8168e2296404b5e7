"""The model of an axis from its motion and its drive, without differentiating anything.

    effort = inertia x'' + coulomb sign(x') + viscous x' + gravity(x)

is multiplied by smooth bumps phi of `WIDTH` and integrated by parts, so that positions stand where accelerations stood:

    integral phi effort = -inertia integral phi' x' + coulomb integral phi sign(x') - viscous integral phi' x + ...

which is linear in what is looked for (weak or modulating-function form; M. Shinbrot, On the analysis of linear and
nonlinear dynamical systems from transient-response data, NACA TN 3288, 1954). Between samples phi runs straight, so
that integral phi' x' is exact and the effort enters with its mean over each period, which is what should be logged.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from sequencer.tune.recorded import Array

WIDTH = 0.2
"""Length of a bump [s]."""
STEP = 0.04
"""From bump to bump [s]."""
LEAST_IN_BUMP = 6
"""A bump over fewer periods is too rough to stand for an integral [1]."""
STUCK = 0.02
"""Slower than this share of its greatest speed an axis may stick, where friction is not known [1]."""

TERMS = {
    "linear": ("inertia", "coulomb", "viscous", "gravity"),
    "rotary": ("inertia", "coulomb", "viscous", "gravity", "gravity_sine", "offset"),
}
"""What is looked for by kind of axis. On a rotary axis weight acts as gravity cos x + gravity_sine sin x, and what
pulls the same everywhere is the offset; on a linear one both are one number, gravity."""


class Motion(NamedTuple):
    """An unbroken piece of motion: samples of shape (n,), and of each period between them, shape (n - 1,), the mean
    `effort` (a force, a torque, a current or a voltage). `rate` is how fast it goes at the samples; only its sign and
    whether it is near 0 count. `block` numbers the move that it is of. `carried` is what is known to act besides, in
    the order of the terms.
    """

    times: Array
    position: Array
    rate: Array
    effort: Array
    block: int = 0
    carried: tuple[float, ...] = ()


class Equations(NamedTuple):
    """Linear equations `table` @ values = `right`, with the block that each is of."""

    table: Array
    right: Array
    blocks: Array


def equations(motions: Sequence[Motion], terms: Sequence[str], fastest: float, width: float = WIDTH) -> Equations:
    """One equation for every bump that lies within a motion and touches no standstill.

    Args:
        motions: pieces of motion.
        terms: names out of `TERMS`, "back_emf" standing for "viscous".
        fastest: the greatest speed of the axis; below a share of it it counts as standing.
        width: length of the bumps [s].
    """
    tables, rights, blocks = [], [], []
    for motion in motions:
        found = _of_motion(motion, terms, fastest, width)
        if found is None:
            continue
        table, right = found
        if motion.carried:
            right = right - table @ np.array(motion.carried[: len(terms)])
        tables.append(table)
        rights.append(right)
        blocks.append(np.full(len(right), float(motion.block)))
    if not tables:
        return Equations(np.zeros((0, len(terms))), np.zeros(0), np.zeros(0))
    return Equations(np.vstack(tables), np.concatenate(rights), np.concatenate(blocks))


def sense_of_periods(rate: Array) -> Array:
    """Mean of the sign of the speed over each period, shape (n - 1,), the speed running straight between samples."""
    total = np.abs(rate[:-1]) + np.abs(rate[1:])
    sense: Array = (rate[:-1] + rate[1:]) / np.where(total > 0.0, total, 1.0)
    return sense


def stuck_periods(rate: Array, fastest: float) -> Array:
    """1 for each period in which the axis may stand, else 0: it is slow at both ends and does not turn round."""
    slow = np.abs(rate) < STUCK * fastest
    stands: Array = (slow[:-1] & slow[1:]).astype(float)
    return stands


def _of_motion(motion: Motion, terms: Sequence[str], fastest: float, width: float) -> tuple[Array, Array] | None:
    times, position = motion.times, motion.position
    if len(times) <= LEAST_IN_BUMP or times[-1] - times[0] < width:
        return None
    periods = np.diff(times)
    half = 0.5 * width
    centres = np.arange(times[0] + half, times[-1] - half + 1e-9, STEP)
    shape = 1.0 - ((times[None, :] - centres[:, None]) / half) ** 2
    bumps = np.where(shape > 0.0, shape, 0.0) ** 4
    within = (bumps > 0.0).sum(axis=1)
    middle = 0.5 * (bumps[:, :-1] + bumps[:, 1:])
    stands = (middle * stuck_periods(motion.rate, fastest)).sum(axis=1) > 0.0
    used = (within >= LEAST_IN_BUMP) & ~stands
    if not used.any():
        return None
    bumps, middle = bumps[used], middle[used] * periods
    slopes = np.diff(bumps, axis=1) / periods
    steps, rate = np.diff(position), motion.rate
    sine, cosine = np.sin(position), np.cos(position)
    mean = _mean(position, rate, periods)
    columns = {
        "inertia": lambda: -slopes @ steps,
        "coulomb": lambda: middle @ sense_of_periods(motion.rate),
        "viscous": lambda: -slopes @ ((mean - mean[0]) * periods),
        "gravity_sine": lambda: middle @ _mean(sine, cosine * rate, periods),
        "offset": lambda: middle.sum(axis=1),
    }
    columns["back_emf"] = columns["viscous"]
    columns["gravity"] = columns["offset"]
    if "gravity_sine" in terms:
        columns["gravity"] = lambda: middle @ _mean(cosine, -sine * rate, periods)
    # Effort and bump both lean within a period; what their leanings make together is added to what their means make.
    right = middle @ motion.effort + slopes @ (lean(motion) * periods**3 / 12.0)
    return np.column_stack([columns[term]() for term in terms]), right


def lean(motion: Motion) -> Array:
    """How the effort changes within each period [per s], from the means of its neighbours, shape (n - 1,)."""
    if len(motion.effort) < 3:
        return np.zeros(len(motion.effort))
    middles = 0.5 * (motion.times[1:] + motion.times[:-1])
    slope: Array = np.gradient(motion.effort, middles)
    return slope


def _mean(values: Array, slopes: Array, periods: Array) -> Array:
    """Means over the periods of what has these values and slopes at their ends, shape (n - 1,)."""
    mean: Array = 0.5 * (values[1:] + values[:-1]) - np.diff(slopes) * periods / 12.0
    return mean
