"""What is wrong with single steps: times, names, goals, limits and given parameters outside what is allowed."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import NamedTuple

from sequencer.errors import did_you_mean
from sequencer.machine.axis import Axis
from sequencer.machine.condition import Condition, Operand, Vocabulary, names_in
from sequencer.places import Place
from sequencer.routine.body_reader import axes_of
from sequencer.routine.graph import StepNode
from sequencer.routine.parameters import NumberParameter, PresetParameter
from sequencer.routine.routine import Routine, blocks_of
from sequencer.routine.steps import (
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
    """One contradiction, against a `rule` of the language; `step` is the path of its step ("": the whole routine).

    `key` is the key of the step that is at fault, where there is one; of the whole routine, the path of the key.
    """

    place: Place
    step: str
    rule: str
    message: str
    hint: str = ""
    key: str = ""


def problem(node: StepNode, rule: str, message: str, hint: str = "", key: str = "") -> RoutineProblem:
    """A problem of a step, at its `key` (the key of its kind where none is given)."""
    return RoutineProblem(node.step.place, node.path, rule, message, hint, key or node.step.kind)


@dataclass(frozen=True, slots=True)
class StepValues:
    """Judges the values of the steps of a routine; `written` as in `problems_of`, `known` the routine's vocabulary."""

    routine: Routine
    written: frozenset[str]
    known: Vocabulary

    def all(self, node: StepNode) -> Iterator[RoutineProblem]:
        """Every value of a step that is not allowed."""
        yield from self.times(node)
        yield from self.names(node)
        yield from self.targets(node)
        yield from self.ranges(node)
        yield from self.caps(node)
        yield from self.performed(node)

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
                    yield problem(node, "R39", f"'{what}' names '{time}', which is no parameter that is a time", near)
                    continue
                least = parameter.low
            else:
                least = time * 1e-9
            if least < 0.0 or (least == 0.0 and not zero):
                shown = (
                    f"'{time}' can be {show(least, TIME)}" if isinstance(time, str) else f"it is {show(least, TIME)}"
                )
                bound = "at least 0" if zero else "greater than 0"
                yield problem(node, "R18", f"'{what}' must be {bound}; {shown}", key=what)

    def names(self, node: StepNode) -> Iterator[RoutineProblem]:
        for what, condition in _conditions(node.step):
            for name in dict.fromkeys(names_in(condition.term)):
                base = name.partition(".")[0]
                if name not in self.known and base not in self.written:
                    yield problem(node, "R39", f"'{what}' names unknown '{name}'", did_you_mean(name, self.known), what)

    def targets(self, node: StepNode) -> Iterator[RoutineProblem]:
        machine = self.routine.machine
        body = node.step.body
        for name in axes_of(body, machine, self.routine.parameters):
            axis = machine.axes.get(name)
            if axis is None:
                yield problem(node, "R39", f"unknown axis '{name}'", did_you_mean(name, machine.axes))
            elif (axis.kind == "spin") != isinstance(body, Pulse):
                hint = "drive it with a pulse" if axis.kind == "spin" else "use move, flick or press"
                yield problem(node, "R39", f"'{name}' is a {axis.kind} axis; a {node.step.kind} does not fit it", hint)
        outputs: list[str] = []
        if isinstance(body, Set):
            outputs = [name for name, _ in body.values]
        elif isinstance(body, Pulse):
            outputs = [drive.target for drive in body.drives if drive.quantity == "value"]
        for name in outputs:
            if name not in machine.outputs:
                yield problem(node, "R39", f"unknown output '{name}'", did_you_mean(name, machine.outputs))

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
                    yield problem(node, "R39", f"unknown preset '{preset}'", did_you_mean(preset, known))
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
                    yield problem(node, "R39", message, "'toward' gives the direction")
            case Repeat(times=times) if times is not None:
                span = self.span(times, None)
                if span is not None and span[0] < 1.0:
                    yield problem(node, "R39", f"'times' can be {span[0]:g}; it must be 1 or more")

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

    def within(
        self, node: StepNode, axis: Axis, operand: Operand, what: str, key: str = ""
    ) -> Iterator[RoutineProblem]:
        """Whether a position lies within the axis' travel, a parameter's over its whole range."""
        if axis.travel is None:
            return
        span = self.span(operand, axis)
        if span is None:
            known = [*self.routine.parameters, *self.routine.machine.presets]
            message = f"{what} names '{operand}', which gives {axis.name} no position"
            yield problem(node, "R39", message, did_you_mean(str(operand), known), key)
            return
        low, high = axis.travel
        for end in dict.fromkeys(span):
            if not low <= end <= high:
                word = f" (the parameter '{operand}' reaches it)" if isinstance(operand, str) else ""
                message = (
                    f"{what} {axis.show(end)}{word} is outside the travel of {axis.name}, "
                    f"{axis.show(low)} to {axis.show(high)}"
                )
                yield problem(node, "R39", message, key=key)

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
            yield problem(node, "R39", message)

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
            yield problem(node, "R39", message)
        if most > allowed:
            message = (
                f"the speed {show(most, axis.speed_dimension)} is above the limit of {axis.name} in that direction, "
                f"{show(allowed, axis.speed_dimension)}"
            )
            yield problem(node, "R39", message)
        if through_low == through_high == to_low == to_high:
            yield problem(node, "R39", "'through' and 'to' are the same place", "a flick follows through after it")

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
                    yield problem(
                        node, "R39", f"the {key} share is {cap.value:g}; it must be above 0 and at most 1", key="limits"
                    )
                if cap.share and limit is None:
                    yield problem(
                        node,
                        "R39",
                        f"{name} has no {key} limit to take a share of",
                        f"give it in {name}'s limits",
                        "limits",
                    )
                if not cap.share and limit is not None and cap.value > limit:
                    message = (
                        f"the {key} {show(cap.value, dimension)} is above the limit of {name}, {show(limit, dimension)}"
                    )
                    yield problem(node, "R39", message, "a step may only be slower than the axis", "limits")

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
                yield problem(node, "R39", f"'{body.routine}' has no parameter '{name}'", near, "given")
                continue
            message = self.misgiven(parameter, value)
            if message:
                yield problem(node, "R39", f"'{name}' of '{body.routine}': {message}", key="given")

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
