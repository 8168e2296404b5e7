"""How late an axis follows its orders: a dead time and a lag, each to a fraction of a sample.

    measured(t) = y(t - delay) + offset,    lag y' + y = ordered

A correlation of measured and ordered positions finds delay *plus* lag. Here the delay is found by least squares (Gauss
and Newton's method), with the orders as the actuators carry them on between ticks, once with a lag and once with what
the loop of an axis without one leaves of its orders: errors along the acceleration, the jerk and the sense of the
motion, solved for on the way. The model that fits better tells. The error of a delay cannot be below
sigma / sqrt(sum v^2), sigma the noise of the positions, v the speeds.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil, exp, floor, sqrt
from typing import Literal, NamedTuple

import numpy as np

from sequencer.errors import counted
from sequencer.trace.trace import Trace, TraceError
from sequencer.tune.recorded import MOVES, Array, AxisRecord, axis_record, moves

GRID = 0.001
"""Orders are carried on and filtered in steps of this [s]."""
LONGEST = 0.25
"""No delay and no lag longer than this is looked for [s]."""
SHORTEST_LAG = 0.012
"""A lag below this [s] cannot be told from what a good feedforward leaves, and counts as none."""
SURE = 3.0
"""A lag counts where it is so many times its own standard error [1]."""
AS_GOOD = 1.05
"""A model with a lag is taken where it leaves no more than so many times the spread of the one without [1]."""
LEAST_SAMPLES = 8
"""A move with fewer samples tells no delay [1]."""
MOST_MOVES = 40
"""So many moves of a recording are looked at, the longest ways first [1]."""


@dataclass(frozen=True, slots=True)
class Delay:
    """How late one axis follows.

    Attributes:
        axis: its name.
        delay: order to motion [s], the mean over recordings; `error` its standard error.
        lag: time constant with which it then follows [s]; 0 where none can be told.
        least, most: the least and the greatest delay of a recording [s].
        moves: so many moves were fitted.
    """

    axis: str
    delay: float
    error: float
    lag: float
    least: float
    most: float
    moves: int

    @property
    def latency(self) -> tuple[float, float]:
        """What `latency` should say [s]: whole milliseconds around all that was found and its doubt."""
        low, high = self.least - 2.0 * self.error, self.most + 2.0 * self.error
        return max(floor(low * 1e3 + 1e-6), 0) * 1e-3, max(ceil(high * 1e3 - 1e-6), 0) * 1e-3

    def __str__(self) -> str:
        lag = f", lag {self.lag * 1e3:.3g} ms" if self.lag else ""
        return f"delay {self.delay * 1e3:.3g} ms (+-{2e3 * self.error:.2g} ms){lag}, from {counted(self.moves, 'move')}"


def fit_delay(traces: Sequence[Trace], axis: str, between: Literal["hold", "carry_on"] = "carry_on") -> Delay:
    """Delay and lag of an axis, from moves of recordings.

    Args:
        traces: recordings; the latency is taken as fixed within each, for it is drawn when an actuator starts.
        axis: its name.
        between: what its actuators do between orders.

    Raises:
        TraceError: no such axis, or no move that was both ordered and measured.
    """
    found: list[_Fit] = []
    count = 0
    for trace in traces:
        used = _usable(axis_record(trace, axis))
        if used:
            found.append(_fitted(used, between))
            count += len(used)
    if not found:
        raise TraceError(f"{axis} makes no move that was both ordered and measured; no delay can be told from that")
    delays = np.array([one.delay for one in found])
    return Delay(
        axis,
        float(delays.mean()),
        float(sqrt(sum(one.error**2 for one in found)) / len(found)),
        float(np.mean([one.lag for one in found])),
        float(delays.min()),
        float(delays.max()),
        count,
    )


@dataclass(frozen=True, slots=True)
class _Fit:
    delay: float
    lag: float
    error: float
    lag_error: float
    spread: float


def _usable(record: AxisRecord) -> list[AxisRecord]:
    found = []
    for move in moves(record):
        tracked = np.isfinite(move.ordered)
        if not tracked.any():
            continue
        runs = np.split(np.flatnonzero(tracked), np.flatnonzero(np.diff(np.flatnonzero(tracked)) > 1) + 1)
        longest = max(runs, key=len)
        part = move.between(int(longest[0]), int(longest[-1]) + 1)
        if len(part.times) >= LEAST_SAMPLES and np.ptp(part.ordered) > 0.0:
            found.append(part)
    return sorted(found, key=lambda part: -float(np.ptp(part.ordered)))[:MOST_MOVES]


def _fitted(parts: list[AxisRecord], between: str) -> _Fit:
    """One delay and one lag for all moves of a recording."""
    references = [_Reference.of(part, between) for part in parts]
    prompt = _descend(parts, references, with_lag=False)
    lagging = _descend(parts, references, with_lag=True)
    sure = lagging.lag >= max(SHORTEST_LAG, SURE * lagging.lag_error)
    return lagging if sure and lagging.spread < AS_GOOD * prompt.spread else prompt


class _Reference(NamedTuple):
    """What the actuators were after, every `GRID` from `LONGEST` before the first order on."""

    start: float
    places: Array
    speeds: Array
    accelerations: Array

    @classmethod
    def of(cls, part: AxisRecord, between: str) -> _Reference:
        given = part.ordered_at
        start = float(given[0]) - LONGEST
        times = start + GRID * np.arange(round((float(given[-1]) - start) / GRID) + 1)
        at = np.clip(np.searchsorted(given, times + 1e-9, side="right") - 1, 0, len(given) - 1)
        elapsed = np.maximum(times - given[at], 0.0)
        places = part.ordered[at].copy()
        if between == "carry_on":
            places += elapsed * (part.ordered_speed[at] + 0.5 * elapsed * part.ordered_acceleration[at])
        speeds = np.interp(times, given, part.ordered_speed)
        accelerations = np.interp(times, given, part.ordered_acceleration)
        before = times < given[0]
        places[before], speeds[before], accelerations[before] = part.ordered[0], 0.0, 0.0
        return cls(start, places, speeds, accelerations)


def _descend(parts: list[AxisRecord], references: list[_Reference], with_lag: bool) -> _Fit:
    """Gauss and Newton's method on delay and lag; what is linear in each move is solved for on the way."""
    delay, lag = 0.03, 0.01 if with_lag else 0.0
    best = _Fit(delay, lag, np.inf, np.inf, np.inf)
    free = 2 if with_lag else 1
    for _ in range(25):
        normal, push, squares, count = np.zeros((free, free)), np.zeros(free), 0.0, -free
        for part, reference in zip(parts, references, strict=True):
            left, slopes, freedom = _left(part, reference, delay, lag, with_lag)
            normal += slopes.T @ slopes
            push += slopes.T @ left
            squares += float(left @ left)
            count += freedom
        spread = sqrt(squares / max(count, 1))
        if spread < best.spread:
            errors = spread * np.sqrt(np.maximum(np.diag(np.linalg.pinv(normal)), 0.0))
            best = _Fit(delay, lag, float(errors[0]), float(errors[-1]), spread)
        step = np.linalg.lstsq(normal, push, rcond=None)[0]
        delay = min(max(delay + float(step[0]), 0.0), LONGEST)
        if with_lag:
            lag = min(max(lag + float(step[1]), 0.0), LONGEST)
        if np.abs(step).max() < 1e-6:
            break
    return best


