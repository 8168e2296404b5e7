"""Tests that come with the package: claims about rehearsals, a pytest plugin, and the contract of actuators."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from sequencer.testing.assertions import (
        assert_always,
        assert_clearance,
        assert_finishes_within,
        assert_never,
        assert_order,
        assert_reaches,
    )
    from sequencer.testing.contract import ActuatorBench, actuator_contract
    from sequencer.testing.rehearsed import Rehearsed
    from sequencer.testing.spins import SpinBench, spin_contract

__all__ = [
    "ActuatorBench",
    "Rehearsed",
    "SpinBench",
    "actuator_contract",
    "assert_always",
    "assert_clearance",
    "assert_finishes_within",
    "assert_never",
    "assert_order",
    "assert_reaches",
    "spin_contract",
]

_HOMES = {
    "ActuatorBench": "contract",
    "Rehearsed": "rehearsed",
    "SpinBench": "spins",
    "actuator_contract": "contract",
    "assert_always": "assertions",
    "assert_clearance": "assertions",
    "assert_finishes_within": "assertions",
    "assert_never": "assertions",
    "assert_order": "assertions",
    "assert_reaches": "assertions",
    "spin_contract": "spins",
}


def __getattr__(name: str) -> object:
    if name not in _HOMES:
        raise AttributeError(f"module 'sequencer.testing' has no attribute '{name}'")
    return getattr(import_module(f"sequencer.testing.{_HOMES[name]}"), name)
