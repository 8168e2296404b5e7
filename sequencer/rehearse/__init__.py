"""Rehearsals: routines run on the plant in virtual time, with scripted gauges, and held against what was expected."""

from typing import TYPE_CHECKING, Any

from sequencer.rehearse.gauges import ScriptedGauges
from sequencer.rehearse.judged import conflicts, fallbacks_of, shortfalls
from sequencer.rehearse.keep_outs import KeepOutDistance
from sequencer.rehearse.measured import MeasuredClearance
from sequencer.rehearse.performance import Performance
from sequencer.rehearse.rehearsal import ExpectationResult, Rehearsal, rehearse, rehearse_all

if TYPE_CHECKING:
    from sequencer.rehearse.lockstep import Result, Sample, rehearse_many

__all__ = [
    "ExpectationResult",
    "KeepOutDistance",
    "MeasuredClearance",
    "Performance",
    "Rehearsal",
    "Result",
    "Sample",
    "ScriptedGauges",
    "conflicts",
    "fallbacks_of",
    "rehearse",
    "rehearse_all",
    "rehearse_many",
    "shortfalls",
]


def __getattr__(name: str) -> Any:
    """Many at once need numpy, which one rehearsal does not load."""
    if name in ("Result", "Sample", "rehearse_many"):
        from sequencer.rehearse import lockstep

        return getattr(lockstep, name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
