"""A proof that pairs keep clear all over a box of positions, or a configuration in which they do not.

The box is bisected along the coordinate that can change the distance most, the worst cell first. A cell whose
certified bound is above the pair's margin is done with; a cell whose centre is not clear ends the search. What stays
when cells get too small, or too many, is undecided, never clear.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from heapq import heapify, heappop, heappush
from itertools import count, product
from math import inf
from typing import Literal, NamedTuple

from sequencer.clearance.box import PAD, Pair
from sequencer.clearance.distance_words import apart, millimetres
from sequencer.clearance.tree import Tree
from sequencer.errors import counted

Outcome = Literal["clear", "conflict", "undecided"]

BUDGET = 20_000
"""So many cells a proof looks at before it gives up [1]."""

SMALLEST = 1e-6
"""A cell over which the distance cannot change by more is not bisected any further [m]."""


_AT_MARGIN = 1e-6
"""A conflict by no more than this [m] is looked at for a place beside it that shows more."""

_HALVINGS = 12
"""Steps of half the box, and of half of that, so many times, are tried for it [1]."""


class Cell(NamedTuple):
    """A box of positions [m or rad]: the lowest and the highest value of every coordinate of the tree."""

    low: tuple[float, ...]
    high: tuple[float, ...]

    def spans(self, tree: Tree, pair: Pair) -> dict[str, tuple[float, float]]:
        """Its spans by name, of the coordinates that a pair depends on."""
        return {tree.coordinates[k]: (self.low[k], self.high[k]) for k in pair.concerns}


@dataclass(frozen=True, slots=True)
class Verdict:
    """What a proof found.

    Args:
        outcome: `clear`: every pair keeps more than its margin all over the box. `conflict`: at the witness one does
            not, or by no more than rounding. `undecided`: neither could be shown.
        pair: the pair in conflict or undecided.
        witness: a position [m or rad] of every coordinate in which the pair is not clear.
        distance: of the pair at the witness [m].
        cell: where it is undecided.
        bound: what is certain of the least distance less its margin, over all pairs and the whole box [m].
        cells: how many cells were looked at.
    """

    outcome: Outcome
    pair: Pair | None = None
    witness: Mapping[str, float] | None = None
    distance: float | None = None
    cell: Cell | None = None
    bound: float = inf
    cells: int = 0

    def __repr__(self) -> str:
        between = f" between {' and '.join(self.pair.names)}" if self.pair else ""
        return f"<{self.outcome}{between}, {counted(self.cells, 'cell')}>"

    def __str__(self) -> str:
        """What was found, in words."""
        if self.pair is None:
            spare = (
                "nothing is watched"
                if self.bound == inf
                else f"more than the margins by at least {millimetres(self.bound)}"
            )
            return f"clear: {spare}"
        pair, tree = self.pair, self.pair.tree
        names = " and ".join(pair.names)
        if self.witness is not None and self.distance is not None:
            places = [f"{name} {tree.show(name, self.witness[name])}" for name in _named(pair)]
            return f"conflict: {names} {apart(self.distance, pair.margin)} at {', '.join(places)}"
        spans = self.cell.spans(tree, pair).items() if self.cell else ()
        places = [f"{name} {tree.show(name, low)} to {tree.show(name, high)}" for name, (low, high) in spans]
        return f"undecided after {counted(self.cells, 'cell')}: {names} at {', '.join(places)}"


def prove(
    pairs: Iterable[Pair], low: Sequence[float], high: Sequence[float], budget: int = BUDGET, smallest: float = SMALLEST
) -> Verdict:
    """Whether all pairs keep more than their margins all over a box.

    Args:
        pairs: the watched pairs, all of one tree; each has its margin.
        low: the lowest value of every coordinate of the tree [m or rad].
        high: the highest.
        budget: the most cells to look at.
        smallest: cells over which the distance changes less are not bisected [m].
    """
    search = _Search(list(pairs), budget, smallest)
    return search.run(tuple(low), tuple(high))


def _named(pair: Pair) -> list[str]:
    return [pair.tree.coordinates[number] for number in pair.concerns]


class _Waiting(NamedTuple):
    """A cell of a pair that is not yet shown to be clear; the heap yields the one with the lowest spare distance."""

    spare: float
    number: int
    pair: Pair
    cell: Cell


class _Search:
    def __init__(self, pairs: list[Pair], budget: int, smallest: float) -> None:
        self.pairs, self.budget, self.smallest = pairs, budget, smallest
        self.heap: list[_Waiting] = []
        self.numbers = count()
        self.cells = 0
        self.bound = inf
        self.low: tuple[float, ...] = ()
        self.high: tuple[float, ...] = ()
        self.left: _Waiting | None = None

    def run(self, low: tuple[float, ...], high: tuple[float, ...]) -> Verdict:
        self.low, self.high = low, high
        whole = Cell(low, high)
        for pair in self.pairs:
            found = self._look(pair, whole)
            if found is not None:
                return found
        heapify(self.heap)
        while self.heap:
            if self.cells >= self.budget:
                return self._undecided(self.heap[0])
            worst = heappop(self.heap)
            split = _widest(worst.pair, worst.cell)
            if split is None or self._change(worst) <= self.smallest:
                found = self._corners(worst)
                if found is not None:
                    return found
                self.left = self.left or worst
                self.bound = min(self.bound, worst.spare)
                continue
            for cell in _halves(worst.cell, split):
                found = self._look(worst.pair, cell)
                if found is not None:
                    return found
        if self.left is not None:
            return self._undecided(self.left)
        return Verdict("clear", bound=self.bound, cells=self.cells)

    def _look(self, pair: Pair, cell: Cell) -> Verdict | None:
        self.cells += 1
        lower, centre = pair.bound(cell.low, cell.high)
        if centre <= pair.margin + PAD:
            middle = [0.5 * (begin + end) for begin, end in zip(*cell, strict=True)]
            return self._conflict(pair, middle, centre, lower - pair.margin)
        spare = lower - pair.margin
        if spare > 0.0:
            self.bound = min(self.bound, spare)
        else:
            heappush(self.heap, _Waiting(spare, next(self.numbers), pair, cell))
        return None

    def _nearer(self, pair: Pair, values: Sequence[float], distance: float) -> tuple[Sequence[float], float]:
        """Where the bodies are nearer than just at their margin, by trying beside it; the same place if nowhere."""
        widths = {number: 0.5 * (self.high[number] - self.low[number]) for number in pair.concerns}
        for _ in range(_HALVINGS):
            for number, width in widths.items():
                for step in (-width, width):
                    place = min(max(values[number] + step, self.low[number]), self.high[number])
                    tried = [*values[:number], place, *values[number + 1 :]]
                    there = pair.distance(tried)
                    if there < distance:
                        values, distance = tried, there
            widths = {number: 0.5 * width for number, width in widths.items()}
        return values, distance

    def _corners(self, waiting: _Waiting) -> Verdict | None:
        """A cell that is not bisected may still touch in a corner, as where a move ends in contact."""
        pair, (low, high) = waiting.pair, waiting.cell
        middle = [0.5 * (begin + end) for begin, end in zip(low, high, strict=True)]
        for ends in product((low, high), repeat=len(pair.concerns)):
            for number, end in zip(pair.concerns, ends, strict=True):
                middle[number] = end[number]
            distance = pair.distance(middle)
            if distance <= pair.margin + PAD:
                return self._conflict(pair, middle, distance, waiting.spare)
        return None

    def _conflict(self, pair: Pair, values: Sequence[float], distance: float, spare: float) -> Verdict:
        if distance > pair.margin - _AT_MARGIN:
            values, distance = self._nearer(pair, values, distance)
        witness = dict(zip(pair.tree.coordinates, values, strict=True))
        return Verdict("conflict", pair, witness, distance, bound=min(spare, self.bound), cells=self.cells)

    def _undecided(self, waiting: _Waiting) -> Verdict:
        bound = min(self.bound, waiting.spare, *(other.spare for other in self.heap[:1]))
        return Verdict("undecided", waiting.pair, cell=waiting.cell, bound=bound, cells=self.cells)

    def _change(self, waiting: _Waiting) -> float:
        (low, high), constants = waiting.cell, waiting.pair.lipschitz
        return sum(constants[k] * (high[k] - low[k]) for k in waiting.pair.concerns)


def _widest(pair: Pair, cell: Cell) -> int | None:
    """The coordinate that can change the distance most over the cell, if it can be bisected."""
    widest, most = None, 0.0
    for number in pair.concerns:
        change = pair.lipschitz[number] * (cell.high[number] - cell.low[number])
        if change > most:
            widest, most = number, change
    return widest


def _halves(cell: Cell, number: int) -> tuple[Cell, Cell]:
    low, high = cell
    middle = 0.5 * (low[number] + high[number])
    return (
        Cell(low, (*high[:number], middle, *high[number + 1 :])),
        Cell((*low[:number], middle, *low[number + 1 :]), high),
    )
