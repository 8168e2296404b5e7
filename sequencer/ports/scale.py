"""The one place where a controller's counts become metres or radians, with their sign and their zero."""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite

from sequencer.errors import ModelError


@dataclass(frozen=True, slots=True)
class Scale:
    """position = (counts - zero) / counts_per_unit, for one axis.

    Args:
        counts_per_unit: counts for one metre or radian; negative where the counts fall as the axis rises.
        zero: what the controller counts where the axis is at 0.

    Raises:
        ModelError: `counts_per_unit` is 0, or a number is not finite.

    >>> Scale(2000.0, zero=500.0).position(1500.0)
    0.5
    """

    counts_per_unit: float
    zero: float = 0.0

    def __post_init__(self) -> None:
        if self.counts_per_unit == 0.0 or not isfinite(self.counts_per_unit) or not isfinite(self.zero):
            raise ModelError(
                f"a scale of {self.counts_per_unit:g} counts per unit from {self.zero:g} counts is none; "
                "both must be finite and the first not 0"
            )

    def position(self, counts: float) -> float:
        """Position [m or rad] of a count."""
        return (counts - self.zero) / self.counts_per_unit

    def speed(self, counts_per_second: float) -> float:
        """Speed [m/s or rad/s]."""
        return counts_per_second / self.counts_per_unit

    def counts(self, position: float) -> float:
        """The count of a position [m or rad]."""
        return position * self.counts_per_unit + self.zero

    def rate(self, speed: float) -> float:
        """Counts per second of a speed [m/s or rad/s]."""
        return speed * self.counts_per_unit
