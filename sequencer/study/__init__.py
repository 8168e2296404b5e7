"""Studies: many rehearsals of one routine, told together.

A drill tries every single fault at every instant of interest, a spread many machines as they may really be. The names
are loaded when first used.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from sequencer.study.drill_report import DrillReport, DrillRow
    from sequencer.study.drilling import Drill, drill
    from sequencer.study.single_fault import SingleFault, single_faults
    from sequencer.study.spread_report import SpreadReport, SpreadRow
    from sequencer.study.spreading import Spread, spread

__all__ = [
    "Drill",
    "DrillReport",
    "DrillRow",
    "SingleFault",
    "Spread",
    "SpreadReport",
    "SpreadRow",
    "drill",
    "single_faults",
    "spread",
]

_HOMES = {
    "Drill": "drilling",
    "DrillReport": "drill_report",
    "DrillRow": "drill_report",
    "SingleFault": "single_fault",
    "Spread": "spreading",
    "SpreadReport": "spread_report",
    "SpreadRow": "spread_report",
    "drill": "drilling",
    "single_faults": "single_fault",
    "spread": "spreading",
}


def __getattr__(name: str) -> Any:
    home = _HOMES.get(name)
    if home is None:
        raise AttributeError(f"module 'sequencer.study' has no attribute '{name}'")
    return getattr(import_module(f"sequencer.study.{home}"), name)
