"""The tree of slides and hinges in the side view: where each body is, and how two bodies move against each other.

Points and vectors are complex numbers, x forward and y up. Every point of a body is a sum of terms
R(angle) (c + sum of q_s d_s): a constant and slides, turned by an angle that is itself a sum of shares of hinges. Of
two bodies only the difference counts: terms that both have cancel, and so does an angle that all that is left have in
common. What remains depends on the axes between the two bodies and their lowest common carrier, and on no other; a
hinge measured from the level does not turn with what carries it, and the sums tell that too.
"""

from __future__ import annotations

from cmath import rect
from collections.abc import Iterable, Mapping, Sequence
from math import cos, sin
from typing import NamedTuple

from sequencer.errors import ModelError, did_you_mean
from sequencer.machine.axis import Axis
from sequencer.machine.body import Body
from sequencer.machine.convex import Point
from sequencer.machine.machine import Machine
from sequencer.units import LENGTH, show

Turn = tuple[tuple[int, float], ...]
"""An angle: the sum of these shares of coordinates, in the order of the coordinates, none with share 0."""

EDGE = 1e-9
"""A position may lie so far beyond its reach by rounding [m or rad]."""

OUTSIDE = "outside"
FRAME = "frame"


class Term(NamedTuple):
    """A vector: `constant` [m] and slides (coordinate, direction times share), all turned by `turn`."""

    turn: Turn
    constant: complex
    slides: tuple[tuple[int, complex], ...]


class Spot(NamedTuple):
    """Where a body's own coordinates are: the sum of `terms` is their origin, `turn` their angle."""

    terms: tuple[Term, ...]
    turn: Turn


class Relation(NamedTuple):
    """A second body seen from a first: its origin is the sum of `terms`, its angle `turn`, in the first's coordinates
    (turned back by the first one's angle). The terms differ in their turns."""

    terms: tuple[Term, ...]
    turn: Turn


