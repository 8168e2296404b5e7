"""What makes a routine impossible before any motion is planned (R39), with place, rule and what to do."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import NamedTuple

from sequencer.errors import did_you_mean
from sequencer.machine.axis import Axis
from sequencer.machine.condition import Condition, Operand, names_in
from sequencer.places import Place
from sequencer.routine.graph import StepGraph, StepNode, referred
from sequencer.routine.parameters import NumberParameter, PresetParameter
from sequencer.routine.routine import ANYWHERE, Routine, blocks_of, walk
from sequencer.routine.step_reader import axes_of
from sequencer.routine.steps import (
    After,
    At,
    By,
    Choose,
    Flick,
    FromReading,
    Move,
    Passing,
    Perform,
    Press,
    Pulse,
    Repeat,
    Set,
    Step,
    TimeOperand,
    Timeout,
    Wait,
)
from sequencer.units import CURRENT, TIME, Dimension, dimension_name, show


class RoutineProblem(NamedTuple):
    """One contradiction, against a `rule` of the language; `step` is the path of its step ("": the whole routine)."""

    place: Place
    step: str
    rule: str
    message: str
    hint: str = ""


def problems_of(routine: Routine, written: frozenset[str] = frozenset()) -> list[RoutineProblem]:
    """Every contradiction of a routine, in file order; none for one that can be planned.

    What is inside performed routines counts where it meets the steps of this one. `written` holds names of steps that
    stand in the file but could not be read: references to them are no mistakes, and what depends on the whole graph
    is then left for the next time.
    """
    search = _Search(routine, StepGraph(routine), written)
    found = list(search.all())
    found.sort(key=lambda problem: (problem.place.line, problem.place.column))
    return found


@dataclass(slots=True)
class _Search:
    routine: Routine
    graph: StepGraph
    written: frozenset[str]
    own: list[StepNode] = field(default_factory=list)

    def all(self) -> Iterator[RoutineProblem]:
        self.own = [node for node in self.graph.nodes.values() if node.routine is self.routine]
        machine = self.routine.machine
        if self.routine.start != ANYWHERE and self.routine.start not in machine.presets:
            near = did_you_mean(self.routine.start, [*machine.presets, ANYWHERE])
            yield RoutineProblem(self.routine.place, "", "R51", f"unknown preset '{self.routine.start}'", near)
        if not self.own and not self.written:
            yield RoutineProblem(self.routine.place, "", "R9", "the routine has no step", "add one")
        yield from self.duplicates()
        for node in self.own:
            yield from self.references(node)
            yield from self.milestone(node)
            yield from self.real_steps(node)
            yield from self.timeout(node)
            yield from self.times(node)
            yield from self.names(node)
            yield from self.targets(node)
            yield from self.ranges(node)
            yield from self.caps(node)
            yield from self.performed(node)
        yield from self.loops()
        if not self.written - {step.name for step in walk(self.routine.steps)}:
            yield from self.joins()
            yield from self.overlaps()

    def problem(self, node: StepNode, rule: str, message: str, hint: str = "") -> RoutineProblem:
        return RoutineProblem(node.step.place, node.path, rule, message, hint)

    def duplicates(self) -> Iterator[RoutineProblem]:
        seen: dict[str, Step] = {}
        for step in walk(self.routine.steps):
            first = seen.setdefault(step.name, step)
            if first is not step:
                where = f" (the other in line {first.place.line})" if first.place.line else ""
                message = f"two steps are called '{step.name}'{where}"
                yield RoutineProblem(step.place, step.name, "R39", message, "give each its own name")

    def references(self, node: StepNode) -> Iterator[RoutineProblem]:
        known = [self.graph.nodes[path].step.name for path in self.graph.siblings(node.path)]
        everywhere = {other.step.name for other in self.own} | self.written
        for name in dict.fromkeys(referred(node.start)):
            if name in known or (name in self.written and name not in {other.step.name for other in self.own}):
                continue
            if name in everywhere:
                message = f"'{name}' stands in another list of steps"
                hint = "a step refers only to steps of its own list; refer to the block that holds it"
            else:
                message, hint = f"unknown step '{name}'", did_you_mean(name, set(known) - {node.step.name})
            yield self.problem(node, "R39", message, hint)

    def loops(self) -> Iterator[RoutineProblem]:
        ringed: set[str] = set()
        for ring in self.graph.loops():
            nodes = [self.graph.nodes[path] for path in ring]
            if nodes[0].routine is not self.routine:
                continue
            ringed.update(ring)
            named = [f"'{node.step.name}'{_line(node.step)}" for node in nodes]
            if len(nodes) == 1:
                message = f"{named[0]} waits for itself"
            else:
                message = f"a loop: {', which waits for '.join([*named, named[0].split(' (')[0]])}"
            yield self.problem(nodes[0], "R39", message, "a routine has no loops; use repeat")
        for node in self.own:
            if node.path in ringed:
                continue
            stuck = [name for name in self.graph.ancestors(node.path) if name in ringed]
            if stuck:
                first = self.graph.nodes[min(stuck, key=list(self.graph.nodes).index)].step.name
                message = f"'{node.step.name}' can never start: it waits for '{first}', which is in a loop"
                yield self.problem(node, "R39", message)

    def joins(self) -> Iterator[RoutineProblem]:
        for node in self.own:
            if not (isinstance(node.start, After) and node.start.any):
                continue
            if not node.start.steps:
                yield self.problem(node, "R12", "'any' names no step", "name at least two")
                continue
            branches = {name for branch in self.graph.join_branches(node.path) for name in branch}
            for name in self.graph.siblings(node.path):
                if name not in branches:
                    continue
                for leads in self.graph.successors(name):
                    if leads != node.path and leads not in branches:
                        step, other = self.graph.nodes[name].step, self.graph.nodes[leads].step
                        message = (
                            f"'{node.step.name}' takes the first of several branches, and '{step.name}'{_line(step)} "
                            f"in one of them leads to '{other.name}'{_line(other)} as well"
                        )
                        hint = "the steps of such branches lead nowhere but to the join"
                        yield self.problem(node, "R12", message, hint)

    def milestone(self, node: StepNode) -> Iterator[RoutineProblem]:
        start = node.start
        if not isinstance(start, Passing):
            return
        if not isinstance(node.step.body, Pulse | Set):
            message = f"'passing' starts pulses and sets only, and '{node.step.name}' is a {node.step.kind}"
            yield self.problem(node, "M1", message, "start it with 'with' and a gate (once)")
        watched = self.graph.nodes.get(node.prefix + start.step)
        if watched is None:
            return
        body, name = watched.step.body, watched.step.name
        if not isinstance(body, Move | Flick):
            message = f"'{name}' is a {watched.step.kind}, which has no profile that could pass a place"
            yield self.problem(node, "M1", message, "a move or a flick has one")
            return
        if start.at == "through":
            if not isinstance(body, Flick):
                message = f"'{name}' is a move, which has no 'through'"
                yield self.problem(node, "M1", message, "give the position: passing: {step: ..., at: 0.4 m}")
            return
        axes = axes_of(body, self.routine.machine, self.routine.parameters)
        axis_name = start.axis or (axes[0] if len(axes) == 1 else None)
        if axis_name is None:
            message = f"'{name}' moves {' and '.join(axes)}; 'axis' must say whose position is passed"
            yield self.problem(node, "M1", message, "add axis: " + (axes[0] if axes else "..."))
            return
        if axis_name not in axes:
            yield self.problem(node, "M1", f"'{name}' does not move {axis_name}", did_you_mean(axis_name, axes))
            return
        yield from self.within(node, self.routine.machine.axes[axis_name], start.at, "the milestone")

    def real_steps(self, node: StepNode) -> Iterator[RoutineProblem]:
        body = node.step.body
        hint = "a passage must hold a step that takes time, such as a wait"
        if isinstance(body, Repeat) and not self.surely_real(body.steps, self.routine):
            message = f"a passage of '{node.step.name}' can go by without a real step"
            yield self.problem(node, "R9", message, hint)
        if isinstance(body, Perform):
            performed = self.routine.subroutines.get(body.routine)
            if performed is not None and not self.surely_real(performed.steps, performed):
                message = f"the routine '{body.routine}' can go by without a real step"
                yield self.problem(node, "R9", message, hint)

    def surely_real(self, steps: tuple[Step, ...], routine: Routine) -> bool:
        """Whether every way through the list takes at least one step that is no block."""
        for step in steps:
            match step.body:
                case Choose(branches=branches, otherwise=otherwise):
                    lists = [branch.steps for branch in branches] + ([] if otherwise is None else [otherwise])
                    if all(self.surely_real(inner, routine) for inner in lists):
                        return True
                case Repeat(steps=inner):
                    if self.surely_real(inner, routine):
                        return True
                case Perform(routine=name):
                    performed = routine.subroutines.get(name)
                    if performed is None or self.surely_real(performed.steps, performed):
                        return True
                case _:
                    return True
        return False

    def timeout(self, node: StepNode) -> Iterator[RoutineProblem]:
        step = node.step
        timeout = step.timeout or self.routine.default_timeout
        if not _needs_timeout(step):
            return
        if timeout is None:
            message = f"'{step.name}' has no timeout"
            hint = 'add timeout: a time, planned + TIME, or none; or one for all under "defaults"'
            yield self.problem(node, "R24", message, hint)
            return
        awaited = isinstance(step.body, Wait | Choose) or (isinstance(step.body, Pulse) and step.duration is None)
        if timeout.kind == "planned" and awaited and step.usually is None:
            message = (
                f"the timeout of '{step.name}' counts from its planned time, and a {step.kind} for a condition has none"
            )
            yield self.problem(node, "R24", message, "add 'usually' (its time in the plan), or a timeout of its own")

    def times(self, node: StepNode) -> Iterator[RoutineProblem]:
        step = node.step
        start = node.start
        spans: list[tuple[str, TimeOperand | None, bool]] = [
            ("for", step.duration, False),
            ("steady", step.steady, step.steady == 0),
            ("blind", step.blind, True),
            ("usually", step.usually, False),
            (
                "timeout",
                step.timeout.time if isinstance(step.timeout, Timeout) else None,
                step.timeout == Timeout("none"),
            ),
        ]
        if isinstance(start, Passing):
            spans += [("lead", start.lead, True), ("lag", start.lag, True)]
        for what, time, zero in spans:
            if time is None:
                continue
            least: float
            if isinstance(time, str):
                parameter = self.routine.parameters.get(time)
                if not isinstance(parameter, NumberParameter) or parameter.dimension != TIME:
                    near = did_you_mean(time, self.routine.parameters)
                    yield self.problem(
                        node, "R39", f"'{what}' names '{time}', which is no parameter that is a time", near
                    )
                    continue
                least = parameter.low
            else:
                least = time * 1e-9
            if least < 0.0 or (least == 0.0 and not zero):
                shown = (
                    f"'{time}' can be {show(least, TIME)}" if isinstance(time, str) else f"it is {show(least, TIME)}"
                )
                bound = "at least 0" if zero else "greater than 0"
                yield self.problem(node, "R18", f"'{what}' must be {bound}; {shown}")

    def names(self, node: StepNode) -> Iterator[RoutineProblem]:
        known = self.routine.vocabulary()
        for what, condition in _conditions(node.step):
            for name in dict.fromkeys(names_in(condition.term)):
                base = name.partition(".")[0]
                if name not in known and base not in self.written:
                    yield self.problem(node, "R39", f"'{what}' names unknown '{name}'", did_you_mean(name, known))

    def targets(self, node: StepNode) -> Iterator[RoutineProblem]:
        machine = self.routine.machine
        body = node.step.body
        for name in axes_of(body, machine, self.routine.parameters):
            axis = machine.axes.get(name)
            if axis is None:
                yield self.problem(node, "R39", f"unknown axis '{name}'", did_you_mean(name, machine.axes))
            elif (axis.kind == "spin") != isinstance(body, Pulse):
                hint = "drive it with a pulse" if axis.kind == "spin" else "use move, flick or press"
                yield self.problem(
                    node, "R39", f"'{name}' is a {axis.kind} axis; a {node.step.kind} does not fit it", hint
                )
        outputs: list[str] = []
        if isinstance(body, Set):
            outputs = [name for name, _ in body.values]
        elif isinstance(body, Pulse):
            outputs = [drive.target for drive in body.drives if drive.quantity == "value"]
        for name in outputs:
            if name not in machine.outputs:
                yield self.problem(node, "R39", f"unknown output '{name}'", did_you_mean(name, machine.outputs))

    def ranges(self, node: StepNode) -> Iterator[RoutineProblem]:
        axes = self.routine.machine.axes
        match node.step.body:
            case Move(goals=goals, preset=preset):
                for name, goal in goals:
                    axis = axes.get(name)
                    if axis is None or axis.travel is None:
                        continue
                    if isinstance(goal, At):
                        yield from self.within(node, axis, goal.position, "the goal")
                    elif isinstance(goal, FromReading):
                        for end in goal.bounds:
                            yield from self.within(node, axis, end, "the range of the reading")
                    elif isinstance(goal, By):
                        yield from self.distance(node, axis, goal.distance)
                known = {**self.routine.machine.presets, **self.routine.parameters}
                if preset is not None and preset not in known:
                    yield self.problem(node, "R39", f"unknown preset '{preset}'", did_you_mean(preset, known))
            case Flick(axis=name, through=through, speed=speed, to=to) if name in axes:
                axis = axes[name]
                yield from self.within(node, axis, through, "'through'")
                yield from self.within(node, axis, to, "'to'")
                yield from self.flick_speed(node, axis, through, speed, to)
            case Press(axis=name, effort=effort, toward=toward) if name in axes:
                yield from self.within(node, axes[name], toward, "'toward'")
                span = self.span(effort, axes[name])
                if span is not None and span[0] <= 0.0:
                    message = f"the effort can be {show(span[0], CURRENT)}; it must be greater than 0"
                    yield self.problem(node, "R39", message, "'toward' gives the direction")
            case Repeat(times=times) if times is not None:
                span = self.span(times, None)
                if span is not None and span[0] < 1.0:
                    yield self.problem(node, "R39", f"'times' can be {span[0]:g}; it must be 1 or more")

    def span(self, operand: Operand, axis: Axis | None) -> tuple[float, float] | None:
        """The least and the greatest that an operand can be [SI]; None where its word means nothing here."""
        if not isinstance(operand, str):
            return operand, operand
        parameter = self.routine.parameters.get(operand)
        if isinstance(parameter, NumberParameter):
            return parameter.low, parameter.high
        presets = self.routine.machine.presets
        names = parameter.choices if isinstance(parameter, PresetParameter) else (operand,)
        if axis is None or any(name not in presets or axis.name not in presets[name].positions for name in names):
            return None
        positions = [presets[name].positions[axis.name] for name in names]
        return min(positions), max(positions)

    def within(self, node: StepNode, axis: Axis, operand: Operand, what: str) -> Iterator[RoutineProblem]:
        if axis.travel is None:
            return
        span = self.span(operand, axis)
        if span is None:
            known = [*self.routine.parameters, *self.routine.machine.presets]
            message = f"{what} names '{operand}', which gives {axis.name} no position"
            yield self.problem(node, "R39", message, did_you_mean(str(operand), known))
            return
        low, high = axis.travel
        for end in dict.fromkeys(span):
            if not low <= end <= high:
                word = f" (the parameter '{operand}' reaches it)" if isinstance(operand, str) else ""
                message = (
                    f"{what} {axis.show(end)}{word} is outside the travel of {axis.name}, "
                    f"{axis.show(low)} to {axis.show(high)}"
                )
                yield self.problem(node, "R39", message)

    def distance(self, node: StepNode, axis: Axis, operand: Operand) -> Iterator[RoutineProblem]:
        span = self.span(operand, axis)
        if span is None or axis.travel is None:
            return
        farthest = max(span, key=abs)
        room = axis.travel[1] - axis.travel[0]
        if abs(farthest) > room:
            message = (
                f"the distance {axis.show(farthest)} is more than the whole travel of {axis.name}, {axis.show(room)}"
            )
            yield self.problem(node, "R39", message)

    def flick_speed(
        self, node: StepNode, axis: Axis, through: Operand, speed: Operand, to: Operand
    ) -> Iterator[RoutineProblem]:
        place, pace, end = self.span(through, axis), self.span(speed, axis), self.span(to, axis)
        if place is None or pace is None or end is None:
            return
        (through_low, through_high), (least, most), (to_low, to_high) = place, pace, end
        down, up = axis.limits.velocity
        allowed = max(-down, up)
        if to_low > through_high:
            allowed = up
        elif to_high < through_low:
            allowed = -down
        if least <= 0.0:
            message = f"the speed can be {show(least, axis.speed_dimension)}; it must be greater than 0"
            yield self.problem(node, "R39", message)
        if most > allowed:
            message = (
                f"the speed {show(most, axis.speed_dimension)} is above the limit of {axis.name} in that direction, "
                f"{show(allowed, axis.speed_dimension)}"
            )
            yield self.problem(node, "R39", message)
        if through_low == through_high == to_low == to_high:
            yield self.problem(node, "R39", "'through' and 'to' are the same place", "a flick follows through after it")

    def caps(self, node: StepNode) -> Iterator[RoutineProblem]:
        limits = node.step.limits
        if limits is None:
            return
        for name in axes_of(node.step.body, self.routine.machine, self.routine.parameters):
            axis = self.routine.machine.axes.get(name)
            if axis is None:
                continue
            own: list[tuple[str, float | None, Dimension]] = [
                ("velocity", max(map(abs, axis.limits.velocity)), axis.speed_dimension),
                ("acceleration", max(map(abs, axis.limits.acceleration)), axis.acceleration_dimension),
                ("jerk", axis.limits.jerk, axis.jerk_dimension),
            ]
            for key, limit, dimension in own:
                cap = getattr(limits, key)
                if cap is None:
                    continue
                if cap.share and not 0.0 < cap.value <= 1.0:
                    yield self.problem(
                        node, "R39", f"the {key} share is {cap.value:g}; it must be above 0 and at most 1"
                    )
                if cap.share and limit is None:
                    yield self.problem(
                        node, "R39", f"{name} has no {key} limit to take a share of", f"give it in {name}'s limits"
                    )
                if not cap.share and limit is not None and cap.value > limit:
                    message = (
                        f"the {key} {show(cap.value, dimension)} is above the limit of {name}, {show(limit, dimension)}"
                    )
                    yield self.problem(node, "R39", message, "a step may only be slower than the axis")

    def performed(self, node: StepNode) -> Iterator[RoutineProblem]:
        body = node.step.body
        if not isinstance(body, Perform):
            return
        inner = self.routine.subroutines.get(body.routine)
        if inner is None:
            return
        for name, value in body.given:
            parameter = inner.parameters.get(name)
            if parameter is None:
                near = did_you_mean(name, inner.parameters)
                yield self.problem(node, "R39", f"'{body.routine}' has no parameter '{name}'", near)
                continue
            message = self.misgiven(parameter, value)
            if message:
                yield self.problem(node, "R39", f"'{name}' of '{body.routine}': {message}")

    def misgiven(self, parameter: NumberParameter | PresetParameter, value: Operand) -> str:
        """What is wrong with a value given to a performed routine's parameter; "" if nothing is."""
        outer = self.routine.parameters.get(value) if isinstance(value, str) else None
        if isinstance(parameter, PresetParameter):
            given = outer.choices if isinstance(outer, PresetParameter) else (value,)
            wrong = [str(choice) for choice in given if choice not in parameter.choices]
            return f"'{wrong[0]}' is not among its choices, {', '.join(parameter.choices)}" if wrong else ""
        if isinstance(value, str):
            if not isinstance(outer, NumberParameter):
                return f"'{value}' is no parameter that is a number; {did_you_mean(value, self.routine.parameters)}"
            if outer.dimension != parameter.dimension:
                return (
                    f"'{value}' is {dimension_name(outer.dimension)}; {dimension_name(parameter.dimension)} is needed"
                )
            low, high = outer.low, outer.high
        else:
            low = high = value
        for end in (low, high):
            if not parameter.low <= end <= parameter.high:
                shown = [show(one, parameter.dimension) for one in (end, parameter.low, parameter.high)]
                return f"{shown[0]} is outside its range, {shown[1]} to {shown[2]}"
        return ""

    def overlaps(self) -> Iterator[RoutineProblem]:
        users: dict[str, list[StepNode]] = {}
        for node in self.graph.nodes.values():
            for target in _taken(node):
                users.setdefault(target, []).append(node)
        for target, nodes in users.items():
            for index, later in enumerate(nodes):
                for earlier in nodes[:index]:
                    if later.step.preempt or earlier.step.preempt:
                        continue
                    if self.routine not in (later.routine, earlier.routine) and _outer(earlier) == _outer(later):
                        continue
                    if self.graph.may_overlap(earlier.path, later.path):
                        message = (
                            f"'{earlier.path}'{_line(earlier.step)} and '{later.path}'{_line(later.step)} both use "
                            f"{target} and can be active together"
                        )
                        hint = "start one after the other, or write preempt: true on the one that takes over"
                        mine = (
                            later
                            if later.routine is self.routine
                            else self.graph.nodes[self.graph.blocks(later.path)[0]]
                        )
                        yield RoutineProblem(mine.step.place, mine.path, "R28", message, hint)


