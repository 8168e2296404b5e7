"""Gates: each can open, and no steps wait for each other's motion in a ring."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations

import networkx as nx

from sequencer.check.contradiction import contradict
from sequencer.check.finding import Finding
from sequencer.check.gating import Extra, Gate, Gating, asked_of
from sequencer.check.order import Occurrence, Order, members
from sequencer.check.phases import Phases
from sequencer.check.spans import Span, hull
from sequencer.machine.condition import Compare, Condition, Every, Term, term_text
from sequencer.plan.gates import conjuncts
from sequencer.routine.steps import At, Move, Press


def gate_findings(all_phases: list[Phases]) -> Iterator[Finding]:
    """Gates that never open, or open only if the steps that move their axis wait for each other."""
    seen = set()
    for phases in all_phases:
        for finding in _findings(phases):
            if (finding.step, finding.message) not in seen:
                seen.add((finding.step, finding.message))
                yield finding


def never_opens(order: Order, phases: Phases, extra: Extra) -> bool:
    """Whether one of the extra gates can never open, or not without a ring of waiting."""
    tried = Phases(order.with_gates(extra), phases.scenario, phases.table)
    gating = Gating(tried, extra)
    asked = [gating.of(one) for index in extra for one in order.of(index)]
    if any(first.excludes(second) for gates in asked for first, second in combinations(gates, 2)):
        return True
    return bool(_stuck(tried, gating))


def _findings(phases: Phases) -> Iterator[Finding]:
    gating = Gating(phases, {})
    stuck = _stuck(phases, gating)
    for one in phases.order.occurrences:
        both = _contradiction(phases, one)
        if both is not None:
            stuck.pop(one.number, None)
            yield _contradiction_finding(one, *both)
    waits = nx.DiGraph()
    for number, gates in stuck.items():
        one = phases.order.occurrences[number]
        movers = [other for gate in gates for other in _movers(phases, one, gate)]
        waits.add_edges_from((number, other) for other in movers)
        # A mover need not have a gate itself: it may come after a step that is stuck.
        for later in (number, *movers):
            waits.add_edges_from(
                (later, before) for before in members(phases.order.occurrences[later].ended) if before in stuck
            )
    ringed: set[int] = set()
    for group in nx.strongly_connected_components(waits):
        if len(group) > 1:
            ringed |= group
            ring = [first for first, _ in nx.find_cycle(waits.subgraph(group))]
            yield _ring_finding(phases, ring)
    for number, gates in stuck.items():
        one = phases.order.occurrences[number]
        hopeless = [gate for gate in gates if not _movers(phases, one, gate)]
        if hopeless and number not in ringed:
            yield _hopeless_finding(phases, one, hopeless[0])


def _contradiction(phases: Phases, one: Occurrence) -> tuple[Term, Term] | None:
    """Two parts of a step's gate that are never both true, whatever its parameters."""
    if one.node.step.once is None:
        return None
    terms = list(conjuncts(one.node.step.once.term))
    asked = [asked_of(one.node, Condition(term), phases) for term in terms]
    for (first, mine), (second, hers) in combinations(zip(terms, asked, strict=True), 2):
        if contradict(first, second) or any(gate.excludes(other) for gate in mine for other in hers):
            return first, second
    return None


def _stuck(phases: Phases, gating: Gating) -> dict[int, list[Gate]]:
    """The gated steps that never get free, with the gates that hold them: those that stand shut and that only stuck
    steps could open."""
    closed: dict[int, list[Gate]] = {}
    for one in phases.order.occurrences:
        gates = [
            gate
            for gate in gating.of(one)
            if not any(_opens(phases, number, gate, span) for number, span in phases.rests(one, gate.axis))
        ]
        if gates:
            closed[one.number] = gates
    changed = True
    while changed:
        changed = False
        for number, gates in list(closed.items()):
            one = phases.order.occurrences[number]
            if all(any(not _waits(phases, other, closed) for other in _movers(phases, one, gate)) for gate in gates):
                del closed[number]
                changed = True
    return closed


