"""The equations of one tree of joints, written out once as straight-line code for numbers or for arrays of numbers.

A tree's structure never changes while it moves, so the sums of `Linkage.evaluate` are carried out here on names in the
place of numbers. What remains is one function without loops, with every term that is 0 or 1 in the structure left out
and every common term computed once. The scalar plant and the batch run the same text, with `math` or with `numpy`.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Sequence
from functools import lru_cache
from typing import Any, NamedTuple

Term = float | str
"""A number known now, or the name of one known later."""
Equations = Callable[[Sequence[Any], Sequence[Any], Sequence[Any], Sequence[Any]], tuple[Any, ...]]
"""(position, speed, known, masses) to the upper triangle of the matrix, row by row, and then the bias."""

_NAME = re.compile(r"t\d+")


class Structure(NamedTuple):
    """What of a tree is in the code: its joints, the axes it has rows for, gravity [m/s2], which axes are prescribed,
    and which of the joints' sums of masses are not 0 (mass, first moment along x and y, second moment, joint by joint).
    """

    joints: tuple[Any, ...]
    coordinates: tuple[int, ...]
    gravity: float
    prescribed: tuple[bool, ...]
    present: tuple[bool, ...]


@lru_cache(maxsize=256)
def compiled(structure: Structure, arrays: bool = False) -> Equations:
    """The equations of a structure as a function; `masses` are the sums that are present, in order.

    Args:
        structure: of the tree.
        arrays: for numpy arrays, all of one shape, in the place of numbers.
    """
    text = written(structure)
    names: dict[str, Any] = {"sin": math.sin, "cos": math.cos}
    if arrays:
        import numpy

        names = {"sin": numpy.sin, "cos": numpy.cos}
    exec(compile(text, "<equations of a tree>", "exec"), names)  # text of our own making, from numbers and names alone
    function: Equations = names["equations"]
    return function


def written(structure: Structure) -> str:
    """The text of the function."""
    page = _Page()
    matrix, bias = _sums(structure, page)
    size = len(structure.coordinates)
    given = [f"c{place}" for place, present in enumerate(structure.present) if present]
    unpack = [f"    {', '.join(given)}, = masses"] if given else []
    results = [matrix[row][column] for row in range(size) for column in range(row, size)] + bias
    returned = ", ".join(term if isinstance(term, str) else repr(term) for term in results)
    lines = [*unpack, *(f"    {line}" for line in page.needed_for(returned))]
    return "\n".join(["def equations(position, speed, known, masses):", *lines, f"    return {returned},"])


class _Page:
    """Lines of code; the same expression is written once."""

    def __init__(self) -> None:
        self._lines: list[tuple[str, str]] = []
        self._known: dict[str, str] = {}

    def name(self, expression: str) -> str:
        if expression not in self._known:
            self._known[expression] = f"t{len(self._known)}"
            self._lines.append((self._known[expression], expression))
        return self._known[expression]

    def needed_for(self, results: str) -> list[str]:
        """The lines that results depend on, in order."""
        wanted, found = set(_NAME.findall(results)), []
        for name, expression in reversed(self._lines):
            if name in wanted:
                found.append(f"{name} = {expression}")
                wanted.update(_NAME.findall(expression))
        return found[::-1]

    def plus(self, a: Term, b: Term) -> Term:
        if isinstance(a, float) and isinstance(b, float):
            return a + b
        if a == 0.0 or b == 0.0:
            return b if a == 0.0 else a
        return self.name(f"{a} + {b}")

    def minus(self, a: Term, b: Term) -> Term:
        if isinstance(a, float) and isinstance(b, float):
            return a - b
        if b == 0.0:
            return a
        return self.times(-1.0, b) if a == 0.0 else self.name(f"{a} - {b}")

    def times(self, a: Term, b: Term) -> Term:
        if isinstance(a, float) and isinstance(b, float):
            return a * b
        if a == 0.0 or b == 0.0:
            return 0.0
        if a == 1.0 or b == 1.0:
            return b if a == 1.0 else a
        if isinstance(b, float):
            a, b = b, a
        return self.name(f"{a!r} * {b}" if isinstance(a, float) else f"{a} * {b}")


class _Vector(NamedTuple):
    """A point or direction in the plane."""

    x: Term
    y: Term


class _Frame(NamedTuple):
    """Where a joint is and how it moves: direction, origin less its carrier's, rise of that origin, turning."""

    angle: _Vector
    arm: _Vector
    rise: _Vector
    rate: Term
    turning: Term
    along: _Vector


def _add(page: _Page, a: _Vector, b: _Vector) -> _Vector:
    return _Vector(page.plus(a.x, b.x), page.plus(a.y, b.y))


def _turn(page: _Page, a: _Vector, b: _Vector) -> _Vector:
    """The product of two complex numbers."""
    return _Vector(
        page.minus(page.times(a.x, b.x), page.times(a.y, b.y)),
        page.plus(page.times(a.x, b.y), page.times(a.y, b.x)),
    )


def _scale(page: _Page, factor: Term, a: _Vector) -> _Vector:
    return _Vector(page.times(factor, a.x), page.times(factor, a.y))


def _dot(page: _Page, a: _Vector, b: _Vector) -> Term:
    return page.plus(page.times(a.x, b.x), page.times(a.y, b.y))


def _cross(page: _Page, a: _Vector, b: _Vector) -> Term:
    return page.minus(page.times(a.x, b.y), page.times(a.y, b.x))


