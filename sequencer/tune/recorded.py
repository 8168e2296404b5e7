"""What a recording holds of one axis, as arrays, and the moves in it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sequencer.errors import did_you_mean
from sequencer.trace.trace import NANOSECONDS, Trace, TraceError

Array = NDArray[np.float64]
Chosen = NDArray[np.bool_]

MOVES = 0.02
"""An axis moves where it goes faster than this share of the greatest speed in the recording [1]."""
CREEPS = 0.1
"""What never goes faster than this share of the greatest speed is no move but noise, or a loop at work [1]."""
PAUSE = 0.07
"""Moves that are less than this apart [s] are one: it only turned round."""
AROUND = 0.06
"""So much before and after a move belongs to it [s]."""
LONGEST_PERIOD = 2.5
"""Samples farther apart than so many usual periods do not belong together [1]."""


@dataclass(frozen=True, slots=True)
class AxisRecord:
    """One axis of a recording: arrays of shape (n,) in SI, nan where unknown.

    Attributes:
        name, kind: of the axis.
        times: when it was measured [s] from the first row; `ordered_at` when the row's orders were given.
        position, speed, current: as measured; the current [A] of all its motors, meant over the period before.
        ordered, ordered_speed, ordered_acceleration: what was ordered where it tracks, else nan.
        volts: what was applied [V], where the recording tells it: see `applied_volts`.
    """

    name: str
    kind: str
    times: Array
    ordered_at: Array
    position: Array
    speed: Array
    current: Array
    ordered: Array
    ordered_speed: Array
    ordered_acceleration: Array
    volts: Array

    @property
    def period(self) -> float:
        """The usual time between samples [s]."""
        return float(np.median(np.diff(self.times))) if len(self.times) > 1 else 0.0

    def between(self, first: int, last: int) -> AxisRecord:
        """The samples from `first` up to, and without, `last`."""
        arrays = (getattr(self, name)[first:last] for name in _ARRAYS)
        return AxisRecord(self.name, self.kind, *arrays)

    def rate(self) -> Array:
        """How fast it goes, shape (n,): as measured, or else the slope of its positions."""
        if not np.isfinite(self.speed).any() and len(self.times) > 2:
            slope: Array = np.gradient(self.position, self.times)
            return slope
        return self.speed


_ARRAYS = (
    "times",
    "ordered_at",
    "position",
    "speed",
    "current",
    "ordered",
    "ordered_speed",
    "ordered_acceleration",
    "volts",
)


def axis_record(trace: Trace, axis: str) -> AxisRecord:
    """One axis of a recording; readings that have lost their zero or carry a fault are unknown.

    Raises:
        TraceError: the recording has no such axis, or fewer than two samples.
    """
    names = [name for name, _ in trace.header.axes]
    if axis not in names:
        hint = did_you_mean(axis, names)
        raise TraceError(f"{trace.header.machine} has no axis '{axis}'; {hint} Is this the log of another machine?")
    if len(trace.rows) < 2:
        count = "one sample" if trace.rows else "no sample"
        raise TraceError(f"the recording has {count}; two are needed to tell a speed, and some hundred to fit anything")
    index = names.index(axis)
    applied = applied_volts(trace)
    nothing = (None,) * 3
    rows = trace.rows
    first = rows[0].now_ns
    given = np.array([row.now_ns - first for row in rows], dtype=float) / NANOSECONDS
    told = [row.measured[index] for row in rows]
    ages = np.array([0 if read is None else read.age for read in told], dtype=float) / NANOSECONDS
    good = np.array([read is not None and read.zeroed and not read.fault for read in told])
    measured = _table([nothing if read is None else read[:3] for read in told])
    measured[~good, 0] = np.nan
    orders = [row.ordered[index] for row in rows]
    ordered = _table([nothing if order is None or order.mode != "track" else order[1:4] for order in orders])
    drive = _table([(None if order is None else order.volts,) for order in orders])[:, 0]
    volts = drive if applied else np.full(len(rows), np.nan)
    position, speed, current = measured.T
    place, rate, change = ordered.T
    kind = dict(trace.header.axes)[axis]
    return AxisRecord(axis, kind, given - ages, given, position, speed, current, place, rate, change, volts)


def applied_volts(trace: Trace) -> bool:
    """Whether the volts of a recording are what was applied. A session's own are the feedforward of its orders, to
    which the actuators add; those of a foreign log (which has no machine's hash) are what its mapping says."""
    return trace.header.machine_hash == ""


def moves(record: AxisRecord) -> Iterator[AxisRecord]:
    """Unbroken spans in which the axis moves, each with a little rest about it."""
    rate = np.abs(record.rate())
    known = np.isfinite(record.position) & np.isfinite(rate)
    most = float(rate[known].max()) if known.any() else 0.0
    if most <= 0.0:
        return
    goes = known & (rate > MOVES * most)
    times = record.times
    starts_anew = np.concatenate(([True], np.diff(times) > LONGEST_PERIOD * record.period)) | ~known
    piece = np.cumsum(starts_anew)
    at = np.flatnonzero(goes)
    if not len(at):
        return
    apart = (np.diff(times[at]) > PAUSE) | (np.diff(piece[at]) > 0)
    for group in np.split(at, np.flatnonzero(apart) + 1):
        if rate[group].max() < CREEPS * most:
            continue
        same = known & (piece == piece[group[0]])
        near = same & (times >= times[group[0]] - AROUND - 1e-9) & (times <= times[group[-1]] + AROUND + 1e-9)
        chosen = np.flatnonzero(near)
        yield record.between(int(chosen[0]), int(chosen[-1]) + 1)


def _table(cells: list[tuple[float | None, ...]]) -> Array:
    return np.array(cells, dtype=float)
