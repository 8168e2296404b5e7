"""What the gates of steps say about where other axes are while a step moves."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import NamedTuple

from sequencer.check.contradiction import contradict
from sequencer.check.order import Occurrence, Order, members
from sequencer.check.phases import Phase, Phases, may_end_early, may_leave_moving
from sequencer.check.spans import ROUNDING, Span, band_of, span_of
from sequencer.machine.axis import Axis
from sequencer.machine.condition import Compare, Condition, Every, Not, Some, Term
from sequencer.plan.gates import conjuncts
from sequencer.plan.resolve import Node
from sequencer.routine.steps import Wait


class Gate(NamedTuple):
    """An axis must be above (`sign` 1) or below (-1) `position` [m or rad], in ordered positions."""

    axis: str
    sign: float
    position: float

    def term(self, axis: Axis) -> Compare:
        """The gate as it is written."""
        return Compare(axis.name, ">" if self.sign > 0.0 else "<", self.position, axis.dimension)

    def excludes(self, other: Gate) -> bool:
        """Whether both can never be open together."""
        return self.axis == other.axis and self.sign == -other.sign and self.sign * (self.position - other.position) > 0

    def good(self, span: Span) -> bool:
        """Whether all of a span lies on the right side."""
        return span[0] >= self.position if self.sign > 0.0 else span[1] <= self.position

    def may_open(self, span: Span) -> bool:
        """Whether some of a span lies on the right side."""
        return span[1] > self.position if self.sign > 0.0 else span[0] < self.position

    def cut(self, span: Span) -> Span:
        """What of a span lies on the right side; the gate's own position if nothing does."""
        low, high = span
        if self.sign > 0.0:
            return min(max(low, self.position), max(high, self.position)), max(high, self.position)
        return min(low, self.position), max(min(high, self.position), min(low, self.position))


Extra = Mapping[int, tuple[Gate, ...]]
"""Gates tried on top of those a routine has, by step index; what of its own gate one contradicts, it replaces."""


class Gating:
    """The gates of a routine's steps in one scenario, with extra ones that are being tried."""

    def __init__(self, phases: Phases, extra: Extra) -> None:
        self.phases = phases
        self.order: Order = phases.order
        self._extra = extra
        self._gates: dict[int, tuple[Gate, ...]] = {}
        self._waited: dict[int, tuple[Gate, ...]] = {}
        self._told: dict[str, int] = {}
        for one in self.order.occurrences:
            if one.node.index in self.order.gated or isinstance(one.node.step.body, Wait):
                for gate in self._passed(one):
                    self._told[gate.axis] = self._told.get(gate.axis, 0) | one.bit
        # Where a step may take over from another, the owners of an axis are not in a row.
        self._takes_over = any(one.node.step.preempt for one in self.order.occurrences)

    @property
    def has_extra(self) -> bool:
        """Whether gates are being tried."""
        return bool(self._extra)

    def of(self, one: Occurrence) -> tuple[Gate, ...]:
        """The gates of a step on axes, own and extra."""
        index = one.node.index
        if index not in self._gates:
            extra, axes = self._extra.get(index, ()), self.order.flat.machine.axes
            own = kept_beside(one.node.step.once, [gate.term(axes[gate.axis]) for gate in extra])
            self._gates[index] = (
                *(gate for term in own for gate in _asked(one.node, term, self.phases, False)),
                *extra,
            )
        return self._gates[index]

    def _passed(self, one: Occurrence) -> tuple[Gate, ...]:
        """What was surely so at some time before a step came to its end.

        A wait for a condition may be over before its gate opens. Its condition speaks of measured positions: those
        that are ordered may be short of it by the tracking band.
        """
        index, body = one.node.index, one.node.step.body
        if not isinstance(body, Wait) or body.condition is None:
            return self.of(one)
        if index not in self._waited:
            machine = self.order.flat.machine
            self._waited[index] = tuple(
                gate._replace(position=gate.position - gate.sign * band_of(machine, gate.axis))
                for gate in asked_of(one.node, body.condition, self.phases)
            )
        return self._waited[index]

    def cut(self, mover: Occurrence, axis: str, other: int, span: Span, moving: bool = True) -> Span:
        """What remains of another step's span (moving or at rest after it, -1: from the start) while `mover` moves; or,
        with `moving` False, while an axis rests where `mover` has taken it once its gate had opened."""
        if other != mover.number and (moving or self._has_come(mover, other)):
            for gate in self.of(mover):
                if gate.axis == axis and self._keeps(mover, gate, other):
                    span = gate.cut(span)
        return span

    def shuts_out(self, mover: Occurrence, axis: str, other: int, span: Span, moving: bool = True) -> bool:
        """Whether another step cannot have the axis in this span while `mover` moves, or while an axis rests where it
        was taken by it: the gate did not open there."""
        if other == mover.number or not (moving or self._has_come(mover, other)):
            return False
        return any(
            gate.axis == axis and not gate.may_open(_wider(span)) and self._keeps(mover, gate, other)
            for gate in self.of(mover)
        )

    def _has_come(self, mover: Occurrence, other: int) -> bool:
        """Whether another step was over or active when the gate of `mover` opened, or may have been: if it comes after
        it, the gate tells nothing about it."""
        return other < 0 or bool((mover.ended | self.order.concurrent(mover)) >> other & 1)

    def cut_before(self, one: Occurrence, axis: str, other: int, span: Span) -> Span:
        """What remains of another step's span at the time of `one` by the gates and waits of steps that are over by
        then, and by the gates of the blocks around it.

        The gate of such a step opened while the axis was on the right side; if the other step had the axis then, or has
        taken it since, it is still there.
        """
        if other < 0 or self._takes_over:
            return span
        beside = self.order.concurrent(self.order.occurrences[other])
        for number in members((one.ended | one.around) & beside & self._told.get(axis, 0)):
            earlier = self.order.occurrences[number]
            opened = self.order.certain(earlier, one.conditions) and not may_end_early(earlier)
            if opened or one.around >> number & 1:
                for gate in self._passed(earlier):
                    if gate.axis == axis and self._keeps(earlier, gate, other) and self._is_settled(earlier, gate):
                        span = gate.cut(span)
        return span

    def _keeps(self, mover: Occurrence, gate: Gate, other: int) -> bool:
        """Whether the axis, on the right side when the gate opened, is still there while `other` has it and `mover`
        moves."""
        concurrent = self.order.concurrent(mover) & self.order.owners.get(gate.axis, 0)
        if other < 0 or not concurrent >> other & 1:
            return True
        if not self._stays(gate, self.phases.table[other, gate.axis]):
            return False
        # Once a step that may run beside it has somewhere else to go, nothing is sure from there on.
        return all(
            self._stays(gate, self.phases.table[number, gate.axis]) or self._comes_no_sooner(number, other, mover)
            for number in members(concurrent)
            if number != other
        )

    def _is_settled(self, earlier: Occurrence, gate: Gate) -> bool:
        """Whether the axis cannot pass a gate on its way back when a wait comes to its end.

        Gates look at the way that an axis needs to stop, a wait does not: no step that left the axis moving may have
        been bound elsewhere.
        """
        if not isinstance(earlier.node.step.body, Wait):
            return True
        owners = self.order.owners.get(gate.axis, 0)
        beside = [self.order.occurrences[number] for number in members(self.order.concurrent(earlier) & owners)]
        before = 0
        for one in (earlier, *beside):
            before |= self.order.holders(one, gate.axis)[0]
        return all(
            self._stays(gate, self.phases.table[number, gate.axis])
            for number in members(before)
            if may_leave_moving(self.phases, number)
        )

    def _stays(self, gate: Gate, phase: Phase) -> bool:
        return gate.good(phase.goal if phase.steady else phase.whole)

    def _comes_no_sooner(self, number: int, other: int, mover: Occurrence) -> bool:
        """Whether a step surely has not had its axis before another one has it, from the opening of a gate on."""
        one, two = self.order.occurrences[number], self.order.occurrences[other]
        if set(one.passages) & set(two.passages) - set(mover.passages):
            # It may have come in an earlier passage.
            return False
        return bool(one.ended >> other & 1 or two.never >> number & 1)


