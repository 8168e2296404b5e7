"""Distances and certified bounds of many configurations or boxes at once, with numpy; the mathematics of `polygon` and
`box`. Points and directions are complex numbers, x forward and y up."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from sequencer.clearance.box import PAD, PAD_PER_SIZE, Pair, Slide, View
from sequencer.clearance.polygon import Polygon
from sequencer.clearance.tree import Turn

Floats = npt.NDArray[np.float64]
Complexes = npt.NDArray[np.complex128]

AT_ONCE = 8192
"""So many boxes are worked on together: more would not fit the processor's caches [1]."""


class Bounds(NamedTuple):
    """Of one pair over many boxes: `lower` bounds and distances at their `centre` [m], each of shape (n,)."""

    lower: Floats
    centre: Floats


class _Apart(NamedTuple):
    """As `polygon.Apart`, each of shape (n,)."""

    distance: Floats
    direction: Complexes
    owner: npt.NDArray[np.int8]


def signed_distances(first: npt.ArrayLike, second: npt.ArrayLike) -> Floats:
    """Signed distances [m] of many pairs of convex polygons, shape (n,).

    Args:
        first: vertices [m], counter-clockwise, shape (n, p, 2).
        second: vertices [m], counter-clockwise, shape (n, q, 2).
    """
    one, other = (np.asarray(points, dtype=np.float64) for points in (first, second))
    return _apart(one[..., 0] + 1j * one[..., 1], other[..., 0] + 1j * other[..., 1]).distance


def box_clearances(pairs: Sequence[Pair], low: npt.ArrayLike, high: npt.ArrayLike) -> Floats:
    """A guaranteed lower bound [m] of the distance of each pair over each of n boxes, shape (pairs, n).

    Args:
        pairs: the pairs, all of one tree with k coordinates.
        low: lowest values [m or rad], shape (n, k).
        high: highest values, shape (n, k).
    """
    return np.array([bounds(pair, low, high).lower for pair in pairs])


def distances(pair: Pair, values: npt.ArrayLike) -> Floats:
    """The signed distance [m] of a pair at each of n configurations, shape (n,).

    Args:
        pair: the pair, of a tree with k coordinates.
        values: shape (n, k) [m or rad].
    """
    table = np.asarray(values, dtype=np.float64)
    return bounds(pair, table, table).centre


def bounds(pair: Pair, low: npt.ArrayLike, high: npt.ArrayLike) -> Bounds:
    """As `Pair.bound`, for n boxes.

    Args:
        pair: the pair, of a tree with k coordinates.
        low: lowest values [m or rad], shape (n, k).
        high: highest values, shape (n, k).
    """
    begin, end = (np.asarray(table, dtype=np.float64) for table in (low, high))
    lower, centre = np.empty(len(begin)), np.empty(len(begin))
    for start in range(0, len(begin), AT_ONCE):
        part = slice(start, start + AT_ONCE)
        lower[part], centre[part] = _bounds(pair, begin[part].T, end[part].T)
    return Bounds(lower, centre)


def _bounds(pair: Pair, low: Floats, high: Floats) -> Bounds:
    middle, half = 0.5 * (low + high), 0.5 * (high - low)
    change, size = np.zeros(low.shape[1]), np.full(low.shape[1], pair.size)
    for number, constant, least, most in pair.reach:
        change += constant * half[number]
        beyond = (low[number] < least) | (high[number] > most)
        change[beyond] = np.inf
        size += np.where(beyond, abs(middle[number]) + half[number], 0.0)
    pad = PAD + PAD_PER_SIZE * size
    still = np.all([half[number] == 0.0 for number, *_ in pair.reach], axis=0) if pair.reach else np.bool_(True)
    view, away = pair.toward, pair.away
    turned = np.exp(1j * _angle(view.turn, middle))
    offset = _offset(view, middle, turned)
    lower, nearest = np.full(low.shape[1], np.inf), np.full(low.shape[1], np.inf)
    for i, resting in enumerate(view.resting):
        mine = _vertices(resting)[None, :]
        for j, moving in enumerate(view.moving):
            placed = offset[:, None] + turned[:, None] * _vertices(moving)[None, :]
            distance, direction, owner = _apart(mine, placed)
            toward = _directional(view, resting, moving, direction, middle, half)
            back = _directional(away, away.resting[j], away.moving[i], -direction / turned, middle, half)
            sure = np.where(owner == 2, back, toward)
            bound = np.where(still, distance, np.minimum(distance, np.maximum(distance - change, sure)))
            np.minimum(lower, bound - pad, out=lower)
            np.minimum(nearest, distance, out=nearest)
    return Bounds(lower, nearest)


