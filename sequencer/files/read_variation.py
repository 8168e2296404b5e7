"""The variation of a machine file."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from sequencer.errors import did_you_mean
from sequencer.files.parts import PartReader
from sequencer.machine.axis import AxisKind
from sequencer.machine.machine import NANOSECONDS
from sequencer.machine.reading import Fields, Unreadable, joined, quantity_or_word
from sequencer.machine.sensor import Sensor
from sequencer.machine.shape import Section
from sequencer.machine.variation import Varied, VariedKind
from sequencer.machine.variation_keys import (
    AXIS_VARIATION,
    BATTERY_VARIATION,
    MOTOR_VARIATION,
    PIECE_VARIATION,
    SENSOR_VARIATION,
    VARIATION,
)
from sequencer.units import NUMBER

_TABLES: tuple[tuple[str, VariedKind, Section], ...] = (
    ("motors", "motor", MOTOR_VARIATION),
    ("axes", "axis", AXIS_VARIATION),
    ("pieces", "piece", PIECE_VARIATION),
    ("sensors", "sensor", SENSOR_VARIATION),
)


class VariationReader(PartReader):
    """Reads what differs from machine to machine, each quantity with what it belongs to at hand."""

    def variation(self, kinds: Mapping[str, AxisKind], sensors: Mapping[str, Sensor]) -> tuple[Varied, ...]:
        fields = self.sub("variation", VARIATION)
        if fields is None:
            return ()
        found: list[Varied] = []
        battery = self.sub("battery", BATTERY_VARIATION, fields)
        if battery is not None:
            found += self.quantities("battery", "", battery, kinds, sensors)
        for table, kind, section in _TABLES:
            for name, node, path, place in fields.children(table):
                if name not in self.declared(table):
                    message = f"unknown {kind} '{name}'"
                    self.reading.wrong_at(place, path, message, did_you_mean(name, self.declared(table)))
                    continue
                inner = self.section(section, node, path)
                if inner is not None:
                    found += self.quantities(kind, name, inner, kinds, sensors)
        return tuple(found)

    def quantities(
        self,
        kind: VariedKind,
        name: str,
        fields: Fields,
        kinds: Mapping[str, AxisKind],
        sensors: Mapping[str, Sensor],
    ) -> Iterator[Varied]:
        """What varies of one thing, in the order of the file."""
        reading = self.reading.on_axis(name, kinds[name]) if kind == "axis" else self.reading
        for quantity in fields.at.entries or {}:
            key = fields.section.key(quantity)
            node = fields.node(quantity) if key is not None else None
            if key is None or node is None:
                continue
            path = joined(fields.path, quantity)
            place = fields.at.place_of(quantity)
            self.reading.paths[place] = path
            value: Any
            try:
                if kind == "sensor" and quantity in ("offset", "noise"):
                    sensor = sensors.get(name)
                    # Of a sensor that reads no number the machine says so.
                    dimension = sensor.dimension or NUMBER if sensor is not None and sensor.kind == "number" else None
                    value = quantity_or_word(node, path, dimension, reading)
                    if isinstance(value, float) and value < 0.0:
                        raise reading.wrong(node, path, f"{node.text} is below 0")
                else:
                    value = key.shape.read(node, path, reading)
            except Unreadable:
                continue
            yield Varied(kind, name, quantity, *_span(quantity, value), place)


def _span(quantity: str, value: Any) -> tuple[float, float]:
    """From where to where [SI]."""
    if quantity in ("start", "reading", "offset"):
        return -value, value
    if quantity == "noise":
        return value, value
    low, high = value
    return (low / NANOSECONDS, high / NANOSECONDS) if quantity == "late" else (low, high)