def _movers(phases: Phases, one: Occurrence, gate: Gate) -> list[int]:
    """The steps that may run beside one and bring its gate's axis to the right side."""
    concurrent = phases.order.concurrent(one) & phases.order.owners.get(gate.axis, 0)
    return [
        number
        for number in members(concurrent)
        if _opens(phases, number, gate, phases.table[number, gate.axis].whole)
        and not _asks_for_its_goal(one, phases.order.occurrences[number], gate.axis)
    ]


def _opens(phases: Phases, number: int, gate: Gate, span: Span) -> bool:
    """Whether an axis in this span, moved or left there by a step (-1: from the start), may let the gate open.

    A press occupies its axis up to where it presses to, until another step takes the axis: that must be on the right
    side as well.
    """
    return gate.may_open(_counted(phases, number, gate.axis, span))


def _counted(phases: Phases, number: int, axis: str, span: Span) -> Span:
    """Of a span what a gate has to wait for: after a press, where it presses to."""
    pressed = number >= 0 and isinstance(phases.order.occurrences[number].node.step.body, Press)
    return phases.table[number, axis].goal if pressed else span


def _asks_for_its_goal(one: Occurrence, mover: Occurrence, axis: str) -> bool:
    """Whether the gate names the very parameter that is the mover's goal: the axis comes to rest at the gate's edge,
    not beyond it, whatever the parameter's value.
    """
    once, body = one.node.step.once, mover.node.step.body
    if once is None or not isinstance(body, Move):
        return False
    goals = {goal.position for name, goal in body.goals if name == axis and isinstance(goal, At)}
    terms = once.term.terms if isinstance(once.term, Every) else (once.term,)
    asked = {term.value for term in terms if isinstance(term, Compare) and term.name == axis}
    return any(isinstance(word, str) and word in asked for word in goals)


def _waits(phases: Phases, number: int, closed: dict[int, list[Gate]]) -> bool:
    """Whether a step is stuck itself, or comes after one that is."""
    return number in closed or any(phases.order.occurrences[number].ended >> other & 1 for other in closed)


def _contradiction_finding(one: Occurrence, first: Term, second: Term) -> Finding:
    words = f"{term_text(first, people=True)} and {term_text(second, people=True)}"
    return Finding(
        "gate",
        "error",
        f"the gate of '{one.name}' ({one.node.step.once}) never opens: {words} are never both true",
        one.name,
        one.node.step.place,
        "leave one of the two out",
    )


def _ring_finding(phases: Phases, ring: list[int]) -> Finding:
    occurrences = [phases.order.occurrences[number] for number in ring]
    first = min(occurrences, key=lambda one: one.node.index)
    turn = occurrences.index(first)
    names = [f"'{one.name}'" for one in (*occurrences[turn:], *occurrences[: turn + 1])]
    return Finding(
        "gate",
        "error",
        f"{', which waits for '.join(names)}: none of their gates can open",
        first.name,
        first.node.step.place,
        "take one of the gates away, or let one of the steps follow another (after)",
    )


def _hopeless_finding(phases: Phases, one: Occurrence, gate: Gate) -> Finding:
    axis = phases.order.flat.machine.axes[gate.axis]
    rests = [_counted(phases, number, gate.axis, span) for number, span in phases.rests(one, gate.axis)]
    low, high = hull(rests or [phases.scenario.start[gate.axis]])
    stands = f"at {axis.show(low)}" if high - low < 1e-9 else f"between {axis.show(low)} and {axis.show(high)}"
    nearest = high if gate.sign > 0.0 else low
    return Finding(
        "gate",
        "error",
        f"the gate of '{one.name}' ({one.node.step.once}) never opens: {axis.name} stands {stands} then, and no step "
        f"that runs beside it takes it {'above' if gate.sign > 0.0 else 'below'} {axis.show(gate.position)}",
        one.name,
        one.node.step.place,
        f"start a step beside it that moves {axis.name} there, or move the gate",
        found=nearest,
        allowed=gate.position,
    )
