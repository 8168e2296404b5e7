"""Few large free boxes that cover nearly all that is certainly free."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import permutations, product
from math import prod

import numpy as np
import numpy.typing as npt

from sequencer.clearance.batch import Floats
from sequencer.ordering.cells import Bools
from sequencer.ordering.grid import Grid

HAIR = 2e-10
"""Cells are asked about so much smaller [m or rad]: they touch what begins at their edges. Boxes side by side leave a
gap that is narrower than the edge that positions may be beside a box."""

TRIED = 6
"""From so many places a box is grown at a time; the one that covers most is taken [1]."""

MOST_ORDERS = 24
"""In so many sequences of axes a box is grown from one place [1]."""

MOST_CELLS = 300_000
"""Where there would be more cells than this, some are taken together [1]."""

Cell = tuple[int, ...]


class Cells:
    """All cells of a grid over all axes, cut at the edges of its cells and of the keep-outs.

    Args:
        grid: which boxes are free.

    Attributes:
        edges: where cells begin and end along each axis [m or rad].
        free: which cells are certainly clear.
    """

    def __init__(self, grid: Grid) -> None:
        self.edges = _thinned([_edges(grid, axis) for axis in range(len(grid.axes))])
        self.shape = tuple(len(edges) - 1 for edges in self.edges)
        places = np.indices(self.shape).reshape(len(self.shape), -1)
        low = np.stack([edges[at] + HAIR for edges, at in zip(self.edges, places, strict=True)], axis=1)
        high = np.stack([edges[at + 1] - HAIR for edges, at in zip(self.edges, places, strict=True)], axis=1)
        self.free: Bools = grid.free_many(low, high).reshape(self.shape)
        counts = np.zeros(tuple(count + 1 for count in self.shape), dtype=np.int32)
        counts[tuple(slice(1, None) for _ in self.shape)] = ~self.free
        for axis in range(len(self.shape)):
            np.cumsum(counts, axis=axis, out=counts)
        self._counts: list[int] = counts.ravel().tolist()
        strides = [prod(count + 1 for count in self.shape[axis + 1 :]) for axis in range(len(self.shape))]
        self._corners = [
            ((-1) ** (len(ends) - sum(ends)), tuple(zip(ends, strides, strict=True)))
            for ends in product((0, 1), repeat=len(self.shape))
        ]

    def is_free(self, first: Sequence[int], last: Sequence[int]) -> bool:
        """Whether all cells from one to another, both included, are free."""
        blocked = 0
        for sign, corner in self._corners:
            place = 0
            for axis, (upper, stride) in enumerate(corner):
                place += (last[axis] + 1 if upper else first[axis]) * stride
            blocked += sign * self._counts[place]
        return blocked == 0

    def grown(self, first: Sequence[int], last: Sequence[int], sequence: Sequence[int]) -> tuple[Cell, Cell]:
        """A free box of cells made as large as it can be, along one axis after the other."""
        low, high = list(first), list(last)
        for axis in sequence:
            begin, end = high[axis], self.shape[axis] - 1
            while begin < end:
                middle = (begin + end + 1) // 2
                high[axis] = middle
                begin, end = (middle, end) if self.is_free(low, high) else (begin, middle - 1)
            high[axis] = begin
            begin, end = 0, low[axis]
            while begin < end:
                middle = (begin + end) // 2
                low[axis] = middle
                begin, end = (begin, middle) if self.is_free(low, high) else (middle + 1, end)
            low[axis] = end
        return tuple(low), tuple(high)

    def box(self, first: Sequence[int], last: Sequence[int]) -> tuple[Floats, Floats]:
        """The positions of a box of cells [m or rad]."""
        low = [edges[at] + (HAIR if at else 0.0) for edges, at in zip(self.edges, first, strict=True)]
        high = [
            edges[at + 1] - (HAIR if at + 1 < count else 0.0)
            for edges, at, count in zip(self.edges, last, self.shape, strict=True)
        ]
        return np.array(low), np.array(high)

    def cell(self, place: Sequence[float]) -> Cell:
        """The cell that a place lies in."""
        return tuple(
            min(max(int(np.searchsorted(edges, position, side="right")) - 1, 0), count - 1)
            for edges, position, count in zip(self.edges, place, self.shape, strict=True)
        )


def cover(cells: Cells, most: int, through: Sequence[Sequence[float]] = ()) -> list[tuple[Cell, Cell]]:
    """Free boxes, one after the other such that each covers as much as possible of what is left.

    Args:
        cells: what is free.
        most: how many boxes at most.
        through: places that boxes are grown from first.

    Returns:
        The boxes by their first and last cells.
    """
    left = cells.free.copy()
    sequences = list(permutations(range(len(cells.shape))))[:MOST_ORDERS]
    found: list[tuple[Cell, Cell]] = []
    for place in through:
        cell = cells.cell(place)
        if cells.free[cell]:
            for low, high in {cells.grown(cell, cell, sequence) for sequence in sequences}:
                found.append((low, high))
                left[_window(low, high)] = False
    # The same places for the same machine: a table is worked out anew equally.
    chance = np.random.default_rng(0)
    while len(found) < most and left.any():
        places = np.argwhere(left)
        grown: dict[tuple[Cell, Cell], int] = {}
        for place in places[chance.integers(len(places), size=TRIED)].tolist():
            for sequence in sequences:
                box = cells.grown(place, place, sequence)
                if box not in grown:
                    grown[box] = int(left[_window(*box)].sum())
        best = max(grown, key=lambda box: grown[box])
        left[_window(*best)] = False
        found.append(best)
    return found


def covered(cells: Cells, boxes: Sequence[tuple[Cell, Cell]]) -> float:
    """The share of all free cells that lie in one of these boxes [1]."""
    total = int(cells.free.sum())
    within = np.zeros(cells.shape, dtype=bool)
    for low, high in boxes:
        within[_window(low, high)] = True
    return int((within & cells.free).sum()) / total if total else 0.0


def _window(low: Cell, high: Cell) -> tuple[slice, ...]:
    return tuple(slice(first, last + 1) for first, last in zip(low, high, strict=True))


def _thinned(edges: list[npt.NDArray[np.float64]]) -> list[npt.NDArray[np.float64]]:
    """Edges of which every other one is left out, along the axis that has most, until there are not too many cells."""
    found = list(edges)
    while prod(len(one) - 1 for one in found) > MOST_CELLS:
        axis = max(range(len(found)), key=lambda k: len(found[k]))
        found[axis] = np.append(found[axis][:-1:2], found[axis][-1])
    return found


def _edges(grid: Grid, axis: int) -> npt.NDArray[np.float64]:
    low, high = grid.low[axis], grid.high[axis]
    found = {low, high}
    for block in grid.table.blocks:
        if axis in block.axes:
            at = block.axes.index(axis)
            count = block.shape[at]
            step = (block.high[at] - block.low[at]) / count
            found |= {block.low[at] + number * step for number in range(1, count)}
    for rule in grid.keep_outs:
        if axis in rule.axes:
            at = rule.axes.index(axis)
            found |= {rule.low[at], rule.high[at]}
    inner = sorted(edge for edge in found if low < edge < high)
    kept = [low]
    for edge in [*inner, high]:
        # Cells narrower than the hairs that they are cut down by would be none.
        if edge - kept[-1] > 100.0 * HAIR or edge == high:
            kept.append(edge)
    return np.array(kept)