def _outer(node: StepNode) -> str:
    return node.path.partition("/")[0]


def _taken(node: StepNode) -> tuple[str, ...]:
    """The axes and outputs that a step owns while it is active."""
    body = node.step.body
    if isinstance(body, Set):
        return tuple(name for name, _ in body.values)
    if isinstance(body, Pulse):
        return tuple(drive.target for drive in body.drives)
    return axes_of(body, node.routine.machine, node.routine.parameters)


def _needs_timeout(step: Step) -> bool:
    """Every wait and every move (R24); a wait or pulse for a time ends by itself."""
    match step.body:
        case Move() | Flick() | Press():
            return True
        case Wait() | Pulse():
            return step.duration is None
        case Choose(otherwise=otherwise):
            return otherwise is None
    return False


def _conditions(step: Step) -> Iterator[tuple[str, Condition]]:
    for what in ("once", "until", "must_stay", "only_if"):
        condition = getattr(step, what)
        if condition is not None:
            yield what, condition
    match step.body:
        case Wait(condition=condition) if condition is not None:
            yield "wait", condition
        case Repeat(until=condition) if condition is not None:
            yield "until", condition
        case Choose():
            for condition, _ in blocks_of(step):
                if condition is not None:
                    yield "if", condition


def _line(step: Step) -> str:
    return f" (line {step.place.line})" if step.place.line else ""
