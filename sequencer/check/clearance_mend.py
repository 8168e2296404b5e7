"""What makes two steps clear of each other where they are not: a gate, found by trying, or else their order."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from math import ceil, degrees, radians
from typing import NamedTuple

from sequencer.check.clearance import ClearanceSearch, Encounter
from sequencer.check.gate import never_opens
from sequencer.check.gating import Gate
from sequencer.check.keep_out import KeepOutSearch
from sequencer.check.order import Occurrence, members
from sequencer.check.phases import Phases, start_span
from sequencer.check.spans import Span, band_of
from sequencer.check.written import Mend, gate_line, replaces
from sequencer.clearance.concurrency import Way, diagram, straight_branch
from sequencer.clearance.gate import Phase, free_gate
from sequencer.machine.axis import Axis

_CELLS = 1_000
"""So many cells are looked at in each try of a gate; the gate that is found is proved again with all there are."""

_FINEST = 1.0 / 48.0
"""The diagram of two steps is looked at in cells of this share of each."""

_DIAGRAM_CELLS = 12_000
"""So many cells of it are looked at."""

_STEPS = (0.01, 0.001)
"""Gates on a linear axis are rounded to the first of these, or else to the second [m]."""

_STEPS_DEGREES = (1.0, 0.1)
"""The same for a rotary axis [deg]."""

Candidate = tuple[int, Gate]
"""The occurrence that waits, and for what."""


class Mender:
    """Looks for gates.

    Args:
        search: all ways of a routine into bodies, to ask again with a gate in place.
        encounters: what it has found without.
    """

    def __init__(self, search: ClearanceSearch, encounters: Sequence[Encounter]) -> None:
        self.search = search
        self.encounters = encounters
        self.before = frozenset(one.who for one in encounters)
        self._found: dict[object, list[Candidate]] = {}
        self._left: dict[Candidate, frozenset[object] | None] = {}

    def gate(self, encounter: Encounter) -> Mend | None:
        """A gate such as ``level: once: lift > 0.41 m`` that keeps the bodies of an encounter apart, or None.

        A step has one gate: where several encounters ask the same step to wait for the same axis, the gate that serves
        them all is tried first; a gate that another encounter asks for is tried last.
        """
        own = self._candidates(encounter)
        others = [candidate for one in self.encounters if one is not encounter for candidate in self._candidates(one)]
        for candidate in dict.fromkeys([*self._serving_all(own), *own, *others]):
            left = self._left_with(candidate)
            if left is not None and encounter.who not in left:
                number, gate = candidate
                node = self.search.order.occurrences[number].node
                return Mend(gate_line(self.search.machine.axes[gate.axis], gate, node.step), node.name, gate)
        return None

    def _left_with(self, candidate: Candidate) -> frozenset[object] | None:
        """Who still meets with a gate in place; None if it never opens, or brings others together."""
        if candidate not in self._left:
            number, gate = candidate
            extra = {self.search.order.occurrences[number].node.index: (gate,)}
            left: set[object] | None = set()
            shut = any(never_opens(self.search.order, phases, extra) for phases in self.search.phases)
            if shut or self._opens_a_way_into_a_box(candidate):
                left = None
            else:
                for one in self.search.encounters(extra):
                    if one.who not in self.before:
                        left = None
                        break
                    assert left is not None
                    left.add(one.who)
            self._left[candidate] = None if left is None else frozenset(left)
        return self._left[candidate]

    def _opens_a_way_into_a_box(self, candidate: Candidate) -> bool:
        """Whether a gate that stands in the place of a step's own lets the machine into a keep-out."""
        number, gate = candidate
        node = self.search.order.occurrences[number].node
        if not replaces(gate, self.search.machine.axes[gate.axis], node.step):
            return False
        boxes = KeepOutSearch(self.search.order, [phases.scenario for phases in self.search.phases])
        before = {one.who for one in boxes.conflicts()}
        return any(one.who not in before for one in boxes.conflicts({node.index: (gate,)}))

    def _serving_all(self, own: Sequence[Candidate]) -> Iterator[Candidate]:
        """The same gates, as far out as any encounter asks for."""
        asked = [candidate for one in self.encounters for candidate in self._candidates(one)]
        for number, gate in own:
            same = [other for at, other in asked if (at, other.axis, other.sign) == (number, gate.axis, gate.sign)]
            farthest = max(same, key=lambda other: other.sign * other.position)
            if farthest != gate:
                yield number, farthest

    def _candidates(self, encounter: Encounter) -> list[Candidate]:
        if encounter.key not in self._found:
            self._found[encounter.key] = list(dict.fromkeys(_candidates(self.search, encounter)))
        return self._found[encounter.key]