def _left(
    part: AxisRecord, reference: _Reference, delay: float, lag: float, with_lag: bool
) -> tuple[Array, Array, int]:
    """What a move leaves at a delay and a lag, its slopes along both, and how many numbers are free in that."""
    start, places, speeds, accelerations = reference
    where = (part.times - delay - start) / GRID
    inside = (where >= 0.0) & (where <= len(places) - 1.0) & np.isfinite(part.position)
    numbers, wanted = np.arange(len(places), dtype=float), where[inside]

    def at(series: Array) -> Array:
        return np.interp(wanted, numbers, series)

    followed, rate = _lagged(places, lag), _lagged(speeds, lag)
    along = at(rate)
    columns = [np.ones(len(along)), np.sign(along) * (np.abs(along) > MOVES * np.abs(along).max(initial=0.0))]
    if not with_lag:
        columns += [at(accelerations), at(np.gradient(accelerations, GRID))]
    table = np.column_stack(columns)
    sizes = np.linalg.norm(table, axis=0)
    basis, _ = np.linalg.qr(table[:, sizes > 0.0] / sizes[sizes > 0.0])
    left = part.position[inside] - at(followed)
    slopes = -np.column_stack([along, at(_lagged(rate, lag))] if with_lag else [along])
    return left - basis @ (basis.T @ left), slopes - basis @ (basis.T @ slopes), len(left) - basis.shape[1]


def _lagged(values: Array, lag: float) -> Array:
    """The answer of a first-order lag to a series on the grid that stood still before it."""
    if lag < 0.2 * GRID:
        return values
    kept = exp(-GRID / lag)
    kernel = (1.0 - kept) * kept ** np.arange(min(ceil(12.0 * lag / GRID), len(values)))
    shifted = values - values[0]
    middle = 0.5 * (shifted + np.concatenate(([0.0], shifted[:-1])))
    answer: Array = values[0] + np.convolve(middle, kernel)[: len(values)]
    return answer
