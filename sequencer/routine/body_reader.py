"""From nodes to what steps do: moves, flicks, presses, pulses and sets."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from sequencer.errors import did_you_mean
from sequencer.machine.machine import Machine
from sequencer.machine.node import Node
from sequencer.machine.reading import NAME, Fields, Reading, Unreadable, joined, quantity_or_word
from sequencer.machine.sensor import Value
from sequencer.machine.value import value_of
from sequencer.machine.written import Pair, Quantity
from sequencer.places import Place
from sequencer.routine.keys import (
    BY,
    FLICK,
)
from sequencer.routine.parameters import Parameter, PresetParameter
from sequencer.routine.steps import (
    At,
    Body,
    By,
    Drive,
    Flick,
    FromReading,
    Goal,
    Move,
    Press,
    Pulse,
    Set,
)
from sequencer.units import ANGULAR_SPEED, CURRENT, NUMBER, VOLTAGE, dimension_name


@dataclass(slots=True)
class BodyReader:
    """Reads what a step does, blocks excepted."""

    machine: Machine
    reading: Reading

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
            no_preset = replace(self.on(axis), axis=None)
            return By(Quantity("position", words=True).read(by, joined(path, "by"), no_preset))
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
