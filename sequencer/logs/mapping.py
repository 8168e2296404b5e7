"""Mapping files: which column of a log is which quantity, in what unit, scale and sign. Strict YAML, like all files.

    log: bench of the lift
    separator: ";"
    decimal: ","
    time: {column: t_ms, unit: ms}
    columns:
      lift.measured: {column: height, unit: mm}
      lift.volts: {column: u_motor, unit: V, sign: -1}

Quantities are AXIS.measured, AXIS.speed, AXIS.current, AXIS.ordered, AXIS.ordered_speed and AXIS.volts, `battery`, and
any other name for a sensor. SI = sign * scale * unit * what stands in the column.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sequencer.errors import ModelError, did_you_mean
from sequencer.files.mapping_keys import COLUMN, MAPPING
from sequencer.files.problems import FileErrors
from sequencer.files.shapes import check_shape
from sequencer.files.yaml_text import read_yaml
from sequencer.machine.node import Node
from sequencer.machine.reading import Reading, joined
from sequencer.units import (
    ANGLE,
    ANGULAR_SPEED,
    CURRENT,
    LENGTH,
    SPEED,
    TIME,
    VOLTAGE,
    Dimension,
    dimension_name,
    parse_unit,
)

FITS: dict[str, tuple[Dimension, ...]] = {
    "measured": (LENGTH, ANGLE),
    "ordered": (LENGTH, ANGLE),
    "speed": (SPEED, ANGULAR_SPEED),
    "ordered_speed": (SPEED, ANGULAR_SPEED),
    "current": (CURRENT,),
    "volts": (VOLTAGE,),
}
"""What may be told of an axis, and in which dimensions."""


@dataclass(frozen=True, slots=True)
class Source:
    """Where a quantity comes from: the heading of its column, and the factor from it to SI."""

    column: str
    factor: float
    dimension: Dimension


@dataclass(frozen=True, slots=True)
class Mapping:
    """Which column is which quantity. `axes` are (name, linear or rotary), in the order of the file."""

    log: str
    time: Source
    columns: dict[str, Source]
    separator: str | None = None
    decimal: str = "."

    @property
    def axes(self) -> tuple[tuple[str, str], ...]:
        found: dict[str, str] = {}
        for name, source in self.columns.items():
            axis, dot, _ = name.partition(".")
            if dot:
                kind = "rotary" if source.dimension[4] else "linear" if source.dimension in (LENGTH, SPEED) else ""
                found[axis] = found.get(axis) or kind
        return tuple((axis, kind or "linear") for axis, kind in found.items())

    @property
    def sensors(self) -> tuple[str, ...]:
        return tuple(name for name in self.columns if "." not in name and name != "battery")


def load_mapping(path: str | os.PathLike[str]) -> Mapping:
    """Read a mapping file.

    Raises:
        FileErrors: it cannot be read, or has keys, units or values that fit nothing; all at once.
    """
    root, refused = read_yaml(Path(path))
    reading = Reading(list(refused), refused=frozenset(problem.place for problem in refused))
    check_shape(MAPPING, root, reading)
    if reading.problems:
        raise FileErrors(reading.problems)
    fields = reading.fields(MAPPING, root, "")
    columns: dict[str, Source] = {}
    table = (root.entries or {})["columns"]
    for name, node in (table.entries or {}).items():
        where = joined("columns", name)
        _, dot, quantity = name.partition(".")
        if dot and quantity not in FITS:
            reading.wrong(node, where, f"'{quantity}' is nothing that an axis has", did_you_mean(quantity, FITS))
            continue
        fitting = FITS[quantity] if dot else (VOLTAGE,) if name == "battery" else None
        source = _source(node, where, reading, fitting)
        if source is not None:
            columns[name] = source
    time = _source((root.entries or {})["time"], "time", reading, (TIME,))
    separator: Any = fields.value("separator")
    if separator is not None and len(separator) != 1:
        reading.wrong_at(root.place_of("separator"), "separator", f"'{separator}' is not one character")
    if reading.problems or time is None:
        raise FileErrors(reading.problems)
    return Mapping(str(fields.value("log")), time, columns, separator, str(fields.value("decimal", ".")))


def _source(node: Node, where: str, reading: Reading, fitting: tuple[Dimension, ...] | None) -> Source | None:
    fields = reading.fields(COLUMN, node, where)
    unit = fields.value("unit")
    factor, dimension = 1.0, (0, 0, 0, 0, 0)
    if unit is not None:
        try:
            factor, dimension = parse_unit(unit)
        except ModelError as error:
            reading.wrong_at(node.place_of("unit"), joined(where, "unit"), str(error))
            return None
    if fitting is not None and dimension not in fitting:
        wanted = " or ".join(map(dimension_name, fitting))
        reading.wrong_at(
            node.place_of("unit") if unit is not None else node.place,
            joined(where, "unit"),
            f"{unit or 'no unit'} was found; {wanted} was expected",
            "a column may be called something else than it is (F19)",
        )
        return None
    sign = fields.value("sign", 1.0)
    if sign not in (1.0, -1.0):
        reading.wrong_at(node.place_of("sign"), joined(where, "sign"), f"{sign:g} is no sign", "write 1 or -1")
    return Source(str(fields.value("column")), factor * float(fields.value("scale", 1.0)) * float(sign), dimension)
