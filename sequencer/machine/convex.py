"""Convex polygons as people write them: cleaned where the meaning is plain, refused with a reason where it is not."""

from __future__ import annotations

from collections.abc import Sequence
from math import atan2, hypot, isfinite, pi

from sequencer.errors import ModelError

Point = tuple[float, float]
"""Forward and up [m]."""

SAME = 1e-9
"""Two vertices this near are one, and a vertex this near to the line through its neighbours is left out [m]."""

FARTHEST = 1e4
"""A coordinate beyond it is refused [m]: rounding would eat into clearances."""

WIDEST = 20.0
"""A part wider than this is taken for millimetres [m]."""


def convex(points: Sequence[Sequence[float]]) -> tuple[Point, ...]:
    """The vertices [m] of a convex polygon, counter-clockwise, without doubles and without vertices on a straight edge.

    >>> convex([(0.0, 0.0), (0.0, 1.0), (1.0, 1.0), (1.0, 0.5), (1.0, 0.0)])
    ((1.0, 0.0), (1.0, 1.0), (0.0, 1.0), (0.0, 0.0))

    Args:
        points: the vertices in either sense of turning, each (forward, up) [m].

    Raises:
        ModelError: a coordinate is not a number or too large, or the polygon has no area, is concave or crosses itself.
            The message is the second half of a sentence that begins with the name of the polygon.
    """
    found = [_point(number, point) for number, point in enumerate(points, 1)]
    if not found:
        raise ModelError("has no vertices; a polygon needs at least three")
    _refuse_millimetres(found)
    found = _without_doubles(found)
    if _signed_area(found) < 0.0:
        found.reverse()
    kept = _without_straight(found)
    if len(kept) < 3:
        _refuse_specks(points)
        raise ModelError("has no area: all its vertices lie on one line; a polygon needs three that do not")
    _refuse_spikes(kept)
    turns = [_turn(kept, k) for k in range(len(kept))]
    if all(turn > 0.0 for turn in turns) or all(turn < 0.0 for turn in turns):
        rounds = round(sum(abs(_angle(kept, k)) for k in range(len(kept))) / (2.0 * pi))
        if rounds != 1:
            raise ModelError(
                f"crosses itself: its edges turn {rounds} times round (a star does); "
                "list the vertices in the order of a walk along the outline"
            )
        return tuple(kept)
    crossing = _crossing(kept)
    if crossing is not None:
        first, second = crossing
        raise ModelError(
            f"crosses itself: the edge from {_show(kept[first])} and the edge from {_show(kept[second])} meet; "
            "list the vertices in the order of a walk along the outline"
        )
    inward = next(k for k, turn in enumerate(turns) if turn < 0.0)
    parts = ", ".join(_written(part) for part in convex_parts(kept))
    raise ModelError(
        f"is concave: its outline turns inwards at {_show(kept[inward])}; "
        f"write it as several convex parts, for instance parts: [{parts}]"
    )


def convex_parts(points: Sequence[Point]) -> list[tuple[Point, ...]]:
    """Convex polygons that make up a simple one.

    At the first inward vertex the edge that leads there is carried on until it meets the outline; both halves are cut
    again in the same way.

    Args:
        points: vertices of a counter-clockwise polygon that does not cross itself, in order [m].
    """
    ring = _without_straight(_without_doubles(list(points)))
    if len(ring) < 3:
        return []
    inward = next((k for k in range(len(ring)) if _turn(ring, k) < 0.0), None)
    if inward is None:
        return [tuple(ring)]
    count = len(ring)
    corner, before = ring[inward], ring[inward - 1]
    ahead = (corner[0] - before[0], corner[1] - before[1])
    nearest, edge, met = float("inf"), -1, corner
    for k in range(inward + 1, inward + count - 1):
        start, end = ring[k % count], ring[(k + 1) % count]
        along = (end[0] - start[0], end[1] - start[1])
        scale = _cross(ahead, along)
        if scale == 0.0:
            continue
        offset = (start[0] - corner[0], start[1] - corner[1])
        far, where = _cross(offset, along) / scale, _cross(offset, ahead) / scale
        if 0.0 < far < nearest and 0.0 <= where <= 1.0:
            nearest, edge = far, k
            met = (corner[0] + far * ahead[0], corner[1] + far * ahead[1])
    one = [corner, *(ring[k % count] for k in range(inward + 1, edge + 1)), met]
    other = [met, *(ring[k % count] for k in range(edge + 1, inward + count))]
    return convex_parts(one) + convex_parts(other)