class Tree:
    """All bodies on their carriers.

    Args:
        axes: the machine's axes by name; spins are fixed to what carries them.
        bodies: the bodies, in any order, of different names.

    Attributes:
        coordinates: names of what may move: the axes but the spins in file order, then the bodies outside.
        index: the place of each in `coordinates`.
        reach: lowest and highest value of each [m or rad]: travel widened by the tolerance within which the axis
            follows; for a body outside its range.
        bodies: the bodies by name.

    Raises:
        ModelError: a body is carried by nothing known, two have one name, or one outside is called like an axis.
    """

    def __init__(self, axes: Mapping[str, Axis], bodies: Iterable[Body]) -> None:
        self.axes = dict(axes)
        self.bodies: dict[str, Body] = {}
        for body in bodies:
            self._take(body)
        moving = [axis for axis in self.axes.values() if axis.kind != "spin"]
        outside = [body for body in self.bodies.values() if body.carried_by == OUTSIDE]
        self.coordinates = tuple([axis.name for axis in moving] + [body.name for body in outside])
        self.index = {name: number for number, name in enumerate(self.coordinates)}
        self.reach = tuple([_reach(axis) for axis in moving] + [body.range or (0.0, 0.0) for body in outside])
        self.spots = {body.name: self._spot_of(body) for body in self.bodies.values()}

    def values(self, positions: Mapping[str, float]) -> list[float]:
        """Positions [m or rad] in the order of `coordinates`; what is not named stands at 0 or as near to it as it may.

        Raises:
            ModelError: a name is unknown.
        """
        found = [min(max(0.0, low), high) for low, high in self.reach]
        for name, position in positions.items():
            found[self.number(name)] = position
        return found

    def box(self, spans: Mapping[str, tuple[float, float]]) -> tuple[list[float], list[float]]:
        """Spans [m or rad] as lowest and highest values; a body outside that is not named may be all over its range.

        Raises:
            ModelError: a name is unknown.
        """
        low = self.values({})
        high = list(low)
        for number, name in enumerate(self.coordinates):
            if name in self.bodies and self.bodies[name].carried_by == OUTSIDE:
                low[number], high[number] = self.reach[number]
        for name, (least, most) in spans.items():
            number = self.number(name)
            low[number], high[number] = least, most
        return low, high

    def number(self, name: str) -> int:
        """The place of a coordinate.

        Raises:
            ModelError: there is none of that name.
        """
        if name not in self.index:
            raise ModelError(f"'{name}' is no axis with a position; {did_you_mean(name, self.coordinates)}")
        return self.index[name]

    def show(self, name: str, value: float) -> str:
        """A value of a coordinate for people, in metres or degrees."""
        return self.axes[name].show(value) if name in self.axes else show(value, LENGTH)

    def placed(self, name: str, values: Sequence[float]) -> list[list[Point]]:
        """The vertices [m] of each part of a body in the coordinates of the frame, for a value of every coordinate."""
        spot = self.spots[name]
        origin = sum((_value(term, values) for term in spot.terms), 0j)
        turned = rect(1.0, angle(spot.turn, values))
        found = []
        for part in self.bodies[name].parts:
            points = [origin + turned * complex(x, y) for x, y in part]
            found.append([(point.real, point.imag) for point in points])
        return found

    def origin(self, axis: str, values: Sequence[float]) -> Point:
        """Where the coordinates of what an axis carries begin, in those of the frame [m]; of a hinge its pivot."""
        origin = sum((_value(term, values) for term in self._spot(axis, 1.0).terms), 0j)
        return origin.real, origin.imag

    def relation(self, first: str, second: str) -> Relation:
        """The second body seen from the first."""
        one, other = self.spots[first], self.spots[second]
        back = negative(one.turn)
        terms = [
            Term(plus(term.turn, back), term.constant, term.slides) for term in _difference(other.terms, one.terms)
        ]
        return Relation(tuple(terms), plus(other.turn, back))

    def lipschitz(self, first: str, second: str) -> tuple[float, ...]:
        """How fast the distance of two bodies can change with each coordinate [1 or m/rad], anywhere within reach.

        |d(q) - d(q')| <= sum of L_i |q_i - q'_i|. A slide counts its share, a hinge the largest distance from its pivot
        to a point that it turns, over the strokes of the slides in between.
        """
        one, other = self.spots[first], self.spots[second]
        terms = _difference(other.terms, one.terms)
        constants = [0.0] * len(self.coordinates)
        for term in terms:
            for number, direction in term.slides:
                constants[number] += abs(direction)
        groups = self._groups(terms, (one.turn, first), (other.turn, second))
        for number in range(len(self.coordinates)):
            shares = [dict(turn).get(number, 0.0) for turn, _ in groups]
            # Seen from coordinates that turn along with a share of the hinge, only the difference turns.
            constants[number] += min(
                sum(abs(share - seen) * radius for share, (_, radius) in zip(shares, groups, strict=True))
                for seen in {0.0, *shares}
            )
        return tuple(constants)

    def _groups(self, terms: Sequence[Term], *ends: tuple[Turn, str]) -> list[tuple[Turn, float]]:
        """Turns, and how long at most what they turn is [m]; points of bodies are at the tips of their terms."""
        left = {term.turn: term for term in terms}
        groups = []
        for sign, (turn, name) in zip((-1.0, 1.0), ends, strict=True):
            term = left.pop(turn, None)
            tips = [sign * complex(x, y) for part in self.bodies[name].parts for x, y in part]
            groups.append((turn, max(self._longest(term, tip) for tip in tips)))
        return groups + [(turn, self._longest(term, 0j)) for turn, term in left.items()]

    def _longest(self, term: Term | None, tip: complex) -> float:
        """The greatest length of a term with a tip within reach: convex in the slides, so greatest at their ends."""
        if term is None:
            return abs(tip)
        ends = [tip + term.constant]
        for number, direction in term.slides:
            low, high = self.reach[number]
            ends = [end + value * direction for end in ends for value in (low - EDGE, high + EDGE)]
        return max(abs(end) for end in ends)

    def _take(self, body: Body) -> None:
        if body.name in self.bodies:
            raise ModelError(f"two bodies are called '{body.name}'; names must differ")
        if body.carried_by == OUTSIDE and body.name in self.axes:
            raise ModelError(f"'{body.name}' is both an axis and a body outside; names must differ")
        if body.carried_by not in (FRAME, OUTSIDE) and body.carried_by not in self.axes:
            known = did_you_mean(body.carried_by, [*self.axes, FRAME, OUTSIDE])
            raise ModelError(f"body '{body.name}' is carried by unknown '{body.carried_by}'; {known}")
        self.bodies[body.name] = body

    def _spot_of(self, body: Body) -> Spot:
        if body.carried_by == OUTSIDE:
            along = 1 + 0j if body.along == "x" else 1j
            return Spot((Term((), 0j, ((self.index[body.name], along),)),), ())
        return self._spot(body.carried_by, body.share)

    def _spot(self, name: str, share: float) -> Spot:
        """Where what an axis carries is if it makes a share of the axis' motion."""
        if name == FRAME:
            return Spot((), ())
        axis = self.axes[name]
        mount = axis.mount
        carrier = self._spot(mount.to, mount.share)
        terms, turn = [*carrier.terms, Term(carrier.turn, complex(*mount.at), ())], carrier.turn
        if axis.kind == "linear":
            along = share * complex(cos(mount.direction), sin(mount.direction))
            terms.append(Term(turn, 0j, ((self.index[name], along),)))
        elif axis.kind == "rotary":
            turn = plus(() if mount.angle_from == "level" else turn, ((self.index[name], share),))
        return Spot(tuple(terms), turn)