def _apart(one: Complexes, other: Complexes) -> _Apart:
    """Of polygons (n or 1, p) and (n, q): distance, direction from the first to the second, owner of that normal."""
    mine, hers = _normals(one), _normals(other)
    by_mine = (_dot(mine[:, :, None], other[:, None, :]).min(axis=2)) - _offsets(mine, one)
    by_hers = (_dot(hers[:, :, None], one[:, None, :]).min(axis=2)) - _offsets(hers, other)
    rows = np.arange(len(other))
    first, second = by_mine.argmax(axis=1), by_hers.argmax(axis=1)
    best, rival = by_mine[rows, first], by_hers[rows, second]
    owner = np.where(rival > best, 2, 1).astype(np.int8)
    distance = np.maximum(best, rival)
    direction = np.where(owner == 2, -hers[rows, second], mine[np.minimum(rows, len(mine) - 1), first])
    apart = distance > 0.0
    if apart.any():
        near = one if len(one) == 1 else one[apart]
        toward = _nearest(near, other[apart], 1.0)
        backward = _nearest(other[apart], near, -1.0)
        vector = np.where(abs(toward) <= abs(backward), toward, backward)
        length = abs(vector)
        corner = length > distance[apart] * (1.0 + 1e-14)
        where = np.flatnonzero(apart)[corner]
        distance[where] = length[corner]
        direction[where] = vector[corner] / length[corner]
        owner[where] = 0
    return _Apart(distance, direction, owner)


def _nearest(one: Complexes, other: Complexes, sign: float) -> Complexes:
    """The shortest vector from an edge of the first polygons to a vertex of the second, times the sign, shape (n,)."""
    along = np.roll(one, -1, axis=1) - one
    from_start = other[:, None, :] - one[:, :, None]
    length = (along * along.conj()).real
    where = np.clip(_dot(along[:, :, None], from_start) / length[:, :, None], 0.0, 1.0)
    # inner cells of a polygon are never nearer than its edge, since the two are apart
    vectors: Complexes = (from_start - where * along[:, :, None]).reshape(len(from_start), -1)
    shortest: Complexes = sign * vectors[np.arange(len(vectors)), abs(vectors).argmin(axis=1)]
    return shortest


def _directional(
    view: View, resting: Polygon, moving: Polygon, direction: Complexes, middle: Floats, half: Floats
) -> Floats:
    """As `box._directional`, for directions of shape (n,)."""
    total = -_dot(direction[:, None], _vertices(resting)[None, :]).max(axis=1)
    for number, x, y in view.slides:
        along = _dot(direction, complex(x, y))
        total += along * middle[number] - abs(along) * half[number]
    for turn, a, b, slides in view.links:
        swing = _swing(turn, half)
        back = direction * np.exp(-1j * _angle(turn, middle))
        vector, spread = _sliding(complex(a, b), slides, back, swing, middle, half)
        total -= spread + _most(-_dot(back, vector), abs(_cross(back, vector)), swing)
    swing = _swing(view.turn, half)
    back = direction * np.exp(-1j * _angle(view.turn, middle))
    vector, spread = _sliding(0j, view.turned_slides, back, swing, middle, half)
    tips = _vertices(moving)[None, :] + np.broadcast_to(vector, back.shape)[:, None]
    most = _most(-_dot(back[:, None], tips), abs(_cross(back[:, None], tips)), swing[:, None])
    result: Floats = total - spread - most.max(axis=1)
    return result


def _sliding(
    constant: complex, slides: Sequence[Slide], back: Complexes, swing: Floats, middle: Floats, half: Floats
) -> tuple[Complexes, Floats]:
    """The vector with its slides in the middle, and how much less it can be along a direction by their strokes."""
    vector: Any = np.full(back.shape, constant)
    spread = np.zeros(back.shape)
    for number, x, y in slides:
        step = complex(x, y)
        vector = vector + middle[number] * step
        spread += half[number] * _most(abs(_dot(back, step)), abs(_cross(back, step)), swing)
    return vector, spread


def _offset(view: View, middle: Floats, turned: Complexes) -> Complexes:
    found: Any = turned * sum((middle[number] * complex(x, y) for number, x, y in view.turned_slides), 0j)
    for number, x, y in view.slides:
        found = found + middle[number] * complex(x, y)
    for turn, a, b, slides in view.links:
        vector = complex(a, b) + sum((middle[number] * complex(x, y) for number, x, y in slides), 0j)
        found = found + np.exp(1j * _angle(turn, middle)) * vector
    return np.asarray(found, dtype=np.complex128)


def _most(along: Floats, across: Floats, swing: Floats) -> Floats:
    cosine, sine = np.cos(swing), np.sin(swing)
    whole = (swing >= 0.5 * np.pi) | ((along > 0.0) & (along * sine >= across * cosine))
    return np.where(whole, np.hypot(along, across), along * cosine + across * sine)


def _angle(turn: Turn, values: Floats) -> Floats:
    return sum((share * values[number] for number, share in turn), np.zeros(values.shape[1]))


def _swing(turn: Turn, half: Floats) -> Floats:
    return sum((abs(share) * half[number] for number, share in turn), np.zeros(half.shape[1]))


def _vertices(one: Polygon) -> Complexes:
    return np.array([complex(x, y) for x, y in one.vertices])


def _normals(one: Complexes) -> Complexes:
    along = np.roll(one, -1, axis=1) - one
    result: Complexes = -1j * along / abs(along)
    return result


def _offsets(normals: Complexes, points: Complexes) -> Floats:
    """Of each edge: the larger of its two ends along its normal."""
    return np.maximum(_dot(normals, points), _dot(normals, np.roll(points, -1, axis=1)))


def _dot(one: Any, other: Any) -> Floats:
    result: Floats = np.real(one) * np.real(other) + np.imag(one) * np.imag(other)
    return result


def _cross(one: Any, other: Any) -> Floats:
    result: Floats = np.real(one) * np.imag(other) - np.imag(one) * np.real(other)
    return result
