"""Pairs of bodies whose distance no axis changes: a clearance that names them is judged once, on its own."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from sequencer.check.bodies import Bodies
from sequencer.check.finding import Finding
from sequencer.check.proofs import CELLS
from sequencer.check.spans import ROUNDING, Span
from sequencer.clearance.box import Pair
from sequencer.clearance.distance_words import apart, millimetres, must_remain
from sequencer.clearance.proof import Verdict, prove
from sequencer.clearance.tree import FRAME
from sequencer.errors import counted
from sequencer.places import Place
from sequencer.plan.resolve import FlatRoutine
from sequencer.units import LENGTH, show


class FixedPair(NamedTuple):
    """A watched pair that no axis moves against each other.

    Attributes:
        pair: the two.
        because: why, in words.
        distance: how far apart they are [m]; where one stands outside, None if they keep clear wherever it does.
        proof: what was proved over the range of what stands outside; None where nothing does.
    """

    pair: Pair
    because: str
    distance: float | None
    proof: Verdict | None

    @property
    def holds(self) -> bool:
        """Whether the margin is kept."""
        if self.proof is not None:
            return self.proof.outcome == "clear"
        return self.distance is not None and self.distance >= self.pair.margin - ROUNDING


def fixed_pairs(flat: FlatRoutine, bodies: Bodies) -> Iterator[FixedPair]:
    """The watched pairs whose distance depends on no axis, each judged."""
    for pair in bodies.pairs:
        if bodies.axes_of(pair):
            continue
        outside = {name: _range(flat, bodies, name) for name in bodies.outside_of(pair)}
        if not outside:
            yield FixedPair(pair, _because(bodies, pair), pair.distance(bodies.tree.values({})), None)
        else:
            proof = prove([pair], *bodies.tree.box(outside), CELLS)
            yield FixedPair(pair, _because(bodies, pair), proof.distance, proof)


def fixed_findings(flat: FlatRoutine, bodies: Bodies) -> Iterator[Finding]:
    """Clearances that are asked for and can never be there, and those that stay undecided."""
    for fixed in fixed_pairs(flat, bodies):
        if not fixed.holds:
            doubt = fixed.proof is not None and fixed.proof.outcome == "undecided"
            yield Finding(
                "clearance",
                "undecided" if doubt else "error",
                f"clearance between {' and '.join(fixed.pair.names)}: {fixed.because}, {_found(fixed)}",
                None,
                _place(flat, fixed.pair),
                "leave the line out, or move a body",
                found=fixed.distance,
                allowed=fixed.pair.margin,
            )


def fixed_words(flat: FlatRoutine, bodies: Bodies) -> Iterator[str]:
    """What was judged of such pairs and holds."""
    for fixed in fixed_pairs(flat, bodies):
        if fixed.holds:
            kept = (
                f"they keep clear wherever {' and '.join(bodies.outside_of(fixed.pair))} may stand"
                f"{must_remain(fixed.pair.margin)}"
                if fixed.distance is None
                else f"they always {apart(fixed.distance, fixed.pair.margin)}"
            )
            yield f"{' and '.join(fixed.pair.names)}: {fixed.because}, {kept}"


def _found(fixed: FixedPair) -> str:
    margin = fixed.pair.margin
    asked = f"{millimetres(margin)} are asked for" if margin else "they must not overlap"
    proof = fixed.proof
    if proof is None:
        assert fixed.distance is not None
        if fixed.distance < 0.0:
            return f"their distance never changes: they {apart(fixed.distance)}, and {asked}"
        return f"their distance never changes: {millimetres(fixed.distance, margin)}, and {asked}"
    if proof.witness is None or fixed.distance is None:
        cells = counted(proof.cells, "cell")
        return f"and it stays undecided after {cells} whether they keep clear wherever it stands; {asked}"
    tree = fixed.pair.tree
    places = [
        f"{name} at {show(proof.witness[name], LENGTH)}"
        for name in (tree.coordinates[number] for number in fixed.pair.concerns)
    ]
    return f"and they {apart(fixed.distance, margin)} with {', '.join(places)}"


def _because(bodies: Bodies, pair: Pair) -> str:
    carriers = {bodies.tree.bodies[name].carried_by for name in pair.names}
    if len(carriers) > 1 or bodies.outside_of(pair):
        return "no axis moves either of them"
    (carrier,) = carriers
    return "both on the frame" if carrier == FRAME else f"both on {carrier}"


def _range(flat: FlatRoutine, bodies: Bodies, name: str) -> Span:
    """Where a body outside may stand at any time of a routine [m]."""
    declared = bodies.tree.bodies[name].range
    assert declared is not None
    return next((said.range for said in flat.routine.outside if said.body == name and said.since is None), declared)


def _place(flat: FlatRoutine, pair: Pair) -> Place:
    both = frozenset(pair.names)
    return next((one.place for one in flat.machine.clearances if frozenset(one.between) == both), flat.routine.place)
