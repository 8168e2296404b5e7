"""Faults of the quantities of a log: found by how places, speeds, orders and currents of an axis fit each other."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import degrees, pi

import numpy as np
from numpy.typing import NDArray

from sequencer.logs.remark import Remark

Array = NDArray[np.float64]

FITS = 0.9
"""Two signals with at least this correlation tell of the same thing [1]."""
UNITS = {57.29577951308232: "degrees and radians", 1000.0: "millimetres and metres", 100.0: "centimetres and metres"}
"""Factors by which a unit is likely to be mistaken [1]."""
NEAR = 0.1
"""A ratio within this share of such a factor is it [1]."""
STANDS = 0.3
"""A reading that does not change for so long [s], while the axis was told to move or says it does, stands still."""
FLICKERS = 0.05
"""More lone zeros than this share of the samples in motion are a flicker [1]."""
CLIPPED = 0.1
"""More samples than this share of those in motion at the very greatest value are saturation [1]."""
POOR = 1e3
"""A motion whose four regressors have a greater condition number teaches nothing [1]."""
SAME = 1e-5
"""Two columns that differ by no more than this share of their size, as printed digits leave, are one [1]."""
DRIFT = 0.005
"""A reading that differs from the integral of its speed by more than this share of the way loses counts [1]."""


@dataclass(slots=True)
class AxisColumns:
    """What a log tells of one axis, each of shape (n,) in SI, nan where unknown; empty where it is not told.

    `trusted` is False from where on the reading has lost its zero. `travel` is that of the machine.
    """

    name: str
    kind: str
    times: Array
    measured: Array
    speed: Array
    current: Array
    ordered: Array
    volts: Array
    trusted: NDArray[np.bool_]
    travel: tuple[float, float] | None = None

    def show(self, place: float) -> str:
        return f"{degrees(place):.4g} deg" if self.kind == "rotary" else f"{place:.4g} m"

    @property
    def rate(self) -> Array:
        """The slope of the measured place, shape (n,)."""
        if len(self.measured) < 3:
            return np.zeros(len(self.measured))
        slope: Array = np.gradient(self.measured, self.times)
        return slope


def look_at(axis: AxisColumns) -> Iterator[Remark]:
    """Everything that is wrong with an axis, mended in place where that is safe."""
    for what, values in (
        ("measured", axis.measured),
        ("speed", axis.speed),
        ("current", axis.current),
        ("volts", axis.volts),
    ):
        count = int(np.isnan(values).sum())
        if count:
            words = f"{count} of {len(values)} values are no numbers; they count as unknown"
            yield Remark("F06", f"{axis.name}.{what}", f"{words} and nothing is put in their place", "left")
    if len(axis.measured) >= 3:
        for judge in (_wrapped, _reset, _frozen, _flickers, _unit, _sign, _loses_counts):
            yield from judge(axis)
    for judge in (_saturated, _poor):
        yield from judge(axis)


def _wrapped(axis: AxisColumns) -> Iterator[Remark]:
    """Jumps of about a turn within a sample; unwrapped, as long as nothing moves half a turn in one."""
    if axis.kind != "rotary":
        return
    quantity = f"{axis.name}.measured"
    with np.errstate(invalid="ignore"):
        steps = np.diff(axis.measured)
        jumps = np.abs(np.abs(steps) - 2.0 * pi) < 0.15 * 2.0 * pi
        if len(axis.speed) and (np.abs(axis.speed[1:] * np.diff(axis.times)) > pi).any():
            words = "it turns more than half a turn in one sample, so that turns cannot be counted; sample faster"
            yield Remark("F10", quantity, words, "refused")
            return
    if jumps.any():
        turns = np.zeros(len(axis.measured))
        turns[1:][jumps] = -np.sign(steps[jumps])
        axis.measured += 2.0 * pi * np.cumsum(turns)
        words = f"it jumps by a turn {int(jumps.sum())} times; the turns are counted through"
        yield Remark("F10", quantity, words, "mended")


def _reset(axis: AxisColumns) -> Iterator[Remark]:
    """A jump that no motion explains: from there on the zero is not known."""
    periods = np.diff(axis.times)
    with np.errstate(invalid="ignore"):
        # Over a gap in the samples an axis may go as much farther as the gap is longer.
        steps = np.diff(axis.measured) / np.maximum(periods / np.median(periods), 1.0)
    usual = np.abs(steps[np.isfinite(steps)])
    if not len(usual):
        return
    span = float(np.nanmax(axis.measured) - np.nanmin(axis.measured))
    limit = max(8.0 * float(np.quantile(usual, 0.98)), 0.05 * span, 1e-6)
    for row in np.flatnonzero(np.abs(steps) > limit):
        told = axis.speed[row : row + 2] if len(axis.speed) else axis.measured[:0]
        explained = len(told) and np.nanmax(np.abs(told)) * (axis.times[row + 1] - axis.times[row]) > 0.3 * abs(
            steps[row]
        )
        around = np.abs(np.concatenate((steps[max(0, row - 2) : row], steps[row + 1 : row + 3])))
        if explained or (len(around) and np.nanmax(around) > 0.5 * abs(steps[row])):
            continue
        axis.trusted[row + 1 :] = False
        before, after = axis.show(axis.measured[row]), axis.show(axis.measured[row + 1])
        words = f"after row {row + 1} it jumps from {before} to {after} with no motion"
        yield Remark("F11", f"{axis.name}.measured", f"{words}; from there on it counts as not zeroed", "mended")
        return


def _frozen(axis: AxisColumns) -> Iterator[Remark]:
    """A reading that stands still while the axis was told to move, or says that it does."""
    for what, values in (("measured", axis.measured), ("speed", axis.speed)):
        if len(values) < 3:
            continue
        goes = _goes(axis, what)
        start = 0
        stopped = 0
        for row in range(1, len(values) + 1):
            if row < len(values) and values[row] == values[start]:
                continue
            long = axis.times[row - 1] - axis.times[start] >= STANDS
            # A speed of nothing is what an axis at rest reads.
            if long and goes[start + 1 : row].mean() > 0.8:
                values[start + 1 : row] = np.nan
                stopped += row - start - 1
            start = row
        if stopped:
            words = f"{stopped} values repeat the one before while the axis moves; they count as unknown"
            yield Remark("F14", f"{axis.name}.{what}", words, "mended")


def _goes(axis: AxisColumns, without: str) -> NDArray[np.bool_]:
    """Where the axis moves, by everything but one of its columns."""
    found = np.zeros(len(axis.times), bool)
    rates = []
    if len(axis.ordered) > 2:
        rates.append(np.gradient(axis.ordered, axis.times))
    if len(axis.speed) and without != "speed":
        rates.append(axis.speed)
    if without != "measured":
        rates.append(axis.rate)
    for rate in rates:
        with np.errstate(invalid="ignore"):
            size = np.abs(rate)
            most = float(np.nanmax(size)) if np.isfinite(size).any() else 0.0
            found |= size > 0.1 * most if most > 0.0 else False
    return found


def _flickers(axis: AxisColumns) -> Iterator[Remark]:
    """A speed that is now and then exactly nothing between samples of motion."""
    if len(axis.speed) < 5:
        return
    zero = axis.speed == 0.0
    moving = np.abs(axis.rate) > 0.1 * np.nanmax(np.abs(axis.rate))
    beside = np.zeros(len(zero), bool)
    beside[1:-1] = (axis.speed[:-2] != 0.0) & (axis.speed[2:] != 0.0)
    lone = zero & moving & beside
    if lone.sum() > FLICKERS * max(int(moving.sum()), 1):
        axis.speed[lone] = np.nan
        words = f"{int(lone.sum())} zeros stand between samples of motion; they count as unknown"
        yield Remark("F15", f"{axis.name}.speed", words, "mended")


def _unit(axis: AxisColumns) -> Iterator[Remark]:
    """Places outside all travel, or places and speeds that fit only by the factor between two units."""
    quantity = f"{axis.name}.measured"
    if axis.travel is not None:
        low, high = axis.travel
        span = high - low
        least, most = float(np.nanmin(axis.measured)), float(np.nanmax(axis.measured))
        if least < low - 0.2 * span or most > high + 0.2 * span:
            words = f"it reads {axis.show(least)} to {axis.show(most)}, and the axis goes from"
            words += f" {axis.show(low)} to {axis.show(high)}"
            for factor, units in UNITS.items():
                if least / factor >= low - 0.2 * span and most / factor <= high + 0.2 * span:
                    words += f"; divided by {factor:.4g} it would fit, so {units} may be mixed up"
                    words += ": see the unit of its column"
                    break
            yield Remark("F08", quantity, words, "refused")
            return
    for other, values in (("ordered", axis.ordered), ("speed", axis.speed)):
        ratio = _ratio(axis.rate if other == "speed" else axis.measured, values)
        if ratio is None:
            continue
        for factor, units in UNITS.items():
            for wrong in (factor, 1.0 / factor):
                if abs(abs(ratio) / wrong - 1.0) < NEAR:
                    words = f"it is {abs(ratio):.4g} times what {axis.name}.{other} says; are {units} mixed up?"
                    yield Remark("F08", quantity, words, "refused")
                    return


def _sign(axis: AxisColumns) -> Iterator[Remark]:
    """Places that go down where orders or speed say up."""
    for other, values in (("ordered", axis.ordered), ("speed", axis.speed)):
        ratio = _ratio(axis.rate if other == "speed" else axis.measured, values)
        if ratio is not None and ratio < 0.0:
            words = f"it goes down where {axis.name}.{other} goes up; write sign: -1 at the one that is turned"
            yield Remark("F09", f"{axis.name}.measured", words, "refused")
            return


def _ratio(one: Array, other: Array) -> float | None:
    """How many times `other` the first is, where they tell of the same thing."""
    if len(one) != len(other) or len(one) < 8:
        return None
    known = np.isfinite(one) & np.isfinite(other)
    first, second = one[known] - one[known].mean(), other[known] - other[known].mean()
    sizes = float(np.sqrt((first @ first) * (second @ second)))
    if sizes <= 0.0 or abs(float(first @ second)) / sizes < FITS:
        return None
    return float(first @ second) / float(second @ second)


def _loses_counts(axis: AxisColumns) -> Iterator[Remark]:
    """A reading that drifts away from the integral of its own speed."""
    if len(axis.speed) < 20 or not axis.trusted.all():
        return
    known = np.isfinite(axis.speed) & np.isfinite(axis.measured)
    if known.mean() < 0.9:
        return
    periods = np.diff(axis.times)
    # What lies between known neighbours counts; over a gap nobody knows how fast it went.
    whole = known[1:] & known[:-1] & (periods < 2.0 * np.median(periods))
    steps = np.diff(axis.measured)[whole]
    told = (0.5 * (axis.speed[1:] + axis.speed[:-1]) * periods)[whole]
    gone = float(np.abs(steps).sum())
    if gone <= 0.0 or _ratio(axis.rate, axis.speed) is None:
        return
    apart, place = np.cumsum(steps - told), np.cumsum(steps)
    # A scale that is a little off gives an error that comes and goes with the place; lost counts stay lost.
    fitted = np.polyfit(place, apart, 1)
    left = apart - np.polyval(fitted, place)
    lost = float(abs(left[-len(left) // 10 :].mean() - left[: max(1, len(left) // 10)].mean()))
    if lost > DRIFT * gone:
        axis.trusted[:] = False
        words = f"after {axis.show(gone)} of motion it is {axis.show(lost)} away from the integral of its speed"
        yield Remark("F20", f"{axis.name}.measured", f"{words}; its places are not trusted", "mended")


def _saturated(axis: AxisColumns) -> Iterator[Remark]:
    for what, values, unit in (("volts", axis.volts, "V"), ("current", axis.current, "A")):
        sizes = np.abs(values[np.isfinite(values)])
        if len(sizes) < 20 or len(np.unique(sizes)) < 8:
            continue
        top = float(sizes.max())
        active = sizes > 0.1 * top
        at_top = sizes > 0.999 * top
        if at_top.sum() > CLIPPED * active.sum():
            words = f"{at_top.sum() / active.sum():.0%} of its values in motion are at {top:.4g} {unit}"
            yield Remark("F12", f"{axis.name}.{what}", f"{words}; a fit must leave them out", "left")


def _poor(axis: AxisColumns) -> Iterator[Remark]:
    """Whether what drives the axis could be told apart: offset, sign of speed, speed, acceleration."""
    if len(axis.measured) < 20 or not (len(axis.volts) or len(axis.current)):
        return
    rate = axis.rate
    known = np.isfinite(rate)
    rate, times = rate[known], axis.times[known]
    most = float(np.abs(rate).max()) if len(rate) else 0.0
    if most <= 0.0:
        yield Remark("F13", axis.name, "it never moves; no friction, mass or delay can be told from it", "left")
        return
    moving = np.abs(rate) > 0.05 * most
    table = np.column_stack((np.ones(len(rate)), np.sign(rate) * moving, rate / most, np.gradient(rate, times)))[moving]
    sizes = np.linalg.norm(table, axis=0)
    if len(table) < 20 or (sizes <= 1e-9 * sizes.max()).any():
        yield Remark(
            "F13", axis.name, "it moves too little, or at one speed alone; move it both ways, fast and slow", "left"
        )
        return
    condition = float(np.linalg.cond(table / sizes))
    if condition > POOR or (np.sign(rate[moving]) == np.sign(rate[moving][0])).all():
        words = f"its motion is too simple (condition {condition:.3g}); move it both ways, fast and slow"
        yield Remark("F13", axis.name, words, "left")


def same_columns(quantities: dict[str, Array]) -> Iterator[Remark]:
    """Quantities that are one another times a number: one of them is not what it is called, or holds the other."""
    names = [name for name, values in quantities.items() if np.nanstd(values) > 0.0]
    for at, one in enumerate(names):
        for other in names[at + 1 :]:
            first, second = quantities[one], quantities[other]
            known = np.isfinite(first) & np.isfinite(second)
            if known.sum() < 20 or not second[known].any():
                continue
            ratio = float(first[known] @ second[known]) / float(second[known] @ second[known])
            apart = np.abs(first[known] - ratio * second[known]).max()
            if ratio != 0.0 and apart <= SAME * np.abs(first[known]).max():
                words = f"it is {ratio:.6g} times {other} at every sample"
                yield Remark("F19", one, f"{words}; one of them is not what it is called, or holds the other", "left")
