"""Dry friction: greater at rest than in motion, and never a driving force."""

from __future__ import annotations

from math import exp

from sequencer.machine.axis import Axis

FADING_SPEED = {"linear": 0.01, "rotary": 0.05, "spin": 0.5}
"""Speed [m/s or rad/s] over which break-away fades to sliding friction (common practice, no source)."""


class Friction:
    """F_c(v) = F_C + (F_S - F_C) exp(-(v / v_s)^2), the sliding force [N or N m] F_C and the break-away force F_S."""

    __slots__ = ("_fading", "excess", "sliding")

    def __init__(self, axis: Axis) -> None:
        load = axis.load
        self.sliding = load.coulomb if load is not None else 0.0
        breakaway = load.breakaway if load is not None else None
        self.excess = max(0.0, breakaway - self.sliding) if breakaway is not None else 0.0
        self._fading = FADING_SPEED[axis.kind]

    def at(self, speed: float) -> float:
        """The greatest friction at a speed [m/s or rad/s]."""
        if self.excess == 0.0:
            return self.sliding
        ratio = speed / self._fading
        return self.sliding + self.excess * exp(-ratio * ratio) if -9.0 < ratio < 9.0 else self.sliding
