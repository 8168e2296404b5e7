"""Ordering: the fastest certified way from any configuration of a machine to any other.

A `Grid` knows which boxes of ordered positions are free, a `Lattice` which places lead to which, a `GatedPlan` is a way
whose axes wait for each other by measured gates, and `Ordering` finds the fastest of them. What comes out is written
as an ordinary routine, for `check` to judge like any other. The names are loaded when first used.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from sequencer.ordering.gated import GatedPlan
    from sequencer.ordering.grid import Grid
    from sequencer.ordering.lattice import Lattice
    from sequencer.ordering.preset_table import Change, PresetTable, preset_table
    from sequencer.ordering.search import NoOrder, Ordering

_HOMES = {
    "Change": "preset_table",
    "GatedPlan": "gated",
    "Grid": "grid",
    "Lattice": "lattice",
    "NoOrder": "search",
    "Ordering": "search",
    "PresetTable": "preset_table",
    "preset_table": "preset_table",
}

__all__ = ["Change", "GatedPlan", "Grid", "Lattice", "NoOrder", "Ordering", "PresetTable", "preset_table"]


def __getattr__(name: str) -> object:
    home = _HOMES.get(name)
    if home is None:
        raise AttributeError(f"module 'sequencer.ordering' has no attribute '{name}'")
    value = getattr(import_module(f"sequencer.ordering.{home}"), name)
    # A function may be called like its module, which importing has just put in this place.
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return list(__all__)
