"""Gates as people write them."""

from __future__ import annotations

from sequencer.check.gating import Gate
from sequencer.machine.axis import Axis
from sequencer.machine.condition import Compare, Some, term_text
from sequencer.routine.steps import Step


def gate_line(axis: Axis, gate: Gate, step: Step) -> str:
    """The line that puts a gate on a step, besides the one that it has: ``level: once: lift > 0.41 m``."""
    sign = ">" if gate.sign > 0.0 else "<"
    text = term_text(Compare(axis.name, sign, gate.position, axis.dimension), people=True)
    own = step.once
    if own is not None:
        text = f"({own}) and {text}" if isinstance(own.term, Some) else f"{own} and {text}"
    return f"{step.name}: once: {text}"