def tree_of(machine: Machine) -> Tree:
    """All bodies of a machine, its pieces with an outline among them.

    Raises:
        ModelError: a body is carried by nothing known, or two have one name.
    """
    pieces = [Body(piece.name, piece.carried_by, piece.parts) for piece in machine.pieces.values() if piece.parts]
    return Tree(machine.axes, [*machine.bodies.values(), *pieces])


def angle(turn: Turn, values: Sequence[float]) -> float:
    """The angle [rad] at these values of the coordinates."""
    return sum([share * values[number] for number, share in turn])


def plus(one: Turn, other: Turn) -> Turn:
    """The sum of two angles."""
    shares = dict(one)
    for number, share in other:
        shares[number] = shares.get(number, 0.0) + share
    return tuple((number, share) for number, share in sorted(shares.items()) if share != 0.0)


def negative(turn: Turn) -> Turn:
    """The same angle the other way round."""
    return tuple((number, -share) for number, share in turn)


def _value(term: Term, values: Sequence[float]) -> complex:
    vector = term.constant + sum([values[number] * direction for number, direction in term.slides])
    return rect(1.0, angle(term.turn, values)) * vector


def _difference(one: Sequence[Term], other: Sequence[Term]) -> list[Term]:
    """One sum less another, without what both begin with; one term for each turn."""
    common = 0
    while common < min(len(one), len(other)) and one[common] == other[common]:
        common += 1
    constants: dict[Turn, complex] = {}
    slides: dict[Turn, dict[int, complex]] = {}
    for sign, terms in ((1.0, one), (-1.0, other)):
        for term in terms[common:]:
            constants[term.turn] = constants.get(term.turn, 0j) + sign * term.constant
            directions = slides.setdefault(term.turn, {})
            for number, direction in term.slides:
                directions[number] = directions.get(number, 0j) + sign * direction
    found = []
    for turn, constant in constants.items():
        moving = tuple((number, direction) for number, direction in slides[turn].items() if direction != 0j)
        if constant != 0j or moving:
            found.append(Term(turn, constant, moving))
    return found


def _reach(axis: Axis) -> tuple[float, float]:
    low, high = axis.travel or (0.0, 0.0)
    return low - axis.band, high + axis.band
