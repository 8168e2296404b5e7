"""The blocked positions of a machine, certified cell by cell, for a pack.

Pairs that depend on the same axes share a grid. It starts as one cell; cells that are not certainly clear, nor
certainly blocked, are halved along every axis, all of one size at once. What is not shown to be clear when a cell has
its final size is blocked.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from hashlib import sha256
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from sequencer.clearance.batch import Floats, bounds
from sequencer.clearance.box import Pair
from sequencer.clearance.tree import OUTSIDE, Tree
from sequencer.pack.table import Block, BlockedTable

CELLS = {1: 1024, 2: 256, 3: 64, 4: 16, 5: 8}
"""Cells along each axis of a grid over so many axes; each is a power of 2 [1]."""

OVERLAP = 1e-9
"""Cells are certified this much larger on every side [m or rad], so that rounding at their edges does no harm."""

PLACES = 16
"""Into so many pieces the range of a body outside is cut [1]."""

Grid = npt.NDArray[np.int64]


class Certified(NamedTuple):
    """A block, and which of its cells are certainly blocked all over; of the other blocked ones only too little is
    known."""

    block: Block
    shut: npt.NDArray[np.bool_]


def blocked_table(
    tree: Tree,
    pairs: Sequence[Pair],
    key: str,
    outside: Mapping[str, tuple[float, float]] | None = None,
    cells: Mapping[int, int] | None = None,
    band: Mapping[str, float] | None = None,
) -> BlockedTable:
    """The table of a machine with what it carries; `tree` and `pairs` tell both.

    Args:
        tree: where bodies are.
        pairs: the watched pairs, each with its margin.
        key: a digest of all that it depends on, see `table_key`.
        outside: where bodies outside may stand [m], by default anywhere in their ranges.
        cells: cells along each axis by how many axes a grid has, powers of 2; by default `CELLS`.
        band: how far an axis may be from the position that is asked about [m or rad]: a cell is free if all is clear so
            far around it.
    """
    blocks = certified_blocks(tree, pairs, outside, cells, band)
    return BlockedTable([name for name in tree.coordinates if name in tree.axes], [one.block for one in blocks], key)


def certified_blocks(
    tree: Tree,
    pairs: Sequence[Pair],
    outside: Mapping[str, tuple[float, float]] | None = None,
    cells: Mapping[int, int] | None = None,
    band: Mapping[str, float] | None = None,
) -> list[Certified]:
    """The blocks of such a table, with what else is known of their cells; the arguments are those of
    `blocked_table`."""
    axes = [name for name in tree.coordinates if name in tree.axes]
    grids: dict[tuple[int, ...], list[Pair]] = {}
    for pair in pairs:
        concerned = tuple(number for number in pair.concerns if number < len(axes))
        grids.setdefault(concerned, []).append(pair)
    for small in sorted(grids, key=len):
        # a grid over more axes answers for fewer of them too, as long as its cells are fine enough
        larger = [big for big in grids if set(small) < set(big) and len(big) <= 3]
        if larger:
            grids[larger[0]] += grids.pop(small)
    whole = dict(outside or {})
    beside = np.array([(band or {}).get(name, 0.0) + OVERLAP for name in axes])
    return [_block(tree, concerned, members, whole, cells or CELLS, beside) for concerned, members in grids.items()]


def table_key(tree: Tree, pairs: Sequence[Pair], *others: object) -> str:
    """A digest of all that certified boxes depend on: mounts, travel, limits and tolerances of the axes, bodies and
    margins.

    Args:
        tree: where bodies are.
        pairs: the watched pairs.
        others: what else counts, such as latencies or loads; each has to have a `repr` that tells its value.
    """
    axes = [
        (axis.name, axis.kind, axis.travel, axis.mount, axis.tolerance, repr(axis.limits), axis.latency)
        for axis in tree.axes.values()
    ]
    bodies = [
        (body.name, body.carried_by, body.share, body.parts, body.along, body.range) for body in tree.bodies.values()
    ]
    watched = [(pair.first, pair.second, pair.margin) for pair in pairs]
    return sha256(repr((axes, bodies, watched, others)).encode()).hexdigest()


def _block(
    tree: Tree,
    concerned: tuple[int, ...],
    pairs: Sequence[Pair],
    outside: Mapping[str, tuple[float, float]],
    cells: Mapping[int, int],
    beside: Floats,
) -> Certified:
    axes = concerned or (0,)  # pairs that no axis moves block everything or nothing
    size = cells.get(len(axes), 4) if concerned else 1
    low = np.array([tree.reach[number][0] - OVERLAP for number in axes])
    high = np.array([tree.reach[number][1] + OVERLAP for number in axes])
    still_low, still_high = (np.array(values) for values in tree.box(outside))
    blocked = np.zeros((size,) * len(axes), dtype=np.uint8)
    hopeless = np.zeros(blocked.shape, dtype=bool)
    width = size
    corners: Grid = np.zeros((1, len(axes)), dtype=np.int64)
    while len(corners):
        step = (high - low) / size
        begin, end = np.tile(still_low, (len(corners), 1)), np.tile(still_high, (len(corners), 1))
        begin[:, list(axes)] = low + corners * step - beside[list(axes)]
        end[:, list(axes)] = low + (corners + width) * step + beside[list(axes)]
        clear, shut = _judge(tree, pairs, begin, end)
        open_cells = corners[~clear & ~shut]
        if width == 1:
            blocked[tuple(corners[~clear].T)] = 1
            hopeless[tuple(corners[shut].T)] = True
            break
        for corner in corners[shut]:
            place = tuple(slice(k, k + width) for k in corner)
            blocked[place], hopeless[place] = 1, True
        width //= 2
        steps = np.stack(np.meshgrid(*[[0, width]] * len(axes), indexing="ij"), axis=-1).reshape(-1, len(axes))
        corners = (open_cells[:, None, :] + steps[None, :, :]).reshape(-1, len(axes))
    packed = np.packbits(blocked.ravel(), bitorder="little").tobytes()
    return Certified(Block(tuple(axes), tuple(low.tolist()), tuple(high.tolist()), blocked.shape, packed), hopeless)


def _judge(
    tree: Tree, pairs: Sequence[Pair], low: Floats, high: Floats
) -> tuple[npt.NDArray[np.bool_], npt.NDArray[np.bool_]]:
    """Which boxes are certainly clear, and which are certainly blocked all over."""
    clear, shut = np.ones(len(low), dtype=bool), np.zeros(len(low), dtype=bool)
    for pair in pairs:
        left = np.flatnonzero(clear & ~shut)
        if not len(left):
            break
        free = np.ones(len(left), dtype=bool)
        for begin, end in _places(tree, pair, low[left], high[left]):
            lower, centre = bounds(pair, begin, end)
            free &= lower > pair.margin
            change = 0.5 * (end - begin) @ np.array(pair.lipschitz)
            shut[left] |= centre + change <= pair.margin
        clear[left] &= free
    return clear & ~shut, shut


def _places(tree: Tree, pair: Pair, low: Floats, high: Floats) -> list[tuple[Floats, Floats]]:
    """The boxes once for each piece of the range of a body outside."""
    outside = [
        number
        for number in pair.concerns
        if (body := tree.bodies.get(tree.coordinates[number])) is not None and body.carried_by == OUTSIDE
    ]
    boxes = [(low, high)]
    for number in outside:
        pieces = []
        for begin, end in boxes:
            edges = np.linspace(begin[:, number], end[:, number], PLACES + 1)
            for k in range(PLACES):
                part_low, part_high = begin.copy(), end.copy()
                part_low[:, number], part_high[:, number] = edges[k], edges[k + 1]
                pieces.append((part_low, part_high))
        boxes = pieces
    return boxes
