"""The shapes of files, judged by pydantic from the tables of keys.

Text, number, truth value, list or table in the right place, no unknown key, none missing: that is pydantic's part, over
the whole file at once. What the values mean (units, names, ranges) is read afterwards. The core schemas are made from
the tables directly: a model class for each section would cost more time than reading the files.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from typing import Any

from pydantic_core import SchemaValidator, ValidationError, core_schema

from sequencer.files.problems import named_path
from sequencer.machine.node import Node
from sequencer.machine.reading import Reading, joined
from sequencer.machine.shape import Anything, Either, NotYet, Part, Section, Sentence, Shape, Steps, Table
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
from sequencer.routine.keys import STEP

_TEXT, _TRUTH, _LIST, _TABLE = ":text", ":truth", ":list", ":table"


def check_shape(section: Section, node: Node, reading: Reading) -> None:
    """Note every key and value of the file that is not of the shape that the section's table gives it."""
    try:
        _validator(section).validate_python(plain(node))
    except ValidationError as error:
        for found in error.errors(include_url=False, include_context=False, include_input=False):
            _note(Part(section), node, found["type"], found["loc"], reading)


def plain(node: Node) -> Any:
    """The node as plain Python data."""
    if isinstance(node.value, dict):
        return {key: plain(inner) for key, inner in node.value.items()}
    if isinstance(node.value, tuple):
        return [plain(inner) for inner in node.value]
    return node.value


def _note(shape: Shape, node: Node, kind: str, loc: Sequence[str | int], reading: Reading) -> None:
    """Walk down to where pydantic found something wrong and note it in our words."""
    path = ""
    for index, part in enumerate(loc):
        if isinstance(part, int):
            if node.items is None or part >= len(node.items):
                break
            node, path = node.items[part], f"{path}[{part}]"
            shape = Table("step", Part(STEP)) if isinstance(shape, Steps) else getattr(shape, "item", shape)
            continue
        if part.startswith(":"):
            shape = option(shape, part)
            continue
        key = shape.section.key(part) if isinstance(shape, Part) else None
        if isinstance(shape, Part) and key is None:
            reading.unknown_key(shape.section, node, named_path(path), part)
            return
        if key is not None and index == len(loc) - 1 and kind == "missing":
            reading.missing_key(key, node, named_path(path))
            return
        shape = key.shape if key is not None else getattr(shape, "item", shape)
        if node.entries is None or part not in node.entries:
            break
        node, path = node.entries[part], joined(path, part)
    reading.unexpected(node, named_path(path), shape)


def option(shape: Shape, tag: str) -> Shape:
    """Of shapes told apart by what is written, the one with this tag."""
    if isinstance(shape, OneOrPair):
        return Pair(shape.item) if tag == _LIST else shape.item
    if isinstance(shape, Either):
        return next((inner for inner in shape.options if _tag_of(inner) == tag), shape)
    return shape


@cache
def _validator(section: Section) -> SchemaValidator:
    step = _section(STEP, ref="step")
    return SchemaValidator(core_schema.definitions_schema(_section(section), [step]))


def _section(section: Section, ref: str | None = None) -> core_schema.CoreSchema:
    fields = {key.name: core_schema.typed_dict_field(_core(key.shape), required=key.required) for key in section.keys}
    return core_schema.typed_dict_schema(fields, extra_behavior="forbid", strict=True, ref=ref)


def _core(shape: Shape) -> core_schema.CoreSchema:
    numbers = core_schema.float_schema(strict=True)
    number_or_text = core_schema.union_schema(
        [core_schema.str_schema(strict=True), numbers],
        custom_error_type="text",
        custom_error_message="text or a number",
    )
    match shape:
        case Text() | Name() | OneOf() | Formula():
            return core_schema.str_schema(strict=True)
        case Switch():
            return core_schema.bool_schema(strict=True)
        case Whole() | Quantity() | Duration() | Sentence():
            return number_or_text
        case Anything():
            return core_schema.tagged_union_schema(
                {_TEXT: number_or_text, _TRUTH: core_schema.bool_schema(strict=True)}, _written_as
            )
        case Pair():
            return core_schema.list_schema(_core(shape.item), min_length=2, max_length=2, strict=True)
        case ListOf():
            return core_schema.list_schema(_core(shape.item), strict=True)
        case Table():
            return core_schema.dict_schema(core_schema.str_schema(), _core(shape.item), strict=True)
        case Part():
            return _section(shape.section)
        case Steps():
            reference = core_schema.definition_reference_schema("step")
            return core_schema.list_schema(core_schema.dict_schema(core_schema.str_schema(), reference), strict=True)
        case OneOrPair():
            return core_schema.tagged_union_schema(
                {_LIST: _core(Pair(shape.item)), _TEXT: _core(shape.item)}, _written_as
            )
        case Either():
            by_tag: dict[str, core_schema.CoreSchema] = {}
            for inner in shape.options:
                tag = _tag_of(inner)
                by_tag[tag] = number_or_text if tag == _TEXT else _core(inner)
                if isinstance(inner, Anything):
                    by_tag[_TRUTH] = core_schema.bool_schema(strict=True)
            return core_schema.tagged_union_schema(by_tag, _written_as)
        case NotYet():
            return core_schema.any_schema()
    raise TypeError(f"no shape: {shape!r}")


def _tag_of(shape: Shape) -> str:
    if isinstance(shape, Switch):
        return _TRUTH
    if isinstance(shape, ListOf | Pair | Steps):
        return _LIST
    return _TABLE if isinstance(shape, Table | Part) else _TEXT


def _written_as(value: Any) -> str | None:
    """How a value is written: decides which of several shapes it is held against."""
    if isinstance(value, bool):
        return _TRUTH
    if isinstance(value, str | int | float):
        return _TEXT
    if isinstance(value, list):
        return _LIST
    return _TABLE if isinstance(value, dict) else None