class TwoSteps(NamedTuple):
    """Two steps of an encounter and what makes them clear of each other, in steps of equal progress of their axes."""

    first: Occurrence
    second: Occurrence
    way: Way


def way_of(search: ClearanceSearch, encounter: Encounter) -> TwoSteps | None:
    """Which of the two steps of an encounter has to go first, if it is two that move."""
    moving = sorted({part.number for part in encounter.parts if part.moving})
    if len(moving) != 2:
        return None
    phases = next(phases for phases in search.phases if phases.scenario is encounter.scenario)
    branches, band, here = [], {}, dict(encounter.box)
    for number in moving:
        one = search.order.occurrences[number]
        ways = {}
        for part in encounter.parts:
            if part.number == number:
                start, goal = start_span(phases, one, part.axis), phases.table[number, part.axis].goal
                ways[part.axis] = (0.5 * (start[0] + start[1]), 0.5 * (goal[0] + goal[1]))
                band[part.axis] = band_of(search.machine, part.axis)
                del here[part.axis]
        branches.append(straight_branch(search.bodies.tree, ways))
    found = diagram(search.bodies.tree, [encounter.pair], branches[0], branches[1], here, band, _FINEST, _DIAGRAM_CELLS)
    first, second = (search.order.occurrences[number] for number in moving)
    return TwoSteps(first, second, found.way)


def _candidates(search: ClearanceSearch, encounter: Encounter) -> Iterator[Candidate]:
    phases = next(phases for phases in search.phases if phases.scenario is encounter.scenario)
    axes = [part.axis for part in encounter.parts]
    moving = list(dict.fromkeys(part.number for part in encounter.parts if part.moving))
    for number in moving:
        one = search.order.occurrences[number]
        for other in _others(search, phases, encounter, one):
            mine = [axis for axis in axes if axis in one.axes]
            hers = [axis for axis in axes if axis in other.axes and axis not in mine]
            here = {name: span for name, span in encounter.box if name not in (*mine, *hers)}
            waiting, going = _phase(search, phases, one, mine), _phase(search, phases, other, hers)
            if not search.order.concurrent(one) >> other.number & 1:
                # It is over, and waits for nothing any more: without a way to go, nothing can wait for `one`.
                waiting = waiting._replace(goal=waiting.start)
            found = free_gate(search.bodies.tree, [encounter.pair], waiting, going, here, _CELLS) if hers else None
            if found is not None:
                waits, waited_for = (one, other) if found.waits == 0 else (other, one)
                sign = 1.0 if found.side == ">" else -1.0
                if found.axis in waited_for.axes:
                    yield from _rounded(search, waits.number, found.axis, sign, found.value)


def _others(search: ClearanceSearch, phases: Phases, encounter: Encounter, one: Occurrence) -> list[Occurrence]:
    """The steps that one might wait for: those beside it that move other axes of the pair, or will, and those before it
    that may have come to rest on their way."""
    order = search.order
    beside = order.concurrent(one)
    found = 0
    for part in encounter.parts:
        if part.axis not in one.axes:
            owners = beside & order.owners.get(part.axis, 0)
            found |= owners if part.number < 0 else owners & (1 << part.number)
            if part.number >= 0 and not part.moving:
                phase = phases.table[part.number, part.axis]
                found |= (phase.rest != phase.goal) << part.number
    return [order.occurrences[number] for number in members(found)]


def _phase(search: ClearanceSearch, phases: Phases, one: Occurrence, axes: Sequence[str]) -> Phase:
    hull: dict[str, Span] = {}
    start: dict[str, Span] = {}
    goal: dict[str, Span] = {}
    for axis in axes:
        phase = phases.table[one.number, axis]
        hull[axis] = search.bodies.widened(axis, phase.whole)
        start[axis] = search.bodies.widened(axis, start_span(phases, one, axis))
        goal[axis] = search.bodies.widened(axis, phase.goal)
    return Phase(hull, start, goal)


def _rounded(search: ClearanceSearch, number: int, name: str, sign: float, position: float) -> Iterator[Candidate]:
    """Gates at round numbers: a gate is passed by an ordered position, the band beside it is the axis' own."""
    axis = search.machine.axes[name]
    assert axis.travel is not None
    beyond = position + sign * band_of(search.machine, name)
    for place in _round_numbers(axis, beyond, sign):
        if axis.travel[0] < place < axis.travel[1]:
            yield number, Gate(name, sign, place)


def _round_numbers(axis: Axis, position: float, sign: float) -> Iterator[float]:
    if axis.kind == "rotary":
        for step in _STEPS_DEGREES:
            yield sign * radians(ceil(sign * degrees(position) / step - 1e-6) * step)
    else:
        for step in _STEPS:
            yield sign * round(ceil(sign * position / step - 1e-6) * step, 9)
