"""What recorded sessions tell: what other code would have decided on them, and why runs ended as they did."""

from __future__ import annotations

from sequencer.tune.compare import Change, Comparison, StepChanges, compare
from sequencer.tune.health import AxisHealth, Health, Measure, health
from sequencer.tune.retrace import Difference, Retrace, retrace
from sequencer.tune.why import Account, Near, why

__all__ = [
    "Account",
    "AxisHealth",
    "Change",
    "Comparison",
    "Difference",
    "Health",
    "Measure",
    "Near",
    "Retrace",
    "StepChanges",
    "compare",
    "health",
    "retrace",
    "why",
]
