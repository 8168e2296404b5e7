"""Blocked positions of a machine as a table: is this box of positions free?

A block covers a few axes by a grid of cells; a cell is free if the machine is certainly clear wherever it is in it. A
box is free if it lies within the grid of every block and no cell that it touches is blocked. The cells of a plane
across the first axis are the bits of one integer. For every run of 2^k planes their union is kept, so that any run is
the union of two of them; what is asked of the other axes is a mask.
"""

from __future__ import annotations

from base64 import b64decode, b64encode
from collections.abc import Callable, Mapping, Sequence
from typing import Any, NamedTuple

from sequencer.errors import PackError

Free = Callable[[Sequence[float], Sequence[float]], bool]


class Block(NamedTuple):
    """A grid over some axes.

    Args:
        axes: places of the axes in the table's list of axes.
        low: where the grid begins on each [m or rad].
        high: where it ends.
        shape: the count of cells on each.
        blocked: a bit for each cell, 1 if it is blocked, the last axis running fastest; the first cell is the lowest
            bit of the first byte.
    """

    axes: tuple[int, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]
    shape: tuple[int, ...]
    blocked: bytes


class BlockedTable:
    """All blocks of a machine for one load.

    Args:
        axes: the axes by name, in the order in which positions are given to `query`.
        blocks: the blocks.
        key: a digest of all that the table depends on.

    Attributes:
        query: `query(low, high)` tells whether a box of positions [m or rad], a value for each axis, is free.
    """

    __slots__ = ("_tests", "axes", "blocks", "key", "query")

    query: Free

    def __init__(self, axes: Sequence[str], blocks: Sequence[Block], key: str) -> None:
        self.axes, self.blocks, self.key = tuple(axes), tuple(blocks), key
        self._tests = tuple(_test(block) for block in self.blocks)
        self.query = self._tests[0] if len(self._tests) == 1 else self._all

    def _all(self, low: Sequence[float], high: Sequence[float]) -> bool:
        for test in self._tests:  # noqa: SIM110, all() with a generator would take twice as long
            if not test(low, high):
                return False
        return True

    def expect(self, key: str) -> BlockedTable:
        """This table, if it was made for the machine with this key.

        Raises:
            PackError: it was made for another geometry, load, margin, limit or tolerance.
        """
        if key != self.key:
            raise PackError(
                f"the table of blocked positions was made for a machine with the key {self.key[:12]}, but this one has "
                f"{key[:12]}: bodies, margins, limits or tolerances have changed; check and pack the routines again"
            )
        return self

    def to_data(self) -> dict[str, Any]:
        """The table as plain data that JSON keeps exactly."""
        blocks = [
            {
                "axes": list(block.axes),
                "low": list(block.low),
                "high": list(block.high),
                "shape": list(block.shape),
                "cells": b64encode(block.blocked).decode("ascii"),
            }
            for block in self.blocks
        ]
        return {"key": self.key, "axes": list(self.axes), "blocks": blocks}

    @classmethod
    def from_data(cls, data: Mapping[str, Any]) -> BlockedTable:
        """The table that `to_data` was called on.

        Raises:
            PackError: the data is not of that form.
        """
        try:
            axes = [str(name) for name in data["axes"]]
            blocks = [_block(entry, len(axes)) for entry in data["blocks"]]
            return cls(axes, blocks, str(data["key"]))
        except (KeyError, TypeError, ValueError, IndexError) as error:
            raise PackError(f"the table of blocked positions is damaged ({error!r}); pack the routines again") from None


def _block(entry: Mapping[str, Any], axes: int) -> Block:
    numbers = tuple(int(number) for number in entry["axes"])
    low, high = (tuple(float(value) for value in entry[key]) for key in ("low", "high"))
    shape = tuple(int(count) for count in entry["shape"])
    if not len(numbers) == len(low) == len(high) == len(shape) >= 1:
        raise ValueError("axes, low, high and shape differ in length")
    if not all(0 <= number < axes for number in numbers) or not all(count > 0 for count in shape):
        raise ValueError("no such axis, or no cells")
    if not all(begin < end for begin, end in zip(low, high, strict=True)):
        raise ValueError("a grid that ends before it begins")
    cells = 1
    for count in shape:
        cells *= count
    packed = b64decode(entry["cells"], validate=True)
    if len(packed) != (cells + 7) // 8:
        raise ValueError(f"{len(packed)} bytes for {cells} cells")
    return Block(numbers, low, high, shape, packed)


def _test(block: Block) -> Free:
    """The question for one block; for up to three axes written out, since the supervisor asks it in every tick."""
    scales = [size / (end - begin) for size, begin, end in zip(block.shape, block.low, block.high, strict=True)]
    makers: dict[int, Callable[..., Free]] = {1: _test_1, 2: _test_2, 3: _test_3}
    return makers.get(len(block.axes), _test_many)(block, scales, _runs(block))


