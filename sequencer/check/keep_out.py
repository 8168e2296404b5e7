"""Keep-outs: no two steps that can be active together may bring the machine into a box, whatever the timing.

For each box, every phase in which a step moves one of its axes is held against every phase in which the other axes
may be
meanwhile: moving with a step beside it, or resting where a step before it left them. The machine can be in the box
only if all of the spans meet it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import product
from typing import NamedTuple

from sequencer.check.gating import Extra, Gating
from sequencer.check.order import Occurrence, Order, members
from sequencer.check.phases import Phases, Scenario, phases_of
from sequencer.check.scenarios import Box, inflated
from sequencer.check.spans import Span, meets, overlap
from sequencer.machine.interlock import KeepOut


class Part(NamedTuple):
    """One axis in a conflict: the occurrence that moves it or left it there (-1: nobody did, it stands there from the
    start)."""

    axis: str
    number: int
    moving: bool
    span: Span


class Conflict(NamedTuple):
    """A way into a box: `parts` are its axes, the moving one first; all of their spans meet the box."""

    rule: KeepOut
    box: Box
    scenario: Scenario
    parts: tuple[Part, ...]

    @property
    def who(self) -> tuple[str, frozenset[int]]:
        """The box and the occurrences that bring the machine into it."""
        return self.rule.name, frozenset(part.number for part in self.parts)

    @property
    def key(self) -> tuple[str, tuple[tuple[str, int, bool], ...]]:
        """What makes two conflicts the same to a reader: the box, and who does what."""
        return self.rule.name, tuple(sorted((part.axis, part.number, part.moving) for part in self.parts))


class KeepOutSearch:
    """All ways of a routine into its machine's keep-outs.

    Args:
        order: its occurrences.
        scenarios: the parts into which its starts and presets are split.
    """

    def __init__(self, order: Order, scenarios: Sequence[Scenario]) -> None:
        self.order = order
        self.machine = order.flat.machine
        self.rules = [
            (rule, inflated(self.machine, rule)) for rule in self.machine.interlocks if isinstance(rule, KeepOut)
        ]
        self.phases = [phases_of(order, scenario) for scenario in scenarios]

    def conflicts(self, extra: Extra | None = None, only: KeepOut | None = None) -> Iterator[Conflict]:
        """Each way into a box once, in file order; `extra` gates are taken to be there, `only` one rule is looked
        at."""
        seen = set()
        for phases in self.phases:
            if extra:
                phases = Phases(self.order.with_gates(extra), phases.scenario, phases.table)
            gating = Gating(phases, extra or {})
            for rule, box in self.rules:
                if only is None or rule is only:
                    for conflict in _Look(phases, gating, rule, box).conflicts():
                        if conflict.key not in seen:
                            seen.add(conflict.key)
                            yield conflict


class _Look:
    """One box in one scenario."""

    def __init__(self, phases: Phases, gating: Gating, rule: KeepOut, box: Box) -> None:
        self.phases = phases
        self.order = phases.order
        self.gating = gating
        self.rule = rule
        self.box = box
        self.spans = dict(box)
        self.moving: dict[str, int] = {}
        self.resting: dict[str, int] = {}
        for axis, span in box:
            moving = resting = 0
            for number in members(self.order.owners.get(axis, 0)):
                phase = phases.table[number, axis]
                moving |= meets(phase.whole, span) << number
                resting |= meets(phase.rest, span) << number
            self.moving[axis], self.resting[axis] = moving, resting

    def conflicts(self) -> Iterator[Conflict]:
        movers = 0
        for axis, _ in self.box:
            movers |= self.moving[axis]
        for number in members(movers):
            one = self.order.occurrences[number]
            for axis in one.axes:
                if self.moving.get(axis, 0) >> number & 1:
                    yield from self._beside(one, axis)

    def _beside(self, one: Occurrence, axis: str) -> Iterator[Conflict]:
        # What must stay true for the step to move says nothing here: when it fails, the axis comes to rest anywhere on
        # its way, and the box may hold then.
        own = [Part(axis, one.number, True, self._whole(one.number, axis))]
        others = []
        for other, _ in self.box:
            if other != axis:
                found = list(self._companions(one, other))
                if not found:
                    return
                others.append(found)
        for combination in product(own, *others):
            if self._together(combination) and self._meets(combination):
                yield Conflict(self.rule, self.box, self.phases.scenario, combination)

    def _companions(self, one: Occurrence, axis: str) -> Iterator[Part]:
        """What may have another axis of the box in the box's span while `one` moves."""
        if axis in one.axes:
            if self.moving[axis] >> one.number & 1:
                yield Part(axis, one.number, True, self._whole(one.number, axis))
            return
        concurrent = self.order.concurrent(one)
        for number in members(concurrent & self.moving[axis]):
            yield Part(axis, number, True, self._whole(number, axis))
        for number in members(concurrent & self.resting[axis]):
            yield Part(axis, number, False, self.phases.table[number, axis].rest)
        for number, span in self.phases.rests(one, axis):
            if meets(span, self.spans[axis]) and (number < 0 or not concurrent >> number & 1):
                yield Part(axis, number, False, span)

    def _whole(self, number: int, axis: str) -> Span:
        return self.phases.table[number, axis].whole

    def _together(self, parts: Sequence[Part]) -> bool:
        """Whether the parts beside the first can be at the same time, as far as order tells (each can beside the
        first)."""
        for index, part in enumerate(parts[1:], 1):
            for other in parts[index + 1 :]:
                if part.number == other.number or part.number < 0 or other.number < 0:
                    continue
                one, two = self.order.occurrences[part.number], self.order.occurrences[other.number]
                if one.never >> other.number & 1:
                    return False
                if part.moving and other.moving and not self.order.concurrent(one) >> two.number & 1:
                    return False
        return True

    def _meets(self, parts: Sequence[Part]) -> bool:
        """Whether all spans meet the box once the gates of the moving steps have cut the others."""
        for part in parts:
            span = part.span
            for mover in parts:
                if mover.number >= 0 and mover.number != part.number:
                    one = self.order.occurrences[mover.number]
                    rests_on = None if mover.moving else mover.axis
                    span = self.gating.cut(one, part.axis, part.number, span, rests_on)
                    span = self.gating.cut_before(one, part.axis, part.number, span)
            if not meets(span, self.spans[part.axis]):
                return False
        return True


def witness(conflict: Conflict) -> dict[str, float]:
    """Positions in the box that the axes of a conflict may have together [m or rad]: inside the declared box where
    they can."""
    declared = dict(conflict.rule.box)
    places = {}
    for part in conflict.parts:
        span = overlap(part.span, dict(conflict.box)[part.axis])
        if meets(span, declared[part.axis]):
            span = overlap(span, declared[part.axis])
        places[part.axis] = 0.5 * (span[0] + span[1])
    return places
