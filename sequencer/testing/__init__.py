"""Tests that come with the package, for what a robot's own programmers write."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from sequencer.testing.contract import ActuatorBench, actuator_contract

__all__ = ["ActuatorBench", "actuator_contract"]


def __getattr__(name: str) -> object:
    if name not in __all__:
        raise AttributeError(f"module 'sequencer.testing' has no attribute '{name}'")
    return getattr(import_module("sequencer.testing.contract"), name)
