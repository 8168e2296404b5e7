"""Proofs that pairs of bodies keep clear over boxes, each asked for once, within a budget of cells."""

from __future__ import annotations

from collections.abc import Sequence

from sequencer.check.bodies import Bodies
from sequencer.check.spans import Span
from sequencer.clearance.box import Pair
from sequencer.clearance.proof import Cell, Verdict, prove
from sequencer.clearance.union import clear_over_all

CELLS = 4_000
"""So many cells are looked at for one pair and one box [1]."""

ALL_CELLS = 200_000
"""So many are looked at for a whole routine; what is asked after that is undecided [1]."""

GLANCE = 24
"""So many are looked at for a box that is larger than need be [1]."""

TOGETHER = 100
FOR_EACH = 3
"""So many at least, and so many for each, are looked at for several boxes together before each is for itself [1]."""

Box = tuple[tuple[str, Span], ...]
"""Spans of coordinates by name, true positions [m or rad]."""


class Proofs:
    """What is proved about the pairs of a machine.

    Args:
        bodies: the machine's bodies.
        cells: the most cells for one pair and box.
        all_cells: the most for everything.
    """

    def __init__(self, bodies: Bodies, cells: int = CELLS, all_cells: int = ALL_CELLS) -> None:
        self.bodies = bodies
        self.cells = cells
        self.left = all_cells
        self._known: dict[tuple[str, str], dict[Box, Verdict]] = {}
        self._clear: dict[tuple[str, str], list[Box]] = {}

    def of(self, pair: Pair, box: Box) -> Verdict:
        """The verdict on one pair over a box."""
        known = self._known.setdefault(pair.names, {})
        found = known.get(box)
        if found is None:
            found = self._within_clear(pair, box) or self._proved(pair, box, self.cells)
            known[box] = found
        return found

    def surely_clear(self, pair: Pair, box: Box) -> bool:
        """Whether a pair is clear over a box, as far as a glance tells."""
        if self._within_clear(pair, box):
            return True
        return self._proved(pair, box, GLANCE).outcome == "clear"

    def all_surely_clear(self, pair: Pair, boxes: Sequence[Box]) -> bool:
        """Whether a pair is clear over every one of several boxes, as far as a few looks for each tell."""
        tree = self.bodies.tree
        cells = [Cell(*map(tuple, tree.box(dict(box)))) for box in dict.fromkeys(boxes)]
        found = clear_over_all(pair, cells, max(min(max(TOGETHER, FOR_EACH * len(cells)), self.cells, self.left), 1))
        self.left -= found.cells
        return found.clear

    def _proved(self, pair: Pair, box: Box, cells: int) -> Verdict:
        low, high = self.bodies.tree.box(dict(box))
        found = prove([pair], low, high, max(min(cells, self.left), 1))
        self.left -= found.cells
        if found.outcome == "clear":
            self._clear.setdefault(pair.names, []).append(box)
        return found

    def _within_clear(self, pair: Pair, box: Box) -> Verdict | None:
        for other in self._clear.get(pair.names, ()):
            for (_, (begin, end)), (_, (low, high)) in zip(box, other, strict=True):
                if begin < low or end > high:
                    break
            else:
                return Verdict("clear", bound=0.0)
        return None
