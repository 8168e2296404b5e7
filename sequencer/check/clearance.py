"""Clearance: no two steps that can be active together may bring two bodies nearer than their margin, whatever the
timing.

Pairs that depend on the same axes are looked at together. The spans in which these axes may be at the same time make a
box; widened by what each axis may be off its orders, the certified bound has to hold all over it. A box that is neither
shown to be clear nor shown not to be is undecided, and refuses like a conflict.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Literal, NamedTuple

from sequencer.check.bodies import Bodies
from sequencer.check.cleared import Cleared
from sequencer.check.gating import Extra, Gating
from sequencer.check.order import Occurrence, Order, members
from sequencer.check.phases import Phases, Scenario
from sequencer.check.places_outside import PlacesOutside
from sequencer.check.proofs import Box, Proofs
from sequencer.check.routes import certain
from sequencer.check.spans import hull
from sequencer.check.together import EVERYWHERE, Meeting, Part, Together
from sequencer.clearance.box import Pair
from sequencer.clearance.proof import Verdict
from sequencer.plan.resolve import AfterSteps
from sequencer.routine.steps import Press
from sequencer.routine.way_table import Free, Leg

_MOST_MEETINGS = 20_000
"""Of one scenario and one set of axes no more products than this are looked at; what is left is undecided."""


class Encounter(NamedTuple):
    """Phases that bring two bodies too near each other, or are not shown not to.

    `spans` are those of the parts with the tracking band, then those of the bodies outside; `proof` has the witness.
    `parts` is empty where there were too many products to look at.
    """

    pair: Pair
    scenario: Scenario
    parts: tuple[Part, ...]
    box: Box
    proof: Verdict

    @property
    def outcome(self) -> Literal["clear", "conflict", "undecided"]:
        """Conflict or undecided."""
        return self.proof.outcome

    @property
    def who(self) -> tuple[tuple[str, str], frozenset[int]]:
        """The pair and the occurrences that bring it together."""
        return self.pair.names, frozenset(part.number for part in self.parts)

    @property
    def key(self) -> tuple[tuple[str, str], tuple[tuple[str, int, bool], ...]]:
        """What makes two encounters the same to a reader: the pair, and who does what."""
        return self.pair.names, tuple(sorted((part.axis, part.number, part.moving) for part in self.parts))


class ClearanceSearch:
    """All ways of a routine into bodies.

    Args:
        order: its occurrences.
        all_phases: its phases, one for each part into which its starts and presets are split.
        bodies: the machine's bodies.
        proofs: what is proved already, and the cells left for more.
    """

    def __init__(self, order: Order, all_phases: Sequence[Phases], bodies: Bodies, proofs: Proofs | None = None):
        self.order = order
        self.phases = list(all_phases)
        self.bodies = bodies
        self.machine = bodies.machine
        self.proofs = Proofs(bodies) if proofs is None else proofs
        self.places = PlacesOutside(order, bodies)
        self.cleared = Cleared(bodies)
        self._free: Free | None = None
        self._certain_legs: dict[Leg, bool] = {}
        self.groups: dict[tuple[tuple[str, ...], tuple[str, ...]], list[Pair]] = {}
        for pair in bodies.pairs:
            # Pairs with a piece may be excluded in steps in which others count.
            needed = tuple(name for name in pair.names if name in bodies.present)
            self.groups.setdefault((bodies.axes_of(pair), needed), []).append(pair)

    def encounters(self, extra: Extra | None = None) -> Iterator[Encounter]:
        """Each conflict and each undecided product once, in file order; `extra` gates are taken to be there."""
        seen = set()
        for phases in self.phases:
            if extra:
                phases = Phases(self.order.with_gates(extra), phases.scenario, phases.table)
            gating = Gating(phases, extra or {})
            for (axes, _), pairs in self.groups.items():
                for found in self._of_group(phases, gating, axes, pairs):
                    if found.key not in seen:
                        seen.add(found.key)
                        yield found

    def spans_of(self, meeting: Meeting, pair: Pair) -> Box:
        """The box that phases lead to: spans of axes with their tracking bands, then those of bodies outside."""
        outside = [(name, self.places.span(name, meeting.parts)) for name in self.bodies.outside_of(pair)]
        axes = [
            (part.axis, self.bodies.widened(part.axis, span))
            for part, span in zip(meeting.parts, meeting.spans, strict=True)
        ]
        return (*sorted(axes), *outside)

    def _of_group(
        self, phases: Phases, gating: Gating, axes: tuple[str, ...], pairs: Sequence[Pair]
    ) -> Iterator[Encounter]:
        if not axes:
            return
        together = Together(phases, gating, dict.fromkeys(axes, EVERYWHERE), self._certain)
        meetings: list[Meeting] = []
        for meeting in together.meetings():
            meetings.append(meeting)
            if len(meetings) > _MOST_MEETINGS:
                yield self._too_many(pairs[0], phases.scenario, meetings[0])
                return
        meetings += self._rests_after_touching(phases, axes, pairs)
        if not meetings:
            return
        bad: set[int] = set()
        for pair in pairs:
            boxes = {
                number: self.spans_of(meeting, pair)
                for number, meeting in enumerate(meetings)
                if not self._touching(meeting, pair)
            }
            if self.proofs.all_surely_clear(pair, list(boxes.values())):
                continue
            for number, box in boxes.items():
                proof = self.proofs.of(pair, box)
                if proof.outcome != "clear":
                    bad.add(number)
                    yield Encounter(pair, phases.scenario, meetings[number].parts, box, proof)
        if not gating.has_extra:
            kept: dict[frozenset[int], list[Meeting]] = {}
            for number, meeting in enumerate(meetings):
                if number not in bad:
                    kept.setdefault(self._touchers(meeting, pairs), []).append(self._as_measured(meeting))
            for touchers, found in kept.items():
                self.cleared.take(pairs[0], found, touchers)

    def _certain(self, leg: Leg) -> bool:
        """Whether the cells of the pack show a box of a way to be clear of everything."""
        if self._free is None:
            self._free = certain(self.machine)
        found = self._certain_legs.get(leg)
        if found is None:
            found = self._certain_legs[leg] = self._free(leg.low, leg.high)
        return found

    def _touching(self, meeting: Meeting, pair: Pair) -> bool:
        """Whether a step that moves says that the pair may touch meanwhile."""
        return any(part.moving and self._may_touch(self.order.occurrences[part.number], pair) for part in meeting.parts)

    def _touchers(self, meeting: Meeting, pairs: Sequence[Pair]) -> frozenset[int]:
        """The steps of a meeting, by index, that let one of these pairs touch."""
        moving = [self.order.occurrences[part.number] for part in meeting.parts if part.moving]
        return frozenset(one.node.index for one in moving if any(self._may_touch(one, pair) for pair in pairs))

    def _as_measured(self, meeting: Meeting) -> Meeting:
        """The same with the tracking band of what is pressed: the supervisor goes by where that is measured to be."""
        spans = tuple(
            self.bodies.widened(part.axis, span)
            if part.moving and isinstance(self.order.occurrences[part.number].node.step.body, Press)
            else span
            for part, span in zip(meeting.parts, meeting.spans, strict=True)
        )
        return meeting._replace(spans=spans)

    def _may_touch(self, one: Occurrence, pair: Pair) -> bool:
        return self.bodies.may_touch(one.node.step, pair)

    def _rests_after_touching(self, phases: Phases, axes: tuple[str, ...], pairs: Sequence[Pair]) -> Iterator[Meeting]:
        """Where a step leaves its axes in touch, if no step that may touch follows at once: nothing else looks at a
        machine that only stands."""
        for one in self.order.occurrences:
            touched = [pair for pair in pairs if self._may_touch(one, pair)]
            if not touched or self._taken_up(one, touched[0]):
                continue
            parts = []
            for axis in axes:
                if axis in one.axes:
                    parts.append([Part(axis, one.number, False, phases.table[one.number, axis].rest)])
                else:
                    # Where it stands already, or where a step beside it leaves it, if nothing follows both at once.
                    beside = [self.order.occurrences[n] for n in members(self.order.concurrent(one))]
                    spans = phases.rests(one, axis)
                    spans += [
                        (two.number, phases.table[two.number, axis].rest)
                        for two in beside
                        if axis in two.axes and not self._taken_up(one, touched[0], two.ended | two.bit)
                    ]
                    parts.append([Part(axis, number, False, span) for number, span in spans])
            if all(parts) and any(part[0].number == one.number for part in parts):
                firsts = tuple(
                    Part(some[0].axis, some[0].number, False, hull([part.span for part in some])) for some in parts
                )
                yield Meeting(firsts, tuple(part.span for part in firsts))

    def _taken_up(self, one: Occurrence, pair: Pair, also: int = 0) -> bool:
        """Whether a step that may touch too starts at once when this one is over, and `also` others, nothing else being
        waited for, and moves the bodies, or hands them on to one that does."""
        over = one.ended | one.bit | also
        return any(
            isinstance(other.node.start, AfterSteps)
            and one.node.index in other.node.start.steps
            and other.number > one.number
            and not other.ended & ~over
            and self.parts(other, pair)
            for other in self.order.occurrences
        )

    def parts(self, one: Occurrence, pair: Pair) -> bool:
        """Whether a step in which two bodies may touch surely moves them, or hands them on to one that does."""
        moves = bool(set(one.axes) & set(self.bodies.axes_of(pair)))
        may_touch = self._may_touch(one, pair) and one.node.step.only_if is None
        return may_touch and (moves or self._taken_up(one, pair))

    def _too_many(self, pair: Pair, scenario: Scenario, first: Meeting) -> Encounter:
        proof = Verdict("undecided", pair, cells=0)
        return Encounter(pair, scenario, (), self.spans_of(first, pair), proof)
