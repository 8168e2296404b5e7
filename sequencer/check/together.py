"""Which phases of several axes may be at the same time, whatever the timing.

Every phase in which a step moves one of the axes is held against every phase in which the others may be meanwhile:
moving with a step beside it, or resting where a step before it left them. The gates of the steps that move cut what is
left of the others.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from itertools import product
from typing import NamedTuple

from sequencer.check.gating import Gating
from sequencer.check.order import Occurrence, members
from sequencer.check.phases import Phases, start_span
from sequencer.check.spans import Span, meets, overlap
from sequencer.routine.way_table import Leg

EVERYWHERE: Span = (float("-inf"), float("inf"))
"""Where an axis counts of which no span is singled out."""


class Part(NamedTuple):
    """One axis in a product: the occurrence that moves it or left it there (-1: nobody did, it stands there from the
    start).

    Of one that left it, `opened` is False where its gate stayed shut until it was over, so that the axis still stands
    where the step found it, and `earlier` is True where it did so in an earlier passage than the one that the first
    moving step of the product is in.
    """

    axis: str
    number: int
    moving: bool
    span: Span
    opened: bool = True
    earlier: bool = False


class Meeting(NamedTuple):
    """Phases that may be at the same time: `parts` are the axes, a moving one first, and `spans` what the gates of
    the moving steps leave of each."""

    parts: tuple[Part, ...]
    spans: tuple[Span, ...]


class Together:
    """The products of phases of some axes in one scenario.

    Args:
        phases: the phases of the scenario.
        gating: what the gates say.
        spans: the axes, and the span of each that counts: phases that miss it are left out.
        certain: whether a box on the way of a step that looks it up is certainly clear; it is left out then.
    """

    def __init__(
        self,
        phases: Phases,
        gating: Gating,
        spans: Mapping[str, Span],
        certain: Callable[[Leg], bool] | None = None,
    ) -> None:
        self.certain = certain
        self.phases = phases
        self.order = phases.order
        self.gating = gating
        self.spans = spans
        self.moving: dict[str, int] = {}
        self.resting: dict[str, int] = {}
        self._beside_known: dict[tuple[int, str], set[tuple[int, bool]]] = {}
        # Without passages, branches and takeovers what is over stays over.
        self._plain = not self.order.passages and not any(
            one.conditions or one.node.step.preempt for one in self.order.occurrences
        )
        for axis, span in spans.items():
            moving = resting = 0
            for number in members(self.order.owners.get(axis, 0)):
                phase = phases.table[number, axis]
                moving |= meets(phase.whole, span) << number
                resting |= meets(phase.rest, span) << number
            self.moving[axis], self.resting[axis] = moving, resting

    def meetings(self) -> Iterator[Meeting]:
        """Every product all of whose spans count."""
        movers = 0
        for axis in self.spans:
            movers |= self.moving[axis]
        for number in members(movers):
            one = self.order.occurrences[number]
            if one.node.ways is not None:
                yield from self._on_the_way(one)
                continue
            for axis in one.axes:
                if self.moving.get(axis, 0) >> number & 1:
                    yield from self._beside(one, axis)

    def _beside(self, one: Occurrence, axis: str) -> Iterator[Meeting]:
        # What must stay true for the step to move says nothing here: when it fails, the axis comes to rest anywhere on
        # its way, and what is looked for may be there then.
        own = [Part(axis, one.number, True, self._whole(one.number, axis))]
        others = []
        for other in self.spans:
            if other != axis:
                found = list(self._companions(one, other))
                if not found:
                    return
                others.append(found)
        for combination in product(own, *others):
            if self._at_once(combination):
                spans = self._cut(combination)
                if spans is not None:
                    yield Meeting(combination, spans)

    def _on_the_way(self, one: Occurrence) -> Iterator[Meeting]:
        """A step that looks its way up is in one box of it after the other; nothing else moves meanwhile (`routes`)."""
        first = next(axis for axis in self.spans if axis in one.axes)
        for table in one.node.ways.tables if one.node.ways is not None else ():
            for number, leg in enumerate(table.legs):
                box = table.spans(number)
                if not all(meets(box[axis], span) for axis, span in self.spans.items() if axis in box):
                    continue
                if self.certain is not None and self.certain(leg):
                    continue
                own = [Part(first, one.number, True, box[first])]
                others = [list(self._at_rest(one, axis, box)) for axis in self.spans if axis != first]
                for combination in product(own, *others):
                    yield Meeting(combination, tuple(part.span for part in combination))

    def _at_rest(self, one: Occurrence, axis: str, box: Mapping[str, Span]) -> Iterator[Part]:
        """What has an axis in a box of a way: the step itself, or what left it there."""
        if axis in one.axes:
            yield Part(axis, one.number, True, box[axis])
            return
        for number, span in self.phases.rests(one, axis):
            if meets(span, box[axis]) and meets(span, self.spans[axis]):
                yield Part(axis, number, False, overlap(span, box[axis]))

    def _companions(self, one: Occurrence, axis: str) -> Iterator[Part]:
        """What may have another axis where it counts while `one` moves."""
        if axis in one.axes:
            if self.moving[axis] >> one.number & 1:
                yield Part(axis, one.number, True, self._whole(one.number, axis))
            return
        concurrent = self.order.concurrent(one)
        for number in members(concurrent & self.moving[axis]):
            yield Part(axis, number, True, self._whole(number, axis))
        before, initial = self.order.holders_here(one, axis)
        for group in (concurrent, before & ~concurrent):
            for number in members(group & self.resting[axis]):
                yield from self._left(number, axis, one)
        for number in members(self.order.holders_earlier(one, axis) & self.resting[axis]):
            yield from self._left(number, axis, one, earlier=True)
        if initial and meets(self.phases.scenario.start[axis], self.spans[axis]):
            yield Part(axis, -1, False, self.phases.scenario.start[axis])

    def _left(self, number: int, axis: str, one: Occurrence, earlier: bool = False) -> Iterator[Part]:
        """Where a step may have left an axis; where its gate may have stayed shut, that is told apart: it left the axis
        where it found it, and its gate says nothing."""
        other = self.order.occurrences[number]
        span, start = self.phases.left_by(number, axis, one), None
        if span != self.phases.table[number, axis].goal and self.gating.of(other):
            start = start_span(self.phases, other, axis)
        for place, opened in ((start, False), (span, True)):
            if place is not None and meets(place, self.spans[axis]):
                yield Part(axis, number, False, place, opened, earlier)

    def _may_be_beside(self, by: Part, part: Part) -> bool:
        """Whether one part may have its axis while another is so, by what is sure to be over then."""
        if by.number < 0:
            return True
        one = self.order.occurrences[by.number]
        if by.moving:
            key = by.number, part.axis
            found = self._beside_known.get(key)
            if found is None:
                companions = self._companions(one, part.axis)
                found = self._beside_known[key] = {(other.number, other.moving) for other in companions}
            return (part.number, part.moving) in found
        if not self._plain or part.axis in one.axes:
            return True
        # The step that left its axis there is over, and with it all that was over when it started.
        left, initial = self.order.holders(one, part.axis)
        if part.number < 0:
            return initial
        return not one.ended >> part.number & 1 or (not part.moving and bool(left >> part.number & 1))

    def _whole(self, number: int, axis: str) -> Span:
        return self.phases.table[number, axis].whole

    def _at_once(self, parts: Sequence[Part]) -> bool:
        """Whether the parts beside the first can be at the same time, as far as order tells (each can beside the
        first)."""
        if any(self._taken(part, by) for by in parts if by.number >= 0 for part in parts if not part.moving):
            return False
        if not all(self._may_be_beside(by, part) for by in parts[1:] for part in parts if part.number != by.number):
            return False
        for index, part in enumerate(parts[1:], 1):
            for other in parts[index + 1 :]:
                if part.number == other.number and part.opened is not other.opened and part.earlier is other.earlier:
                    return False
                if part.number == other.number or part.number < 0 or other.number < 0:
                    continue
                one, two = self.order.occurrences[part.number], self.order.occurrences[other.number]
                if one.never >> other.number & 1 and self._in_one_passage(part, other, parts[0]):
                    return False
                if part.moving and other.moving and not self.order.concurrent(one) >> two.number & 1:
                    return False
        return True

    def _taken(self, part: Part, by: Part) -> bool:
        """Whether an axis cannot rest where a part has it, because the step of another part has taken it from there.

        A step takes all its axes at once. While it moves it has them; after that, what came before it is over, except
        that in a later passage what stands before it may have come again.
        """
        taker = self.order.occurrences[by.number]
        if part.number == by.number or part.axis not in taker.axes:
            return False
        if by.moving or part.number < 0:
            return True
        return bool(taker.ended >> part.number & 1) and not taker.passages

    def _tells(self, mover: Part, part: Part, first: Part) -> bool:
        """Whether the gates of a step tell where a part is: they do while it moves, and after that in its own
        passage."""
        return mover.moving or self._in_one_passage(mover, part, first)

    def _in_one_passage(self, part: Part, other: Part, first: Part) -> bool:
        """Whether two parts are surely of the same passage of every repeat that both are in."""
        if not self.order.passages or part.number < 0 or other.number < 0 or (part.moving and other.moving):
            return True
        one, two, three = (self.order.occurrences[each.number].passages for each in (part, other, first))
        common = set(one) & set(two)
        return not common or (not part.earlier and not other.earlier and common <= set(three))

    def _cut(self, parts: Sequence[Part]) -> tuple[Span, ...] | None:
        """What is left of all spans once the gates of the moving steps have cut the others; None if one no longer
        counts."""
        found = []
        for part in parts:
            span = part.span
            for mover in parts:
                if mover.number >= 0 and mover.number != part.number and self._tells(mover, part, parts[0]):
                    one = self.order.occurrences[mover.number]
                    if mover.opened:
                        if self.gating.shuts_out(one, part.axis, part.number, span, mover.moving):
                            return None
                        span = self.gating.cut(one, part.axis, part.number, span, mover.moving)
                    span = self.gating.cut_before(one, part.axis, part.number, span)
            if not meets(span, self.spans[part.axis]):
                return None
            found.append(span)
        return tuple(found)
