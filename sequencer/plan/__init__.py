"""Plans: a routine laid out flat, and the times and profiles of its steps if all goes punctually.

The names are loaded when first used.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from sequencer.plan.forward import plan
    from sequencer.plan.planned import Plan, PlannedStep

__all__ = ["Plan", "PlannedStep", "plan"]

_HOMES = {"Plan": "planned", "PlannedStep": "planned", "plan": "forward"}


def __getattr__(name: str) -> object:
    home = _HOMES.get(name)
    if home is None:
        raise AttributeError(f"module 'sequencer.plan' has no attribute '{name}'")
    return getattr(import_module(f"sequencer.plan.{home}"), name)