def _frames(structure: Structure, page: _Page) -> list[_Frame]:
    """The joints' motion, from the frame outwards."""
    frames: list[_Frame] = []
    for joint in structure.joints:
        axis, share = joint.coordinate, float(joint.share)
        position, speed = page.name(f"position[{axis}]"), page.name(f"speed[{axis}]")
        own: Term = 0.0
        if structure.prescribed[structure.coordinates.index(axis)]:
            own = page.times(share, page.name(f"known[{axis}]"))
        at = _Vector(joint.at.real, joint.at.imag)
        if joint.parent < 0:
            carrier = _Frame(_Vector(1.0, 0.0), at, _Vector(0.0, structure.gravity), 0.0, 0.0, at)
            arm, rise = at, carrier.rise
        else:
            carrier = frames[joint.parent]
            arm = _turn(page, carrier.angle, at)
            sideways = _Vector(page.times(-1.0, page.times(carrier.rate, carrier.rate)), carrier.turning)
            rise = _add(page, carrier.rise, _turn(page, sideways, arm))
        angle, rate, turning = carrier.angle, carrier.rate, carrier.turning
        along = _Vector(joint.along.real, joint.along.imag)
        if joint.hinge:
            moved = page.times(share, position)
            turn = _Vector(page.name(f"cos({moved})"), page.name(f"sin({moved})"))
            if joint.level:
                angle, rate, turning = turn, page.times(share, speed), own
            else:
                angle = _turn(page, angle, turn)
                rate, turning = page.plus(rate, page.times(share, speed)), page.plus(turning, own)
        else:
            along = _turn(page, angle, along)
            out, sliding = page.times(share, position), page.times(share, speed)
            arm = _add(page, arm, _scale(page, out, along))
            inwards = page.minus(own, page.times(page.times(rate, rate), out))
            sideways_rate = page.plus(page.times(page.times(2.0, rate), sliding), page.times(turning, out))
            rise = _add(page, rise, _turn(page, _Vector(inwards, sideways_rate), along))
        frames.append(_Frame(angle, arm, rise, rate, turning, along))
    return frames


def _sums(structure: Structure, page: _Page) -> tuple[list[list[Term]], list[Term]]:
    """Matrix and bias, from the tips inwards; the steps are those of `Linkage`."""
    joints, frames = structure.joints, _frames(structure, page)
    rows = {axis: row for row, axis in enumerate(structure.coordinates)}
    size = len(rows)
    matrix: list[list[Term]] = [[0.0] * size for _ in range(size)]
    bias: list[Term] = [0.0] * size
    sums: list[tuple[Term, ...]] = []
    for place in range(len(joints)):
        four = range(4 * place, 4 * place + 4)
        sums.append(tuple(f"c{number}" if structure.present[number] else 0.0 for number in four))
    mass = [one[0] for one in sums]
    first = [_turn(page, frame.angle, _Vector(one[1], one[2])) for frame, one in zip(frames, sums, strict=True)]
    second = [one[3] for one in sums]
    force, moment = [], []
    for place, frame in enumerate(frames):
        spin = _Vector(page.times(-1.0, page.times(frame.rate, frame.rate)), frame.turning)
        force.append(_add(page, _scale(page, mass[place], frame.rise), _turn(page, spin, first[place])))
        moment.append(page.plus(_cross(page, first[place], frame.rise), page.times(second[place], frame.turning)))
    for place in range(len(joints) - 1, -1, -1):
        joint, frame = joints[place], frames[place]
        row, share = rows[joint.coordinate], float(joint.share)
        if joint.hinge:
            felt: Term = second[place]
            reaction = _Vector(page.times(-1.0, first[place].y), first[place].x)
            bias[row] = page.plus(bias[row], page.times(share, moment[place]))
            own = second[place]
        else:
            felt = _cross(page, first[place], frame.along)
            reaction = _scale(page, mass[place], frame.along)
            bias[row] = page.plus(bias[row], page.times(share, _dot(page, frame.along, force[place])))
            own = mass[place]
        matrix[row][row] = page.plus(matrix[row][row], page.times(share * share, own))
        _couple(structure, page, frames, place, felt, reaction, matrix, rows)
        if joint.parent >= 0:
            above, arm = joint.parent, frame.arm
            shifted = _scale(page, mass[place], arm)
            moment[above] = page.plus(moment[above], _cross(page, arm, force[place]))
            second[above] = page.plus(second[above], _dot(page, arm, shifted))
            force[above] = _add(page, force[above], force[place])
            if not joint.level:
                moment[above] = page.plus(moment[above], moment[place])
                twice = page.times(2.0, _dot(page, arm, first[place]))
                second[above] = page.plus(second[above], page.plus(second[place], twice))
                shifted = _add(page, shifted, first[place])
            first[above] = _add(page, first[above], shifted)
            mass[above] = page.plus(mass[above], mass[place])
    return matrix, bias


def _couple(
    structure: Structure,
    page: _Page,
    frames: list[_Frame],
    place: int,
    felt: Term,
    reaction: _Vector,
    matrix: list[list[Term]],
    rows: dict[int, int],
) -> None:
    """The entries of one joint with each that carries it."""
    joint = structure.joints[place]
    row, share, inner = rows[joint.coordinate], float(joint.share), joint
    arm, ancestor = frames[place].arm, joint.parent
    while ancestor >= 0:
        above = structure.joints[ancestor]
        felt = page.plus(0.0 if inner.level else felt, _cross(page, arm, reaction))
        entry = felt if above.hinge else _dot(page, frames[ancestor].along, reaction)
        entry = page.times(float(above.share) * share, entry)
        column = rows[above.coordinate]
        matrix[row][column] = page.plus(matrix[row][column], entry)
        matrix[column][row] = matrix[row][column] if row != column else page.plus(matrix[row][row], entry)
        inner, arm, ancestor = above, frames[ancestor].arm, above.parent
