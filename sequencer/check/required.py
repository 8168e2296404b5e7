"""Required conditions: what must stay true while axes move is not made false by the routine's own motion."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from sequencer.check.contradiction import contradict
from sequencer.check.finding import Finding
from sequencer.check.gating import Gate, Gating, asked_of
from sequencer.check.order import Occurrence, members
from sequencer.check.phases import Phases
from sequencer.check.spans import Span, band_of
from sequencer.machine.condition import Condition
from sequencer.machine.interlock import Interlock, MustStay


def required_findings(all_phases: list[Phases]) -> Iterator[Finding]:
    """Steps whose motion, or that of a step beside them, takes an axis to where a required condition is false."""
    seen = set()
    for phases in all_phases:
        gating = Gating(phases, {})
        for one in phases.order.occurrences:
            for name, condition in required_to_move(one, phases.order.flat.machine.interlocks):
                for gate in asked_of(one.node, condition, phases, ordered=True):
                    wrong = _wrong(phases, gating, one, gate, gated=name != "")
                    if wrong is not None and (one.node.index, gate.axis, name) not in seen:
                        seen.add((one.node.index, gate.axis, name))
                        yield _finding(phases, one, name, condition, gate, wrong)
            yield from _contradictions(phases, one, seen)


def required_to_move(one: Occurrence, interlocks: Sequence[Interlock]) -> Iterator[tuple[str, Condition]]:
    """What must stay true for a step to move: its own condition, with the name "", and the machine's for its axes."""
    if one.node.step.must_stay is not None:
        yield "", one.node.step.must_stay
    for rule in interlocks:
        if isinstance(rule, MustStay) and any(axis in rule.axes for axis in one.axes):
            yield rule.name, rule.condition


def _wrong(phases: Phases, gating: Gating, one: Occurrence, gate: Gate, gated: bool) -> tuple[int, Span] | None:
    """Who may have the axis on the wrong side while `one` is active, and where: the condition speaks of measured
    positions."""
    band = band_of(phases.order.flat.machine, gate.axis)
    asked = Gate(gate.axis, gate.sign, gate.position + gate.sign * band)
    if gate.axis in one.axes:
        spans = [(one.number, phases.table[one.number, gate.axis].whole)]
    else:
        concurrent = phases.order.concurrent(one) & phases.order.owners.get(gate.axis, 0)
        spans = [(number, phases.table[number, gate.axis].whole) for number in members(concurrent)]
        spans += phases.rests(one, gate.axis)
        if gated:
            spans = [(number, gating.cut(one, gate.axis, number, span)) for number, span in spans]
    return next(((number, span) for number, span in spans if not asked.good(span)), None)


def _finding(
    phases: Phases, one: Occurrence, name: str, condition: Condition, gate: Gate, wrong: tuple[int, Span]
) -> Finding:
    axis = phases.order.flat.machine.axes[gate.axis]
    number, (low, high) = wrong
    where = axis.show(low) if high - low < 1e-9 else f"{axis.show(low)} to {axis.show(high)}"
    if number < 0:
        what = f"{axis.name} may stand at {where} from the start"
    elif number == one.number:
        what = f"it moves {axis.name} within {where} itself"
    else:
        what = f"'{phases.order.occurrences[number].name}' may have {axis.name} at {where} then"
    rule = f"{name} ({condition})" if name else f"must_stay ({condition})"
    return Finding(
        "required",
        "error",
        f"'{one.name}' needs {rule} to stay true, tracking counted, but {what}",
        one.name,
        one.node.step.place,
        "order the steps so that it holds, or gate the step on it (once)"
        if name
        else "order the steps so that it holds",
        found=low if gate.sign > 0.0 else high,
        allowed=gate.position,
    )


def _contradictions(phases: Phases, one: Occurrence, seen: set[tuple[int, str, str]]) -> Iterator[Finding]:
    required = required_to_move(one, phases.order.flat.machine.interlocks)
    conditions = [(f"must_stay of {name}" if name else "must_stay", found) for name, found in required]
    if one.node.step.once is not None:
        conditions.append(("once", one.node.step.once))
    for index, (first, condition) in enumerate(conditions):
        for second, other in conditions[index + 1 :]:
            key = (one.node.index, first, second)
            if key not in seen and contradict(condition.term, other.term):
                seen.add(key)
                yield Finding(
                    "required",
                    "error",
                    f"'{one.name}' can never move: {first} ({condition}) and {second} ({other}) are never both true",
                    one.name,
                    one.node.step.place,
                    "change one of the two",
                )
