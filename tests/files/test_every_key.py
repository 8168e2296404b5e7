"""Every row of the tables of keys is true: the key is read from the examples, and a wrong value under it is refused
by the loader and, where its type is wrong, by the schema (with the public validator jsonschema)."""

from __future__ import annotations

import json
from collections.abc import Iterator
from copy import deepcopy
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from sequencer.files import (
    FileErrors,
    load_machine,
    load_routine,
    machine_schema,
    mapping_schema,
    overlay_schema,
    routine_schema,
)
from sequencer.files.mapping_keys import MAPPING
from sequencer.files.overlay import OVERLAY
from sequencer.files.rules import every_key, key_table, section_word
from sequencer.files.shapes import plain
from sequencer.files.yaml_text import read_yaml
from sequencer.logs import load_mapping
from sequencer.machine.keys import MACHINE
from sequencer.machine.shape import Anything, Either, Key, NotYet, Part, Section, Sentence, Shape, Steps, Table
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
from sequencer.routine.keys import ROUTINE, STEP

LANTERN = Path(__file__).parents[1] / "cases" / "lantern"
FILES = {
    "saturday.yaml": OVERLAY,
    "machine.yaml": MACHINE,
    "every_key.routine.yaml": ROUTINE,
    "bench_mapping.yaml": MAPPING,
}
SCHEMAS = {
    "saturday.yaml": overlay_schema,
    "machine.yaml": machine_schema,
    "every_key.routine.yaml": routine_schema,
    "bench_mapping.yaml": mapping_schema,
}
KEYS = [(section, key) for section, key in every_key()]

Way = tuple[str | int, ...]


def sections_in(shape: Shape, data: Any, way: Way) -> Iterator[tuple[Section, Any, Way]]:
    """Every section that stands in some plain data, with the way to it."""
    match shape:
        case Part(section=section) if isinstance(data, dict):
            yield section, data, way
            for key in section.keys:
                if key.name in data:
                    yield from sections_in(key.shape, data[key.name], (*way, key.name))
        case Table(item=item) if isinstance(data, dict):
            for name, inner in data.items():
                yield from sections_in(item, inner, (*way, name))
        case ListOf(item=item) | Pair(item=item) | OneOrPair(item=item) if isinstance(data, list):
            for index, inner in enumerate(data):
                yield from sections_in(item, inner, (*way, index))
        case Steps() if isinstance(data, list):
            for index, entry in enumerate(data):
                for name, inner in entry.items():
                    yield from sections_in(Part(STEP), inner, (*way, index, name))
        case Either(options=options):
            for option in options:
                yield from sections_in(option, data, way)


def places_of(section: Section, key: Key) -> list[tuple[str, Way]]:
    found = []
    for file, root in FILES.items():
        data = plain(read_yaml(LANTERN / file).root)
        for here, inside, way in sections_in(Part(root), data, ()):
            same = here.keys == section.keys or (here is OVERLAY and section.name == "an overlay")
            if same and (key.name in inside or isinstance(key.shape, NotYet)):
                found.append((file, (*way, key.name)))
    return found


def of_wrong_type(shape: Shape) -> Any:
    """A value that can never stand where the shape is expected."""
    if isinstance(shape, Quantity | Duration | Text | Name | OneOf | Formula | Sentence | Anything):
        return [[]]
    if isinstance(shape, Switch | Whole):
        return "perhaps"
    if isinstance(shape, Either):
        return True
    return 3


def with_value(data: Any, way: Way, value: Any) -> Any:
    changed = deepcopy(data)
    here = changed
    for part in way[:-1]:
        here = here[part]
    here[way[-1]] = value
    return changed


def load(folder: Path, file: str, data: Any) -> list[str]:
    """What the loader says about changed data, written as JSON, which is YAML."""
    (folder / file).write_text(json.dumps(data))
    try:
        if file == "saturday.yaml":
            load_machine(folder / "machine.yaml", [folder / file])
        elif file == "machine.yaml":
            load_machine(folder / file)
        elif file == "bench_mapping.yaml":
            load_mapping(folder / file)
        else:
            load_routine(folder / file)
    except FileErrors as errors:
        return [f"{problem.path}: {problem.sentence}" for problem in errors.problems]
    return []


@pytest.mark.parametrize(("section", "key"), KEYS, ids=[f"{section_word(section)}.{key.name}" for section, key in KEYS])
def test_every_key(lantern: Path, section: Section, key: Key) -> None:
    places = places_of(section, key)
    assert places, f"no example uses {section.name}'s {key.name}"
    file, way = places[0]
    data = plain(read_yaml(LANTERN / file).root)
    validator = jsonschema.Draft202012Validator(SCHEMAS[file]())
    if isinstance(key.shape, NotYet):
        wrong = with_value(data, way, {})
        assert any(
            line.endswith(f"'{key.name}' is not supported yet; remove it") for line in load(lantern, file, wrong)
        )
        assert not validator.is_valid(wrong)
        return
    wrong = with_value(data, way, of_wrong_type(key.shape))
    lines = load(lantern, file, wrong)
    assert any(key.name in line.partition(": ")[0] for line in lines), lines
    assert not validator.is_valid(wrong)
    misspelt = with_value(data, (*way[:-1], key.name + "q"), 1)
    said = f"unknown key '{key.name}q'; did you mean '{key.name}'?"
    if key.name != "per":
        assert any(said in line for line in load(lantern, file, misspelt))
        assert not validator.is_valid(misspelt)
    if key.required:
        missing = deepcopy(data)
        here = missing
        for part in way[:-1]:
            here = here[part]
        del here[key.name]
        assert any(f"'{key.name}' is missing" in line for line in load(lantern, file, missing))
        assert not validator.is_valid(missing)


def test_the_table_has_a_row_for_every_key() -> None:
    rows = key_table().splitlines()
    assert len(rows) == len(KEYS) + 2
    assert "| `tolerance.settle` | a time (such as 0.5 s) | 0 s | R31 | `test_every_key[tolerance.settle]` |" in rows
