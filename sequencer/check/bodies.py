"""The bodies of a machine as the check sees them: where they are, which pairs are watched, and when a pair counts."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from sequencer.check.contradiction import contradict
from sequencer.check.spans import Span, band_of
from sequencer.clearance.box import Pair
from sequencer.clearance.tree import OUTSIDE, Tree, tree_of
from sequencer.clearance.watched import Exempt, watch
from sequencer.machine.body import Body
from sequencer.machine.condition import Is, Term
from sequencer.machine.machine import Machine
from sequencer.routine.steps import Step

_MOST_KEPT = 8
"""So many machines are remembered, each with what was worked out for it."""


@dataclass(frozen=True, slots=True)
class Bodies:
    """All bodies of a machine, its pieces with an outline among them.

    Attributes:
        machine: the machine.
        tree: where they are.
        pairs: those that are watched, with their margins.
        exempt: those that are not, with the reason.
        present: what must be so for a piece to count, by its name; a piece of which no sensor tells is left out, since
            it may always be there.
    """

    machine: Machine
    tree: Tree
    pairs: tuple[Pair, ...]
    exempt: tuple[Exempt, ...]
    present: Mapping[str, Term]

    def may_touch(self, step: Step, pair: Pair) -> bool:
        """Whether a step says that a pair may touch while it is active."""
        if step.touching is None:
            return False
        first, second = (self.machine.bodies_meant(name) for name in step.touching)
        one, other = pair.names
        return (one in first and other in second) or (one in second and other in first)

    def needs(self, pair: Pair) -> tuple[Term, ...]:
        """What must be so for a pair to count: its pieces must be there."""
        return tuple(self.present[name] for name in pair.names if name in self.present)

    def has_piece(self, pair: Pair) -> bool:
        """Whether one of the two is a piece."""
        return any(name in self.machine.pieces for name in pair.names)

    def table_of(self, pair: Pair) -> str:
        """The name of the table of blocked positions that a pair goes into: those with a piece have one of their
        own."""
        pieces = [name for name in pair.names if name in self.present]
        return f"clearance of {' and '.join(pieces)}" if pieces else "clearance"

    def axes_of(self, pair: Pair) -> tuple[str, ...]:
        """The axes that the distance of a pair depends on, in file order."""
        return tuple(name for name in self._coordinates(pair) if name in self.tree.axes)

    def outside_of(self, pair: Pair) -> tuple[str, ...]:
        """The bodies outside whose places the distance of a pair depends on."""
        return tuple(name for name in self._coordinates(pair) if name not in self.tree.axes)

    def widened(self, axis: str, span: Span) -> Span:
        """Where an axis may truly be while it is ordered to be within a span."""
        band = band_of(self.machine, axis)
        return span[0] - band, span[1] + band

    def _coordinates(self, pair: Pair) -> tuple[str, ...]:
        return tuple(self.tree.coordinates[number] for number in pair.concerns)


_kept: dict[int, Bodies] = {}


def bodies_of(machine: Machine) -> Bodies:
    """The bodies of a machine; worked out once.

    Raises:
        ModelError: a body or clearance names something that is not there.
    """
    found = _kept.get(id(machine))
    if found is None or found.machine is not machine:
        found = _worked_out(machine)
        while len(_kept) >= _MOST_KEPT:
            del _kept[next(iter(_kept))]
        _kept[id(machine)] = found
    return found


def _worked_out(machine: Machine) -> Bodies:
    pieces = [piece for piece in machine.pieces.values() if piece.parts]
    tree = tree_of(machine)
    watched = watch(tree, machine.clearances)
    present = {}
    for piece in pieces:
        sensor = next((one for one in machine.sensors.values() if piece.name in one.values), None)
        if sensor is not None:
            present[piece.name] = Is(sensor.name, piece.name)
    pairs, exempt = [], list(watched.exempt)
    for pair in watched.pairs:
        needed = [present[name] for name in pair.names if name in present]
        if len(needed) == 2 and contradict(*needed):
            exempt.append(Exempt(pair.names, "never there together"))
        else:
            pairs.append(pair)
    return Bodies(machine, tree, tuple(pairs), tuple(exempt), present)


def outside_bodies(bodies: Bodies) -> tuple[Body, ...]:
    """The bodies outside the machine."""
    return tuple(body for body in bodies.tree.bodies.values() if body.carried_by == OUTSIDE)
