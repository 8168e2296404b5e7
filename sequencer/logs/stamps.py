"""Faults of the stamps of a log: found, named, and mended where that is safe."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sequencer.logs.remark import Remark

Array = NDArray[np.float64]

UNEVEN = 0.2
"""Periods whose middle nine tenths spread over more than this share of their median are irregular [1]."""
ELSEWHERE = 86_400.0
"""A lone stamp so far from its neighbours [s] is none of this log."""
SET = 1.0
"""A gap longer than this [s], over which everything that moves goes on as after one period, is a clock that was set."""
SHORT_TURN = 10
"""A stamp that is overtaken again within so many rows is only out of order."""


class Stamped(NamedTuple):
    """Stamps [s] that increase, the quantities at them, and what was found on the way."""

    times: Array
    quantities: dict[str, Array]
    remarks: list[Remark]


def in_order(times: Array, quantities: Mapping[str, Array]) -> Stamped:
    """Stamps and quantities with stamps that increase strictly; a refusal is among the remarks."""
    remarks: list[Remark] = []
    kept = dict(quantities)

    def keep(chosen: NDArray[np.bool_] | NDArray[np.int64]) -> None:
        nonlocal times
        times = times[chosen]
        for name in kept:
            kept[name] = kept[name][chosen]

    known = np.isfinite(times)
    if not known.all():
        words = f"{int((~known).sum())} rows have no stamp; they are left out"
        remarks.append(Remark("F06", "", words, "mended"))
        keep(known)
    alone = _from_elsewhere(times)
    if alone.any():
        first = int(np.argmax(alone))
        words = (
            f"{int(alone.sum())} rows have stamps far from their neighbours (row {first + 1} says {times[first]:.6g} s)"
        )
        remarks.append(Remark("F05", "", f"{words}; they are left out", "mended"))
        keep(~alone)
    again = _starts_again(times)
    if again is not None:
        words = (
            f"from row {again + 1} on the clock starts again, {times[again - 1]:.6g} s and then {times[again]:.6g} s; "
            "these are two sessions, so cut the file there"
        )
        return Stamped(times, kept, [*remarks, Remark("F03", "", words, "refused")])
    if (np.diff(times) < 0.0).any():
        count = int((np.diff(times) < 0.0).sum())
        remarks.append(Remark("F02", "", f"{count} rows stand out of order; they are sorted by their stamps", "mended"))
        keep(np.argsort(times, kind="stable"))
    doubled = np.concatenate(([False], np.diff(times) == 0.0))
    if doubled.any():
        words = f"{int(doubled.sum())} rows repeat the stamp of the row before; the first of each is kept"
        remarks.append(Remark("F02", "", words, "mended"))
        keep(~doubled)
    times = _set_back(times, kept, remarks)
    remarks += _gaps(times)
    return Stamped(times, kept, remarks)


def _from_elsewhere(times: Array) -> NDArray[np.bool_]:
    """Lone rows whose neighbours agree with each other and not with them."""
    if len(times) < 3:
        return np.zeros(len(times), bool)
    return np.abs(times - np.median(times)) > ELSEWHERE


def _starts_again(times: Array) -> int | None:
    """The row from which on all stamps of a while lie before what came before it."""
    if len(times) < 2:
        return None
    highest = np.maximum.accumulate(times)
    for row in np.flatnonzero(np.diff(times) < 0.0) + 1:
        after = times[row : row + SHORT_TURN]
        if (after < highest[row - 1]).all() and len(times) - row >= SHORT_TURN:
            return int(row)
    return None


def _set_back(times: Array, quantities: Mapping[str, Array], remarks: list[Remark]) -> Array:
    """Times with the jumps taken out over which the motion went on as if nothing had been."""
    if len(times) < 4:
        return times
    periods = np.diff(times)
    usual = float(np.median(periods))
    mended = times.copy()
    for row in np.flatnonzero(periods > max(SET, 20.0 * usual)):
        if row < 1 or row + 2 >= len(times) or not _went_on(quantities, int(row)):
            continue
        step = float(periods[row] - usual)
        words = f"after row {row + 1} the clock jumps by {step:.4g} s while the motion goes on; the jump is taken out"
        remarks.append(Remark("F04", "", words, "mended"))
        mended[row + 1 :] -= step
    return mended


def _went_on(quantities: Mapping[str, Array], row: int) -> bool:
    """Whether some place that changed before and after a row changed as much over it."""
    for name, values in quantities.items():
        if not name.endswith((".measured", ".ordered")):
            continue
        before, over, after = (float(values[at + 1] - values[at]) for at in (row - 1, row, row + 1))
        mean = 0.5 * (before + after)
        if before * after > 0.0 and abs(over - mean) < 0.5 * abs(mean) and abs(before - after) < abs(mean):
            return True
    return False


def _gaps(times: Array) -> Iterator[Remark]:
    if len(times) < 3:
        return
    periods = np.diff(times)
    usual = float(np.median(periods))
    low, high = np.quantile(periods, (0.05, 0.95))
    if high - low > UNEVEN * usual:
        words = f"periods run from {1e3 * low:.3g} ms to {1e3 * high:.3g} ms; each stamp is used as it is"
        yield Remark("F01", "", words, "left")
    long = periods > 1.5 * max(usual, float(high))
    if long.any():
        missing = int(np.round(periods[long] / usual - 1.0).sum())
        row = int(np.argmax(periods))
        places = f"in {int(long.sum())} places, at most {1e3 * periods[row]:.4g} ms after row {row + 1}"
        words = f"about {missing} samples are missing {places}; nothing is put in their place"
        yield Remark("F07", "", words, "left")
