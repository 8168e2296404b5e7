"""Travel: every goal, wherever it starts from and whatever the parameters, lies where its axis can go."""

from __future__ import annotations

from collections.abc import Iterator

from sequencer.check.finding import Finding
from sequencer.check.order import Occurrence
from sequencer.check.phases import Phases, start_span
from sequencer.check.spans import span_of
from sequencer.plan.motion import AsRead, AtPlace, ByDistance, PerWord, goals_of


def travel_findings(all_phases: list[Phases]) -> Iterator[Finding]:
    """Goals outside the travel, over all scenarios."""
    seen = set()
    for phases in all_phases:
        for one in phases.order.occurrences:
            for axis, goal in goals_of(one.node):
                found = _outside(phases, one, axis, goal)
                if found is not None and (one.node.index, axis) not in seen:
                    seen.add((one.node.index, axis))
                    yield found


def _outside(phases: Phases, one: Occurrence, name: str, goal: object) -> Finding | None:
    flat = phases.order.flat
    axis = flat.machine.axes[name]
    assert axis.travel is not None
    slack = 0.0
    match goal:
        case AtPlace(position=position):
            span = span_of(position, flat, phases.scenario.choices)
        case AsRead(low=low, high=high):
            span = (low, high)
        case PerWord(positions=positions):
            span = (min(place for _, place in positions), max(place for _, place in positions))
        case ByDistance(distance=distance):
            start = start_span(phases, one, name)
            low, high = span_of(distance, flat, phases.scenario.choices)
            span = (start[0] + low, start[1] + high)
            # A start within its tolerance is no reason to refuse what fits from where it should be.
            slack = axis.tolerance.position
        case _:
            return None
    beyond = span[0] if span[0] < axis.travel[0] - slack else span[1] if span[1] > axis.travel[1] + slack else None
    if beyond is None:
        return None
    return Finding(
        "travel",
        "error",
        f"'{one.name}' may take {name} to {axis.show(beyond)}; its travel is {axis.show(axis.travel[0])} to "
        f"{axis.show(axis.travel[1])}",
        one.name,
        one.node.step.place,
        "narrow the range of what its goal depends on" if span[0] != span[1] else "give a goal inside the travel",
        found=beyond,
        allowed=axis.travel[0] if beyond < axis.travel[0] else axis.travel[1],
    )
