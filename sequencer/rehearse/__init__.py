"""Rehearsals: routines run on the plant in virtual time, with scripted gauges, and held against what was expected."""

from sequencer.rehearse.gauges import ScriptedGauges
from sequencer.rehearse.keep_outs import KeepOutDistance
from sequencer.rehearse.measured import MeasuredClearance
from sequencer.rehearse.rehearsal import ExpectationResult, Rehearsal, rehearse, rehearse_all

__all__ = [
    "ExpectationResult",
    "KeepOutDistance",
    "MeasuredClearance",
    "Rehearsal",
    "ScriptedGauges",
    "rehearse",
    "rehearse_all",
]
