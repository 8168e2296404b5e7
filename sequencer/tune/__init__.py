"""What recorded sessions tell: what other code would have decided on them, why runs ended as they did, and which timing
works.

The names are loaded when first used.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from sequencer.tune.rates import Rate, wilson
    from sequencer.tune.retrace import Difference, Retrace, retrace
    from sequencer.tune.success import Attempt, Success
    from sequencer.tune.timing import Timing, timing_of
    from sequencer.tune.why import Account, Near, why

__all__ = [
    "Account",
    "Attempt",
    "Difference",
    "Near",
    "Rate",
    "Retrace",
    "Success",
    "Timing",
    "retrace",
    "timing_of",
    "why",
    "wilson",
]

_HOMES = {
    "Account": "why",
    "Attempt": "success",
    "Difference": "retrace",
    "Near": "why",
    "Rate": "rates",
    "Retrace": "retrace",
    "Success": "success",
    "Timing": "timing",
    "retrace": "retrace",
    "timing_of": "timing",
    "why": "why",
    "wilson": "rates",
}


def __getattr__(name: str) -> object:
    home = _HOMES.get(name)
    if home is None:
        raise AttributeError(f"module 'sequencer.tune' has no attribute '{name}'")
    value = getattr(import_module(f"sequencer.tune.{home}"), name)
    # A function may be called like its module, which importing has just put in this place.
    globals()[name] = value
    return value