def _point(number: int, point: Sequence[float]) -> Point:
    if len(point) != 2:
        raise ModelError(f"has {len(point)} coordinates at vertex {number}; each vertex is [forward, up]")
    x, y = float(point[0]), float(point[1])
    for value in (x, y):
        if not isfinite(value):
            raise ModelError(f"has {value} as a coordinate of vertex {number}; each must be a finite length")
        if abs(value) > FARTHEST:
            raise ModelError(
                f"has {value:g} m as a coordinate of vertex {number}; at most {FARTHEST:g} m is allowed "
                "(are these millimetres?)"
            )
    return x, y


def _refuse_millimetres(points: Sequence[Point]) -> None:
    span = max(max(p[k] for p in points) - min(p[k] for p in points) for k in (0, 1))
    if span > WIDEST:
        raise ModelError(f"is {span:g} m across; at most {WIDEST:g} m is allowed (are these millimetres?)")


def _refuse_specks(points: Sequence[Sequence[float]]) -> None:
    """Of vertices that have become one: that it is too small, not that they lie on one line."""
    size = max(hypot(x - points[0][0], y - points[0][1]) for x, y in points)
    if len(points) > 2 and 0.0 < size <= 10.0 * SAME:
        raise ModelError(
            f"is only {size:.3g} m across, and vertices within {SAME:g} m of each other are one; "
            "give lengths with the unit that they are meant in"
        )


def _without_doubles(points: list[Point]) -> list[Point]:
    kept: list[Point] = []
    for point in points:
        if not kept or not _same(kept[-1], point):
            kept.append(point)
    while len(kept) > 1 and _same(kept[0], kept[-1]):
        kept.pop()
    return kept


def _without_straight(points: list[Point]) -> list[Point]:
    """Without the vertices that lie on the way from the one before to the one after."""
    kept = list(points)
    k = 0
    while k < len(kept) and len(kept) > 2:
        before, here, after = kept[k - 1], kept[k], kept[(k + 1) % len(kept)]
        along = (after[0] - before[0], after[1] - before[1])
        length = hypot(*along)
        offset = (here[0] - before[0], here[1] - before[1])
        forward = offset[0] * along[0] + offset[1] * along[1]
        if length > SAME and abs(_cross(along, offset)) <= SAME * length and 0.0 <= forward <= length * length:
            del kept[k]
            k = max(k - 1, 0)
        else:
            k += 1
    return kept


def _refuse_spikes(points: Sequence[Point]) -> None:
    for k in range(len(points)):
        if abs(abs(_angle(points, k)) - pi) < 1e-9:
            raise ModelError(f"has no area at {_show(points[k])}: its outline turns back on itself there")


def _crossing(points: Sequence[Point]) -> tuple[int, int] | None:
    """The first two edges, by the vertex each starts from, that meet although they are not neighbours."""
    count = len(points)
    for i in range(count):
        for j in range(i + 2, count):
            if (j + 1) % count == i:
                continue
            a, b, c, d = points[i], points[i + 1], points[j], points[(j + 1) % count]
            if _side(a, b, c) * _side(a, b, d) <= 0.0 and _side(c, d, a) * _side(c, d, b) <= 0.0:
                return i, j
    return None


def _signed_area(points: Sequence[Point]) -> float:
    return 0.5 * sum(_cross(points[k - 1], points[k]) for k in range(len(points)))


def _turn(points: Sequence[Point], k: int) -> float:
    return _side(points[k - 1], points[k], points[(k + 1) % len(points)])


def _angle(points: Sequence[Point], k: int) -> float:
    """How far the outline turns at a vertex [rad], left is positive."""
    before, here, after = points[k - 1], points[k], points[(k + 1) % len(points)]
    u, v = (here[0] - before[0], here[1] - before[1]), (after[0] - here[0], after[1] - here[1])
    return atan2(_cross(u, v), u[0] * v[0] + u[1] * v[1])


def _side(a: Point, b: Point, c: Point) -> float:
    return (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])


def _cross(u: Point, v: Point) -> float:
    return u[0] * v[1] - u[1] * v[0]


def _same(a: Point, b: Point) -> bool:
    return hypot(a[0] - b[0], a[1] - b[1]) <= SAME


def _show(point: Point) -> str:
    return f"({point[0]:g} m, {point[1]:g} m)"


def _written(part: Sequence[Point]) -> str:
    rounded = [(round(x, 9) + 0.0, round(y, 9) + 0.0) for x, y in part]  # 1e-17 m is a 0 that rounding spoilt
    return "[" + ", ".join(f"[{x:.6g} m, {y:.6g} m]" for x, y in rounded) + "]"