def _wider(span: Span) -> Span:
    return span[0] - ROUNDING, span[1] + ROUNDING


def kept_beside(once: Condition | None, terms: Sequence[Term]) -> list[Term]:
    """What of a gate remains when more terms are asked for: all that none of them contradicts, joined by `and`."""
    return [
        own
        for own in (() if once is None else conjuncts(once.term))
        if not any(contradict(own, term) for term in terms)
    ]


def asked_of(node: Node, condition: Condition | None, phases: Phases, ordered: bool = False) -> tuple[Gate, ...]:
    """What a condition surely asks of axis positions when it is true: comparisons joined by `and`, at their weakest,
    and what all that is joined by `or` has in common.

    Where an axis is `ordered` to be says too little of where it is, for orders are in flight: that is left out, unless
    it is asked for.
    """
    return () if condition is None else tuple(_asked(node, condition.term, phases, ordered))


def _asked(node: Node, term: Term, phases: Phases, ordered: bool) -> Iterator[Gate]:
    axes = phases.order.flat.machine.axes
    for inner in conjuncts(term):
        if isinstance(inner, Compare):
            axis = inner.name.removesuffix(".ordered") if ordered else inner.name
            if axis in axes and axes[axis].travel is not None:
                low, high = span_of(node.scope.operand(inner.value, axis), phases.order.flat, phases.scenario.choices)
                above = inner.operator in (">", ">=")
                yield Gate(axis, 1.0 if above else -1.0, low if above else high)
        elif isinstance(inner, Some):
            yield from _in_common([list(_asked(node, one, phases, ordered)) for one in inner.terms])
        elif isinstance(inner, Not) and isinstance(inner.term, Every):
            yield from _in_common([list(_asked(node, Not(one), phases, ordered)) for one in inner.term.terms])


def _in_common(alternatives: Sequence[Sequence[Gate]]) -> Iterator[Gate]:
    """What holds whichever of the alternatives does: of each axis and side the gate that is farthest out."""
    for axis, sign in dict.fromkeys((gate.axis, gate.sign) for gate in alternatives[0]):
        same = [
            [sign * gate.position for gate in one if (gate.axis, gate.sign) == (axis, sign)] for one in alternatives
        ]
        if all(same):
            yield Gate(axis, sign, sign * min(max(positions) for positions in same))
