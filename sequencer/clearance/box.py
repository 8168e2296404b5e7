"""The one certified query: how near two bodies can come while the axes are anywhere in a box of positions.

For the box with centre c and half widths w the bound is min(d(c), max(Lipschitz, directional)) - pad.

Lipschitz: d(c) - sum of L_i w_i. Directional: with n the direction of the least distance at the centre, fixed in the
coordinates of one of the bodies, the least n.b over the box less the greatest n.a: whatever n is, bodies are at least
so far apart. Each term R(angle) v of b has n.R v = |v| cos(angle + its own), which over a span of angles is least at an
end of the span, or -|v|. The pad covers rounding.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import cos, hypot, inf, pi, sin
from typing import NamedTuple

from sequencer.clearance.polygon import Polygon, apart, polygon
from sequencer.clearance.tree import EDGE, Relation, Tree, Turn
from sequencer.machine.convex import Point

PAD = 1e-9
"""Taken off every bound [m]."""

PAD_PER_SIZE = 64.0 * 2.0**-52
"""Taken off besides, relative to the sum of the lengths that go into a distance: their rounding [1]."""

Slide = tuple[int, float, float]
"""Coordinate, and the direction in which it moves times its share."""


class Bound(NamedTuple):
    """Of one pair over a box: the distance is at least `lower` [m] all over it, and `centre` [m] at its centre."""

    lower: float
    centre: float


class View(NamedTuple):
    """One body at rest and another that moves, in the coordinates of the first.

    A point (a, b) of a moving part is at R(turn) ((a, b) + turned slides) + slides + links; constant parts of the
    offset are already in the polygons. A link is (turn, constant x, y, slides).
    """

    resting: tuple[Polygon, ...]
    moving: tuple[Polygon, ...]
    turn: Turn
    slides: tuple[Slide, ...]
    turned_slides: tuple[Slide, ...]
    links: tuple[tuple[Turn, float, float, tuple[Slide, ...]], ...]


class Pair:
    """Two bodies that are watched.

    Args:
        tree: where bodies are.
        first: name of a body.
        second: name of another.
        margin: what must remain between them [m].

    Attributes:
        lipschitz: how fast their distance can change with each coordinate [1 or m/rad], see `Tree.lipschitz`.
        concerns: the coordinates that their distance depends on.
        toward: the second body seen from the first.
        away: the first seen from the second.
        reach: coordinate, its Lipschitz constant and its reach, of all that go into the distance.
        size: the sum of all lengths that are added up for the distance within reach [m].
    """

    __slots__ = ("away", "concerns", "first", "lipschitz", "margin", "reach", "second", "size", "toward", "tree")

    def __init__(self, tree: Tree, first: str, second: str, margin: float = 0.0) -> None:
        self.tree = tree
        self.first, self.second, self.margin = first, second, margin
        self.lipschitz = tree.lipschitz(first, second)
        parts, others = tree.bodies[first].parts, tree.bodies[second].parts
        self.toward = _view(parts, others, tree.relation(first, second))
        self.away = _view(others, parts, tree.relation(second, first))
        used = {number for view in (self.toward, self.away) for number in _numbers(view)}
        self.concerns = tuple(number for number in sorted(used) if self.lipschitz[number] > 0.0)
        self.reach = [
            (number, self.lipschitz[number], tree.reach[number][0] - EDGE, tree.reach[number][1] + EDGE)
            for number in sorted(used)
        ]
        self.size = _size(self.toward, tree.reach)

    @property
    def names(self) -> tuple[str, str]:
        """The names of the two bodies."""
        return self.first, self.second

    def distance(self, values: Sequence[float]) -> float:
        """The signed distance [m] at a value of every coordinate: for bodies of several parts that of the nearest two
        parts."""
        return self.bound(values, values).centre

    def bound(self, low: Sequence[float], high: Sequence[float]) -> Bound:
        """A guaranteed lower bound of the distance [m] over a box, and the distance at its centre.

        Args:
            low: the lowest value of every coordinate [m or rad].
            high: the highest.
        """
        middle = [0.5 * (begin + end) for begin, end in zip(low, high, strict=True)]
        half = [0.5 * (end - begin) for begin, end in zip(low, high, strict=True)]
        return self.around(middle, half)

    def around(self, middle: Sequence[float], half: Sequence[float]) -> Bound:
        """The same for a box by its middle and half its widths.

        Args:
            middle: the middle value of every coordinate [m or rad].
            half: half of the width [m or rad], 0 or more.
        """
        change, size, still = 0.0, self.size, True
        for number, constant, least, most in self.reach:
            width = half[number]
            if width != 0.0:
                still = False
                change += constant * width
            here = middle[number]
            if here - width < least or here + width > most:
                change = inf  # the constants hold within reach only; the direction alone has to do
                size += abs(here) + width
        view = self.toward
        turn = _angle(view.turn, middle)
        cosine, sine = (cos(turn), sin(turn)) if view.turn else (1.0, 0.0)
        x, y = _offset(view, middle, cosine, sine)
        pad = PAD + PAD_PER_SIZE * size
        lower = nearest = inf
        for i, resting in enumerate(view.resting):
            for j, moving in enumerate(view.moving):
                placed = [(cosine * a - sine * b + x, sine * a + cosine * b + y) for a, b in moving.vertices]
                distance, along_x, along_y, owner = apart(resting, placed, moving.edges, cosine, sine)
                if distance < nearest:
                    nearest = distance
                if still:
                    lower = min(lower, distance - pad)
                    continue
                if distance - change - pad >= lower:
                    continue
                if owner != 2:
                    sure = _directional(view, resting, moving, along_x, along_y, middle, half)
                else:
                    back_x, back_y = -cosine * along_x - sine * along_y, sine * along_x - cosine * along_y
                    away = self.away
                    sure = _directional(away, away.resting[j], away.moving[i], back_x, back_y, middle, half)
                lower = min(lower, min(distance, max(distance - change, sure)) - pad)
        return Bound(lower, nearest)


def box_clearance(pairs: Sequence[Pair], low: Sequence[float], high: Sequence[float]) -> tuple[float, ...]:
    """A guaranteed lower bound [m] of the distance of each pair over a box of positions, margins not taken off.

    Args:
        pairs: the pairs, all of one tree.
        low: the lowest value of every coordinate of the tree [m or rad].
        high: the highest.
    """
    return tuple(pair.bound(low, high).lower for pair in pairs)


def _view(resting: Sequence[Sequence[Point]], moving: Sequence[Sequence[Point]], relation: Relation) -> View:
    here, there = 0j, 0j
    slides: tuple[Slide, ...] = ()
    turned_slides: tuple[Slide, ...] = ()
    links = []
    for term in relation.terms:
        along = tuple((number, direction.real, direction.imag) for number, direction in term.slides)
        if term.turn == ():
            here, slides = term.constant, along
        elif term.turn == relation.turn:
            there, turned_slides = term.constant, along
        else:
            links.append((term.turn, term.constant.real, term.constant.imag, along))
    return View(
        tuple(polygon([(x - here.real, y - here.imag) for x, y in part]) for part in resting),
        tuple(polygon([(x + there.real, y + there.imag) for x, y in part]) for part in moving),
        relation.turn,
        slides,
        turned_slides,
        tuple(links),
    )


def _numbers(view: View) -> set[int]:
    slides = [*view.slides, *view.turned_slides, *(slide for link in view.links for slide in link[3])]
    turns = [*view.turn, *(share for link in view.links for share in link[0])]
    return {slide[0] for slide in slides} | {number for number, _ in turns}


def _size(view: View, reach: Sequence[tuple[float, float]]) -> float:
    """The sum of all lengths that are added up for a distance within reach [m]."""
    size = max(part.radius for part in view.resting) + max(part.radius for part in view.moving)
    for slides in (view.slides, view.turned_slides, *(link[3] for link in view.links)):
        size += sum(hypot(x, y) * max(abs(reach[number][0]), abs(reach[number][1])) for number, x, y in slides)
    return size + sum(hypot(x, y) for _, x, y, _ in view.links)


def _angle(turn: Turn, values: Sequence[float]) -> float:
    total = 0.0
    for number, share in turn:
        total += share * values[number]
    return total


def _offset(view: View, middle: Sequence[float], cosine: float, sine: float) -> tuple[float, float]:
    """Where the origin of the moving body's own coordinates is."""
    x = y = 0.0
    for number, along_x, along_y in view.turned_slides:
        x += along_x * middle[number]
        y += along_y * middle[number]
    x, y = cosine * x - sine * y, sine * x + cosine * y
    for number, along_x, along_y in view.slides:
        x += along_x * middle[number]
        y += along_y * middle[number]
    for turn, a, b, slides in view.links:
        for number, along_x, along_y in slides:
            a += along_x * middle[number]
            b += along_y * middle[number]
        angle = _angle(turn, middle)
        c, s = cos(angle), sin(angle)
        x += c * a - s * b
        y += s * a + c * b
    return x, y


