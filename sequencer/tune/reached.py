"""How fast an axis really went: speed, acceleration and jerk of its moves, beside those that were ordered.

Both are told by the same local polynomials (A. Savitzky and M. J. E. Golay, Analytical Chemistry 36 (1964) 1627-1639)
over the same samples, so that what these smooth away is missing on both sides. A jerk that lasts less than such a
window shows as less than it was, also on both sides.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np

from sequencer.tune.recorded import Array, AxisRecord, moves
from sequencer.units import ANGLE, LENGTH, show

WINDOW = 7
"""Samples of a local polynomial [1]."""
DEGREE = 3
"""Its degree [1]."""
FALLS_SHORT = 0.07
"""An axis that reaches less than this share below what was ordered does not reach it [1]."""
UNEVEN = 0.25
"""Windows whose periods differ by more than this share are left out [1]."""


class Reached(NamedTuple):
    """Extremes over all moves: (most negative, most positive) of what was measured and of what was ordered in moves
    that were measured; `ordered` are nan where nothing was. `error` is the farthest that it was behind its orders."""

    velocity: tuple[float, float]
    acceleration: tuple[float, float]
    jerk: tuple[float, float]
    ordered_velocity: tuple[float, float]
    ordered_acceleration: tuple[float, float]
    error: float
    moves: int

    def short(self, quantity: str) -> tuple[float | None, float | None]:
        """What was reached in each sense of a quantity (velocity or acceleration) where that is short of the order."""
        had, wanted = getattr(self, quantity), getattr(self, f"ordered_{quantity}")
        low, high = (
            float(got) if abs(got) < (1.0 - FALLS_SHORT) * abs(asked) else None
            for got, asked in zip(had, wanted, strict=True)
        )
        return low, high

    def words(self, kind: str) -> str:
        """In a sentence."""
        per = LENGTH if kind == "linear" else ANGLE
        told = []
        for power, name in ((1, "velocity"), (2, "acceleration"), (3, "jerk")):
            m, kg, s, amp, rad = per
            low, high = (show(value, (m, kg, s - power, amp, rad), 3) for value in getattr(self, name))
            told.append(f"{name} {low} to {high}")
        return "reaches " + ", ".join(told)

    def as_json(self) -> dict[str, Any]:
        """Plain data in SI, without what was never ordered."""
        plain = self._asdict()
        return {name: value for name, value in plain.items() if not name.startswith("ordered") or value[0] == value[0]}


def reached(records: Sequence[AxisRecord]) -> Reached | None:
    """What an axis reached in the moves of recordings; None where it made none that is long enough."""
    found: list[Array] = []
    asked: list[Array] = []
    behind, count = 0.0, 0
    for record in records:
        for move in moves(record):
            derivatives = _derivatives(move.times, move.position)
            if derivatives is None:
                continue
            count += 1
            found.append(derivatives)
            ordered = _derivatives(move.ordered_at, move.ordered)
            if ordered is not None:
                asked.append(ordered)
                behind = max(behind, float(np.nanmax(np.abs(move.position - move.ordered))))
    if not found:
        return None
    measured = np.vstack(found)
    ordered = np.vstack(asked) if asked else np.full((1, 3), np.nan)
    velocity, acceleration, jerk = (_ends(measured[:, place]) for place in range(3))
    return Reached(velocity, acceleration, jerk, _ends(ordered[:, 0]), _ends(ordered[:, 1]), behind, count)


def _derivatives(times: Array, values: Array) -> Array | None:
    """First, second and third derivative in the middle of each window, shape (n, 3)."""
    if len(times) < WINDOW:
        return None
    windows = np.lib.stride_tricks.sliding_window_view(times, WINDOW)
    periods = np.diff(windows, axis=1)
    usual = np.median(np.diff(times))
    even = (np.abs(periods - usual) <= UNEVEN * usual).all(axis=1)
    wanted = np.lib.stride_tricks.sliding_window_view(values, WINDOW)
    used = even & np.isfinite(wanted).all(axis=1)
    if not used.any():
        return None
    offsets = windows[used] - windows[used][:, WINDOW // 2, None]
    tables = offsets[..., None] ** np.arange(DEGREE + 1)
    wanted = wanted[used]
    coefficients = (np.linalg.pinv(tables) @ wanted[..., None])[..., 0]
    derivatives: Array = coefficients[:, 1:] * np.array([1.0, 2.0, 6.0])
    return derivatives


def _ends(values: Array) -> tuple[float, float]:
    """Most negative and most positive, 0 included."""
    return min(float(values.min()), 0.0), max(float(values.max()), 0.0)
