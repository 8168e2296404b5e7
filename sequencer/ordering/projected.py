"""What is blocked in the plane of two axes, while the others stay within a box."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from sequencer.clearance.batch import Floats
from sequencer.ordering.cells import Bools, Cells
from sequencer.ordering.grid import Grid


class Layer(NamedTuple):
    """The cells of one block in the plane of two axes.

    Attributes:
        across, up: the edges of the cells [m or rad].
        every: cells that are blocked wherever the other axes are in their box, shape (len(across) - 1, len(up) - 1).
        some: cells that are blocked for some of their positions, those of `every` not among them.
    """

    across: Floats
    up: Floats
    every: Bools
    some: Bools


def layers(grid: Grid, across: int, up: int, low: Sequence[float], high: Sequence[float]) -> list[Layer]:
    """What cells block in the plane of two axes, a layer for each block that concerns one of them.

    Args:
        grid: the certified cells.
        across, up: the two axes, by their number in the grid.
        low, high: the box of the others [m or rad].
    """
    return [_layer(grid, block, across, up, low, high) for block in grid.blocks if {across, up} & set(block.axes)]


def _layer(grid: Grid, block: Cells, across: int, up: int, low: Sequence[float], high: Sequence[float]) -> Layer:
    blocked, others = block.blocked, []
    for place, axis in enumerate(block.axes):
        if axis not in (across, up):
            last = block.shape[place] - 1
            begin, end = ((value - block.low[place]) / block.step[place] for value in (low[axis], high[axis]))
            span = range(min(max(int(begin), 0), last), min(max(int(end), 0), last) + 1)
            blocked = np.take(blocked, span, axis=place)
            others.append(place)
    every: Bools = np.all(blocked, axis=tuple(others))
    some: Bools = np.any(blocked, axis=tuple(others))
    edges = []
    for axis in (across, up):
        if axis in block.axes:
            place = block.axes.index(axis)
            edges.append(block.low[place] + block.step[place] * np.arange(block.shape[place] + 1))
        else:
            edges.append(np.array([grid.low[axis], grid.high[axis]]))
            every, some = np.expand_dims(every, int(axis == up)), np.expand_dims(some, int(axis == up))
    if {across, up} <= set(block.axes) and block.axes.index(across) > block.axes.index(up):
        every, some = every.T, some.T
    return Layer(edges[0], edges[1], every, some & ~every)