def _directional(
    view: View,
    resting: Polygon,
    moving: Polygon,
    x: float,
    y: float,
    middle: Sequence[float],
    half: Sequence[float],
) -> float:
    """The least distance along a fixed direction (x, y) over the box [m]."""
    total = -max([x * a + y * b for a, b in resting.vertices])
    for number, along_x, along_y in view.slides:
        along = x * along_x + y * along_y
        total += along * middle[number] - abs(along) * half[number]
    for turn, a, b, slides in view.links:
        angle, swing = _angle(turn, middle), _swing(turn, half)
        c, s, c_swing, s_swing = cos(angle), sin(angle), cos(swing), sin(swing)
        to_x, to_y = c * x + s * y, c * y - s * x
        u, w = to_x * a + to_y * b, to_x * b - to_y * a
        for number, along_x, along_y in slides:
            along, across = to_x * along_x + to_y * along_y, to_x * along_y - to_y * along_x
            u += along * middle[number]
            w += across * middle[number]
            total -= half[number] * _most(abs(along), abs(across), c_swing, s_swing, swing)
        total -= _most(-u, abs(w), c_swing, s_swing, swing)
    if not view.turn:
        return total + min([x * a + y * b for a, b in moving.vertices])
    angle, swing = _angle(view.turn, middle), _swing(view.turn, half)
    c, s, c_swing, s_swing = cos(angle), sin(angle), cos(swing), sin(swing)
    to_x, to_y = c * x + s * y, c * y - s * x
    u = w = 0.0
    for number, along_x, along_y in view.turned_slides:
        along, across = to_x * along_x + to_y * along_y, to_x * along_y - to_y * along_x
        u += along * middle[number]
        w += across * middle[number]
        total -= half[number] * _most(abs(along), abs(across), c_swing, s_swing, swing)
    most = -inf
    for a, b in moving.vertices:
        less = -u - to_x * a - to_y * b
        across = abs(w + to_x * b - to_y * a)
        value = _most(less, across, c_swing, s_swing, swing)
        if value > most:
            most = value
    return total - most


def _swing(turn: Turn, half: Sequence[float]) -> float:
    """Half of the span of an angle [rad]."""
    total = 0.0
    for number, share in turn:
        total += abs(share) * half[number]
    return total


def _most(along: float, across: float, cosine: float, sine: float, swing: float) -> float:
    """The greatest component along a direction of a vector that turns by up to `swing` either way.

    `along` and `across` >= 0 are its components in the middle, `cosine` and `sine` those of the swing.
    """
    if swing >= 0.5 * pi or (along > 0.0 and along * sine >= across * cosine):
        return hypot(along, across)
    return along * cosine + across * sine
