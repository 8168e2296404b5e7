"""From nodes to steps."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from sequencer.errors import did_you_mean
from sequencer.machine.machine import Machine
from sequencer.machine.node import Node
from sequencer.machine.sensor import Value
from sequencer.machine.shape import (
    NAME,
    Fields,
    Pair,
    Quantity,
    Reading,
    Unreadable,
    axis_dimensions,
    check_name,
    joined,
    quantity_or_word,
)
from sequencer.machine.value import value_of
from sequencer.places import Place
from sequencer.routine.keys import (
    ANY,
    BRANCH,
    BY,
    FITS,
    FLICK,
    KINDS,
    LIMITS_OF_STEP,
    PASSING,
    REPEAT,
    STARTS,
    STEP,
)
from sequencer.routine.parameters import NumberParameter, Parameter, PresetParameter
from sequencer.routine.routine import Routine
from sequencer.routine.steps import (
    After,
    At,
    AtTime,
    Body,
    Branch,
    By,
    Cap,
    Choose,
    Drive,
    Flick,
    Following,
    FromReading,
    Goal,
    LimitCaps,
    Move,
    Passing,
    Perform,
    Press,
    Pulse,
    Repeat,
    Set,
    Start,
    Step,
    Wait,
    With,
)
from sequencer.units import ANGULAR_SPEED, CURRENT, NUMBER, VOLTAGE, dimension_name

FindRoutine = Callable[[str, Place, str], Routine | None]
"""Gives a routine by name for the place and path that name it; None where there is none (which it has noted)."""

ON_TIMEOUT = ("fault", "continue", "cancel")


@dataclass(slots=True)
class StepReader:
    """Reads steps of routines on a machine. What is broken is noted; a step that cannot be had is left out."""

    machine: Machine
    reading: Reading
    parameters: Mapping[str, Parameter]
    find: FindRoutine
    seen: dict[str, Place] = field(default_factory=dict)

    def steps(self, node: Node, path: str) -> tuple[Step, ...]:
        """The steps of a list."""
        if node.items is None:
            self.reading.wrong(node, path, f"{node.found()} was found; a list of steps was expected")
            return ()
        found = []
        for index, item in enumerate(node.items):
            if item.entries is None or len(item.entries) != 1:
                message = f"{item.found()} was found; a step was expected, written as its name and a table of keys"
                if item.entries is not None:
                    message = f"a step is written as one name and a table of keys; {len(item.entries)} names were found"
                self.reading.wrong(item, f"{path}[{index}]", message)
                continue
            ((name, inner),) = item.entries.items()
            place = item.place_of(name)
            if not check_name(name, place, f"steps.{name}", self.reading):
                continue
            first = self.seen.setdefault(name, place)
            if first is not place:
                message = f"two steps are called '{name}' (the other in line {first.line})"
                self.reading.wrong_at(place, f"steps.{name}", message, "give each its own name", "R39")
            try:
                step = self.step(name, self.reading.fields(STEP, inner, f"steps.{name}"), place)
            except Unreadable:
                continue
            if step is not None:
                found.append(step)
        return tuple(found)

    def step(self, name: str, fields: Fields, place: Place) -> Step | None:
        present = [kind for kind in KINDS if fields.at.entries and kind in fields.at.entries]
        if len(present) != 1:
            found = "none was found" if not present else f"found {' and '.join(present)}"
            near = ""
            if not present:
                near = "; allowed: " + ", ".join(KINDS)
            self.reading.wrong_at(place, fields.path, f"a step has exactly one kind; {found}{near}")
            return None
        kind = present[0]
        self.check_fit(kind, fields)
        node = fields.node(kind)
        body: Body | None = None
        duration: int | str | None = None
        if node is not None:
            path = joined(fields.path, kind)
            try:
                if kind == "wait":
                    awaited = fields.value("wait")
                    if isinstance(awaited, int | str):
                        body, duration = Wait(None), awaited
                    elif awaited is not None:
                        body = Wait(awaited)
                else:
                    body = getattr(self, f"{kind}_body")(node, path, fields)
            except Unreadable:
                body = None
        start = self.start(fields, place)
        fallback = fields.value("on_timeout")
        if fallback is not None and fallback not in ON_TIMEOUT:
            self.find(fallback, fields.at.place_of("on_timeout"), joined(fields.path, "on_timeout"))
        values: dict[str, Any] = fields.values(
            *("once", "until", "steady", "blind", "timeout", "on_timeout", "retry", "must_stay", "only_if"),
            *("usually", "preempt", "phase", "profile", "together", "about"),
        )
        if kind == "pulse":
            duration = fields.value("for")
            if fields.node("for") is None and fields.node("until") is None:
                self.reading.wrong_at(
                    place, fields.path, "a pulse needs 'for' (a time) or 'until' (a condition)", rule="R26"
                )
        if kind == "press" and fields.node("until") is None:
            self.reading.wrong_at(
                place, fields.path, "a press needs 'until', the condition that shows the contact", rule="R46"
            )
        if kind == "wait" and duration is not None:
            for key in ("steady", "blind"):
                if fields.node(key) is not None:
                    self.reading.wrong_at(
                        fields.at.place_of(key),
                        joined(fields.path, key),
                        f"'{key}' needs a condition; this wait has a time",
                    )
        if kind in ("move", "flick", "pulse") and fields.node("until") is None:
            for key in ("steady", "blind"):
                if fields.node(key) is not None:
                    self.reading.wrong_at(
                        fields.at.place_of(key),
                        joined(fields.path, key),
                        f"'{key}' needs 'until', the condition it filters",
                    )
        if values.get("profile") == "motor":
            profile = fields.node("profile")
            if profile is not None:
                self.reading.wrong(
                    profile,
                    joined(fields.path, "profile"),
                    "'motor' is not supported yet",
                    "write s_curve or trapezoid",
                )
            values.pop("profile")
        limits = self.caps(fields, body)
        if body is None:
            return None
        return Step(name, body, start, duration=duration, limits=limits, place=place, **values)

    def check_fit(self, kind: str, fields: Fields) -> None:
        for key in fields.at.entries or {}:
            if key in FITS and kind not in FITS[key]:
                hint = ""
                if key == "for" and kind == "wait":
                    hint = "write wait: 100 ms"
                if key == "until" and kind == "wait":
                    hint = "the condition is the wait's own value"
                fitting = ", ".join(name for name in KINDS if name in FITS[key])
                self.reading.wrong_at(
                    fields.at.place_of(key),
                    joined(fields.path, key),
                    f"'{key}' does not fit a {kind}; it fits {fitting}",
                    hint,
                )

    def start(self, fields: Fields, place: Place) -> Start:
        present = [key for key in STARTS if fields.node(key) is not None]
        if len(present) > 1:
            self.reading.wrong_at(place, fields.path, f"a step starts in one way; found {' and '.join(present)}")
        if not present:
            return Following()
        key = present[0]
        node = fields.node(key)
        path = joined(fields.path, key)
        assert node is not None
        try:
            if key == "with":
                return With(fields.value("with", ""))
            if key == "at":
                time = fields.value("at")
                return AtTime(time) if isinstance(time, int) else Following()
            if key == "passing":
                return self.passing(node, path)
            if node.entries is not None:
                return After(self.reading.fields(ANY, node, path).value("any", ()), True)
            return After(_names(node, path, self.reading))
        except Unreadable:
            return Following()

    def passing(self, node: Node, path: str) -> Start:
        fields = self.reading.fields(PASSING, node, path)
        step, axis = fields.value("step"), fields.value("axis")
        values = fields.values("lead", "lag")
        at: str | float = "through"
        written = fields.node("at")
        if written is not None and written.value != "through":
            if isinstance(written.value, str) and NAME.match(written.value) is not None:
                reading = self.reading
                if axis in self.machine.axes:
                    reading = reading.on_axis(axis, self.machine.axes[axis].kind)
                    at = quantity_or_word(
                        written, joined(path, "at"), self.machine.axes[axis].dimension, reading, words=True
                    )
                else:
                    at = written.value
            else:
                at = self.position_of_any(written, joined(path, "at"), axis)
        axis_node = fields.node("axis")
        if axis is not None and axis not in self.machine.axes and axis_node is not None:
            self.reading.wrong(
                axis_node, joined(path, "axis"), f"unknown axis '{axis}'", did_you_mean(axis, self.machine.axes)
            )
        return Passing(step, at, axis, **values) if step is not None else Following()

    def position_of_any(self, node: Node, path: str, axis: str | None) -> float | str:
        """A position whose axis may be known only from the step that is passed: a length or an angle."""
        if axis is not None and axis in self.machine.axes:
            dimension = self.machine.axes[axis].dimension
            return quantity_or_word(node, path, dimension, self.reading.on_axis(axis, self.machine.axes[axis].kind))
        lengths = axis_dimensions("linear")["position"], axis_dimensions("rotary")["position"]
        quiet = Reading()
        for dimension in lengths:
            try:
                return quantity_or_word(node, path, dimension, quiet)
            except Unreadable:
                continue
        raise self.reading.wrong(node, path, f"{node.found()} is neither 'through' nor a position with its unit")

    def caps(self, fields: Fields, body: Body | None) -> LimitCaps | None:
        node = fields.node("limits")
        if node is None:
            return None
        path = joined(fields.path, "limits")
        try:
            inner = self.reading.fields(LIMITS_OF_STEP, node, path)
        except Unreadable:
            return None
        axes = axes_of(body, self.machine, self.parameters) if body is not None else ()
        kinds = {"linear" if self.machine.axes[axis].kind == "linear" else "rotary" for axis in axes}
        found: dict[str, Cap] = {}
        for key in ("velocity", "acceleration", "jerk"):
            value = inner.node(key)
            if value is None:
                continue
            cap = self.cap(value, joined(path, key), key, kinds)
            if cap is not None:
                found[key] = cap
        return LimitCaps(**found) if found else None

    def cap(self, node: Node, path: str, key: str, kinds: set[str]) -> Cap | None:
        text = node.value
        try:
            if isinstance(text, str) and text.strip().endswith("%"):
                share = quantity_or_word(node, path, NUMBER, self.reading)
                if isinstance(share, float) and not 0.0 < share <= 1.0:
                    raise self.reading.wrong(node, path, f"{text} is not above 0 % and at most 100 %")
                return Cap(float(share), True)
            if len(kinds) > 1:
                raise self.reading.wrong(
                    node,
                    path,
                    "the step moves axes of different kinds, so one number does not fit them",
                    "write a share in %",
                )
            if not kinds:
                return None
            dimension = axis_dimensions(next(iter(kinds)))[key]
            value = quantity_or_word(node, path, dimension, self.reading)
            if isinstance(value, float) and value <= 0.0:
                raise self.reading.wrong(node, path, f"{node.text} is not greater than 0")
            return Cap(float(value))
        except Unreadable:
            return None

    def axis(self, name: str, place: Place, path: str, positioned: bool = True) -> str:
        if name not in self.machine.axes:
            known = [axis.name for axis in self.machine.axes.values() if not positioned or axis.kind != "spin"]
            message = f"unknown axis '{name}'"
            if name in self.machine.presets:
                message += f" ('{name}' is a preset; write it alone)"
            self.reading.wrong_at(place, path, message, did_you_mean(name, known))
            raise Unreadable(name)
        if positioned and self.machine.axes[name].kind == "spin":
            self.reading.wrong_at(place, path, f"'{name}' is a spin and has no position", "drive it with a pulse")
            raise Unreadable(name)
        return name

    def on(self, axis: str) -> Reading:
        return self.reading.on_axis(axis, self.machine.axes[axis].kind)

    def table(self, node: Node, path: str, what: str) -> dict[str, Node]:
        if node.entries is None:
            raise self.reading.wrong(node, path, f"{node.found()} was found; {what} was expected")
        if not node.entries:
            raise self.reading.wrong(node, path, f"an empty table was found; {what} was expected")
        return node.entries

    def move_body(self, node: Node, path: str, fields: Fields) -> Body:
        if isinstance(node.value, str):
            return Move(preset=self.preset(node, path, parameters=True))
        entries = self.table(node, path, "a preset's name or goals by axis")
        if "per" in entries:
            return self.move_per(node, path, entries)
        goals: list[tuple[str, Goal]] = []
        broken = False
        for name, inner in entries.items():
            where = joined(path, name)
            try:
                axis = self.axis(name, node.place_of(name), where)
                goals.append((axis, self.goal(inner, where, axis)))
            except Unreadable:
                broken = True
        if broken:
            raise Unreadable(path)
        return Move(tuple(goals))

    def preset(self, node: Node, path: str, parameters: bool = False) -> str:
        name = node.value
        judge = self.reading.judge
        if not isinstance(name, str):
            raise self.reading.wrong(node, path, f"{node.found()} was found; the name of a preset was expected")
        if name in self.machine.presets:
            return name
        if parameters and judge is not None and NAME.match(name):
            for axis in self.machine.axes.values():
                if axis.kind != "spin" and judge(name, axis.dimension, axis.name) is None:
                    return name
        raise self.reading.wrong(node, path, f"unknown preset '{name}'", did_you_mean(name, self.machine.presets))

    def move_per(self, node: Node, path: str, entries: dict[str, Node]) -> Body:
        sensor_node = entries["per"]
        sensor = self.machine.sensors.get(str(sensor_node.value))
        where = joined(path, "per")
        if sensor is None:
            known = [one.name for one in self.machine.sensors.values() if one.kind == "one_of"]
            raise self.reading.wrong(
                sensor_node, where, f"unknown sensor '{sensor_node.value}'", did_you_mean(str(sensor_node.value), known)
            )
        if sensor.kind != "one_of":
            raise self.reading.wrong(sensor_node, where, f"'{sensor.name}' is a {sensor.kind}; a one_of is needed")
        table: list[tuple[str, str]] = []
        broken = False
        for word, inner in entries.items():
            if word == "per":
                continue
            if word not in sensor.values:
                self.reading.wrong_at(
                    node.place_of(word),
                    joined(path, word),
                    f"'{sensor.name}' is never '{word}'",
                    did_you_mean(word, sensor.values),
                )
                broken = True
                continue
            try:
                table.append((word, self.preset(inner, joined(path, word))))
            except Unreadable:
                broken = True
        if not table and not broken:
            raise self.reading.wrong(node, path, f"no value of '{sensor.name}' has a preset")
        if broken:
            raise Unreadable(path)
        return Move(per=(sensor.name, tuple(table)))

    def goal(self, node: Node, path: str, axis: str) -> Goal:
        if node.entries is None:
            return At(Quantity("position", words=True).read(node, path, self.on(axis)))
        fields = self.reading.fields(BY, node, path)
        by, sensor_node, bounds = fields.node("by"), fields.node("reading"), fields.node("range")
        if (by is None) == (sensor_node is None):
            raise self.reading.wrong(
                node, path, "a goal has either 'by' (a distance) or 'reading' (a sensor) with 'range'"
            )
        if by is not None:
            if bounds is not None:
                self.reading.wrong_at(node.place_of("range"), joined(path, "range"), "'range' belongs to 'reading'")
            return By(Quantity("position", words=True).read(by, joined(path, "by"), self.on(axis)))
        name = fields.value("reading")
        sensor = self.machine.sensors.get(name)
        assert sensor_node is not None
        if sensor is None:
            known = [one.name for one in self.machine.sensors.values() if one.kind == "number"]
            raise self.reading.wrong(
                sensor_node, joined(path, "reading"), f"unknown sensor '{name}'", did_you_mean(str(name), known)
            )
        if sensor.kind != "number" or sensor.dimension != self.machine.axes[axis].dimension:
            is_what = dimension_name(sensor.dimension) if sensor.dimension is not None else f"a {sensor.kind}"
            raise self.reading.wrong(
                sensor_node,
                joined(path, "reading"),
                f"'{name}' is {is_what}; {dimension_name(self.machine.axes[axis].dimension)} is needed",
            )
        if bounds is None:
            raise self.reading.wrong(node, path, "'range' is missing; a reading is taken as a goal only within a range")
        low, high = Pair(Quantity("position")).read(bounds, joined(path, "range"), self.on(axis))
        return FromReading(sensor.name, (low, high))

    def flick_body(self, node: Node, path: str, fields: Fields) -> Body:
        entries = self.table(node, path, "one axis with through, speed and to")
        if len(entries) != 1:
            raise self.reading.wrong(node, path, f"a flick moves one axis; found {', '.join(entries)}")
        ((name, inner),) = entries.items()
        axis = self.axis(name, node.place_of(name), joined(path, name))
        flick = self.reading.fields(FLICK, inner, joined(path, name))
        values = {key: flick.read(key, self.on(axis)) for key in ("through", "speed", "to")}
        if any(value is None for value in values.values()):
            raise Unreadable(path)
        speed = values["speed"]
        speed_node = flick.node("speed")
        if isinstance(speed, float) and speed <= 0.0 and speed_node is not None:
            raise self.reading.wrong(
                speed_node,
                joined(flick.path, "speed"),
                f"{speed_node.text} is not greater than 0",
                "write it unsigned; 'through' and 'to' give the direction",
            )
        return Flick(axis, **values)

    def press_body(self, node: Node, path: str, fields: Fields) -> Body:
        entries = dict(self.table(node, path, "one axis with its effort, and toward"))
        toward = entries.pop("toward", None)
        if len(entries) != 1:
            raise self.reading.wrong(
                node, path, "a press has one axis with its effort, such as {wrist: 14 A, toward: -6 deg}"
            )
        ((name, inner),) = entries.items()
        axis = self.axis(name, node.place_of(name), joined(path, name))
        if toward is None:
            raise self.reading.wrong(
                node, path, "'toward' is missing; the position that the press must not pass is needed"
            )
        where = joined(path, name)
        effort = quantity_or_word(inner, where, CURRENT, self.reading, words=True)
        if isinstance(effort, float) and effort <= 0.0:
            raise self.reading.wrong(
                inner, where, f"{inner.text} is not greater than 0", "'toward' gives the direction"
            )
        return Press(axis, effort, Quantity("position", words=True).read(toward, joined(path, "toward"), self.on(axis)))

    def pulse_body(self, node: Node, path: str, fields: Fields) -> Body:
        drives: list[Drive] = []
        broken = False
        for name, inner in self.table(node, path, "spin axes or outputs with their values").items():
            where = joined(path, name)
            try:
                drives.append(self.drive(name, inner, where, node.place_of(name)))
            except Unreadable:
                broken = True
        if broken:
            raise Unreadable(path)
        return Pulse(tuple(drives))

    def drive(self, name: str, node: Node, path: str, place: Place) -> Drive:
        if name in self.machine.outputs:
            output = self.machine.outputs[name]
            if output.kind == "number":
                dimension = output.dimension or NUMBER
                return Drive(name, quantity_or_word(node, path, dimension, self.reading, words=True), "value")
            return Drive(name, self.output_value(name, node, path), "value")
        axis = self.machine.axes.get(name)
        spins = [one.name for one in self.machine.axes.values() if one.kind == "spin"]
        if axis is None:
            self.reading.wrong_at(
                place, path, f"unknown axis or output '{name}'", did_you_mean(name, [*spins, *self.machine.outputs])
            )
            raise Unreadable(name)
        if axis.kind != "spin":
            self.reading.wrong_at(
                place,
                path,
                f"'{name}' is a {axis.kind} axis; a pulse drives spins and outputs",
                "use move, flick or press",
            )
            raise Unreadable(name)
        judge = self.reading.judge
        if isinstance(node.value, str) and NAME.match(node.value) and judge is not None:
            if judge(node.value, ANGULAR_SPEED, None) is None:
                return Drive(name, node.value, "speed")
            return Drive(name, quantity_or_word(node, path, VOLTAGE, self.reading, words=True), "voltage")
        quiet = Reading()
        try:
            return (
                Drive(name, quantity_or_word(node, path, ANGULAR_SPEED, quiet), "speed")
                if node.value != 0
                else Drive(name, 0.0, "voltage")
            )
        except Unreadable:
            value = quantity_or_word(node, path, VOLTAGE, quiet) if _is_voltage(node) else None
        if value is None:
            found = node.text or node.found()
            raise self.reading.wrong(
                node, path, f"'{found}' is neither a voltage (such as 6 V) nor an angular speed (such as 3000 rpm)"
            )
        return Drive(name, value, "voltage")

    def output_value(self, name: str, node: Node, path: str) -> Value:
        output = self.machine.outputs[name]
        return value_of(node, path, output.kind, output.dimension, output.values, self.reading)

    def set_body(self, node: Node, path: str, fields: Fields) -> Body:
        values: list[tuple[str, Value]] = []
        broken = False
        for name, inner in self.table(node, path, "outputs with their values").items():
            where = joined(path, name)
            if name not in self.machine.outputs:
                message = f"unknown output '{name}'"
                if name in self.machine.axes:
                    message = f"'{name}' is an axis; set is for outputs"
                self.reading.wrong_at(node.place_of(name), where, message, did_you_mean(name, self.machine.outputs))
                broken = True
                continue
            try:
                values.append((name, self.output_value(name, inner, where)))
            except Unreadable:
                broken = True
        if broken:
            raise Unreadable(path)
        return Set(tuple(values))

    def choose_body(self, node: Node, path: str, fields: Fields) -> Body:
        if node.items is None:
            raise self.reading.wrong(node, path, f"{node.found()} was found; a list of branches was expected")
        branches: list[Branch] = []
        otherwise: tuple[Step, ...] | None = None
        for index, item in enumerate(node.items):
            where = f"{path}[{index}]"
            branch = self.reading.fields(BRANCH, item, where)
            last = branch.node("else")
            if last is not None:
                if branch.node("if") is not None or branch.node("steps") is not None:
                    self.reading.wrong(item, where, "'else' stands alone: it holds the list of steps itself")
                if index != len(node.items) - 1:
                    self.reading.wrong(item, where, "'else' must be the last branch")
                otherwise = self.steps(last, joined(where, "else"))
                continue
            condition, steps = branch.value("if"), branch.node("steps")
            for key in ("if", "steps"):
                if branch.node(key) is None:
                    self.reading.wrong(item, joined(where, key), f"'{key}' is missing")
            inner = self.steps(steps, joined(where, "steps")) if steps is not None else ()
            if condition is not None:
                branches.append(Branch(condition, inner, item.place))
        if not node.items:
            raise self.reading.wrong(node, path, "an empty list was found; at least one branch is needed")
        return Choose(tuple(branches), otherwise)

    def repeat_body(self, node: Node, path: str, fields: Fields) -> Body:
        repeat = self.reading.fields(REPEAT, node, path)
        times, until, steps = repeat.value("times"), repeat.value("until"), repeat.node("steps")
        if (repeat.node("times") is None) == (repeat.node("until") is None):
            self.reading.wrong(node, path, "a repeat has either 'times' or 'until'")
        times_node = repeat.node("times")
        if isinstance(times, float) and times_node is not None and (times < 1 or times != int(times)):
            self.reading.wrong(times_node, joined(path, "times"), f"{times_node.text} is not a whole number, 1 or more")
        inner = self.steps(steps, joined(path, "steps")) if steps is not None else ()
        return Repeat(inner, times, until)

    def perform_body(self, node: Node, path: str, fields: Fields) -> Body:
        name = fields.value("perform")
        if name is None:
            raise Unreadable(path)
        performed = self.find(name, node.place, path)
        given: list[tuple[str, float | str]] = []
        table = fields.node("given")
        for parameter, inner in ((table.entries if table else None) or {}).items():
            where = f"{joined(fields.path, 'given')}.{parameter}"
            if isinstance(inner.value, str) and NAME.match(inner.value):
                given.append((parameter, inner.value))
                continue
            meant = performed.parameters.get(parameter) if performed is not None else None
            dimension = meant.dimension if isinstance(meant, NumberParameter) else None
            try:
                given.append((parameter, quantity_or_word(inner, where, dimension, self.reading)))
            except Unreadable:
                continue
        return Perform(name, tuple(given))


def axes_of(body: Body, machine: Machine, parameters: Mapping[str, Parameter]) -> tuple[str, ...]:
    """The axes that a step's body moves itself, in order (those of a block's inner steps not included)."""
    match body:
        case Move(goals=goals, preset=preset, per=per):
            if goals:
                return tuple(axis for axis, _ in goals)
            presets = [preset] if preset is not None else [name for _, name in per[1]] if per else []
            found: dict[str, None] = {}
            for name in presets:
                parameter = parameters.get(name)
                known = machine.presets.get(parameter.preset if isinstance(parameter, PresetParameter) else name)
                found.update(dict.fromkeys(known.positions if known else ()))
            return tuple(found)
        case Flick(axis=axis) | Press(axis=axis):
            return (axis,)
        case Pulse(drives=drives):
            return tuple(drive.target for drive in drives if drive.quantity != "value")
    return ()


def _is_voltage(node: Node) -> bool:
    try:
        quantity_or_word(node, "", VOLTAGE, Reading())
    except Unreadable:
        return False
    return True


def _names(node: Node, path: str, reading: Reading) -> tuple[str, ...]:
    if isinstance(node.value, str):
        return (node.value,)
    names = []
    for index, item in enumerate(node.items or ()):
        if not isinstance(item.value, str):
            raise reading.wrong(item, f"{path}[{index}]", f"{item.found()} was found; the name of a step was expected")
        names.append(item.value)
    if node.items is None:
        raise reading.wrong(node, path, f"{node.found()} was found; a list of steps was expected")
    return tuple(names)
