"""Check: proves or refutes that a routine stays in its limits and out of what is declared, and compiles it to plain
data.

The names are loaded when first used.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from sequencer.check.braking import Braking, sure_braking
    from sequencer.check.compile import compile_routine
    from sequencer.check.compile_machine import compile_machine
    from sequencer.check.dead_actuator import DeadActuator, one_dead
    from sequencer.check.face import check, examine
    from sequencer.check.feasibility import Feasibility, feasibility_of
    from sequencer.check.finding import CheckFailed, Examination, Finding
    from sequencer.check.unpowered import WithoutPower, without_power
    from sequencer.check.without import Loss, without

__all__ = [
    "Braking",
    "CheckFailed",
    "DeadActuator",
    "Examination",
    "Feasibility",
    "Finding",
    "Loss",
    "WithoutPower",
    "check",
    "compile_machine",
    "compile_routine",
    "examine",
    "feasibility_of",
    "one_dead",
    "sure_braking",
    "without",
    "without_power",
]

_HOMES = {
    "Braking": "braking",
    "CheckFailed": "finding",
    "DeadActuator": "dead_actuator",
    "Examination": "finding",
    "Feasibility": "feasibility",
    "Finding": "finding",
    "Loss": "without",
    "WithoutPower": "unpowered",
    "check": "face",
    "compile_machine": "compile_machine",
    "compile_routine": "compile",
    "examine": "face",
    "feasibility_of": "feasibility",
    "one_dead": "dead_actuator",
    "sure_braking": "braking",
    "without": "without",
    "without_power": "unpowered",
}


def __getattr__(name: str) -> object:
    home = _HOMES.get(name)
    if home is None:
        raise AttributeError(f"module 'sequencer.check' has no attribute '{name}'")
    value = getattr(import_module(f"sequencer.check.{home}"), name)
    # A function may be called like its module, which importing has just put in this place.
    globals()[name] = value
    return value
