"""Gates as people write them."""

from __future__ import annotations

from typing import NamedTuple

from sequencer.check.gating import Gate, kept_beside
from sequencer.machine.axis import Axis
from sequencer.machine.condition import Some, term_text
from sequencer.plan.gates import conjuncts
from sequencer.routine.steps import Step


class Mend(NamedTuple):
    """A gate that mends a conflict: the line to write, the step that would wait, by path, and for what."""

    line: str
    step: str
    gate: Gate


def gate_line(axis: Axis, gate: Gate, step: Step) -> str:
    """The line that puts a gate on a step, besides the one that it has: ``level: once: lift > 0.41 m``.

    What of its own gate the new one contradicts is left out, and a comment says so.
    """
    asked = gate.term(axis)
    text = term_text(asked, people=True)
    own = step.once
    if own is not None and replaces(gate, axis, step):
        kept = [term_text(term, people=True) for term in kept_beside(own, [asked])]
        return f"{step.name}: once: {' and '.join([*kept, text])}  # instead of: {own}"
    if own is not None:
        text = f"({own}) and {text}" if isinstance(own.term, Some) else f"{own} and {text}"
    return f"{step.name}: once: {text}"


def replaces(gate: Gate, axis: Axis, step: Step) -> bool:
    """Whether a gate contradicts the one that a step has, and so can only stand in its place."""
    own = step.once
    return own is not None and len(kept_beside(own, [gate.term(axis)])) < len(list(conjuncts(own.term)))
