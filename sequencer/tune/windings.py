"""Resistance and back-EMF of an axis' motors, where a log tells both the current and the applied voltage."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from sequencer.tune.recorded import AxisRecord

LEAST_SAMPLES = 40
"""Fewer samples tell nothing [1]."""
MOST_CONDITION = 30.0
"""Current and speed that go along with each other more closely cannot be told apart [1]."""


class Windings(NamedTuple):
    """volts = resistance current + back_emf speed: `resistance` of one motor [ohm], its `back_emf` [V per m/s or rad/s
    of the axis], and the standard errors of both."""

    resistance: float
    back_emf: float
    resistance_error: float
    back_emf_error: float

    def __str__(self) -> str:
        return (
            f"windings: resistance {self.resistance:.4g} ohm (+-{2.0 * self.resistance_error:.2g}), back_emf "
            f"{self.back_emf:.4g} V per speed (+-{2.0 * self.back_emf_error:.2g})"
        )


def fit_windings(records: Sequence[AxisRecord], motors: int) -> Windings | None:
    """Least squares over all periods, with means over them on both sides; None where they cannot be told.

    Args:
        records: of one axis.
        motors: so many like motors share the current.
    """
    rows, volts = [], []
    for record in records:
        if len(record.times) < 2:
            continue
        speed = np.diff(record.position) / np.diff(record.times)
        current, applied = record.current[1:] / max(motors, 1), record.volts[1:]
        known = np.isfinite(speed) & np.isfinite(current) & np.isfinite(applied)
        rows.append(np.column_stack((current, speed))[known])
        volts.append(applied[known])
    table = np.vstack(rows) if rows else np.zeros((0, 2))
    if len(table) < LEAST_SAMPLES:
        return None
    sizes = np.linalg.norm(table, axis=0)
    if not (sizes > 0.0).all() or np.linalg.cond(table / sizes) > MOST_CONDITION:
        return None
    right = np.concatenate(volts)
    found = np.linalg.lstsq(table, right, rcond=None)[0]
    left = right - table @ found
    errors = np.sqrt(np.diag(np.linalg.inv(table.T @ table)) * (left @ left) / (len(right) - 2))
    return Windings(*found.tolist(), *errors.tolist())
