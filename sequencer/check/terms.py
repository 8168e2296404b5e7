"""Conditions as plain data: what the runner evaluates and what the rules compare."""

from __future__ import annotations

from typing import Any

from sequencer.machine.condition import Compare, Condition, Edge, Every, Holds, Is, Known, Not, Some, Term
from sequencer.plan.resolve import Reference, ResolvedOperand, Scope

_STEP_VALUES = ("timed_out", "elapsed")


def term_data(condition: Condition | None, scope: Scope | None = None) -> list[Any] | None:
    """A condition as nested lists, its names in place and its words resolved in `scope` (None: a condition of the
    machine)."""
    return None if condition is None else _data(condition.term, scope)


def operand_data(operand: ResolvedOperand) -> float | list[str]:
    """An operand as a number, ["parameter", name] or ["preset", parameter, axis]."""
    if not isinstance(operand, Reference):
        return operand
    return ["parameter", operand.parameter] if operand.axis is None else ["preset", operand.parameter, operand.axis]


def _data(term: Term, scope: Scope | None) -> list[Any]:
    match term:
        case Compare(name=name, operator=operator, value=value):
            axis = name.split(".")[0]
            number = operand_data(scope.operand(value, axis)) if scope is not None else value
            return [operator, _in_place(name, scope), float(number) if isinstance(number, int) else number]
        case Is(name=name, value=word):
            return ["is", _in_place(name, scope), word]
        case Holds(name=name):
            return ["holds", _in_place(name, scope)]
        case Known(name=name):
            return ["known", _in_place(name, scope)]
        case Edge(term=inner, rising=rising):
            return ["rising" if rising else "falling", _data(inner, scope)]
        case Not(term=inner):
            return ["not", _data(inner, scope)]
        case Every(terms=terms):
            return ["and", *(_data(inner, scope) for inner in terms)]
        case Some(terms=terms):
            return ["or", *(_data(inner, scope) for inner in terms)]


def _in_place(name: str, scope: Scope | None) -> str:
    if scope is None or not scope.prefix:
        return name
    return scope.prefix + name if name.rpartition(".")[2] in _STEP_VALUES and "." in name else name
