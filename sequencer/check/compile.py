"""A routine as plain data: what a pack carries and the runner interprets.

Performed routines are put in place under path names, presets become positions, limits and timeouts are worked out. What
depends on a parameter stays a reference to it, because it is read when the step starts (R25).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from sequencer.check.compile_machine import compile_machine, limits_data, plain
from sequencer.check.order import Order
from sequencer.check.routes import enters, routed
from sequencer.check.spans import Span
from sequencer.check.survey import Survey, survey
from sequencer.check.terms import operand_data, term_data
from sequencer.machine.machine import NANOSECONDS, Machine
from sequencer.pack.checked import CheckedRoutine
from sequencer.plan.motion import (
    AsRead,
    AtPlace,
    ByDistance,
    PerWord,
    ResolvedGoal,
    envelope_for,
    flick_speed,
    goals_of,
    limits_for,
    moved_axes,
)
from sequencer.plan.resolve import (
    AfterSteps,
    AtInstant,
    FlatRoutine,
    Node,
    PassingStep,
    Reference,
    ResolvedTime,
    WithStep,
    flatten,
)
from sequencer.routine.afterwards import AFTERWARDS, AfterwardsKey, afterwards_of
from sequencer.routine.parameters import NumberParameter, Parameter
from sequencer.routine.routine import ANYWHERE, Routine
from sequencer.routine.steps import Choose, Drive, Flick, Move, Perform, Press, Pulse, Repeat, Set, Timeout, Wait
from sequencer.routine.way_table import WayTable


def compile_routine(
    routine: Routine,
    *,
    assumes: Iterable[str] = (),
    waived: Iterable[Mapping[str, str | None]] = (),
    surveyed: Survey | None = None,
    flat: FlatRoutine | None = None,
    cleared: Mapping[str, Any] | None = None,
    starts: Sequence[Mapping[str, Span]] = (),
    afterwards: Mapping[AfterwardsKey, Mapping[str, Any]] | None = None,
) -> CheckedRoutine:
    """Compile a routine without asking whether it is clear; `check` does ask, and is the way to a checked routine.

    Args:
        routine: the routine.
        assumes: what its verdict rests on, kept in the data.
        waived: the findings accepted in writing (rule, step, because), kept in the data.
        surveyed: its plans at the ends of all ranges, if they were made already.
        flat: the routine laid out flat, if it was already.
        cleared: where it was proved to keep clear of bodies, by the table that would else block it.
        starts: the boxes of positions that it was judged from, if it starts from anywhere; none: the whole travel.
        afterwards: what runs after a cancel and after a fault, if it was compiled already.

    Raises:
        ModelError: a word in it stands for nothing that fits, or a step cannot move as it says with the parameters'
            own values.
    """
    flat = routed(flatten(routine)) if flat is None else flat
    plans = survey(flat) if surveyed is None else surveyed
    data = routine_data(flat, plans, _region(routine), cleared)
    data |= {"waived": [dict(entry) for entry in waived], "assumes": list(assumes)}
    if starts:
        data["starts"] = [_start_box(routine.machine, box) for box in starts]
    for key, after in afterwards_of(routine):
        if afterwards is not None and key in afterwards:
            data[key] = dict(afterwards[key])
        else:
            laid_out = routed(flatten(after))
            data[key] = routine_data(laid_out, survey(laid_out), [])
    machine = compile_machine(routine.machine)
    for one in (data, *(data[key] for key in AFTERWARDS if key in data)):
        if "ways" in one:
            # Made for exactly this machine, overlays included: with another the runner refuses them.
            one["ways"] = {"machine": machine["hash"], **one["ways"]}
    return CheckedRoutine(machine, data)


def routine_data(
    flat: FlatRoutine, plans: Survey, region: list[list[Any]], cleared: Mapping[str, Any] | None = None
) -> dict[str, Any]:
    """The plain data of a routine without what it was waived and what its verdict rests on.

    Args:
        flat: the routine.
        plans: its plans at the ends of all ranges.
        region: where each axis may stand at the start [axis by index, lowest, highest]; empty: anywhere.
        cleared: where it was proved to keep clear of bodies, by the table that would else block it.

    Raises:
        ModelError: a step cannot move as it says with the parameters' own values.
    """
    if plans.plan is None:
        raise plans.failures[0].error
    routine = flat.routine
    index = {name: number for number, name in enumerate(routine.machine.axes)}
    outputs = {name: number for number, name in enumerate(routine.machine.outputs)}
    data: dict[str, Any] = {
        "name": routine.name,
        "from": routine.start,
        "region": region,
        "parameters": [_parameter(parameter) for parameter in routine.parameters.values()],
        "roots": list(flat.roots),
        "steps": [_step(flat, node, plans.longest, index, outputs) for node in flat.nodes],
        "waived": [],
        "planned": plans.plan.duration,
        "assumes": [],
    }
    tables = _way_tables(flat)
    if tables:
        data["ways"] = {"tables": [table.to_data() for table in tables]}
        order = Order(flat)
        data["enters"] = [one.node.index for one in order.occurrences if enters(order, one)]
    if cleared:
        data["cleared"] = dict(cleared)
    if routine.outside:
        data["outside"] = [[one.body, *map(float, one.range), one.since] for one in routine.outside]
    return data


def timeout_of(node: Node) -> Timeout | None:
    """The timeout that applies to a step: its own, or the routine's default where the step does not end by itself.

    A `set`, whatever lasts a given time, and a block that does not wait for one of its branches take no default: the
    steps inside a block have their own.
    """
    step = node.step
    if step.timeout is not None:
        return step.timeout
    waits_for_branch = isinstance(step.body, Choose) and step.body.otherwise is None
    ends_by_itself = step.is_block or isinstance(step.body, Set) or step.duration is not None
    if ends_by_itself and not waits_for_branch:
        return None
    return node.scope.routine.default_timeout


def timeout_time(node: Node, longest: Mapping[int, float], routine: Routine) -> int | None:
    """The timeout of a step [ns], planned durations put in; None for none. A parameter counts with the top of its
    range."""
    timeout = timeout_of(node)
    if timeout is None or timeout.kind == "none":
        return None
    time = _most(node.scope.time(timeout.time), routine)
    if timeout.kind == "planned":
        time += round(longest.get(node.index, 0.0) * NANOSECONDS)
    return time


def _most(time: ResolvedTime, routine: Routine) -> int:
    if not isinstance(time, Reference):
        return time
    parameter = routine.parameters[time.parameter]
    assert isinstance(parameter, NumberParameter)
    return round(parameter.high * NANOSECONDS)


def _region(routine: Routine) -> list[list[Any]]:
    if routine.start == ANYWHERE:
        return []
    index = {name: number for number, name in enumerate(routine.machine.axes)}
    region = []
    for name, position in routine.machine.presets[routine.start].positions.items():
        tolerance = routine.machine.axes[name].tolerance.position
        region.append([index[name], position - tolerance, position + tolerance])
    return region


def _start_box(machine: Machine, box: Mapping[str, Span]) -> list[list[Any]]:
    """One of the boxes a routine may start in; at an end of the travel a little beyond, as an axis may be measured."""
    found = []
    for index, axis in enumerate(machine.axes.values()):
        if axis.name in box and axis.travel is not None:
            low, high = box[axis.name]
            (first, last), beyond = axis.travel, axis.tolerance.position
            low = min(low, first - beyond) if low <= first else low
            high = max(high, last + beyond) if high >= last else high
            found.append([index, float(low), float(high)])
    return found


def _parameter(parameter: Parameter) -> dict[str, Any]:
    if isinstance(parameter, NumberParameter):
        return {
            "name": parameter.name,
            "kind": "number",
            "value": float(parameter.value),
            "low": float(parameter.low),
            "high": float(parameter.high),
            "dimension": list(parameter.dimension),
        }
    return {"name": parameter.name, "kind": "preset", "value": parameter.preset, "choices": list(parameter.choices)}


def _step(
    flat: FlatRoutine, node: Node, longest: Mapping[int, float], axes: Mapping[str, int], outputs: Mapping[str, int]
) -> dict[str, Any]:
    step, scope = node.step, node.scope
    until = step.until
    if isinstance(step.body, Wait | Repeat) and until is None:
        until = step.body.condition if isinstance(step.body, Wait) else step.body.until
    machine = flat.machine
    driven = [drive.target for drive in step.body.drives] if isinstance(step.body, Pulse) else moved_axes(node)
    return {
        "name": node.name,
        "kind": step.kind,
        "parent": node.parent,
        "start": _start(node, axes),
        "once": term_data(step.once, scope),
        "until": term_data(until, scope),
        "must_stay": term_data(step.must_stay, scope),
        "only_if": term_data(step.only_if, scope),
        "steady": _time(scope.time(step.steady)),
        "blind": _time(scope.time(step.blind)),
        "duration": None if step.duration is None else _time(scope.time(step.duration)),
        "timeout": timeout_time(node, longest, flat.routine),
        "on_timeout": step.on_timeout,
        "retry": step.retry,
        "preempt": step.preempt,
        "phase": step.phase,
        "together": step.together,
        "profile": step.profile,
        "place": str(step.place),
        "limits": {
            str(axes[name]): limits_data(limits_for(node, machine.axes[name])) for name in driven if name in axes
        },
        **_envelopes(node, machine, axes),
        **_touching(node, machine),
        **_ways(flat, node),
        **_body(node, axes, outputs),
    }


def _envelopes(node: Node, machine: Machine, axes: Mapping[str, int]) -> dict[str, Any]:
    """What the motors of each axis can do, where a step moves by that."""
    if node.step.profile != "motor" or not isinstance(node.step.body, Move):
        return {}
    found = {}
    for name in moved_axes(node):
        if name in axes:
            envelope = envelope_for(node, machine, machine.axes[name])
            found[str(axes[name])] = {
                field: getattr(envelope, field) for field in envelope.__slots__ if field != "limits"
            }
    return {"envelopes": found}


def _touching(node: Node, machine: Machine) -> dict[str, Any]:
    """The pairs of bodies that may touch while a step is active, where it says so."""
    if node.step.touching is None:
        return {}
    first, second = (machine.bodies_meant(name) for name in node.step.touching)
    return {"touching": [[one, other] for one in first for other in second]}


def _way_tables(flat: FlatRoutine) -> list[WayTable]:
    """The tables of all steps that look their ways up, each once."""
    found: list[WayTable] = []
    for node in flat.nodes:
        for table in node.ways.tables if node.ways is not None else ():
            if not any(table is other for other in found):
                found.append(table)
    return found


def _ways(flat: FlatRoutine, node: Node) -> dict[str, Any]:
    """The tables of a step by their numbers, where it looks its way up."""
    if node.ways is None:
        return {}
    tables = _way_tables(flat)
    mine = [number for number, table in enumerate(tables) if any(table is one for one in node.ways.tables)]
    return {"ways": mine}


def _start(node: Node, axes: Mapping[str, int]) -> dict[str, Any]:
    match node.start:
        case AfterSteps(steps=steps, any=first, branches=branches):
            return {"kind": "after", "steps": list(steps), "any": first, "branches": [list(one) for one in branches]}
        case WithStep(step=step):
            return {"kind": "with", "step": step}
        case PassingStep(step=step, at=at, axis=axis, lead=lead, lag=lag):
            return {
                "kind": "passing",
                "step": step,
                "at": at if isinstance(at, str) else operand_data(at),
                "axis": None if axis is None else axes[axis],
                "lead": _time(lead),
                "lag": _time(lag),
            }
        case AtInstant(time=time):
            return {"kind": "at", "time": time}


def _body(node: Node, axes: Mapping[str, int], outputs: Mapping[str, int]) -> dict[str, Any]:
    scope = node.scope
    match node.step.body:
        case Move():
            return {"goals": [[axes[axis], _goal(goal)] for axis, goal in goals_of(node)]}
        case Flick(axis=axis, through=through, speed=speed, to=to):
            place, end, fast = scope.operand(through, axis), scope.operand(to, axis), scope.operand(speed)
            if not isinstance(place, Reference) and not isinstance(end, Reference) and not isinstance(fast, Reference):
                fast = flick_speed(place, end, fast)
            return {
                "axis": axes[axis],
                "through": operand_data(place),
                "speed": operand_data(fast),
                "to": operand_data(end),
            }
        case Press(axis=axis, effort=effort, toward=toward):
            return {
                "axis": axes[axis],
                "effort": operand_data(scope.operand(effort)),
                "toward": operand_data(scope.operand(toward, axis)),
            }
        case Pulse(drives=drives):
            return {"drives": [_drive(node, drive, axes, outputs) for drive in drives]}
        case Wait():
            return {}
        case Set(values=values):
            return {"values": [[outputs[name], plain(value)] for name, value in values]}
        case Choose(otherwise=otherwise):
            branches = [
                {"term": term_data(condition, scope), "steps": list(inside)}
                for condition, inside in node.groups
                if condition is not None
            ]
            return {"branches": branches, "otherwise": None if otherwise is None else list(node.groups[-1][1])}
        case Repeat(times=times):
            passages = None if times is None else operand_data(scope.operand(times))
            return {"times": passages, "steps": list(node.children)}
        case Perform():
            return {"steps": list(node.children)}


def _goal(goal: ResolvedGoal) -> list[Any]:
    match goal:
        case AtPlace(position=position):
            return ["at", operand_data(position)]
        case ByDistance(distance=distance):
            return ["by", operand_data(distance)]
        case AsRead(sensor=sensor, low=low, high=high):
            return ["reading", sensor, float(low), float(high)]
        case PerWord(sensor=sensor, positions=positions):
            return ["per", sensor, dict(positions)]


def _drive(node: Node, drive: Drive, axes: Mapping[str, int], outputs: Mapping[str, int]) -> list[Any]:
    value = drive.value
    if drive.target in axes:
        assert not isinstance(value, bool)
        return ["axis", axes[drive.target], drive.quantity, operand_data(node.scope.operand(value))]
    output = node.scope.routine.machine.outputs[drive.target]
    if isinstance(value, str) and output.kind == "number":
        return ["output", outputs[drive.target], "value", operand_data(node.scope.operand(value))]
    return ["output", outputs[drive.target], "value", plain(value)]


def _time(time: ResolvedTime) -> int | list[str]:
    return ["parameter", time.parameter] if isinstance(time, Reference) else time
