"""Studies: many rehearsals of one routine, told together.

A drill tries every single fault at every instant of interest. The names are loaded when first used.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from sequencer.study.drill import Drill, drill
    from sequencer.study.drill_report import DrillReport, DrillRow
    from sequencer.study.single_fault import SingleFault, single_faults

__all__ = ["Drill", "DrillReport", "DrillRow", "SingleFault", "drill", "single_faults"]

_HOMES = {
    "Drill": "drill",
    "DrillReport": "drill_report",
    "DrillRow": "drill_report",
    "SingleFault": "single_fault",
    "drill": "drill",
    "single_faults": "single_fault",
}


def __getattr__(name: str) -> object:
    home = _HOMES.get(name)
    if home is None:
        raise AttributeError(f"module 'sequencer.study' has no attribute '{name}'")
    value = getattr(import_module(f"sequencer.study.{home}"), name)
    # A function may be called like its module, which importing has just put in this place.
    globals()[name] = value
    return value
