"""Bodies in the side view: their outlines where axes stand somewhere, their colours, and what they sweep."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from itertools import pairwise, product
from math import ceil, hypot, radians

from sequencer.check.bodies import Bodies, bodies_of
from sequencer.clearance.tree import FRAME, OUTSIDE
from sequencer.machine.body import Body
from sequencer.machine.machine import Machine
from sequencer.report.look import Shades
from sequencer.report.poses import Point
from sequencer.report.svg import Element, number

Span = tuple[float, float]

Place = Callable[[Point], tuple[float, float]]
"""From metres in the side view to pixels."""

_COLOURS = 4
"""So many carriers have a colour of their own."""

FINEST = radians(4.0)
"""A turn is swept in parts of this size, each the hull of its ends [rad]: the arc bulges by less than a thousandth of
its radius."""

_MOST_PARTS = 48
"""So many parts a sweep has at most for each axis [1]."""


class Outlines:
    """The outlines of a machine's bodies and pieces.

    Args:
        machine: a machine with bodies.

    Raises:
        ModelError: a body or clearance names something that is not there.
    """

    def __init__(self, machine: Machine) -> None:
        self.machine = machine
        self.bodies: Bodies = bodies_of(machine)
        self.tree = self.bodies.tree
        carriers = [name for name in machine.axes if any(body.carried_by == name for body in self.own())]
        self.colours = {name: f"body-{index % _COLOURS + 1}" for index, name in enumerate(carriers)}
        self.coordinates = {name: self._coordinates(name) for name in self.tree.bodies}

    def own(self) -> list[Body]:
        """The bodies of the machine file; pieces are not among them."""
        return [body for body in self.machine.bodies.values() if body.carried_by not in (FRAME, OUTSIDE)]

    def order(self) -> list[str]:
        """All names, what is drawn first coming first: outside, frame, moving bodies, pieces."""
        rank = {OUTSIDE: 0, FRAME: 1}
        names = list(self.tree.bodies)
        return sorted(names, key=lambda name: 3 if self.is_piece(name) else rank.get(self.carrier(name), 2))

    def carrier(self, name: str) -> str:
        """What carries a body."""
        return self.tree.bodies[name].carried_by

    def is_piece(self, name: str) -> bool:
        """Whether a body is a piece that may be held."""
        return name in self.machine.pieces and name not in self.machine.bodies

    def is_moved(self, name: str) -> bool:
        """Whether an axis moves a body."""
        return self.carrier(name) not in (FRAME, OUTSIDE)

    def style(self, name: str) -> str:
        """The class of a body's outline."""
        if self.is_piece(name):
            return "body body-piece"
        carrier = self.carrier(name)
        return f"body {({OUTSIDE: 'body-outside', FRAME: 'body-frame'}).get(carrier) or self.colours[carrier]}"

    def margin(self, name: str) -> float:
        """The largest margin that must remain between a body and another [m]."""
        return max((pair.margin for pair in self.bodies.pairs if name in pair.names), default=0.0)

    def nearest_place(self, name: str, span: Span | None = None) -> float:
        """The end of a range of places at which a body outside stands nearer to the frame's origin [m]."""
        low, high = span or self.tree.bodies[name].range or (0.0, 0.0)

        def far(place: float) -> float:
            return min(hypot(*point) for part in self.placed(name, {name: place}) for point in part)

        return low if far(low) <= far(high) else high

    def placed(self, name: str, positions: Mapping[str, float]) -> list[list[Point]]:
        """The vertices [m] of each part of a body, in the coordinates of the frame."""
        known = {key: value for key, value in positions.items() if key in self.tree.index}
        return self.tree.placed(name, self.tree.values(known))

    def swept(self, name: str, box: Mapping[str, Span], finest: float = FINEST) -> list[list[Point]]:
        """Convex polygons [m] that together cover what a body sweeps while its coordinates are anywhere in a box; each
        covers a turn of at most `finest` [rad]."""
        spans = []
        for coordinate in self.coordinates[name]:
            low, high = box[coordinate]
            turns = coordinate in self.tree.axes and self.tree.axes[coordinate].kind == "rotary"
            parts = min(max(ceil((high - low) / finest - 1e-9), 1), _MOST_PARTS) if turns else 1
            ends = [low + (high - low) * k / parts for k in range(parts + 1)]
            spans.append(list(pairwise(ends)))
        found = []
        for cell in product(*spans):
            corners = [
                self.placed(name, dict(zip(self.coordinates[name], corner, strict=True))) for corner in product(*cell)
            ]
            found += [convex_hull(point for placed in corners for point in placed[k]) for k in range(len(corners[0]))]
        return found

    def _coordinates(self, name: str) -> tuple[str, ...]:
        spot = self.tree.spots[name]
        numbers = {number for number, _ in spot.turn}
        for term in spot.terms:
            numbers |= {number for number, _ in (*term.turn, *term.slides)}
        return tuple(self.tree.coordinates[number] for number in sorted(numbers))


