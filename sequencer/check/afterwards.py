"""What runs after a cancel or a fault: proved clear from every place in which the routine can have been stopped (R47).

A stopped step leaves its axis anywhere in the hull of its phase. So each product of phases that may be together is a
place to start from, and the steps that run afterwards are judged from all of them, by the rules that any routine is
judged by. A move that looks its way up (`route: clear`) is judged box by box instead, and it is asked from which of
these places it has one.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import islice, product
from typing import Any

from sequencer.check.clearance import ClearanceSearch
from sequencer.check.clearance_findings import encounter_findings, left_in_touch_findings
from sequencer.check.compile import routine_data
from sequencer.check.finding import Finding
from sequencer.check.gate import gate_findings
from sequencer.check.gating import Gating
from sequencer.check.keep_out import KeepOutSearch
from sequencer.check.keep_out_findings import keep_out_findings
from sequencer.check.lead_ins import entered_from
from sequencer.check.limits import limit_findings
from sequencer.check.model import refused_model
from sequencer.check.order import Order
from sequencer.check.parameter_range import parameter_findings
from sequencer.check.phases import Phases, Scenario
from sequencer.check.required import required_findings
from sequencer.check.routes import begins_with_ways, enters, merged, route_findings, routed
from sequencer.check.spans import Span, band_of, hull
from sequencer.check.survey import Survey, survey
from sequencer.check.timeouts import timeout_findings
from sequencer.check.together import EVERYWHERE, Part, Together
from sequencer.check.travel import travel_findings
from sequencer.errors import ModelError
from sequencer.machine.axis import Axis
from sequencer.plan.resolve import FlatRoutine, flatten
from sequencer.routine.afterwards import AfterwardsKey, afterwards_of
from sequencer.routine.routine import Routine

_MOST_MEETINGS = 5_000
"""Of one scenario no more products than this are looked at; beyond them the hull of everything counts."""

_MOST_PLACES = 100
"""More places than this are judged together, as their hull."""

_MOST_WITH_WAYS = 1_000
"""The same where only a look into the table of ways is taken at each."""

_MOST_CORNERS = 64
"""From so many corners of where the axes may stand the times are planned."""


@dataclass(frozen=True, slots=True)
class Afterwards:
    """What the check says about the steps after a cancel or a fault: the findings, and the data for the runner."""

    key: AfterwardsKey
    findings: tuple[Finding, ...]
    data: Mapping[str, Any] | None


def examine_afterwards(
    routine: Routine, search: KeepOutSearch, clearance: ClearanceSearch | None
) -> Iterator[Afterwards]:
    """Judge what runs after a cancel and after a fault from wherever the routine can have been stopped.

    Args:
        routine: the routine that it belongs to.
        search: where its steps may be.
        clearance: the same for bodies; None where the machine has none.
    """
    for key, after in afterwards_of(routine):
        try:
            flat = routed(flatten(after))
        except ModelError as error:
            yield Afterwards(key, (replace(refused_model(error, after), step=key),), None)
            continue
        order = Order(flat)
        by_ways = begins_with_ways(order)
        places = stopped_places(search.phases, _MOST_WITH_WAYS if by_ways else _MOST_PLACES)
        if by_ways and clearance is not None:
            starts = [place.start for place in places]
            entering = {one.node.index: starts for one in order.occurrences if enters(order, one)}
            flat = entered_from(flat, clearance.bodies, entering)
            order = Order(flat)
        spans = {axis: hull([place.start[axis] for place in places]) for axis in places[0].start}
        surveyed = survey(flat, _corners(spans))
        own = KeepOutSearch(order, merged(places) if by_ways else places)
        bodies = None
        if clearance is not None:
            bodies = ClearanceSearch(own.order, own.phases, clearance.bodies, clearance.proofs)
        found = [_placed(key, one) for one in _findings(flat, own, bodies, surveyed, places)]
        if bodies is not None:
            found += [_placed(key, one) for one in left_in_touch_findings(bodies, search.order, places)]
        data = None
        if surveyed.plan is not None:
            # Where it looks its way up, that tells whether it may start.
            region = [] if by_ways else _region(flat, spans)
            data = routine_data(flat, surveyed, region, None if bodies is None else bodies.cleared.data())
        yield Afterwards(key, tuple(found), data)


def stopped_places(all_phases: Sequence[Phases], most: int = _MOST_PLACES) -> tuple[Scenario, ...]:
    """Where the axes may stand when the routine has been stopped, with the steps during which that may be.

    Presets that were chosen stay chosen. An axis that is not held after its stop may be anywhere. More places than
    `most` are taken together.
    """
    found: list[Scenario] = []
    for phases in all_phases:
        if phases.scenario.choices not in [one.choices for one in found]:
            found += _places([one for one in all_phases if one.scenario.choices == phases.scenario.choices], most)
    return tuple(found)


def _places(all_phases: Sequence[Phases], most: int) -> list[Scenario]:
    machine = all_phases[0].order.flat.machine
    choices = all_phases[0].scenario.choices
    starts: list[Scenario] = []
    for phases in all_phases:
        starts.append(Scenario(phases.scenario.start, choices, "if it is stopped before it moves"))
        together = Together(phases, Gating(phases, {}), dict.fromkeys(phases.scenario.start, EVERYWHERE))
        meetings = list(islice(together.meetings(), _MOST_MEETINGS + 1))
        if len(meetings) > _MOST_MEETINGS:
            everything = {
                axis: hull([start, *(phase.whole for (_, name), phase in phases.table.items() if name == axis)])
                for axis, start in phases.scenario.start.items()
            }
            starts.append(Scenario(everything, choices, "wherever it is stopped"))
            continue
        for parts, spans in meetings:
            start = {part.axis: span for part, span in zip(parts, spans, strict=True)}
            starts.append(Scenario(start, choices, _during(phases, parts)))
    loose = {axis.name: axis.travel for axis in machine.axes.values() if axis.travel is not None and not _is_held(axis)}
    widest: list[Scenario] = []
    for one in sorted(starts, key=lambda one: -sum(high - low for low, high in one.start.values())):
        place = one._replace(start={**one.start, **loose})
        if not any(_lies_in(place.start, other.start) for other in widest):
            widest.append(place)
    if len(widest) > most:
        whole = {axis: hull([place.start[axis] for place in widest]) for axis in widest[0].start}
        return [Scenario(whole, choices, "wherever it is stopped")]
    return widest


def _is_held(axis: Axis) -> bool:
    """Whether an axis surely stays where its stop has brought it."""
    return axis.stop == "ramp_then_hold" and all(case.mode == "hold" for case in axis.rest)


def _during(phases: Phases, parts: Sequence[Part]) -> str:
    names = dict.fromkeys(phases.order.occurrences[part.number].name for part in parts if part.moving)
    return f"if it is stopped during {' and '.join(repr(name) for name in names)}"


def _lies_in(one: Mapping[str, Span], other: Mapping[str, Span]) -> bool:
    return all(other[axis][0] <= low and high <= other[axis][1] for axis, (low, high) in one.items())


def _corners(spans: Mapping[str, Span]) -> list[dict[str, float]]:
    """The ends of where the axes may stand: no move takes longer from anywhere between."""
    ends = [tuple(dict.fromkeys(span)) for span in spans.values()]
    return [dict(zip(spans, corner, strict=True)) for corner in islice(product(*ends), _MOST_CORNERS)]


def _findings(
    flat: FlatRoutine,
    search: KeepOutSearch,
    clearance: ClearanceSearch | None,
    surveyed: Survey,
    places: Sequence[Scenario],
) -> Iterator[Finding]:
    yield from travel_findings(search.phases)
    yield from limit_findings(flat)
    yield from timeout_findings(flat, surveyed.longest)
    yield from parameter_findings(flat, surveyed)
    yield from gate_findings(search.phases)
    yield from required_findings(search.phases)
    yield from route_findings(search.phases, places)
    # The plan starts in one of many places: what it would say about when belongs to none of them.
    yield from keep_out_findings(search, None)
    if clearance is not None:
        yield from encounter_findings(clearance, None)


def _placed(key: AfterwardsKey, found: Finding) -> Finding:
    """A finding under the path names of the steps, which may be those of other steps in the routine itself."""
    way, witness = found.way_in, found.witness
    if witness is not None:
        steps = tuple(_path(key, step) for step in witness.steps)
        witness = witness._replace(steps=steps, waits=_path(key, witness.waits) if witness.waits else "")
    if way is not None:
        steps = tuple(_path(key, step) for step in way.steps)
        way = way._replace(steps=steps, waits=_path(key, way.waits) if way.waits else "")
    return replace(found, step=_path(key, found.step), witness=witness, way_in=way)


def _path(key: AfterwardsKey, step: str | None) -> str:
    return key if step is None else f"{key}/{step}"


def _region(flat: FlatRoutine, spans: Mapping[str, Span]) -> list[list[Any]]:
    """The hull of all places, as measured: what lies outside it was judged by nobody."""
    found = []
    for index, axis in enumerate(flat.machine.axes.values()):
        if axis.name in spans:
            low, high = spans[axis.name]
            band = band_of(flat.machine, axis.name)
            found.append([index, float(low - band), float(high + band)])
    return found
