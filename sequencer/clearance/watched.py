"""Which pairs of bodies are watched, and which are exempt and why."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import combinations
from typing import NamedTuple

from sequencer.clearance.box import Pair
from sequencer.clearance.polygon import polygon
from sequencer.clearance.tree import FRAME, OUTSIDE, Tree
from sequencer.errors import ModelError, did_you_mean
from sequencer.machine.body import Clearance
from sequencer.machine.convex import Point

TOUCHING = 1e-3
"""Neighbours across an axis that are nowhere farther apart meet by design [m]."""

_MOST_SPANS = 4000


class Exempt(NamedTuple):
    """Two bodies that are not watched, and the reason in words."""

    between: tuple[str, str]
    because: str

    def __str__(self) -> str:
        return f"{self.between[0]} and {self.between[1]} exempt: {self.because}"


class Watch(NamedTuple):
    """The watched `pairs` and the `exempt` ones, each in the order of the bodies."""

    pairs: tuple[Pair, ...]
    exempt: tuple[Exempt, ...]


def watch(tree: Tree, clearances: Iterable[Clearance] = ()) -> Watch:
    """All pairs of bodies that can come near each other, with the margins that are declared, else 0.

    Exempt are bodies on one carrier; neighbours across a hinge that both cover its pivot, and neighbours across a slide
    that overlap wherever it is, since those always meet; bodies of which the machine moves none; and what a clearance
    says is exempt. A pair for which a margin is declared is watched in any case. Nothing is exempt because it was never
    seen to meet.

    Args:
        tree: where bodies are.
        clearances: declared margins and exemptions.

    Raises:
        ModelError: a clearance names an unknown body, or two name one pair.
    """
    declared: dict[frozenset[str], Clearance] = {}
    for clearance in clearances:
        both = " and ".join(clearance.between)
        for name in clearance.between:
            if name not in tree.bodies:
                text = f"clearance between {both}: unknown body '{name}'; {did_you_mean(name, tree.bodies)}"
                raise ModelError(text, [(clearance.place, text)])
        between = frozenset(clearance.between)
        if between in declared:
            text = f"two clearances are between {both}; keep one"
            raise ModelError(text, [(clearance.place, text)])
        declared[between] = clearance
    pairs, exempt = [], []
    for first, second in combinations(tree.bodies.values(), 2):
        names = (first.name, second.name)
        known = declared.get(frozenset(names))
        pair = Pair(tree, *names, known.margin if known else 0.0)
        reason = known.exempt if known else _reason(tree, pair)
        if reason:
            exempt.append(Exempt(names, reason))
        else:
            pairs.append(pair)
    return Watch(tuple(pairs), tuple(exempt))


def _reason(tree: Tree, pair: Pair) -> str:
    """Why a pair that no clearance names is not watched; empty if it is."""
    first, second = tree.bodies[pair.first], tree.bodies[pair.second]
    one, other = first.carried_by, second.carried_by
    if {one, other} <= {FRAME, OUTSIDE}:
        return "no axis moves either of them"
    if OUTSIDE in (one, other):
        return ""
    one, other = _without_spins(tree, one), _without_spins(tree, other)
    if one == other and first.share == second.share:
        return f"both on {one}"
    for upper, lower in ((one, other), (other, one)):
        if lower != FRAME and _without_spins(tree, tree.axes[lower].mount.to) == upper and _joined(tree, pair, lower):
            return f"joined by {lower}"
    return ""


def _joined(tree: Tree, pair: Pair, axis: str) -> bool:
    """Whether two neighbours across an axis meet wherever it is."""
    if tree.axes[axis].kind == "rotary":
        values = tree.values({})
        pivot = tree.origin(axis, values)
        return all(_covers(tree.placed(name, values), pivot) for name in pair.names)
    number = tree.number(axis)
    if pair.concerns != (number,):
        return not pair.concerns and pair.distance(tree.values({})) <= TOUCHING
    return _always_meet(tree, pair, number)


def _covers(parts: Sequence[Sequence[Point]], point: Point) -> bool:
    x, y = point
    return any(
        all(nx * x + ny * y <= offset + TOUCHING for *_, nx, ny, offset, _, _ in polygon(part).edges) for part in parts
    )


def _always_meet(tree: Tree, pair: Pair, number: int) -> bool:
    """Whether two bodies touch or overlap at every position of a coordinate: d(centre) + L w bounds d from above."""
    values = tree.values({})
    spans, left = [tree.reach[number]], _MOST_SPANS
    while spans:
        low, high = spans.pop()
        left -= 1
        values[number] = 0.5 * (low + high)
        distance = pair.distance(values)
        if distance > TOUCHING or left < 0:
            return False
        if distance + pair.lipschitz[number] * 0.5 * (high - low) > TOUCHING:
            spans += [(low, values[number]), (values[number], high)]
    return True


def _without_spins(tree: Tree, carrier: str) -> str:
    """What a spin is fixed to, since a spin turns nothing that a side view shows."""
    while carrier != FRAME and tree.axes[carrier].kind == "spin":
        carrier = tree.axes[carrier].mount.to
    return carrier
