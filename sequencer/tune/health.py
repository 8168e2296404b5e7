"""Wear, from recordings of ordinary use: how hard each axis runs, how late it follows, how its motors share, how far it
goes. Each against an older recording of the same machine.

All of it is told from what the trace holds, without a model of the machine: effort is in amperes of its actuators. The
current that friction takes is half the difference of the currents up and down at steady speed, so that weight, which
acts one way, falls out; the current that weight takes is half their sum. The lag is the time by which the measured
position, moved earlier, fits the ordered one best (least squares over whole moves).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass
from itertools import pairwise
from math import sqrt
from statistics import fmean, median
from typing import Any, NamedTuple

from sequencer.trace.rows import Row
from sequencer.trace.trace import NANOSECONDS, Trace, TraceError
from sequencer.units import ANGLE, CURRENT, LENGTH, TIME, Dimension, show

STEADY = 0.1
"""Moves are steady where the ordered speed changes by no more than this share within a tick [1]."""
LEAST_SAMPLES = 12
"""Fewer samples of a kind judge nothing [1]."""
LONGEST_LAG = 0.2
"""No lag longer than this is looked for [s]."""
WORSE = 0.2
"""A change by more than this share of the older value, and by more than three standard errors, is told as one [1]."""
LATER = 0.01
"""A lag that has changed by no more than this [s] is not told: latencies differ so much from start to start."""
UNEVEN = 0.2
"""Motors on one axis whose shares differ from an even one by more than this part of it are told [1]."""


class Measure(NamedTuple):
    """One figure of an axis: its value [SI] with its standard error, from so many samples."""

    name: str
    value: float
    error: float
    samples: int
    dimension: Dimension

    def __str__(self) -> str:
        return f"{self.name} {show(self.value, self.dimension, 3)} (+-{show(2.0 * self.error, self.dimension, 2)})"


@dataclass(frozen=True, slots=True)
class AxisHealth:
    """What the recordings tell of one axis; `not_judged` says what they do not tell, and why."""

    axis: str
    measures: tuple[Measure, ...]
    not_judged: tuple[str, ...]
    warnings: tuple[str, ...] = ()

    def __str__(self) -> str:
        words = [*map(str, self.measures), *(f"not judged: {what}" for what in self.not_judged)]
        return "\n".join([f"{self.axis}: {'; '.join(words)}", *(f"  {warning}" for warning in self.warnings)])


@dataclass(frozen=True, slots=True)
class Health:
    """All axes; `notes` say what a reader should know of the recordings."""

    axes: tuple[AxisHealth, ...]
    notes: tuple[str, ...] = ()

    @property
    def warnings(self) -> tuple[str, ...]:
        """Every warning of every axis."""
        return tuple(f"{axis.axis}: {warning}" for axis in self.axes for warning in axis.warnings)

    def __str__(self) -> str:
        return "\n".join([*self.notes, *map(str, self.axes)])

    def as_json(self) -> dict[str, Any]:
        """The same as plain data."""
        return {**asdict(self), "warnings": list(self.warnings)}


def health(traces: Sequence[Trace], against: Sequence[Trace] = ()) -> Health:
    """What recordings tell of the wear of a machine.

    Args:
        traces: of now.
        against: older ones of the same machine; a figure that has changed is then told.

    Raises:
        TraceError: no trace, none with ticks, or traces of machines with different axes.
    """
    given = [*traces, *against]
    if not any(trace.rows for trace in traces):
        raise TraceError("the recordings have no ticks; nothing can be judged")
    axes = given[0].header.axes
    for trace in given[1:]:
        if trace.header.axes != axes:
            raise TraceError(
                f"{trace.header.machine} has {_names(trace)}, and {given[0].header.machine} has {_names(given[0])}; "
                "only recordings of one machine are compared"
            )
    now = [_judged(traces, index) for index in range(len(axes))]
    if against:
        before = [_judged(against, index) for index in range(len(axes))]
        now = [_compared(one, other) for one, other in zip(now, before, strict=True)]
    hashes = {trace.header.machine_hash for trace in given}
    notes = ("the machine's description has changed between the recordings",) if len(hashes) > 1 else ()
    return Health(tuple(now), notes)


def _judged(traces: Sequence[Trace], index: int) -> AxisHealth:
    axis, kind = traces[0].header.axes[index]
    dimension = LENGTH if kind == "linear" else ANGLE
    measures: list[Measure] = []
    missing: list[str] = []
    moves = [list(_stretches(trace.rows, index)) for trace in traces]
    if kind == "spin":
        missing.append("friction, lag and travel (it has no position)")
    else:
        for found, what in (
            (_friction(traces, index), "friction (too few steady moves both ways with their current)"),
            (_lag([stretch for each in moves for stretch in each], index), "lag (too few moves)"),
            (_travel(traces, index, dimension), "travel (never measured)"),
        ):
            measures += found
            if not found:
                missing.append(what)
    shares = list(_shares(traces, axis))
    if shares:
        measures += shares
    else:
        missing.append("shares of its motors (the currents of single ones were not recorded)")
    return AxisHealth(axis, tuple(measures), tuple(missing), tuple(_uneven(shares)))


def _stretches(rows: Sequence[Row], index: int) -> Iterator[list[Row]]:
    """Unbroken spans in which the axis tracks and is measured."""
    stretch: list[Row] = []
    for row in rows:
        ordered, measured = row.ordered[index], row.measured[index]
        if ordered is not None and ordered.mode == "track" and measured is not None and measured.position is not None:
            stretch.append(row)
        elif stretch:
            yield stretch
            stretch = []
    if stretch:
        yield stretch


def _friction(traces: Sequence[Trace], index: int) -> list[Measure]:
    """Half the difference and half the sum of the mean currents up and down at steady speed [A]."""
    up: list[float] = []
    down: list[float] = []
    for trace in traces:
        for stretch in _stretches(trace.rows, index):
            for before, row in pairwise(stretch):
                was, ordered, measured = before.ordered[index], row.ordered[index], row.measured[index]
                if was is None or ordered is None or measured is None or measured.current is None:
                    continue
                speed = ordered.velocity
                if speed != 0.0 and abs(speed - was.velocity) <= STEADY * abs(speed):
                    (up if speed > 0.0 else down).append(float(measured.current))
    if min(len(up), len(down)) < LEAST_SAMPLES:
        return []
    error = 0.5 * sqrt(sum(_spread(values) ** 2 / len(values) for values in (up, down)))
    rising, falling = fmean(up), fmean(down)
    count = len(up) + len(down)
    return [
        Measure("friction", 0.5 * (rising - falling), error, count, CURRENT),
        Measure("weight", 0.5 * (rising + falling), error, count, CURRENT),
    ]


def _lag(stretches: Iterable[list[Row]], index: int) -> list[Measure]:
    """The mean over moves of the shift that fits measured to ordered positions best [s]."""
    found = []
    for stretch in stretches:
        if len(stretch) < LEAST_SAMPLES:
            continue
        shift = _best_shift(stretch, index)
        if shift is not None:
            found.append(shift)
    if not found:
        return []
    error = _spread(found) / sqrt(len(found)) if len(found) > 1 else 0.01
    return [Measure("lag", median(found), error, len(found), TIME)]


def _best_shift(stretch: Sequence[Row], index: int) -> float | None:
    """One Gauss-Newton step after another on sum (measured(t) - ordered(t - shift) - offset)^2."""
    times = [row.now_ns / NANOSECONDS for row in stretch]
    orders = [order for row in stretch if (order := row.ordered[index]) is not None]
    places = [
        float(read.position)
        for row in stretch
        if (read := row.measured[index]) is not None and read.position is not None
    ]
    span = max(order.position for order in orders) - min(order.position for order in orders)
    if len(orders) != len(times) or len(places) != len(times) or span <= 0.0:
        return None
    shift = 0.0
    for _ in range(8):
        errors, slopes = [], []
        at = 0
        for time, place in zip(times, places, strict=True):
            wanted = time - shift
            while at + 2 < len(times) and times[at + 1] <= wanted:
                at += 1
            if not times[0] <= wanted:
                continue
            part = wanted - times[at]
            order = orders[at]
            errors.append(place - order.position - order.velocity * part)
            slopes.append(order.velocity)
        if len(errors) < LEAST_SAMPLES:
            return None
        mean_error, mean_slope = fmean(errors), fmean(slopes)
        top = sum((slope - mean_slope) * (error - mean_error) for slope, error in zip(slopes, errors, strict=True))
        bottom = sum((slope - mean_slope) ** 2 for slope in slopes)
        if bottom <= 0.0:
            return None
        step = -top / bottom
        shift = min(max(shift + step, 0.0), LONGEST_LAG)
        if abs(step) < 1e-6:
            break
    return shift


def _travel(traces: Sequence[Trace], index: int, dimension: Dimension) -> list[Measure]:
    places = [
        float(read.position)
        for trace in traces
        for row in trace.rows
        if (read := row.measured[index]) is not None and read.position is not None and read.zeroed
    ]
    if not places:
        return []
    return [
        Measure("lowest", min(places), 0.0, len(places), dimension),
        Measure("highest", max(places), 0.0, len(places), dimension),
    ]


def _shares(traces: Sequence[Trace], axis: str) -> Iterator[Measure]:
    """What part of the current each motor of an axis drew, where all of them together drew some."""
    sums: dict[int, float] = {}
    samples: dict[int, list[list[float]]] = {}
    for trace in traces:
        for row in trace.rows:
            for parts in row.parts:
                values = [abs(value) for value in parts.currents if value is not None]
                if parts.axis == axis and len(values) == len(parts.currents) > 1 and sum(values) > 0.0:
                    samples.setdefault(len(values), []).append(values)
    for count, rows in samples.items():
        if len(rows) < LEAST_SAMPLES:
            continue
        total, most = sum(map(sum, rows)), max(map(sum, rows))
        for number in range(count):
            sums[number] = sum(row[number] for row in rows) / total
            heavy = [row[number] / sum(row) for row in rows if sum(row) > 0.3 * most]
            error = _spread(heavy) / sqrt(len(heavy)) if len(heavy) > 1 else 0.0
            yield Measure(f"share of motor {number + 1}", sums[number], error, len(rows), (0, 0, 0, 0, 0))


def _uneven(shares: Sequence[Measure]) -> Iterator[str]:
    even = 1.0 / len(shares) if shares else 1.0
    for share in shares:
        if abs(share.value - even) > UNEVEN * even:
            yield f"{share.name} is {share.value:.0%}, where {even:.0%} would be even"


def _compared(now: AxisHealth, before: AxisHealth) -> AxisHealth:
    """The same with a warning for each figure that has changed by more than chance and more than a little."""
    old = {measure.name: measure for measure in before.measures}
    warnings = list(now.warnings)
    for measure in now.measures:
        other = old.get(measure.name)
        if other is None:
            continue
        change = measure.value - other.value
        scale = max(abs(other.value), 1e-12)
        if measure.name in ("lowest", "highest"):
            scale = max(abs(old["highest"].value - old["lowest"].value), 1e-12)
        if measure.name == "lag" and abs(change) <= LATER:
            continue
        if abs(change) > max(WORSE * scale, 3.0 * sqrt(measure.error**2 + other.error**2)):
            shown = show(other.value, measure.dimension, 3), show(measure.value, measure.dimension, 3)
            warnings.append(
                f"{measure.name} was {shown[0]} and is {shown[1]}, {'more' if change > 0 else 'less'} by "
                f"{abs(change) / scale:.0%}"
            )
    return AxisHealth(now.axis, now.measures, now.not_judged, tuple(warnings))


def _spread(values: Sequence[float]) -> float:
    """The standard deviation."""
    mean = fmean(values)
    return sqrt(sum((value - mean) ** 2 for value in values) / max(len(values) - 1, 1))


def _names(trace: Trace) -> str:
    return ", ".join(name for name, _ in trace.header.axes)
