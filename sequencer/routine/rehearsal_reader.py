"""From nodes to the rehearsals that are kept with a routine."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from sequencer.errors import did_you_mean
from sequencer.machine.machine import Machine
from sequencer.machine.node import Node
from sequencer.machine.reading import Fields, Reading, Unreadable, joined, quantity_or_word
from sequencer.machine.sensor import Sensor, Value
from sequencer.machine.value import value_of
from sequencer.machine.written import Duration
from sequencer.places import Place
from sequencer.routine.keys import CONTACT, EXPECT, REHEARSAL
from sequencer.routine.parameters import Parameter, PresetParameter
from sequencer.routine.routine import ANYWHERE
from sequencer.routine.steps import BUTTONS, Button, Expectation, Leaning, RehearsalSpec
from sequencer.units import show


@dataclass(frozen=True, slots=True)
class RehearsalReader:
    """Reads rehearsals. `steps` are the paths of all steps, `broken` the parameters that could not be read."""

    machine: Machine
    reading: Reading
    parameters: Mapping[str, Parameter]
    broken: frozenset[str]
    steps: tuple[str, ...]

    def rehearsals(self, node: Node | None) -> tuple[RehearsalSpec, ...]:
        found = []
        names: dict[str, Place] = {}
        for index, item in enumerate((node.items if node else None) or ()):
            if item.entries is None or len(item.entries) != 1:
                self.reading.wrong(
                    item, f"rehearsals[{index}]", "a rehearsal is written as its name and a table of keys"
                )
                continue
            ((name, inner),) = item.entries.items()
            path, place = f"rehearsals.{name}", item.place_of(name)
            if name in names:
                self.reading.wrong_at(
                    place, path, f"two rehearsals are called '{name}' (the other in line {names[name].line})"
                )
            names[name] = place
            try:
                fields = self.reading.fields(REHEARSAL, inner, path)
            except Unreadable:
                continue
            piece = fields.value("piece")
            piece_node = fields.node("piece")
            if piece == "none":
                piece = None
            if piece is not None and piece_node is not None and piece not in self.machine.pieces:
                near = did_you_mean(piece, self.machine.pieces)
                self.reading.wrong(piece_node, joined(path, "piece"), f"unknown piece '{piece}'", near)
            found.append(
                RehearsalSpec(
                    name,
                    self.gauges(fields),
                    self.changed(fields),
                    preset_or_anywhere(self.machine, fields, None),
                    piece,
                    self.expectation(fields),
                    self.offered(fields),
                    self.pressed(fields),
                    self.contacts(fields),
                    place,
                )
            )
        return tuple(found)

    def offered(self, fields: Fields) -> tuple[tuple[str, int], ...]:
        found: list[tuple[str, int]] = []
        table = fields.node("offered")
        for name, node in ((table.entries if table else None) or {}).items():
            path = joined(joined(fields.path, "offered"), name)
            if name not in self.machine.pieces:
                place = table.place_of(name) if table else node.place
                near = did_you_mean(name, self.machine.pieces)
                self.reading.wrong_at(place, path, f"unknown piece '{name}'", near)
                continue
            try:
                time = Duration(zero=True).read(node, path, self.reading)
            except Unreadable:
                continue
            if isinstance(time, int):
                found.append((name, time))
        return tuple(found)

    def pressed(self, fields: Fields) -> tuple[tuple[Button, int], ...]:
        found: list[tuple[Button, int]] = []
        table = fields.node("pressed")
        for name, node in ((table.entries if table else None) or {}).items():
            path = joined(joined(fields.path, "pressed"), name)
            button = next((one for one in BUTTONS if one == name), None)
            if button is None:
                place = table.place_of(name) if table else node.place
                self.reading.wrong_at(place, path, f"there is no button '{name}'", did_you_mean(name, BUTTONS))
                continue
            try:
                time = Duration(zero=True).read(node, path, self.reading)
            except Unreadable:
                continue
            if isinstance(time, int):
                found.append((button, time))
        return tuple(found)

    def contacts(self, fields: Fields) -> tuple[Leaning, ...]:
        found: list[Leaning] = []
        table = fields.node("contacts")
        for name, node in ((table.entries if table else None) or {}).items():
            path = joined(joined(fields.path, "contacts"), name)
            place = table.place_of(name) if table else node.place
            axis = self.machine.axes.get(name)
            if axis is None:
                near = did_you_mean(name, self.machine.axes)
                self.reading.wrong_at(place, path, f"unknown axis '{name}'", near)
                continue
            if axis.travel is None or not axis.has_motors_and_load:
                message = f"'{name}' is a spin or declares no motors or load; it feels no contact"
                self.reading.wrong_at(place, path, message)
                continue
            try:
                inner = self.reading.fields(CONTACT, node, path)
            except Unreadable:
                continue
            reading = self.reading.on_axis(name, axis.kind)
            absent = object()
            values = {key.name: inner.read(key.name, reading, absent) for key in CONTACT.keys}
            given = {key: value for key, value in values.items() if value is not absent}
            if not {"at", "side"} <= given.keys():
                continue
            low, high = axis.travel
            if not low <= given["at"] <= high:
                ends = f"{axis.show(low)} to {axis.show(high)}"
                message = f"{axis.show(given['at'])} is outside the travel of {name}, {ends}"
                self.reading.wrong_at(inner.at.place_of("at"), joined(path, "at"), message)
            elif "until" in given and given["until"] <= given.get("since", 0):
                message = "it stands there until a time that is not after since"
                self.reading.wrong_at(inner.at.place_of("until"), joined(path, "until"), message)
            else:
                found.append(Leaning(name, **given))
        return tuple(found)

    def gauges(self, fields: Fields) -> tuple[tuple[str, Value | tuple[tuple[int, Value], ...]], ...]:
        found: list[tuple[str, Value | tuple[tuple[int, Value], ...]]] = []
        table = fields.node("gauges")
        for name, node in ((table.entries if table else None) or {}).items():
            path = joined(joined(fields.path, "gauges"), name)
            sensor = self.machine.sensors.get(name)
            place = table.place_of(name) if table else node.place
            if sensor is None:
                self.reading.wrong_at(place, path, f"unknown sensor '{name}'", did_you_mean(name, self.machine.sensors))
                continue
            if sensor.derived is not None:
                self.reading.wrong_at(place, path, f"'{name}' is derived", "script what it is derived from")
                continue
            try:
                found.append((name, self.gauge(sensor, node, path)))
            except Unreadable:
                continue
        return tuple(found)

    def gauge(self, sensor: Sensor, node: Node, path: str) -> Value | tuple[tuple[int, Value], ...]:
        def one(item: Node, where: str) -> Value:
            return value_of(item, where, sensor.kind, sensor.dimension, sensor.values, self.reading)

        if node.items is None:
            return one(node, path)
        rows: list[tuple[int, Value]] = []
        for index, row in enumerate(node.items):
            where = f"{path}[{index}]"
            if row.items is None or len(row.items) != 2:
                raise self.reading.wrong(row, where, "a pair of time and value was expected, such as [1.5 s, 0.3 m]")
            time = Duration(zero=True).read(row.items[0], f"{where}[0]", self.reading)
            if isinstance(time, int):
                if rows and time <= rows[-1][0]:
                    raise self.reading.wrong(row, where, "the times of a gauge must increase")
                rows.append((time, one(row.items[1], f"{where}[1]")))
        if not rows:
            raise self.reading.wrong(node, path, "an empty list was found; at least one [time, value] is needed")
        return tuple(rows)

    def changed(self, fields: Fields) -> tuple[tuple[str, float | str], ...]:
        """The parameters that a rehearsal gives values of its own."""
        found: list[tuple[str, float | str]] = []
        table = fields.node("parameters")
        for name, node in ((table.entries if table else None) or {}).items():
            path = joined(joined(fields.path, "parameters"), name)
            if name in self.broken:
                continue
            parameter = self.parameters.get(name)
            if parameter is None:
                place = table.place_of(name) if table else node.place
                self.reading.wrong_at(place, path, f"unknown parameter '{name}'", did_you_mean(name, self.parameters))
                continue
            try:
                found.append((name, given_value(parameter, node, path, self.reading)))
            except Unreadable:
                continue
        return tuple(found)

    def expectation(self, fields: Fields) -> Expectation:
        node = fields.node("expect")
        if node is None:
            return Expectation()
        try:
            inner = self.reading.fields(EXPECT, node, joined(fields.path, "expect"))
        except Unreadable:
            return Expectation()
        values: dict[str, Any] = inner.values("outcome", "finishes_within", "order", "never", "clearance")
        if "clearance" in values and not self.machine.body_names():
            place = inner.at.place_of("clearance")
            message = "the machine has no bodies, so there is no clearance to expect"
            self.reading.wrong_at(place, joined(inner.path, "clearance"), message, "remove it, or give it bodies")
        for key in ("order", "never"):
            listed = inner.node(key)
            for index, name in enumerate(values.get(key, ())):
                if name not in self.steps and listed is not None and listed.items is not None:
                    where = f"{joined(inner.path, key)}[{index}]"
                    self.reading.wrong(
                        listed.items[index], where, f"unknown step '{name}'", did_you_mean(name, self.steps)
                    )
        return Expectation(**values)


def preset_or_anywhere(machine: Machine, fields: Fields, default: str | None) -> str | None:
    """The preset under `from`, or "anywhere"; an unknown one is noted and gives the default."""
    node = fields.node("from")
    name: str | None = fields.value("from", default)
    if node is not None and name is not None and name != ANYWHERE and name not in machine.presets:
        near = did_you_mean(name, [*machine.presets, ANYWHERE])
        fields.reading.wrong(node, joined(fields.path, "from"), f"unknown preset '{name}'", near)
        return default
    return name


def given_value(parameter: Parameter, node: Node, path: str, reading: Reading) -> float | str:
    """A value for a parameter: a quantity within its range, or one of its choices.

    Raises:
        Unreadable: it is none; noted.
    """
    if isinstance(parameter, PresetParameter):
        if not isinstance(node.value, str) or node.value not in parameter.choices:
            raise reading.wrong(
                node,
                path,
                f"{node.found()} is not among the choices of '{parameter.name}': {', '.join(parameter.choices)}",
            )
        return node.value
    value = quantity_or_word(node, path, parameter.dimension, reading)
    if isinstance(value, float) and not parameter.low <= value <= parameter.high:
        low, high = (show(end, parameter.dimension) for end in (parameter.low, parameter.high))
        raise reading.wrong(node, path, f"{node.text} is outside the range of '{parameter.name}', {low} to {high}")
    return value