def _runs(block: Block) -> list[tuple[list[int], int]]:
    """By how many planes a run has besides its first: unions of 2^k planes by their first, and how much later the
    second of the two begins that make up the run."""
    inner = 1
    for size in block.shape[1:]:
        inner *= size
    whole, plane = int.from_bytes(block.blocked, "little"), (1 << inner) - 1
    level = [whole >> number * inner & plane for number in range(block.shape[0])]
    runs, length = [], 1
    for count in range(1, block.shape[0] + 1):
        if count == 2 * length:
            level = [level[k] | level[k + length] for k in range(len(level) - length)]
            length = count
        runs.append((level, count - length))
    return runs


def _ones(size: int, width: int = 1) -> list[int]:
    """By how many rows of a width there are besides the first: ones all over them."""
    return [(1 << width * count) - 1 for count in range(1, size + 1)]


def _test_1(block: Block, scales: Sequence[float], runs: list[tuple[list[int], int]]) -> Free:
    (a,), (from_a,), (end_a,), (per_a,) = block.axes, block.low, block.high, scales

    def free(low: Sequence[float], high: Sequence[float]) -> bool:
        low_a, high_a = low[a], high[a]
        if low_a < from_a or high_a >= end_a:
            return False
        first = int((low_a - from_a) * per_a)
        level, later = runs[int((high_a - from_a) * per_a) - first]
        return not level[first] | level[first + later]

    return free


def _test_2(block: Block, scales: Sequence[float], runs: list[tuple[list[int], int]]) -> Free:
    (a, b), (from_a, from_b), (end_a, end_b), (per_a, per_b) = block.axes, block.low, block.high, scales
    ones = _ones(block.shape[1])

    def free(low: Sequence[float], high: Sequence[float]) -> bool:
        low_a, low_b, high_a, high_b = low[a], low[b], high[a], high[b]
        if low_a < from_a or low_b < from_b or high_a >= end_a or high_b >= end_b:
            return False
        first = int((low_a - from_a) * per_a)
        level, later = runs[int((high_a - from_a) * per_a) - first]
        begin = int((low_b - from_b) * per_b)
        return not (level[first] | level[first + later]) >> begin & ones[int((high_b - from_b) * per_b) - begin]

    return free


def _test_3(block: Block, scales: Sequence[float], runs: list[tuple[list[int], int]]) -> Free:
    (a, b, c), (from_a, from_b, from_c) = block.axes, block.low
    (end_a, end_b, end_c), (per_a, per_b, per_c) = block.high, scales
    row = block.shape[2]
    ones = _ones(block.shape[1], row)
    each_row = ones[-1] // ((1 << row) - 1)
    up_to = [each_row * ((1 << count) - 1) for count in range(1, row + 1)]
    starting = [ones[-1] ^ mask for mask in (0, *up_to[:-1])]

    def free(low: Sequence[float], high: Sequence[float]) -> bool:
        low_a, low_b, low_c, high_a, high_b, high_c = low[a], low[b], low[c], high[a], high[b], high[c]
        if low_a < from_a or low_b < from_b or low_c < from_c:
            return False
        if high_a >= end_a or high_b >= end_b or high_c >= end_c:
            return False
        first = int((low_a - from_a) * per_a)
        level, later = runs[int((high_a - from_a) * per_a) - first]
        begin = int((low_b - from_b) * per_b)
        rows = (level[first] | level[first + later]) >> begin * row & ones[int((high_b - from_b) * per_b) - begin]
        return not (rows & starting[int((low_c - from_c) * per_c)] & up_to[int((high_c - from_c) * per_c)])

    return free


def _test_many(block: Block, scales: Sequence[float], runs: list[tuple[list[int], int]]) -> Free:
    axes = list(zip(block.axes, block.low, block.high, scales, strict=True))
    strides = [1]
    for size in reversed(block.shape[2:]):
        strides.insert(0, strides[0] * size)

    def free(low: Sequence[float], high: Sequence[float]) -> bool:
        spans = []
        for axis, begin, end, scale in axes:
            if low[axis] < begin or high[axis] >= end:
                return False
            spans.append((int((low[axis] - begin) * scale), int((high[axis] - begin) * scale)))
        mask = 1
        for stride, (start, last) in zip(strides, spans[1:], strict=True):
            mask *= sum([1 << number * stride for number in range(start, last + 1)])
        first, end_of_run = spans[0]
        level, later = runs[end_of_run - first]
        return not (level[first] | level[first + later]) & mask

    return free
