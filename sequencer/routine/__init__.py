"""Routines: named, acyclic graphs of steps on one machine, read from files or built in Python."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from sequencer.routine.builder import (
        RoutineBuilder,
        by,
        choose,
        flick,
        from_reading,
        move,
        perform,
        press,
        pulse,
        repeat,
        set_outputs,
        step,
        wait,
    )
    from sequencer.routine.graph import OrderFacts, StepGraph, graph_of, order_facts, starts_of
    from sequencer.routine.parameters import NumberParameter, PresetParameter
    from sequencer.routine.problems import problems_of
    from sequencer.routine.routine import ANYWHERE, OutsideRange, Routine
    from sequencer.routine.steps import Step

_HOMES = {
    "ANYWHERE": "routine",
    "NumberParameter": "parameters",
    "OrderFacts": "graph",
    "OutsideRange": "routine",
    "PresetParameter": "parameters",
    "Routine": "routine",
    "RoutineBuilder": "builder",
    "Step": "steps",
    "StepGraph": "graph",
    "by": "builder",
    "choose": "builder",
    "flick": "builder",
    "from_reading": "builder",
    "graph_of": "graph",
    "move": "builder",
    "order_facts": "graph",
    "perform": "builder",
    "press": "builder",
    "problems_of": "problems",
    "pulse": "builder",
    "repeat": "builder",
    "set_outputs": "builder",
    "starts_of": "graph",
    "step": "builder",
    "wait": "builder",
}
__all__ = [
    "ANYWHERE",
    "NumberParameter",
    "OrderFacts",
    "OutsideRange",
    "PresetParameter",
    "Routine",
    "RoutineBuilder",
    "Step",
    "StepGraph",
    "by",
    "choose",
    "flick",
    "from_reading",
    "graph_of",
    "move",
    "order_facts",
    "perform",
    "press",
    "problems_of",
    "pulse",
    "repeat",
    "set_outputs",
    "starts_of",
    "step",
    "wait",
]


def __getattr__(name: str) -> Any:
    from importlib import import_module

    if name in _HOMES:
        return getattr(import_module(f"{__name__}.{_HOMES[name]}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    return list(__all__)
