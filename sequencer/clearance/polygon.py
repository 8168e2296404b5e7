"""Convex polygons ready for questions of distance, and the signed distance of two of them in pure Python.

With n the outward unit normals of the edges of both polygons, s = max over n of (least n.v of the other polygon's
vertices v, less the edge's offset). s <= 0: they overlap or touch, and -s is the least push along a line that parts
them. s > 0: the distance is the least distance of a vertex of one from an edge of the other.
C. Ericson, Real-Time Collision Detection (2005), chapters 4 and 5, cited from memory.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import hypot, sqrt
from typing import NamedTuple

from sequencer.machine.convex import Point

# start x, y, edge vector x, y divided by its squared length, normal x, y, offset, edge vector x, y
Edge = tuple[float, float, float, float, float, float, float, float, float]

# Two distances that differ by no more than this factor are one.
_ROUNDING = 1.0 + 1e-14


class Polygon(NamedTuple):
    """A counter-clockwise convex polygon: vertices [m], edges as the distance needs them, the farthest from 0 [m]."""

    vertices: tuple[Point, ...]
    edges: tuple[Edge, ...]
    radius: float


class Apart(NamedTuple):
    """Signed `distance` [m] of two polygons and the unit vector (`x`, `y`) from the first to the second along which
    it is measured, in the coordinates of the first; `owner` is 1 or 2 if that is the normal of an edge of the first
    or second polygon, else 0."""

    distance: float
    x: float
    y: float
    owner: int


def polygon(vertices: Sequence[Point]) -> Polygon:
    """A polygon from the vertices [m] that `sequencer.machine.convex.convex` returns."""
    edges = []
    for k, (x, y) in enumerate(vertices):
        to_x, to_y = vertices[(k + 1) % len(vertices)]
        along_x, along_y = to_x - x, to_y - y
        length = hypot(along_x, along_y)
        square = length * length
        normal_x, normal_y = along_y / length, -along_x / length
        # the larger of both ends, so that rounding never puts a vertex outside its own edge
        offset = max(normal_x * x + normal_y * y, normal_x * to_x + normal_y * to_y)
        edges.append((x, y, along_x / square, along_y / square, normal_x, normal_y, offset, along_x, along_y))
    return Polygon(tuple((x, y) for x, y in vertices), tuple(edges), max(hypot(x, y) for x, y in vertices))


def signed_distance(one: Polygon, other: Polygon) -> Apart:
    """How far two polygons are apart [m], negative by how deep they overlap, 0 where they touch."""
    return apart(one, other.vertices, other.edges, 1.0, 0.0)


def apart(one: Polygon, placed: Sequence[Point], edges: Sequence[Edge], cosine: float, sine: float) -> Apart:
    """The signed distance of a polygon and another whose vertices are `placed` in the first one's coordinates [m].

    Args:
        one: the first polygon.
        placed: vertices of the second polygon in the coordinates of the first [m].
        edges: edges of the second polygon in its own coordinates; of these only the normals are used.
        cosine: of the angle by which the second polygon's coordinates are turned against the first one's.
        sine: of the same angle.
    """
    best, best_x, best_y, owner, faces = -1e300, 0.0, 0.0, 1, False
    for x, y, along_x, along_y, normal_x, normal_y, offset, _, _ in one.edges:
        least, near_x, near_y = 1e300, 0.0, 0.0
        for a, b in placed:
            height = normal_x * a + normal_y * b - offset
            if height < least:
                if height <= best:
                    break  # another edge has more already
                least, near_x, near_y = height, a, b
        else:
            best, best_x, best_y = least, normal_x, normal_y
            faces = 0.0 <= along_x * (near_x - x) + along_y * (near_y - y) <= 1.0
    mine = one.vertices
    for (x, y), (to_x, to_y), edge in zip(placed, (*placed[1:], placed[0]), edges, strict=True):
        normal_x, normal_y = cosine * edge[4] - sine * edge[5], sine * edge[4] + cosine * edge[5]
        offset = max(normal_x * x + normal_y * y, normal_x * to_x + normal_y * to_y)
        least, near_x, near_y = 1e300, 0.0, 0.0
        for a, b in mine:
            height = normal_x * a + normal_y * b - offset
            if height < least:
                if height <= best:
                    break
                least, near_x, near_y = height, a, b
        else:
            best, best_x, best_y, owner = least, -normal_x, -normal_y, 2
            edge_x, edge_y = to_x - x, to_y - y
            where = edge_x * (near_x - x) + edge_y * (near_y - y)
            faces = 0.0 <= where <= edge_x * edge_x + edge_y * edge_y
    along = Apart(best, best_x, best_y, owner)
    # Where the nearest vertex lies before the edge itself, the distance is that along its normal.
    return along if best <= 0.0 or faces else _nearest(one, placed, along)


def _nearest(one: Polygon, placed: Sequence[Point], at_least: Apart) -> Apart:
    """The least distance of a vertex from an edge, both ways, of polygons that are at least so far apart."""
    best, best_x, best_y = 1e300, 0.0, 0.0
    for x, y, along_x, along_y, normal_x, normal_y, offset, edge_x, edge_y in one.edges:
        for a, b in placed:
            height = normal_x * a + normal_y * b - offset
            if height <= 0.0 or height * height >= best:
                continue
            where = along_x * (a - x) + along_y * (b - y)
            if where <= 0.0:
                dx, dy = a - x, b - y
            elif where >= 1.0:
                dx, dy = a - x - edge_x, b - y - edge_y
            else:
                dx, dy = height * normal_x, height * normal_y
            square = dx * dx + dy * dy
            if square < best:
                best, best_x, best_y = square, dx, dy
    mine = one.vertices
    x, y = placed[-1]
    for to_x, to_y in placed:
        edge_x, edge_y = to_x - x, to_y - y
        square_length = edge_x * edge_x + edge_y * edge_y
        for a, b in mine:
            offset_x, offset_y = a - x, b - y
            cross = edge_y * offset_x - edge_x * offset_y
            if cross <= 0.0 or cross * cross >= best * square_length:
                continue
            where = edge_x * offset_x + edge_y * offset_y
            if where <= 0.0:
                dx, dy = offset_x, offset_y
            elif where >= square_length:
                dx, dy = a - to_x, b - to_y
            else:
                dx, dy = cross * edge_y / square_length, -cross * edge_x / square_length
            square = dx * dx + dy * dy
            if square < best:
                best, best_x, best_y = square, -dx, -dy
        x, y = to_x, to_y
    length = sqrt(best)
    if best == 1e300 or length <= at_least.distance * _ROUNDING:
        return at_least  # the normals' number is a lower bound of the distance; where both agree, it is the distance
    return Apart(length, best_x / length, best_y / length, 0)
