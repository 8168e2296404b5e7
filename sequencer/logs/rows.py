"""The rows of a long log, kept as columns and made when they are asked for: a row of its own takes 20 times as much."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import overload

import numpy as np
from numpy.typing import NDArray

from sequencer.logs.faults import AxisColumns
from sequencer.trace.rows import Measured, Ordered, Row

Array = NDArray[np.float64]

BLOCK = 4096
"""So many rows are made at a time."""


class ColumnRows(Sequence[Row]):
    """Rows of a trace out of columns; equal to a tuple of the same rows.

    Args:
        stamps: times [ns], shape (n,), from 0.
        axes: what is told of each axis.
        ordered_speeds: ordered speeds by axis [SI], of shape (n,), or empty.
        sensors: what each sensor read, of shape (n,).
        battery: its voltage [V], of shape (n,), or empty.
        first: number of the first row.
    """

    __slots__ = ("_axes", "_battery", "_first", "_sensors", "_speeds", "_stamps")

    def __init__(
        self,
        stamps: NDArray[np.int64],
        axes: Sequence[AxisColumns],
        ordered_speeds: Sequence[Array],
        sensors: Sequence[Array],
        battery: Array,
        first: int = 0,
    ) -> None:
        self._stamps = stamps
        self._axes = tuple(axes)
        self._speeds = tuple(ordered_speeds)
        self._sensors = tuple(sensors)
        self._battery = battery
        self._first = first

    def __len__(self) -> int:
        return len(self._stamps)

    @overload
    def __getitem__(self, place: int) -> Row: ...

    @overload
    def __getitem__(self, place: slice) -> tuple[Row, ...]: ...

    def __getitem__(self, place: int | slice) -> Row | tuple[Row, ...]:
        if isinstance(place, slice):
            start, stop, step = place.indices(len(self))
            if step != 1:
                return tuple(self)[place]
            return tuple(
                row for first in range(start, stop, BLOCK) for row in self._made(first, min(first + BLOCK, stop))
            )
        at = place + len(self) if place < 0 else place
        if not 0 <= at < len(self):
            raise IndexError(f"row {place} of {len(self)}")
        (row,) = self._made(at, at + 1)
        return row

    def __iter__(self) -> Iterator[Row]:
        for first in range(0, len(self), BLOCK):
            yield from self._made(first, min(first + BLOCK, len(self)))

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Sequence) or isinstance(other, str) or len(other) != len(self):
            return NotImplemented if not isinstance(other, Sequence) else False
        return all(one == its for one, its in zip(self, other, strict=True))

    def __hash__(self) -> int:
        return hash((len(self), self[0] if len(self) else None))

    def __repr__(self) -> str:
        return f"<{len(self)} rows>"

    def _made(self, first: int, last: int) -> list[Row]:
        part = slice(first, last)
        count = last - first
        axes = [_axis_cells(axis, speeds, part, count) for axis, speeds in zip(self._axes, self._speeds, strict=True)]
        sensed = [cells(values, part, count) for values in self._sensors]
        battery = cells(self._battery, part, count)
        stamps = self._stamps[part].tolist()
        measured = zip(*(one for one, _ in axes), strict=True) if axes else iter([()] * count)
        ordered = zip(*(other for _, other in axes), strict=True) if axes else iter([()] * count)
        sensors = (
            zip(*([None if value is None else (value, 0) for value in one] for one in sensed), strict=True)
            if sensed
            else iter([()] * count)
        )
        number = self._first + first
        return [
            Row(number + place, stamp, True, read, order, sensor, (), volts)
            for place, (stamp, read, order, sensor, volts) in enumerate(
                zip(stamps, measured, ordered, sensors, battery, strict=True)
            )
        ]


def _axis_cells(
    axis: AxisColumns, speeds: Array, part: slice, count: int
) -> tuple[list[Measured | None], list[Ordered | None]]:
    measured: list[Measured | None] = list(
        map(
            Measured,
            cells(axis.measured, part, count),
            cells(axis.speed, part, count),
            cells(axis.current, part, count),
            axis.trusted[part].tolist(),
        )
    )
    if not (len(axis.ordered) or len(axis.volts)):
        return measured, [None] * count
    places, volts, rates = (cells(values, part, count) for values in (axis.ordered, axis.volts, speeds))
    mode = "track" if len(axis.ordered) else "effort"
    return measured, [
        Ordered(mode, place or 0.0, speed or 0.0, 0.0, volt or 0.0) if place is not None or volt is not None else None
        for place, speed, volt in zip(places, rates, volts, strict=True)
    ]


def cells(values: Array, part: slice, count: int) -> list[float | None]:
    """A part of a column with None for what is no number, or all None where there is no column."""
    if not len(values):
        return [None] * count
    return [value if value - value == 0.0 else None for value in values[part].tolist()]
