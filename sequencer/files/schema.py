"""JSON Schemas (draft 2020-12) for editors, made from the tables of keys.

They accept what the loader accepts and reject what it rejects for its type: unknown and missing keys, a list for a
number, a number without a unit. What depends on other parts of the file (names, fitting units, ranges) is the loader's.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from sequencer.files.mapping_keys import MAPPING
from sequencer.files.overlay import OVERLAY
from sequencer.machine.keys import MACHINE, OVERLAY_KEYS
from sequencer.machine.shape import FIXED, Anything, Either, Key, NotYet, Part, Section, Shape, Steps, Table
from sequencer.machine.written import (
    Duration,
    Formula,
    ListOf,
    Name,
    OneOf,
    OneOrPair,
    Pair,
    Quantity,
    Switch,
    Text,
    Whole,
)
from sequencer.routine.keys import FITS, KINDS, ROUTINE, STARTS, STEP, Awaited, TimeLimit
from sequencer.units import NUMBER

Schema = dict[str, Any]

_NUMBER = r"[+-]?(?:(?:0|[1-9][0-9]*)(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]+)?"
_UNIT = r"[A-Za-z%][A-Za-z0-9%./*^-]*"
_WITH_UNIT = rf"{_NUMBER}\s*{_UNIT}"
_WORD = r"[A-Za-z_][A-Za-z0-9_]*"
_FREE_NAMES = ("rehearsal", "quantity")


def machine_schema() -> Schema:
    """The schema of a machine file."""
    return _Writer().whole(MACHINE, "A machine: the mechanisms of one robot")


def overlay_schema() -> Schema:
    """The schema of an overlay: a machine file of which only `over` and `because` must be there."""
    required = {key.name for key in OVERLAY_KEYS}
    return _Writer(frozenset(required)).whole(OVERLAY, "An overlay, laid over a machine file")


def routine_schema() -> Schema:
    """The schema of a routine file."""
    return _Writer().whole(ROUTINE, "A routine: a named graph of steps on a machine")


def mapping_schema() -> Schema:
    """The schema of a mapping file."""
    return _Writer().whole(MAPPING, "A mapping: what the columns of a log of another program are")


def shipped_schema(kind: str) -> Path:
    """The file with the schema of a kind of file, as it comes with the package.

    Args:
        kind: machine, routine, overlay or mapping.
    """
    return Path(__file__).with_name("schemas") / f"{kind}.schema.json"


def schema_text(kind: str) -> str:
    """The schema of a kind of file as JSON text, which is what the shipped file holds.

    Args:
        kind: machine, routine, overlay or mapping.
    """
    kinds = {
        "machine": machine_schema,
        "routine": routine_schema,
        "overlay": overlay_schema,
        "mapping": mapping_schema,
    }
    made = kinds[kind]()
    return json.dumps(made, indent=2, ensure_ascii=False) + "\n"


class _Writer:
    """Writes one schema; sections become definitions. `only` are the sole required keys, where given."""

    def __init__(self, only: frozenset[str] | None = None) -> None:
        self.only = only
        self.definitions: dict[str, Schema] = {}

    def whole(self, section: Section, title: str) -> Schema:
        body = self.section(section)
        return {
            "$schema": "https://json-schema.org/draft/2020-12/schema",
            "title": title,
            **body,
            "$defs": dict(sorted(self.definitions.items())),
        }

    def section(self, section: Section) -> Schema:
        keys = [key for key in section.keys if not isinstance(key.shape, NotYet)]
        needed = [key.name for key in keys if (key.required if self.only is None else key.name in self.only)]
        schema: Schema = {
            "type": "object",
            "properties": {key.name: {**self.shape(key.shape), "description": described(key)} for key in keys},
            "additionalProperties": False,
        }
        if needed:
            schema["required"] = needed
        if section is STEP:
            schema.update(_one_kind())
        return schema

    def reference(self, section: Section) -> Schema:
        name = section.name.removeprefix("an ").removeprefix("a ").replace(" ", "_")
        if name not in self.definitions:
            self.definitions[name] = {}
            self.definitions[name] = self.section(section)
        return {"$ref": f"#/$defs/{name}"}

    def shape(self, shape: Shape) -> Schema:
        match shape:
            case OneOf(words=words):
                return {"type": "string", "enum": list(words)}
            case Name():
                return {"type": "string", "minLength": 1}
            case Text() | Formula() | Awaited():
                return {"type": "string", "minLength": 1}
            case Switch():
                return {"type": "boolean"}
            case Whole(least=least):
                return {"type": "integer", "minimum": least}
            case Quantity(of=of, words=words):
                return _quantity(FIXED.get(of) == NUMBER, words)
            case Duration(words=words):
                return _quantity(False, words)
            case TimeLimit():
                time = rf"(?:{_WITH_UNIT}|{_WORD})"
                return {"type": "string", "pattern": rf"^\s*(?:none|planned\s*\+\s*{time}|(?!planned\b){time})\s*$"}
            case Anything():
                return {"type": ["string", "number", "boolean"]}
            case Pair(item=item):
                return {"type": "array", "items": self.shape(item), "minItems": 2, "maxItems": 2}
            case OneOrPair(item=item):
                return {"anyOf": [self.shape(item), self.shape(Pair(item))]}
            case ListOf(item=item):
                return {"type": "array", "items": self.shape(item)}
            case Table(of=of, item=item):
                table: Schema = {"type": "object", "additionalProperties": self.shape(item)}
                if of not in _FREE_NAMES:
                    table["propertyNames"] = {"pattern": f"^{_WORD}$"}
                return table
            case Part(section=section):
                return self.reference(section)
            case Steps():
                return {
                    "type": "array",
                    "items": {
                        "type": "object",
                        "minProperties": 1,
                        "maxProperties": 1,
                        "propertyNames": {"pattern": f"^{_WORD}$"},
                        "additionalProperties": self.reference(STEP),
                    },
                }
            case Either(options=options):
                return {"anyOf": [self.shape(option) for option in options]}
        raise TypeError(f"no shape: {shape!r}")


def described(key: Key) -> str:
    """What a key means, what may stand there with its unit, and what holds without it."""
    default = f" Without it: {key.default}." if key.default else ""
    about = key.about[:1].upper() + key.about[1:]
    return f"{about}. Write {key.shape.expected()}.{default}"


def fitting(kind: str) -> list[str]:
    """The keys that fit a kind of step."""
    return [
        key.name
        for key in STEP.keys
        if key.name == kind or (key.name not in KINDS and kind in FITS.get(key.name, KINDS))
    ]


def _quantity(plain: bool, words: bool) -> Schema:
    if plain:
        options: list[Schema] = [{"type": "number"}, {"type": "string", "pattern": rf"^\s*{_NUMBER}\s*%\s*$"}]
    else:
        options = [{"type": "string", "pattern": rf"^\s*{_WITH_UNIT}\s*$"}, {"const": 0}]
    if words:
        options.append({"type": "string", "pattern": f"^{_WORD}$"})
    return {"anyOf": options}


def _one_kind() -> Schema:
    """A step has exactly one kind, only keys that fit it, and starts in one way."""
    fits = {kind: {"propertyNames": {"enum": fitting(kind)}} for kind in KINDS}
    starts = {start: {"properties": {other: False for other in STARTS if other != start}} for start in STARTS}
    return {"anyOf": [{"required": [kind]} for kind in KINDS], "dependentSchemas": {**fits, **starts}}
