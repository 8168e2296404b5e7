"""The ways of steps that ask for a clear one: worked out for each goal, and looked at once more.

Each box of a table is judged like any phase (`together`), by the cells of the pack or by a proof; here it is asked
whether every place that such a step may start from has a way, and whether anything else may move meanwhile.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from itertools import product

from sequencer.check.compile_machine import compile_machine
from sequencer.check.finding import Finding
from sequencer.check.order import Occurrence, Order, members
from sequencer.check.phases import Phases, Scenario, start_span
from sequencer.check.scenarios import inflated
from sequencer.check.spans import Span, hull
from sequencer.errors import enumerate_words
from sequencer.machine.interlock import KeepOut
from sequencer.machine.machine import Machine
from sequencer.pack.blocked import blocked_tables
from sequencer.plan.motion import AtPlace, PerWord, goals_of
from sequencer.plan.resolve import FlatRoutine, Node, Reference
from sequencer.routine.parameters import PresetParameter
from sequencer.routine.routine import ANYWHERE
from sequencer.routine.way_table import EDGE, Free, Ways, WayTable

_MOST_LOOKS = 1500
"""Of one start no more parts than this are looked at; what is left counts as without a way [1]."""

_MOST_GOALS = 32
"""A step with more goals than this has no ways worked out [1]."""


def routed(flat: FlatRoutine) -> FlatRoutine:
    """The routine with the ways of all steps that ask for a clear one.

    Raises:
        ModelError: a word in it stands for nothing that fits.
    """
    if all(node.step.route is None for node in flat.nodes):
        return flat
    # Few routines ask for ways, and the others need not wait for what works them out.
    from sequencer.ordering.ways import way_table

    machine = flat.machine
    outside = {one.body: one.range for one in flat.routine.outside if one.since is None}
    free = certain(machine)
    made: dict[tuple[tuple[str, float], ...], WayTable] = {}
    nodes = []
    for node in flat.nodes:
        if node.step.route is not None:
            tables = []
            for goal in _goals(flat, node):
                key = tuple(goal.items())
                made[key] = made.get(key) or way_table(machine, goal, outside)
                tables.append(made[key])
            node = replace(node, ways=Ways(tuple(tables), free))
        nodes.append(node)
    return replace(flat, nodes=tuple(nodes))


def certain(machine: Machine) -> Free:
    """Whether a box of ordered positions is clear for sure, by the cells of the pack and the keep-outs, all of them
    taken to count: what the runner goes by."""
    axes = [axis.name for axis in machine.axes.values() if axis.travel is not None]
    at = {name: number for number, name in enumerate(axes)}
    boxes = [
        [(at[name], low, high) for name, (low, high) in inflated(machine, rule)]
        for rule in machine.interlocks
        if isinstance(rule, KeepOut)
    ]
    queries = []
    if machine.bodies:
        data = compile_machine(machine)
        queries = [guarded.table.query for guarded in blocked_tables(data)]
    places = [number for number, axis in enumerate(machine.axes.values()) if axis.travel is not None]
    width = len(machine.axes)

    def free(low: Sequence[float], high: Sequence[float]) -> bool:
        for box in boxes:
            if all(high[axis] >= least and low[axis] <= most for axis, least, most in box):
                return False
        if not queries:
            return True
        lows, highs = [0.0] * width, [0.0] * width
        for place, least, most in zip(places, low, high, strict=True):
            lows[place], highs[place] = least, most
        return all(query(lows, highs) for query in queries)

    return free


def enters(order: Order, one: Occurrence) -> bool:
    """Whether a step looks its way up from wherever its routine starts: nothing has moved its axes before."""
    anywhere = order.flat.routine.start == ANYWHERE
    return anywhere and one.node.ways is not None and all(order.holders(one, axis)[0] == 0 for axis in one.axes)


def begins_with_ways(order: Order) -> bool:
    """Whether all that a routine moves first looks its way up, so that it does not matter where it starts."""
    entering = sum(one.bit for one in order.occurrences if enters(order, one))
    return bool(entering) and all(one.bit & entering or one.ended & entering for one in order.occurrences if one.axes)


def merged(scenarios: Sequence[Scenario]) -> list[Scenario]:
    """One scenario for each choice of presets, in which the axes may be anywhere that they may be in one of them."""
    found: dict[tuple[tuple[str, str], ...], list[Scenario]] = {}
    for one in scenarios:
        found.setdefault(tuple(sorted(one.choices.items())), []).append(one)
    return [
        Scenario({axis: hull([one.start[axis] for one in group]) for axis in group[0].start}, group[0].choices)
        for group in found.values()
    ]


def route_findings(all_phases: Sequence[Phases], places: Sequence[Scenario] | None = None) -> Iterator[Finding]:
    """What keeps a step from finding its way: what may move beside it, and starts from which there is none.

    Args:
        all_phases: the phases of the routine, one for each scenario.
        places: where it may start, if it runs after a cancel or a fault.
    """
    order = all_phases[0].order
    for one in order.occurrences:
        ways = one.node.ways
        if ways is None or one is not order.of(one.node.index)[0]:
            continue
        yield from _beside(order, one, ways)
        if not all(table.legs for table in ways.tables):
            yield _finding(one, "undecided", f"nothing is known to lead to the goal of '{one.name}'", _HINT)
        elif not enters(order, one):
            yield from _uncovered(all_phases, one, ways)
        elif places is None:
            yield _part_of_all(one, ways)
        else:
            yield from _after_a_stop(places, one, ways)


_HINT = "name a goal that more room leads to, or narrow where bodies outside may stand (outside)"


def _beside(order: Order, one: Occurrence, ways: Ways) -> Iterator[Finding]:
    """Steps that may move an axis while a way is gone: its boxes hold where the others rest."""
    inside = {name for table in ways.tables for name in table.axes}
    for number in members(order.concurrent(one)):
        other = order.occurrences[number]
        common = [axis for axis in other.axes if axis in inside]
        if common and other.node.index != one.node.index:
            yield _finding(
                one,
                "error",
                f"'{one.name}' looks its way up when it starts, and '{other.name}' may move "
                f"{enumerate_words(common, 3)} meanwhile",
                f"start '{other.name}' after '{one.name}', or before it",
            )


def _part_of_all(one: Occurrence, ways: Ways) -> Finding:
    """From how much of all positions there is a way."""
    least = min(table.covered for table in ways.tables)
    return _finding(
        one,
        "note",
        f"'{one.name}' looks its way up from anywhere; {100.0 * least:.3g} % of the positions that are certainly clear "
        f"lie in a box of its ways; where there is none, the runner refuses it and names directions to jog",
    )


def _after_a_stop(places: Sequence[Scenario], one: Occurrence, ways: Ways) -> Iterator[Finding]:
    """Where a routine can have been stopped and there is no way: there the runner refuses it, and says so."""
    table = ways.tables[0]
    for place in places:
        spans = [place.start[axis] for axis in table.axes]
        if not _has_ways(ways, spans):
            yield _finding(
                one,
                "warning",
                f"'{one.name}' has no certified way from part of {_words(one, table, spans)} {place.when}; there the "
                f"runner refuses it and names directions to jog",
            )
            return


def _uncovered(all_phases: Sequence[Phases], one: Occurrence, ways: Ways) -> Iterator[Finding]:
    for phases in all_phases:
        place = starts_of(phases, one, ways.tables[0])
        if not _has_ways(ways, place):
            when = f" {phases.scenario.when}" if phases.scenario.when != "from the start" else ""
            yield _finding(
                one,
                "undecided",
                f"'{one.name}' may start at {_words(one, ways.tables[0], place)}{when}, and from part of it no "
                f"certified way leads to its goal",
                "bring the machine to a preset with a way first, or narrow where bodies outside may stand (outside)",
            )
            return


def starts_of(phases: Phases, one: Occurrence, table: WayTable) -> list[Span]:
    """Where the axes of a table may be when a step starts."""
    found = []
    for axis in table.axes:
        if axis in one.axes:
            found.append(start_span(phases, one, axis))
        else:
            found.append(hull([span for _, span in phases.rests(one, axis)]))
    return found


def _has_ways(ways: Ways, place: Sequence[Span]) -> bool:
    return all(_is_covered(table, ways.free, place) for table in ways.tables)


def _is_covered(table: WayTable, free: Free, place: Sequence[Span]) -> bool:
    """Whether there is a way from everywhere in a place: it is cut at the edges of boxes until each part has one."""
    edges = [sorted({end for span in table.spans_of(axis) for end in span}) for axis in table.axes]
    waiting = [list(place)]
    for _ in range(_MOST_LOOKS):
        if not waiting:
            return True
        part = waiting.pop()
        if table.way([low for low, _ in part], [high for _, high in part], free):
            continue
        cuts = [_nearest_to_middle(edges[k], low, high) for k, (low, high) in enumerate(part)]
        if all(cut is None for cut in cuts):
            return False
        shares = [0.0 if cut is None else high - low for cut, (low, high) in zip(cuts, part, strict=True)]
        axis = max(range(len(part)), key=lambda k: shares[k] / (edges[k][-1] - edges[k][0] or 1.0))
        cut = cuts[axis]
        assert cut is not None  # its share is the largest
        low, high = part[axis]
        waiting += [[*part[:axis], half, *part[axis + 1 :]] for half in ((low, cut), (cut, high))]
    return not waiting


def _nearest_to_middle(edges: Sequence[float], low: float, high: float) -> float | None:
    """The edge inside a span that is nearest to its middle; None if there is none."""
    middle = 0.5 * (low + high)
    inside = [edge for edge in edges if low + EDGE < edge < high - EDGE]
    return min(inside, key=lambda edge: abs(edge - middle), default=None)


def _words(one: Occurrence, table: WayTable, place: Sequence[Span]) -> str:
    machine = one.node.scope.routine.machine
    words = []
    for name, (low, high) in zip(table.axes, place, strict=True):
        show = machine.axes[name].show
        words.append(f"{name} {show(low)}" + (f" to {show(high)}" if high > low else ""))
    return ", ".join(words)


def _finding(one: Occurrence, severity: str, message: str, hint: str = "") -> Finding:
    return Finding("route", severity, message, one.name, one.node.step.place, hint)  # type: ignore[arg-type]


def _goals(flat: FlatRoutine, node: Node) -> Iterator[Mapping[str, float]]:
    """Every goal that a step may have: one for each choice of a preset, and for each word of a sensor."""
    goals = dict(goals_of(node))
    open_words: dict[str, tuple[str, ...]] = {}
    for goal in goals.values():
        if isinstance(goal, AtPlace) and isinstance(goal.position, Reference):
            parameter = flat.routine.parameters[goal.position.parameter]
            assert isinstance(parameter, PresetParameter)  # numbers are refused beforehand
            open_words[goal.position.parameter] = parameter.choices
        elif isinstance(goal, PerWord):
            open_words[""] = tuple(word for word, _ in goal.positions)
    for number, chosen in enumerate(product(*open_words.values())):
        if number >= _MOST_GOALS:
            return
        words = dict(zip(open_words, chosen, strict=True))
        found = {}
        for axis, goal in goals.items():
            match goal:
                case AtPlace(position=Reference(parameter=name)):
                    found[axis] = flat.machine.presets[words[name]].positions[axis]
                case AtPlace(position=position):
                    found[axis] = float(position)  # type: ignore[arg-type]
                case PerWord(positions=positions):
                    found[axis] = dict(positions)[words[""]]
        yield found
