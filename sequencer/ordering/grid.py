"""Which boxes of ordered positions are free: certified cells for bodies, exact boxes for keep-outs.

A box is free if no keep-out, widened by the tracking bands, meets it, and if it touches no cell that is not certified
to be clear. Where cells are too coarse, the pieces of a box in such cells can be looked at once more, sharply.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import cached_property
from typing import NamedTuple

import numpy as np

from sequencer.clearance.batch import Floats, bounds
from sequencer.clearance.box import Pair
from sequencer.clearance.proof import prove
from sequencer.clearance.table import CELLS, OVERLAP, certified_blocks, table_key
from sequencer.clearance.tree import Tree
from sequencer.clearance.watched import watch
from sequencer.errors import ModelError, did_you_mean, enumerate_words
from sequencer.machine.body import Body
from sequencer.machine.interlock import KeepOut
from sequencer.machine.machine import Machine
from sequencer.ordering.cells import Bools, Cells
from sequencer.pack.table import BlockedTable, Free

ROUNDING = 1e-9
"""Keep-outs are so much larger besides [m or rad]: rounding must not decide."""

MOST_CELLS = 256
"""Along an axis no more cells than this are asked for [1]."""

EXPLAIN = 3000
"""So many cells are looked at to say what is in the way [1]."""


class KeptOut(NamedTuple):
    """A keep-out in ordered positions: places of its axes, and its ends [m or rad]."""

    rule: KeepOut
    axes: tuple[int, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]


class Obstacle(NamedTuple):
    """What is in the way of a box: `kind` is conflict, or coarse where only the cells are too large; in words."""

    kind: str
    text: str


class Grid:
    """The free boxes of a machine. Boxes are given by a lowest and a highest ordered position [m or rad] for each of
    `axes`.

    Args:
        machine: the machine; pieces with an outline count as bodies that may always be there.
        cells: cells along each axis by how many axes a block has, powers of 2; by default those of a pack.
        outside: where bodies outside may stand [m], by default anywhere in their ranges.

    Attributes:
        axes: the axes with a position, in file order.
        low, high: their travel [m or rad].
        table: the certified cells.
        blocks: their cells, a block for pairs that depend on the same axes.
        keep_outs: the keep-outs.
        key: a digest of all that the answers depend on.

    Raises:
        ModelError: a body or clearance names something that is not there.
    """

    def __init__(
        self,
        machine: Machine,
        cells: Mapping[int, int] | None = None,
        outside: Mapping[str, tuple[float, float]] | None = None,
    ) -> None:
        self.machine = machine
        moving = [axis for axis in machine.axes.values() if axis.travel is not None]
        self.axes = tuple(axis.name for axis in moving)
        self.index = {name: number for number, name in enumerate(self.axes)}
        self.low = tuple(axis.travel[0] for axis in moving if axis.travel)
        self.high = tuple(axis.travel[1] for axis in moving if axis.travel)
        self.band = np.array([axis.band + OVERLAP for axis in moving])
        self.cells = dict(CELLS) | dict(cells or {})
        self.tree, self.pairs = bodies_of(machine)
        self.keep_outs = [self._kept_out(rule) for rule in machine.interlocks if isinstance(rule, KeepOut)]
        self.outside = checked_outside(machine, outside or {})
        self.key = grid_key(machine, self.tree, self.pairs, self.cells, self.outside)
        bands = {axis.name: axis.band for axis in moving}
        certified = certified_blocks(self.tree, self.pairs, self.outside, cells, bands)
        self.table = BlockedTable(self.axes, [one.block for one in certified], self.key)
        self.blocks = [Cells(one) for one in certified]
        self._query = self.table.query if self.table.blocks else None
        self._boxes = [(rule.axes, rule.low, rule.high) for rule in self.keep_outs]

    def free(self, low: Sequence[float], high: Sequence[float]) -> bool:
        """Whether a box is certainly clear, as far as the cells tell."""
        for axes, begin, end in self._boxes:
            for axis, least, most in zip(axes, begin, end, strict=True):
                if high[axis] < least or low[axis] > most:
                    break
            else:
                return False
        return self._query is None or self._query(low, high)

    @cached_property
    def fine(self) -> BlockedTable:
        """The table with smaller cells where too little is known; made when it is first asked for."""
        return BlockedTable(self.axes, [block.finer(self._judged) for block in self.blocks], self.key)

    @cached_property
    def free_fine(self) -> Free:
        """The same by the finer cells."""
        query = self.fine.query if self.blocks else lambda low, high: True
        keep_outs = self.keep_outs
        if not keep_outs:
            return query

        def free(low: Sequence[float], high: Sequence[float]) -> bool:
            return not any(self.meets(rule, low, high) for rule in keep_outs) and query(low, high)

        return free

    def free_sharp(self, low: Sequence[float], high: Sequence[float]) -> bool:
        """The same by still smaller cells, which are looked at when they are first asked for; slower."""
        if self.free(low, high):
            return True
        if any(self.meets(rule, low, high) for rule in self.keep_outs):
            return False
        return all(block.free_sharp(low, high, self._judged) for block in self.blocks)

    def free_proved(self, low: Sequence[float], high: Sequence[float]) -> bool:
        """The same by bisecting the very box, where tracking bands are wide beside what remains; slowest."""
        if self.free_sharp(low, high):
            return True
        if any(self.meets(rule, low, high) for rule in self.keep_outs):
            return False
        begin, end = self.widened(low, high)
        return all(prove([pair], begin, end, EXPLAIN).outcome == "clear" for pair in self.pairs)

    def free_many(self, low: Floats, high: Floats) -> Bools:
        """`free` for many boxes, shape (n, axes)."""
        found = np.ones(len(low), dtype=bool)
        for rule in self.keep_outs:
            axes = list(rule.axes)
            apart = (high[:, axes] < np.array(rule.low)) | (low[:, axes] > np.array(rule.high))
            found &= apart.any(axis=1)
        for block in self.blocks:
            found &= block.free(low, high)
        return found

    def obstacle(self, low: Sequence[float], high: Sequence[float]) -> Obstacle | None:
        """What is in the way of a box; None if it is free."""
        return None if self.free_sharp(low, high) else self.met(low, high)

    def met(self, low: Sequence[float], high: Sequence[float]) -> Obstacle:
        """What is in the way of a box that is not free."""
        met = [rule.rule for rule in self.keep_outs if self.meets(rule, low, high)]
        if met:
            words = [rule.name + (f" ({rule.because})" if rule.because else "") for rule in met]
            return Obstacle("conflict", enumerate_words(words, 3))
        begin, end = self.widened(low, high)
        undecided = None
        for pair in self.pairs:
            proof = prove([pair], begin, end, EXPLAIN)
            if proof.outcome == "conflict":
                return Obstacle("conflict", str(proof).removeprefix("conflict: "))
            if proof.outcome == "undecided":
                undecided = undecided or Obstacle("coarse", str(proof).removeprefix("undecided "))
        return undecided or Obstacle("coarse", f"what such cells do not tell from free places: {self.cell(low, high)}")

    def widened(self, low: Sequence[float], high: Sequence[float]) -> tuple[Sequence[float], Sequence[float]]:
        """A box with the tracking bands about it, over all places of bodies outside."""
        spans = {
            name: (float(low[k] - self.band[k]), float(high[k] + self.band[k])) for k, name in enumerate(self.axes)
        }
        begin, end = self.tree.box({**self.outside, **spans})
        return begin, end

    def finer(self, low: Sequence[float], high: Sequence[float]) -> tuple[int, int]:
        """How many cells along each axis the first block has in which a box is not free, and how many are enough with a
        sharper look; 0 if not even the most that are allowed are."""
        for block in self.blocks:
            if block.blocked_cell(np.array(low), np.array(high)) is not None:
                count = block.shape[0]
                while (count := 2 * count) <= MOST_CELLS:
                    begin, end = block.touched(low, high, count * block.sharper)
                    if not self._judged(block.axes, begin, end)[0].any():
                        return block.shape[0], count
                return block.shape[0], 0
        return 0, 0

    def cell(self, low: Sequence[float], high: Sequence[float]) -> str:
        """The first uncertified cell that a box touches, in words."""
        for block in self.blocks:
            corner = block.blocked_cell(np.array(low), np.array(high))
            if corner is not None:
                begin = block.low + corner * block.step
                spans = [
                    f"{self.axes[axis]} {self._show(axis, begin[k])} to {self._show(axis, begin[k] + block.step[k])}"
                    for k, axis in enumerate(block.axes)
                ]
                return ", ".join(spans)
        return "the edge of the travel"

    def _show(self, axis: int, position: float) -> str:
        return self.machine.axes[self.axes[axis]].show(float(position))

    def tolerance(self, axis: int) -> float:
        """How far an axis may stand from where it is said to stand [m or rad], by its number."""
        one = self.machine.axes[self.axes[axis]]
        return min(one.tolerance.position, one.band)

    def meets(self, rule: KeptOut, low: Sequence[float], high: Sequence[float]) -> bool:
        """Whether a box meets a keep-out, tracking bands counted."""
        return all(
            low[axis] <= most and high[axis] >= least
            for axis, least, most in zip(rule.axes, rule.low, rule.high, strict=True)
        )

    def _kept_out(self, rule: KeepOut) -> KeptOut:
        axes = tuple(self.index[name] for name, _ in rule.box)
        more = [self.machine.axes[name].band + ROUNDING for name, _ in rule.box]
        low = tuple(span[0] - wide for (_, span), wide in zip(rule.box, more, strict=True))
        high = tuple(span[1] + wide for (_, span), wide in zip(rule.box, more, strict=True))
        return KeptOut(rule, axes, low, high)

    def _judged(
        self, axes: tuple[int, ...], begin: Floats, end: Floats, asked: Bools | None = None
    ) -> tuple[Bools, Bools]:
        """Which pairs are not shown to be clear in which boxes of some axes, shape (n, pairs), and which boxes are
        certainly blocked all over, whatever the other axes do. `asked` tells which pairs have to be looked at where."""
        width = len(self.axes)
        whole_low, whole_high = self.tree.box(self.outside)
        lows, highs = np.tile(whole_low, (len(begin), 1)), np.tile(whole_high, (len(begin), 1))
        lows[:, list(axes)] = begin - self.band[list(axes)]
        highs[:, list(axes)] = end + self.band[list(axes)]
        left, shut = np.zeros((len(begin), len(self.pairs)), dtype=bool), np.zeros(len(begin), dtype=bool)
        for number, pair in enumerate(self.pairs):
            if {number for number in pair.concerns if number < width} <= set(axes):
                rows = np.arange(len(begin)) if asked is None else np.flatnonzero(asked[:, number])
                if not len(rows):
                    continue
                lower, centre = bounds(pair, lows[rows], highs[rows])
                left[rows, number] = lower <= pair.margin
                shut[rows] |= centre + 0.5 * (highs[rows] - lows[rows]) @ np.array(pair.lipschitz) <= pair.margin
        return left, shut


def bodies_of(machine: Machine) -> tuple[Tree, tuple[Pair, ...]]:
    """Where the bodies of a machine are, its pieces with an outline among them, and which pairs are watched.

    Two pieces that one sensor tells apart are never there together.
    """
    pieces = [piece for piece in machine.pieces.values() if piece.parts]
    bodies = [*machine.bodies.values(), *(Body(piece.name, piece.carried_by, piece.parts) for piece in pieces)]
    tree = Tree(machine.axes, bodies)
    told = {
        piece.name: sensor.name
        for sensor in reversed(list(machine.sensors.values()))
        for piece in pieces
        if piece.name in sensor.values
    }
    pairs = [
        pair
        for pair in watch(tree, machine.clearances).pairs
        if not (pair.first in told and told[pair.first] == told.get(pair.second))
    ]
    return tree, tuple(pairs)


def cells_of(count: int | None) -> dict[int, int]:
    """Cells along each axis by how many axes a block has: one number for all, or those of a pack.

    Raises:
        ModelError: the number is no power of 2, or so large that the cells do not fit into memory.
    """
    if count is None:
        return dict(CELLS)
    if count < 2 or count & (count - 1) or count > MOST_CELLS:
        raise ModelError(f"{count} cells along an axis; it must be a power of 2 from 2 to {MOST_CELLS}")
    return dict.fromkeys(CELLS, count)


def checked_outside(machine: Machine, given: Mapping[str, tuple[float, float]]) -> dict[str, tuple[float, float]]:
    """Where bodies outside may stand [m], all of them within the ranges of the machine.

    Raises:
        ModelError: a name is no body outside, or a range is not within that of the machine.
    """
    ranges = {body.name: body.range for body in machine.bodies.values() if body.range is not None}
    for name, (low, high) in given.items():
        if name not in ranges:
            raise ModelError(f"'{name}' is no body outside; {did_you_mean(name, ranges)}")
        least, most = ranges[name]
        if not least <= low <= high <= most:
            raise ModelError(f"{name} from {low:g} m to {high:g} m; the machine allows {least:g} m to {most:g} m")
    return dict(given)


def grid_key(
    machine: Machine,
    tree: Tree,
    pairs: Sequence[Pair],
    cells: Mapping[int, int],
    outside: Mapping[str, tuple[float, float]],
) -> str:
    """A digest of all that a grid depends on, and the planned times with it: geometry, keep-outs, limits, tolerances,
    latencies, presets, overlays and the size of cells."""
    rules = [
        (rule.name, rule.box, repr(rule.when and rule.when.term))
        for rule in machine.interlocks
        if isinstance(rule, KeepOut)
    ]
    presets = [(preset.name, tuple(preset.positions.items())) for preset in machine.presets.values()]
    ranges = [(body.name, body.range) for body in machine.bodies.values()]
    given = tuple(sorted(outside.items()))
    return table_key(
        tree,
        pairs,
        rules,
        presets,
        ranges,
        machine.period,
        machine.overlays,
        tuple(sorted(cells.items())),
        given,
        FORMAT,
    )


FORMAT = 4
"""Counts up when what is worked out from the same machine changes."""