def path(parts: Iterable[Sequence[Point]], place: Place) -> str:
    """The polygons [m] as the data of one path."""
    data = []
    for part in parts:
        points = [" ".join(number(value) for value in place(point)) for point in part]
        data.append(f"M{'L'.join(points)}Z")
    return "".join(data)


def draw_body(group: Element, outlines: Outlines, name: str, parts: Sequence[Sequence[Point]], place: Place) -> Element:
    """One body with its name as title; what is returned is its path."""
    one = group.add("g")
    one.add("title", name)
    return one.add("path", d=path(parts, place), class_=outlines.style(name))


def draw_margin(group: Element, margin: float, parts: Sequence[Sequence[Point]], place: Place, scale: float) -> None:
    """The band about a body that must stay free; drawn before the body, which covers its inner half."""
    if margin > 0.0:
        group.add("path", d=path(parts, place), class_="margin", stroke_width=2.0 * margin * scale)


def convex_hull(points: Iterable[Point]) -> list[Point]:
    """The convex hull of points, counter-clockwise.

    A. M. Andrew, Another efficient algorithm for convex hulls in two dimensions, Information Processing Letters 9
    (1979), from memory.
    """
    ordered = sorted(set(points))
    if len(ordered) < 3:
        return ordered
    return [*_chain(ordered), *_chain(ordered[::-1])]


def _chain(points: Sequence[Point]) -> list[Point]:
    found: list[Point] = []
    for x, y in points:
        while len(found) >= 2:
            (a, b), (c, d) = found[-2:]
            if (c - a) * (y - b) - (d - b) * (x - a) > 0.0:
                break
            found.pop()
        found.append((x, y))
    return found[:-1]


BODY_SHADES = Shades(
    (
        ".body{stroke-width:1.3;stroke-linejoin:round}",
        ".body-frame{fill:#dedbd3;stroke:#7a776e}",
        ".body-outside{fill:#f3dcb4;stroke:#a66f00}",
        ".body-piece{fill:#f5dfec;stroke:#b0578a}",
        ".body-1{fill:#c3dbf0;stroke:#0072b2}",
        ".body-2{fill:#bfe6d8;stroke:#00805c}",
        ".body-3{fill:#ddd3f0;stroke:#6a51a3}",
        ".body-4{fill:#d8dfb8;stroke:#66752a}",
        ".margin{fill:none;stroke:#d55e00;stroke-opacity:.28;stroke-linejoin:round}",
        ".elsewhere{fill-opacity:.3;stroke-dasharray:4 3;stroke-opacity:.75}",
        ".reach{stroke:none;fill-opacity:.22}",
        ".covers{fill-opacity:.22}",
        ".surface{fill:#f5f3ee;stroke:none}",
        ".label{fill:#fdfcfa;fill-opacity:.85}",
        ".edge{fill:none;stroke-width:2.2;stroke-linejoin:round}",
        ".ghost{fill-opacity:.15;stroke-opacity:.6;stroke-width:1}",
        ".culprit{stroke:#c1121f;stroke-width:2.4}",
        ".measure{fill:none;stroke:#c1121f;stroke-width:1.6}",
        ".ring{fill:none;stroke:#c1121f;stroke-width:1.6}",
        ".blocked{fill:#d55e00;fill-opacity:.62;shape-rendering:crispEdges}",
        ".blocked-some{fill:#d55e00;fill-opacity:.34;shape-rendering:crispEdges}",
        ".course{fill:none;stroke:#0072b2;stroke-width:2.4;stroke-linejoin:round}",
        ".gate-line{stroke:#00805c;stroke-width:2.2}",
        ".gate-wanted{stroke:#00805c;stroke-width:2.2;stroke-dasharray:6 4}",
    ),
    (
        ".body-frame{fill:#3a3d42;stroke:#94979c}",
        ".body-outside{fill:#4d3a14;stroke:#e0a63a}",
        ".body-piece{fill:#4b2840;stroke:#dd8fbc}",
        ".body-1{fill:#12364f;stroke:#56b4e9}",
        ".body-2{fill:#0b4434;stroke:#3fc79c}",
        ".body-3{fill:#352a52;stroke:#b7a3e6}",
        ".body-4{fill:#363d18;stroke:#b4c56a}",
        ".covers{fill-opacity:.22}",
        ".surface{fill:#1e2125}",
        ".label{fill:#17191c}",
        ".reach{stroke:none}",
        ".edge{fill:none}",
        ".culprit{stroke:#ff6b6b}",
        ".measure{stroke:#ff6b6b}",
        ".ring{stroke:#ff6b6b}",
        ".course{stroke:#56b4e9}",
        ".gate-line{stroke:#3fc79c}",
        ".gate-wanted{stroke:#3fc79c}",
    ),
)
"""The colours of bodies; carriers are told apart by hue, and names stand beside them."""
