"""The model of an axis refined until its simulated motion is the measured one (output error, multiple shooting).

The motion is cut into windows of `WINDOW`. In each, place and speed at its start are free; the model, driven by the
measured effort, runs from there, and the sum of the squared differences of its positions from the measured ones is
least (Gauss and Newton's method, slopes by differences). In this way noise of the positions biases nothing, which it
does where positions are differentiated (L. Ljung, System Identification: Theory for the User, 2nd edition, 1999,
section 3.2 and chapter 7). Friction without chatter: an impulse of at most coulomb times the step, never beyond rest.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import sqrt
from typing import NamedTuple

import numpy as np

from sequencer.tune.recorded import Array
from sequencer.tune.weak_form import Motion, lean, stuck_periods

WINDOW = 1.2
"""Length of a window [s]."""
SHORTEST = 0.15
"""A shorter window tells little and is left out [s]."""
SUBSTEPS = 4
"""So many steps of the model in a period [1]."""
MOST_WINDOWS = 80
"""So many windows are used, evenly out of all [1]."""
ROUNDS = 12
"""So many steps are made at most [1]."""
DIFFERENCE = 1e-4
"""By this share a value is changed to see what it does [1]."""


class Refined(NamedTuple):
    """Values in the order of the terms, what each block says of them (`information` (blocks, p, p) and `push`
    (blocks, p), at the values), the spread of what is left [m or rad], and how many samples were fitted."""

    values: Array
    information: Array
    push: Array
    spread: float
    samples: int


class _Windows(NamedTuple):
    """All windows side by side: periods, efforts and their leanings of shape (windows, m), positions (windows, m + 1).

    Those that are shorter have periods of 0 behind their end and weights of 0 there. `begin` (windows, 2) are place and
    speed.
    """

    periods: Array
    effort: Array
    leaning: Array
    position: Array
    weight: Array
    begin: Array
    carried: Array
    blocks: Array


def refine(motions: Sequence[Motion], terms: Sequence[str], values: Array, fastest: float) -> Refined | None:
    """Values that make the simulated motion the measured one.

    Args:
        motions: pieces of motion.
        terms: names out of `TERMS`, "back_emf" standing for "viscous".
        values: where to begin, such as those of the weak form.
        fastest: the greatest speed of the axis.

    Returns:
        None where no window is long enough, or the values lead away from any motion.
    """
    windows = _windows(motions, len(terms), fastest)
    if windows is None:
        return None
    values, begin = values.copy(), windows.begin.copy()
    scale = np.maximum(np.abs(values), 1e-3 * np.abs(values).max())
    left, slopes = _slopes(windows, terms, values, begin, scale)
    squares = float((left**2).sum())
    for _ in range(ROUNDS):
        blocks = _reduced(windows, left, slopes)
        normal, push = blocks.information.sum(axis=0), blocks.push.sum(axis=0)
        try:
            change: Array = np.linalg.solve(normal + 1e-12 * np.diag(np.diag(normal)), push)
        except np.linalg.LinAlgError:
            return None
        part = 1.0
        while part > 0.02:
            tried = values + part * change * scale
            moved = begin + part * _starts(windows, left, slopes, change)
            if tried[0] > 0.0:
                new = _left(windows, terms, tried, moved)
                fitted = float((new**2).sum())
                if np.isfinite(fitted) and fitted < squares:
                    break
            part *= 0.5
        else:
            break
        done = squares - fitted < 1e-9 * squares
        values, begin, squares = tried, moved, fitted
        left, slopes = _slopes(windows, terms, values, begin, scale)
        if done:
            break
    blocks = _reduced(windows, left, slopes)
    count = int(windows.weight.sum())
    free = max(count - len(values) - 2 * len(windows.begin), 1)
    information = blocks.information / np.outer(scale, scale)
    return Refined(values, information, blocks.push / scale, sqrt(squares / free), count)


def simulate(
    terms: Sequence[str],
    values: Array,
    begin: Array,
    periods: Array,
    effort: Array,
    leaning: Array | float = 0.0,
    carried: Array | float = 0.0,
) -> Array:
    """Positions of the model, shape (..., n + 1): the motion from `begin` under the mean efforts of n periods.

    Args:
        terms: names of the values.
        values: shape (..., p).
        begin: place and speed, shape (..., 2).
        periods: shape (..., n) [s].
        effort: shape (..., n).
        leaning: how the efforts change within their periods [per s], shape (..., n).
        carried: added to the values, shape (..., p).
    """
    whole = np.asarray(values + carried)
    of = {name: whole[..., place] for place, name in enumerate(terms)}
    inertia, coulomb = of["inertia"], of["coulomb"]
    viscous = of["viscous"] if "viscous" in of else of["back_emf"]
    turning, offset = "gravity_sine" in of, of.get("offset", 0.0)
    place, speed = begin[..., 0] + 0.0 * inertia, begin[..., 1] + 0.0 * inertia
    found = [place]
    leanings = np.broadcast_to(leaning, effort.shape)
    for period in range(periods.shape[-1]):
        step = periods[..., period] / SUBSTEPS
        half = 0.5 * step * viscous
        limit, divisor = step * coulomb, inertia + half
        for substep in range(SUBSTEPS):
            push = effort[..., period] + (substep + 0.5 - 0.5 * SUBSTEPS) * step * leanings[..., period]
            if turning:
                middle = place + 0.5 * step * speed
                weight = of["gravity"] * np.cos(middle) + of["gravity_sine"] * np.sin(middle) + offset
            else:
                weight = of["gravity"]
            total = (inertia - half) * speed + step * (push - weight)
            after = np.sign(total) * np.maximum(np.abs(total) - limit, 0.0) / divisor
            place = place + 0.5 * step * (speed + after)
            speed = after
        found.append(place)
    return np.stack(found, axis=-1)


def _windows(motions: Sequence[Motion], count: int, fastest: float) -> _Windows | None:
    pieces: list[Motion] = []
    for motion in motions:
        goes = np.flatnonzero(stuck_periods(motion.rate, fastest) == 0.0)
        if not len(goes):
            continue
        for run in np.split(goes, np.flatnonzero(np.diff(goes) > 1) + 1):
            first, last = int(run[0]), int(run[-1]) + 1
            length = max(round(WINDOW / float(np.median(np.diff(motion.times)))), 2)
            for start in range(first, last, length):
                end = min(start + length, last)
                if motion.times[end] - motion.times[start] >= SHORTEST:
                    pieces.append(_cut(motion, start, end))
    if not pieces:
        return None
    if len(pieces) > MOST_WINDOWS:
        pieces = [pieces[round(place)] for place in np.linspace(0, len(pieces) - 1, MOST_WINDOWS)]
    longest = max(len(piece.effort) for piece in pieces)
    periods, effort, leaning = np.zeros((3, len(pieces), longest))
    position, weight = np.zeros((2, len(pieces), longest + 1))
    for number, piece in enumerate(pieces):
        size = len(piece.effort)
        periods[number, :size], effort[number, :size] = np.diff(piece.times), piece.effort
        leaning[number, :size] = lean(piece)
        position[number, : size + 1], weight[number, : size + 1] = piece.position, 1.0
    begin = np.array([(piece.position[0], piece.rate[0]) for piece in pieces])
    carried = np.array([piece.carried[:count] or (0.0,) * count for piece in pieces])
    blocks = np.array([piece.block for piece in pieces])
    return _Windows(periods, effort, leaning, position, weight, begin, carried, blocks)


def _cut(motion: Motion, start: int, end: int) -> Motion:
    part = slice(start, end + 1)
    return motion._replace(
        times=motion.times[part],
        position=motion.position[part],
        rate=motion.rate[part],
        effort=motion.effort[start:end],
    )


def _left(windows: _Windows, terms: Sequence[str], values: Array, begin: Array) -> Array:
    """Measured less simulated positions, 0 behind the end of a window."""
    with np.errstate(over="ignore", invalid="ignore"):
        made = simulate(terms, values, begin, windows.periods, windows.effort, windows.leaning, windows.carried)
        left: Array = (windows.position - made) * windows.weight
    return left


def _slopes(windows: _Windows, terms: Sequence[str], values: Array, begin: Array, scale: Array) -> tuple[Array, Array]:
    """What is left, and how the simulated positions change with each value (in units of `scale`) and each start."""
    size = len(values)
    starts = np.maximum(np.abs(begin).max(axis=0), 1e-3)
    many = np.repeat(values[None, None, :], size + 3, axis=0)
    begins = np.repeat(begin[None, :, :], size + 3, axis=0)
    for place in range(size):
        many[place + 1, 0, place] += DIFFERENCE * scale[place]
    for place in range(2):
        begins[size + 1 + place, :, place] += DIFFERENCE * starts[place]
    made = simulate(terms, many, begins, windows.periods, windows.effort, windows.leaning, windows.carried)
    left = (windows.position - made[0]) * windows.weight
    slopes = (made[1:] - made[0]) * windows.weight / DIFFERENCE
    slopes[size:] /= starts[:, None, None]
    return left, np.moveaxis(slopes, 0, -1)


class _Reduced(NamedTuple):
    information: Array
    push: Array


def _reduced(windows: _Windows, left: Array, slopes: Array) -> _Reduced:
    """Normal equations of the values by block, the starts of the windows solved for."""
    own, starts = slopes[..., :-2], slopes[..., -2:]
    basis, _ = np.linalg.qr(starts)
    flipped = np.swapaxes(basis, 1, 2)
    own = own - basis @ (flipped @ own)
    rest = left - (basis @ (flipped @ left[..., None]))[..., 0]
    information = np.swapaxes(own, 1, 2) @ own
    push = (np.swapaxes(own, 1, 2) @ rest[..., None])[..., 0]
    numbers, where = np.unique(windows.blocks, return_inverse=True)
    of_blocks = np.zeros((len(numbers), *information.shape[1:]))
    pushes = np.zeros((len(numbers), push.shape[1]))
    np.add.at(of_blocks, where, information)
    np.add.at(pushes, where, push)
    return _Reduced(of_blocks, pushes)


def _starts(windows: _Windows, left: Array, slopes: Array, change: Array) -> Array:
    """How the starts change when the values do."""
    own, starts = slopes[..., :-2], slopes[..., -2:]
    rest = left - own @ change
    flipped = np.swapaxes(starts, 1, 2)
    square = flipped @ starts + 1e-15 * np.eye(2)
    return np.linalg.solve(square, flipped @ rest[..., None])[..., 0].astype(float)
