"""The cells of one block: boxes of cells counted at once, and a sharper look at cells of which too little is known.

A count of cells below each corner (a summed-area table) tells in 2^axes looks how many of a box are blocked. A cell
that is neither certified nor blocked all over is halved when a box that touches it is first asked about sharply.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import product

import numpy as np
import numpy.typing as npt

from sequencer.clearance.batch import Floats
from sequencer.clearance.table import OVERLAP, Certified
from sequencer.pack.table import Block

Bools = npt.NDArray[np.bool_]
Corners = npt.NDArray[np.int64]

Judge = Callable[[tuple[int, ...], Floats, Floats, Bools | None], tuple[Bools, Bools]]
"""Which pairs are not clear in which boxes of some axes, and which boxes are blocked all over; see `Grid`."""

SHARPER = {1: 8, 2: 4, 3: 4}
"""Sharply, a cell is cut into so many along each axis, by how many axes a block has, a power of 2; 2 beyond [1]."""

FINER = {1: 8, 2: 4, 3: 2}
"""The finer cells: a cell is cut into so many along each axis, by how many axes a block has, a power of 2; 2 beyond
[1]."""

MOST_SHARP = 1500
"""A box that touches more cells of which too little is known than this is not looked at sharply [1]."""

AT_FIRST = 64
"""So many of them are looked at together at first, four times as many each time after: one that spoils the box is
mostly found soon [1]."""

AROUND = 4
"""Pairs that are clear over so many cells along each axis together are not looked at in each of them [1]."""

SHUT, LOOKED_AT = 1, 2
"""What is known of an uncertified cell: blocked all over, or its smaller cells were looked at."""


class Cells:
    """The cells of a block.

    Args:
        certified: the block, and which of its cells are blocked all over.

    Attributes:
        axes: places of its axes among those of the grid.
        shape: how many cells along each.
        low, step: where the first cell begins, and how wide each is [m or rad].
    """

    def __init__(self, certified: Certified) -> None:
        block = certified.block
        self.axes, self.shape = block.axes, block.shape
        self.low, self.high = np.array(block.low), np.array(block.high)
        bits = np.unpackbits(np.frombuffer(block.blocked, dtype=np.uint8), bitorder="little")
        self.blocked = bits[: int(np.prod(block.shape))].reshape(block.shape).astype(bool)
        self.step = (self.high - self.low) / np.array(block.shape)
        self.strides = np.array([int(np.prod([n + 1 for n in block.shape[k + 1 :]])) for k in range(len(block.shape))])
        self.counts = _counts(self.blocked)
        # One box at a time is asked about with plain numbers: an array of three costs more than the question.
        self._ends, self._steps = (self.low.tolist(), self.high.tolist()), self.step.tolist()
        self._shut, self._strides = _counts(certified.shut).tolist(), self.strides.tolist()
        self.sharper = SHARPER.get(len(block.shape), 2)
        self.known = np.where(certified.shut, SHUT, 0).astype(np.uint8)
        self.small = np.zeros(tuple(count * self.sharper for count in block.shape), dtype=bool)
        self._around: dict[tuple[int, ...], Bools] = {}
        self.halves = np.array(list(product((0, 1), repeat=len(self.axes))))

    def free(self, low: Floats, high: Floats) -> Bools:
        """Which of many boxes lie in the block and touch certified cells alone, shape (n, axes of the grid)."""
        first, last, inside = self._touched(low, high)
        found: Bools = inside & (self._blocked_in(first, last) == 0)
        return found

    def free_sharp(self, low: Sequence[float], high: Sequence[float], judge: Judge) -> bool:
        """Whether a box touches no smaller cell that is not certified."""
        spans = [(low[axis], high[axis]) for axis in self.axes]
        if any(begin < least or end >= most for (begin, end), least, most in zip(spans, *self._ends, strict=True)):
            return False
        touched = self._cells(spans, 1)
        if self._any_shut(touched):
            return False
        window = tuple(slice(begin, end + 1) for begin, end in touched)
        known = self.known[window]
        if (known == SHUT).any():
            return False
        unknown = np.argwhere(self.blocked[window] & (known == 0))
        if len(unknown) > MOST_SHARP:
            return False
        unknown += [begin for begin, _ in touched]
        small = self.small[tuple(slice(begin, end + 1) for begin, end in self._cells(spans, self.sharper))]
        done, more = 0, AT_FIRST
        while not small.any():
            if done >= len(unknown):
                return True
            if not self._look(unknown[done : done + more], judge):
                return False
            done, more = done + more, 4 * more
        return False

    def finer(self, judge: Judge) -> Block:
        """The block with all cells of which too little is known halved, once or more often."""
        blocked, axes = self.blocked, tuple(range(len(self.shape)))
        corners = np.argwhere(self.blocked & (self.known != SHUT))
        left = self._left_in(corners, judge)
        parts = 1
        while parts < FINER.get(len(self.shape), 2):
            # Every part has the middle in common; where not even that is clear none is.
            place = self.low + (corners + 0.5) * (self.step / parts)
            hopeful = ~judge(self.axes, place, place, left)[0].any(axis=1)
            parts *= 2
            corners = _parts(corners[hopeful], self.halves)
            for axis in axes:
                blocked = np.repeat(blocked, 2, axis=axis)
            left, _ = self._judge(corners, parts, judge, np.repeat(left[hopeful], len(self.halves), axis=0))
            clear = ~left.any(axis=1)
            blocked[tuple(corners[clear].T)] = False
            corners, left = corners[~clear], left[~clear]
        packed = np.packbits(blocked.ravel(), bitorder="little").tobytes()
        return Block(self.axes, tuple(self._ends[0]), tuple(self._ends[1]), blocked.shape, packed)

    def blocked_cell(self, low: Floats, high: Floats) -> Floats | None:
        """The corner of the first uncertified cell that a box touches, counted in cells."""
        first, last, _ = self._touched(low, high)
        corners = np.argwhere(self.blocked[_window(first, last)])
        return None if not len(corners) else (corners[0] + first).astype(np.float64)

    def touched(self, low: Sequence[float], high: Sequence[float], count: int) -> tuple[Floats, Floats]:
        """The cells that a box touches if there are so many along each axis: their ends, shape (n, axes)."""
        step = (self.high - self.low) / count
        ranges = []
        for place, axis in enumerate(self.axes):
            first, last = (int((one[axis] - self.low[place]) / step[place]) for one in (low, high))
            ranges.append(range(max(first, 0), min(last, count - 1) + 1))
        begin = self.low + np.array(list(product(*ranges))).reshape(-1, len(self.axes)) * step - OVERLAP
        return begin, begin + step + 2.0 * OVERLAP

    def _touched(self, low: Floats, high: Floats) -> tuple[Corners, Corners, Bools]:
        """The first and the last cell that boxes touch, and whether they lie in the block."""
        axes = list(self.axes)
        begin, end = low[..., axes], high[..., axes]
        inside = np.all((begin >= self.low) & (end < self.high), axis=-1)
        most = np.array(self.shape) - 1
        first = np.clip(((begin - self.low) / self.step).astype(np.int64), 0, most)
        last = np.clip(((end - self.low) / self.step).astype(np.int64), 0, most)
        return first, last, inside

    def _blocked_in(self, first: Corners, last: Corners) -> npt.NDArray[np.int64]:
        begin, end = first * self.strides, (last + 1) * self.strides
        total = np.zeros(len(first), dtype=np.int64)
        for ends in product((0, 1), repeat=len(self.axes)):
            place = sum((end if upper else begin)[:, k] for k, upper in enumerate(ends))
            sign = 1 if (len(ends) - sum(ends)) % 2 == 0 else -1
            total += sign * self.counts[place]
        return total

    def _cells(self, spans: Sequence[tuple[float, float]], parts: int) -> list[tuple[int, int]]:
        """The first and the last cell, or part of a cell, that a box in the block touches along each axis."""
        edge = 0.0 if parts == 1 else 1e-9
        found = []
        for (begin, end), least, step, count in zip(spans, self._ends[0], self._steps, self.shape, strict=True):
            first, last = (begin - least) / step * parts - edge, (end - least) / step * parts + edge
            found.append((max(int(first), 0), min(int(last), count * parts - 1)))
        return found

    def _any_shut(self, touched: Sequence[tuple[int, int]]) -> bool:
        """Whether a box touches a cell that was found blocked all over from the first."""
        corners = [(0, 1)]
        for (begin, end), stride in zip(touched, self._strides, strict=True):
            corners = [
                both for at, sign in corners for both in ((at + begin * stride, -sign), (at + (end + 1) * stride, sign))
            ]
        found: int = sum(sign * self._shut[at] for at, sign in corners)
        return found != 0

    def _look(self, corners: Corners, judge: Judge) -> bool:
        """Judge the smaller cells of some cells, if none of these is blocked all over: halved along each axis until
        they are small, and for the pairs alone that are not shown to be clear in the larger one."""
        left, shut = self._judge(corners, 1, judge, self._left_around(corners, judge))
        self.known[tuple(corners[shut].T)] = SHUT
        if shut.any():
            return False
        self.known[tuple(corners.T)] = LOOKED_AT
        parts = 1
        while parts < self.sharper:
            parts *= 2
            corners = _parts(corners, self.halves)
            left, shut = self._judge(corners, parts, judge, np.repeat(left, len(self.halves), axis=0))
            open_cells = left.any(axis=1) & ~shut
            spoilt = corners[shut] if parts < self.sharper else corners[shut | open_cells]
            for _ in range((self.sharper // parts).bit_length() - 1):
                spoilt = _parts(spoilt, self.halves)
            self.small[tuple(spoilt.T)] = True
            corners, left = corners[open_cells], left[open_cells]
        return True

    def _left_around(self, corners: Corners, judge: Judge) -> Bools:
        """Which pairs are not shown to be clear in the larger cells that cells lie in: far ones need not be asked."""
        around = corners // AROUND
        missing = [corner for corner in set(map(tuple, around.tolist())) if corner not in self._around]
        if missing:
            left, _ = self._judge(np.array(missing) * AROUND, 1, judge, None, AROUND)
            self._around |= zip(missing, left, strict=True)
        return np.array([self._around[corner] for corner in map(tuple, around.tolist())])

    def _left_in(self, corners: Corners, judge: Judge) -> Bools:
        """The same, for very many cells."""
        around, place = np.unique(corners // AROUND, axis=0, return_inverse=True)
        left, _ = self._judge(around * AROUND, 1, judge, None, AROUND)
        found: Bools = left[place.ravel()]
        return found

    def _judge(
        self, corners: Corners, parts: int, judge: Judge, asked: Bools | None, wide: int = 1
    ) -> tuple[Bools, Bools]:
        begin = self.low + corners * (self.step / parts) - OVERLAP
        return judge(self.axes, begin, begin + self.step * (wide / parts) + 2.0 * OVERLAP, asked)


def _counts(cells: Bools) -> npt.NDArray[np.int32]:
    counts = np.zeros(tuple(n + 1 for n in cells.shape), dtype=np.int32)
    counts[tuple(slice(1, None) for _ in cells.shape)] = cells
    for axis in range(len(cells.shape)):
        np.cumsum(counts, axis=axis, out=counts)
    return counts.ravel()


def _parts(corners: Corners, halves: Corners) -> Corners:
    """Cells halved along each axis."""
    parts: Corners = (2 * corners[:, None, :] + halves[None, :, :]).reshape(-1, halves.shape[1])
    return parts


def _window(first: Corners, last: Corners) -> tuple[slice, ...]:
    return tuple(slice(a, b + 1) for a, b in zip(first.tolist(), last.tolist(), strict=True))
