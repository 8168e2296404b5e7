"""The sensors and outputs of a machine file."""

from __future__ import annotations

import re
from collections.abc import Mapping

from sequencer.errors import ModelError, did_you_mean
from sequencer.files.parts import PartReader
from sequencer.machine.axis import AxisKind
from sequencer.machine.body_problems import gap_problems
from sequencer.machine.keys import (
    OUTPUT,
    SENSOR,
)
from sequencer.machine.node import Node
from sequencer.machine.reading import Fields, Unreadable, check_name, joined
from sequencer.machine.sensor import Derivation, Output, PlantLink, Sensor
from sequencer.machine.value import value_of
from sequencer.machine.written import Formula
from sequencer.units import NUMBER, Dimension, dimension_name, parse_unit

_GAP_BEGINS = re.compile(r"\s*gap\s*\(")
_GAP = re.compile(r"\s*gap\s*\(\s*(\w+)\s*,\s*(\w+)\s*\)\s*")


class SensorReader(PartReader):
    """Reads sensors and outputs."""

    def sensors(self) -> dict[str, Sensor]:
        """The sensors without their conditions, which may name sensors that stand below."""
        found = {}
        for name, node, path, place in self.top.children("sensors"):
            fields = self.section(SENSOR, node, path)
            if fields is None:
                continue
            kind = fields.value("kind", "switch")
            derived = fields.node("from") is not None
            if not derived and fields.node("kind") is None:
                self.reading.wrong_at(
                    place, joined(path, "kind"), "'kind' is missing; write it, or what the sensor is derived 'from'"
                )
            if derived and kind != "switch":
                self.reading.wrong_at(place, joined(path, "kind"), "a derived sensor is a switch")
                kind = "switch"
            if not derived:
                for key in ("steady", "blind"):
                    if fields.node(key) is not None:
                        self.reading.wrong_at(
                            node.place_of(key),
                            joined(path, key),
                            f"'{key}' belongs to a sensor that is derived 'from' others",
                        )
            dimension, values = self.typed(fields, kind)
            found[name] = Sensor(name, kind, dimension, values, fields.value("stale_after"), place=place)
        return found

    def typed(self, fields: Fields, kind: str) -> tuple[Dimension | None, tuple[str, ...]]:
        """The dimension of a number and the words of a one_of."""
        dimension: Dimension | None = None
        words: tuple[str, ...] = ()
        unit = fields.node("unit")
        if unit is not None and kind != "number":
            self.reading.wrong(unit, joined(fields.path, "unit"), f"a {kind} has no unit")
        if kind == "number":
            dimension = NUMBER
            text = fields.value("unit")
            if text is not None and unit is not None:
                try:
                    dimension = parse_unit(text)[1]
                except ModelError as error:
                    self.reading.wrong(unit, joined(fields.path, "unit"), str(error))
        listed = fields.node("values")
        if listed is not None and kind != "one_of":
            self.reading.wrong(listed, joined(fields.path, "values"), f"a {kind} has no list of values")
        if kind == "one_of":
            words = fields.value("values", ())
            if listed is None or (listed.items is not None and len(listed.items) == 0):
                place = fields.at.place if listed is None else listed.place
                self.reading.wrong_at(
                    place, joined(fields.path, "values"), "a one_of needs its values, a list of words"
                )
            elif listed.items is not None:
                for index, item in enumerate(listed.items):
                    inner = f"{joined(fields.path, 'values')}[{index}]"
                    if not isinstance(item.value, str) or not check_name(item.value, item.place, inner, self.reading):
                        continue
                    if item.value in [other.value for other in listed.items[:index]]:
                        self.reading.wrong(item, inner, f"'{item.value}' stands in the list twice", "remove one")
        return dimension, words

    def linked(self, sensor: Sensor, kinds: Mapping[str, AxisKind]) -> Sensor:
        """The sensor with what it is derived from and what it reads on the plant."""
        table = self.top.node("sensors")
        node = ((table.entries if table else None) or {})[sensor.name]
        fields = Fields(SENSOR, node, f"sensors.{sensor.name}", self.reading)
        derived: Derivation | None = None
        if fields.node("from") is not None:
            source = fields.value("from")
            if source is not None:
                derived = Derivation(source, **fields.values("steady", "blind"))
        plant = fields.node("plant")
        link = self.plant_link(sensor, plant, joined(fields.path, "plant"), kinds) if plant is not None else None
        if plant is not None and fields.node("from") is not None:
            self.reading.wrong(
                plant, joined(fields.path, "plant"), "a derived sensor has no plant of its own", "remove it"
            )
        return Sensor(
            sensor.name, sensor.kind, sensor.dimension, sensor.values, sensor.stale_after, derived, link, sensor.place
        )

    def plant_link(self, sensor: Sensor, node: Node, path: str, kinds: Mapping[str, AxisKind]) -> PlantLink | None:
        text = node.value
        if not isinstance(text, str):
            self.reading.unexpected(node, path, SENSOR.keys[-1].shape)
            return None
        if _GAP_BEGINS.match(text):
            return self.gap(sensor, text, node, path)
        if sensor.kind == "switch":
            try:
                return PlantLink(condition=Formula().read(node, path, self.reading))
            except Unreadable:
                return None
        if sensor.kind == "one_of":
            if text == "piece":
                return PlantLink(piece=True)
            self.reading.wrong(node, path, f"a one_of reads the held piece on the plant, not '{text}'", "write piece")
            return None
        known = {name: kind for name, kind in self.reading.vocabulary.items() if name.partition(".")[0] in kinds}
        if text not in known:
            self.reading.wrong(node, path, f"unknown name '{text}'", did_you_mean(text, known))
            return None
        dimension = known[text].dimension
        if dimension != sensor.dimension and dimension is not None and sensor.dimension is not None:
            self.reading.wrong(
                node,
                path,
                f"'{text}' is {dimension_name(dimension)}, and the sensor reads {dimension_name(sensor.dimension)}",
            )
            return None
        return PlantLink(quantity=text)

    def gap(self, sensor: Sensor, text: str, node: Node, path: str) -> PlantLink | None:
        """The distance between two bodies that a sensor reads; the names may stand below."""
        found = _GAP.fullmatch(text)
        if found is None:
            hint = 'write "gap(body, body)", in quotes where the table stands on one line, or the comma ends the value'
            self.reading.wrong(node, path, f"'{text}' is no gap between two bodies", hint)
            return None
        between = (found.group(1), found.group(2))
        pieces = self.top.node("pieces")
        with_parts = [name for name, piece in ((pieces.entries if pieces else None) or {}).items() if _has_parts(piece)]
        complaints = list(gap_problems(sensor, between, [*self.declared("bodies"), *with_parts]))
        for complaint in complaints:
            self.reading.wrong(node, path, complaint)
        return None if complaints else PlantLink(gap=between)

    def outputs(self) -> dict[str, Output]:
        found = {}
        for name, node, path, place in self.top.children("outputs"):
            fields = self.section(OUTPUT, node, path)
            kind = fields.value("kind") if fields is not None else None
            if fields is None or kind is None:
                continue
            dimension, values = self.typed(fields, kind)
            rest = fields.node("rest")
            if rest is None:
                continue
            try:
                value = value_of(rest, joined(path, "rest"), kind, dimension, values, self.reading)
            except Unreadable:
                continue
            found[name] = Output(name, kind, value, dimension, values, place)
        return found


def _has_parts(piece: Node) -> bool:
    return "parts" in (piece.entries or {})
