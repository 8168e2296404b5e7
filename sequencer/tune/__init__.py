"""What recorded sessions tell: why runs ended as they did, what changed between two, what other code would have done,
and which timing works.

What needs numpy is loaded when it is first used.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

from sequencer.rates import Rate, wilson
from sequencer.tune.compare import Change, Comparison, StepChanges, compare
from sequencer.tune.health import AxisHealth, Health, Measure, health
from sequencer.tune.retrace import Difference, Retrace, retrace
from sequencer.tune.why import Account, Near, why

if TYPE_CHECKING:
    from sequencer.tune.delay import Delay, fit_delay
    from sequencer.tune.fit import AxisFit, fit_axis
    from sequencer.tune.success import Attempt, Success
    from sequencer.tune.timing import Timing, timing_of

__all__ = [
    "Account",
    "Attempt",
    "AxisFit",
    "AxisHealth",
    "Change",
    "Comparison",
    "Delay",
    "Difference",
    "Health",
    "Measure",
    "Near",
    "Rate",
    "Retrace",
    "StepChanges",
    "Success",
    "Timing",
    "compare",
    "fit_axis",
    "fit_delay",
    "health",
    "retrace",
    "timing_of",
    "why",
    "wilson",
]

_HOMES = {
    "Attempt": "success",
    "AxisFit": "fit",
    "Delay": "delay",
    "Success": "success",
    "Timing": "timing",
    "fit_axis": "fit",
    "fit_delay": "delay",
    "timing_of": "timing",
}


def __getattr__(name: str) -> object:
    if name not in _HOMES:
        raise AttributeError(f"module 'sequencer.tune' has no attribute '{name}'")
    return getattr(import_module(f"sequencer.tune.{_HOMES[name]}"), name)
