"""Blocked positions of a machine as a table: is this box of positions free?

A block covers a few axes by a grid of cells; a cell is free if the machine is certainly clear wherever it is in it. A
box is free if it lies within the grid of every block and no cell that it touches is blocked. Sums over all cells below
and left of a cell make the question a few additions, whatever the size of the box
(F. C. Crow, Summed-area tables for texture mapping, SIGGRAPH 1984).
"""

from __future__ import annotations

from base64 import b64decode, b64encode
from collections.abc import Callable, Mapping, Sequence
from itertools import accumulate
from operator import add
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
        blocked: one byte a cell, 1 if it is blocked, the last axis running fastest.
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
                "cells": b64encode(_packed(block.blocked)).decode("ascii"),
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
    return Block(numbers, low, high, shape, _unpacked(packed, cells))


def _packed(cells: bytes) -> bytes:
    """Eight cells a byte, the first in the lowest bit."""
    digits = cells[::-1].translate(_TO_DIGITS).decode("ascii")
    return int(digits, 2).to_bytes((len(cells) + 7) // 8, "little")


def _unpacked(packed: bytes, cells: int) -> bytes:
    return b"".join([_EIGHT[byte] for byte in packed])[:cells]


_TO_DIGITS = bytes([48 if value == 0 else 49 for value in range(256)])
_EIGHT = [bytes([byte >> bit & 1 for bit in range(8)]) for byte in range(256)]


def _sums(block: Block) -> list[int]:
    """How many cells are blocked below each corner of the grid, on all axes."""
    rows: list[Any] = list(block.blocked)
    # from the innermost axis outwards: running sums along it, with a 0 in front
    inner = 1
    for size in reversed(block.shape):
        if inner == 1:
            rows = [[0, *accumulate(rows[k : k + size])] for k in range(0, len(rows), size)]
            inner = size + 1
        else:
            nothing = [0] * len(rows[0])
            rows = [
                [value for row in accumulate(rows[k : k + size], _added, initial=nothing) for value in row]
                for k in range(0, len(rows), size)
            ]
    sums: list[int] = rows[0]
    return sums


def _added(one: list[int], other: list[int]) -> list[int]:
    return list(map(add, one, other))


def _test(block: Block) -> Free:
    """The question for one block; for up to three axes written out, since the supervisor asks it in every tick."""
    sums = _sums(block)
    scales = [size / (end - begin) for size, begin, end in zip(block.shape, block.low, block.high, strict=True)]
    makers: dict[int, Callable[..., Free]] = {1: _test_1, 2: _test_2, 3: _test_3}
    return makers.get(len(block.axes), _test_many)(block, scales, sums)


def _test_1(block: Block, scales: Sequence[float], sums: list[int]) -> Free:
    (a,), (from_a,), (end_a,), (per_a,) = block.axes, block.low, block.high, scales

    def free(low: Sequence[float], high: Sequence[float]) -> bool:
        begin, end = low[a], high[a]
        if begin < from_a or end >= end_a:
            return False
        return sums[int((end - from_a) * per_a) + 1] == sums[int((begin - from_a) * per_a)]

    return free


def _test_2(block: Block, scales: Sequence[float], sums: list[int]) -> Free:
    (a, b), (from_a, from_b), (end_a, end_b), (per_a, per_b) = block.axes, block.low, block.high, scales
    row = block.shape[1] + 1

    def free(low: Sequence[float], high: Sequence[float]) -> bool:
        low_a, low_b, high_a, high_b = low[a], low[b], high[a], high[b]
        if low_a < from_a or low_b < from_b or high_a >= end_a or high_b >= end_b:
            return False
        i0 = int((low_a - from_a) * per_a) * row
        i1 = int((high_a - from_a) * per_a) * row + row
        j0 = int((low_b - from_b) * per_b)
        j1 = int((high_b - from_b) * per_b) + 1
        return sums[i1 + j1] - sums[i0 + j1] == sums[i1 + j0] - sums[i0 + j0]

    return free


def _test_3(block: Block, scales: Sequence[float], sums: list[int]) -> Free:
    (a, b, c), (from_a, from_b, from_c) = block.axes, block.low
    (end_a, end_b, end_c), (per_a, per_b, per_c) = block.high, scales
    row = block.shape[2] + 1
    plane = row * (block.shape[1] + 1)

    def free(low: Sequence[float], high: Sequence[float]) -> bool:
        low_a, low_b, low_c, high_a, high_b, high_c = low[a], low[b], low[c], high[a], high[b], high[c]
        if low_a < from_a or low_b < from_b or low_c < from_c:
            return False
        if high_a >= end_a or high_b >= end_b or high_c >= end_c:
            return False
        i0 = int((low_a - from_a) * per_a) * plane
        i1 = int((high_a - from_a) * per_a) * plane + plane
        j0 = int((low_b - from_b) * per_b) * row
        j1 = int((high_b - from_b) * per_b) * row + row
        k0 = int((low_c - from_c) * per_c)
        k1 = int((high_c - from_c) * per_c) + 1
        n00, n01, n10, n11 = i0 + j0, i0 + j1, i1 + j0, i1 + j1
        return (
            sums[n11 + k1] - sums[n10 + k1] - sums[n01 + k1] + sums[n00 + k1]
            == sums[n11 + k0] - sums[n10 + k0] - sums[n01 + k0] + sums[n00 + k0]
        )

    return free


def _test_many(block: Block, scales: Sequence[float], sums: list[int]) -> Free:
    strides = [1]
    for size in reversed(block.shape[1:]):
        strides.insert(0, strides[0] * (size + 1))
    grids = list(zip(block.axes, block.low, block.high, scales, strides, strict=True))

    def free(low: Sequence[float], high: Sequence[float]) -> bool:
        corners = [(0, 1)]
        for axis, begin, end, scale, stride in grids:
            if low[axis] < begin or high[axis] >= end:
                return False
            first, last = int((low[axis] - begin) * scale), int((high[axis] - begin) * scale) + 1
            corners = [
                corner
                for place, sign in corners
                for corner in ((place + first * stride, -sign), (place + last * stride, sign))
            ]
        return sum([sign * sums[place] for place, sign in corners]) == 0

    return free
