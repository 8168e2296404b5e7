"""Where two bodies are nearest to each other, for a line to be drawn between them."""

from __future__ import annotations

from collections.abc import Sequence
from math import hypot
from typing import NamedTuple

from sequencer.report.poses import Point


class Nearest(NamedTuple):
    """A point [m] of each of two bodies. Where they overlap, both are the middle of what they share."""

    first: Point
    second: Point
    overlap: bool


def nearest(first: Sequence[Sequence[Point]], second: Sequence[Sequence[Point]]) -> Nearest:
    """The nearest points of two bodies, each of convex parts with vertices counter-clockwise [m]."""
    best, found = float("inf"), Nearest(first[0][0], second[0][0], False)
    for one in first:
        for other in second:
            shared = clipped(one, other)
            if len(shared) > 2:
                middle = _middle(shared)
                return Nearest(middle, middle, True)
            for a, b in (*_from_vertices(one, other), *((b, a) for a, b in _from_vertices(other, one))):
                apart = hypot(b[0] - a[0], b[1] - a[1])
                if apart < best:
                    best, found = apart, Nearest(a, b, False)
    return found


def clipped(one: Sequence[Point], other: Sequence[Point]) -> list[Point]:
    """What two convex polygons share: one cut at each edge of the other.

    I. E. Sutherland and G. W. Hodgman, Reentrant polygon clipping, Communications of the ACM 17 (1974), from memory.
    """
    left = list(one)
    for (ax, ay), (bx, by) in zip(other, (*other[1:], other[0]), strict=True):
        sides = [(bx - ax) * (y - ay) - (by - ay) * (x - ax) for x, y in left]
        kept: list[Point] = []
        for k, (point, side) in enumerate(zip(left, sides, strict=True)):
            before, side_before = left[k - 1], sides[k - 1]
            if (side > 0.0) != (side_before > 0.0):
                share = side_before / (side_before - side)
                kept.append((before[0] + share * (point[0] - before[0]), before[1] + share * (point[1] - before[1])))
            if side > 0.0:
                kept.append(point)
        left = kept
        if not left:
            break
    return left


def _from_vertices(one: Sequence[Point], other: Sequence[Point]) -> list[tuple[Point, Point]]:
    """Each vertex of the first with the point of each edge of the second that is nearest to it."""
    found = []
    for x, y in one:
        for (ax, ay), (bx, by) in zip(other, (*other[1:], other[0]), strict=True):
            along_x, along_y = bx - ax, by - ay
            share = ((x - ax) * along_x + (y - ay) * along_y) / (along_x * along_x + along_y * along_y)
            share = min(max(share, 0.0), 1.0)
            found.append(((x, y), (ax + share * along_x, ay + share * along_y)))
    return found


def _middle(points: Sequence[Point]) -> Point:
    return sum(x for x, _ in points) / len(points), sum(y for _, y in points) / len(points)
