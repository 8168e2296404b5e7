"""Ways out of places that a routine was proved clear in and that cells are too coarse to tell: proved once more, and
put into the table."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace

from sequencer.check.bodies import Bodies, bodies_of
from sequencer.check.order import Order
from sequencer.check.phases import phases_of
from sequencer.check.proofs import Proofs
from sequencer.check.routes import begins_with_ways, enters, merged, starts_of
from sequencer.check.scenarios import inflated, is_inside, scenarios_of
from sequencer.check.spans import Span
from sequencer.machine.interlock import KeepOut
from sequencer.plan.resolve import FlatRoutine, Node
from sequencer.routine.way_table import Free, Leg, Ways, WayTable, about

_CELLS = 400
"""So many cells are looked at for one pair and one box [1]."""

_ALL_CELLS = 12_000
"""So many for all boxes of a step [1]."""

_MOST_PARTS = 40
"""So many parts of where a step may start are looked at [1]."""

_TRIED = 12
"""From each part, about so many places are tried [1]."""

_ENTERED = 0.05
"""What a further box costs besides the time to its place [s]."""


def leading_in(flat: FlatRoutine) -> FlatRoutine:
    """A routine whose steps also find their ways out of where each may start: out of every preset for one that starts
    anywhere.

    Raises:
        ModelError: a body or clearance names something that is not there.
    """
    if not flat.machine.bodies or all(node.ways is None for node in flat.nodes):
        return flat
    bodies, order = bodies_of(flat.machine), Order(flat)
    scenarios = scenarios_of(flat)
    searched = [phases_of(order, one) for one in (merged(scenarios) if begins_with_ways(order) else scenarios)]
    places: dict[int, list[Mapping[str, Span]]] = {}
    for one in order.occurrences:
        if one.node.ways is None:
            continue
        found = places.setdefault(one.node.index, [])
        for table in one.node.ways.tables[:1]:
            if enters(order, one):
                found += _presets(flat, table)
            else:
                found += [dict(zip(table.axes, starts_of(phases, one, table), strict=True)) for phases in searched]
    return entered_from(flat, bodies, places)


def entered_from(flat: FlatRoutine, bodies: Bodies, places: Mapping[int, Sequence[Mapping[str, Span]]]) -> FlatRoutine:
    """A routine whose steps, by index, also find their ways out of these places."""
    outside = {one.body: one.range for one in flat.routine.outside if one.since is None}
    nodes = tuple(
        with_lead_ins(node, bodies, places[node.index], outside) if node.index in places else node
        for node in flat.nodes
    )
    return replace(flat, nodes=nodes)


def _presets(flat: FlatRoutine, table: WayTable) -> Iterator[Mapping[str, Span]]:
    """The presets that name all axes of a table, with their position tolerances."""
    axes = flat.machine.axes
    for preset in flat.machine.presets.values():
        if all(name in preset.positions for name in table.axes):
            near = {name: axes[name].tolerance.position for name in table.axes}
            yield {name: (preset.positions[name] - near[name], preset.positions[name] + near[name]) for name in near}


def with_lead_ins(
    node: Node, bodies: Bodies, places: Sequence[Mapping[str, Span]], outside: Mapping[str, Span]
) -> Node:
    """A step whose tables also lead out of the places where it may start, as far as that can be proved.

    Args:
        node: the step, with its ways.
        bodies: the machine's bodies.
        places: where it may start, by axis.
        outside: where bodies outside may stand [m].
    """
    assert node.ways is not None
    proved = _Proved(bodies, outside)
    tables = []
    for table in node.ways.tables:
        legs: list[tuple[float, Leg, int]] = []
        for place in places if table.legs else ():
            legs += _leads(table, [place[axis] for axis in table.axes], node.ways.free, proved, legs)
        tables.append(_joined(table, legs))
    return replace(node, ways=Ways(tuple(tables), node.ways.free))


class _Proved:
    """Whether a box of ordered positions is clear, by a proof of its own."""

    def __init__(self, bodies: Bodies, outside: Mapping[str, Span]) -> None:
        self.bodies = bodies
        self.outside = {
            body.name: outside.get(body.name, body.range)
            for body in bodies.tree.bodies.values()
            if body.range is not None
        }
        self.rules = [inflated(bodies.machine, rule) for rule in bodies.machine.interlocks if isinstance(rule, KeepOut)]
        self.proofs = Proofs(bodies, _CELLS, _ALL_CELLS)

    def __call__(self, spans: Mapping[str, Span]) -> bool:
        if any(is_inside(rule, spans) for rule in self.rules):
            return False
        for pair in self.bodies.pairs:
            axes = [(axis, self.bodies.widened(axis, spans[axis])) for axis in self.bodies.axes_of(pair)]
            beside = [(name, self.outside[name]) for name in self.bodies.outside_of(pair)]
            if axes and self.proofs.of(pair, (*sorted(axes), *beside)).outcome != "clear":
                return False
        return True


def _leads(
    table: WayTable, place: Sequence[Span], free: Free, proved: _Proved, known: Sequence[tuple[float, Leg, int]]
) -> list[tuple[float, Leg, int]]:
    """Legs out of a place, each with its cost and the number of the leg that follows."""
    found: list[tuple[float, Leg, int]] = []
    waiting = [list(place)]
    for _ in range(_MOST_PARTS):
        if not waiting or proved.proofs.left <= 0:
            break
        part = waiting.pop(0)
        low, high = [span[0] for span in part], [span[1] for span in part]
        if any(leg.holds(low, high) for _, leg, _ in (*known, *found)) or table.way(low, high, free):
            continue
        lead = _lead(table, low, high, proved)
        if lead is not None:
            found.append(lead)
            continue
        widths = [end - begin for begin, end in zip(low, high, strict=True)]
        shares = [width / (_width(table, axis) or 1.0) for axis, width in enumerate(widths)]
        axis = max(range(len(part)), key=lambda k: shares[k])
        if shares[axis] > 1.0 / 64.0:
            middle = 0.5 * (low[axis] + high[axis])
            for half in ((low[axis], middle), (middle, high[axis])):
                waiting.append([*part[:axis], half, *part[axis + 1 :]])
    return found


def _lead(
    table: WayTable, low: Sequence[float], high: Sequence[float], proved: _Proved
) -> tuple[float, Leg, int] | None:
    """The leg from a whole part to the place of a leg of the table, if that is proved."""
    movers = table.movers
    middle = [0.5 * (low[k] + high[k]) for k in movers]
    times = [cost + about(middle, leg.place, table.speeds) for leg, cost in zip(table.legs, table.costs, strict=True)]
    seen: set[tuple[float, ...]] = set()
    for number in sorted(range(len(times)), key=lambda one: times[one]):
        leg = table.legs[number]
        nearest = tuple(min(max(at, leg.low[k]), leg.high[k]) for k, at in zip(movers, middle, strict=True))
        for place, following in ((leg.place, table.following[number]), (nearest, number)):
            if place in seen:
                continue
            seen.add(place)
            begin, end = list(low), list(high)
            for k, to in zip(movers, place, strict=True):
                begin[k], end[k] = min(begin[k], to), max(end[k], to)
            if proved(dict(zip(table.axes, zip(begin, end, strict=True), strict=True))):
                return times[number] + _ENTERED, Leg(place, tuple(begin), tuple(end)), following
        if len(seen) > _TRIED:
            break
    return None


def _width(table: WayTable, axis: int) -> float:
    return max(leg.high[axis] for leg in table.legs) - min(leg.low[axis] for leg in table.legs)


def _joined(table: WayTable, more: Sequence[tuple[float, Leg, int]]) -> WayTable:
    """A table with more legs, in the order of their costs."""
    if not more:
        return table
    count = len(table.legs)
    legs = [*table.legs, *(leg for _, leg, _ in more)]
    following = [*table.following, *(number for _, _, number in more)]
    costs = [*table.costs, *(cost for cost, _, _ in more)]
    order = sorted(range(len(legs)), key=lambda number: (costs[number], number >= count))
    rank = {number: at for at, number in enumerate(order)} | {-1: -1}
    return replace(
        table,
        legs=tuple(legs[number] for number in order),
        following=tuple(rank[following[number]] for number in order),
        costs=tuple(costs[number] for number in order),
    )
