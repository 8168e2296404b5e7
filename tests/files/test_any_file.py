"""Whatever stands in a file, the loader gives a model or `FileErrors`, never another exception."""

from __future__ import annotations

import json
from collections.abc import Iterator
from copy import deepcopy
from pathlib import Path
from typing import Any

import pytest

from sequencer.files import FileErrors, load_machine, load_routine
from sequencer.files.shapes import plain
from sequencer.files.yaml_text import read_yaml
from sequencer.machine import Machine

LANTERN = Path(__file__).parents[1] / "cases" / "lantern"
JUNK: list[Any] = [
    None,
    True,
    -1,
    1e200,
    "x",
    "1 m",
    "lift",
    "ridge",
    "piece",
    "",
    [],
    [[]],
    [1, 2, 3],
    {},
    {"lift": {}},
    {"a": 1},
]


def ways(data: Any, way: tuple[str | int, ...] = ()) -> Iterator[tuple[str | int, ...]]:
    """The way to every value in some plain data."""
    if way:
        yield way
    pairs = data.items() if isinstance(data, dict) else enumerate(data) if isinstance(data, list) else ()
    for key, inner in pairs:
        yield from ways(inner, (*way, key))


def changed(data: Any, way: tuple[str | int, ...], value: Any) -> Any:
    copy = deepcopy(data)
    here = copy
    for part in way[:-1]:
        here = here[part]
    here[way[-1]] = value
    return copy


def outcome(file: Path, data: Any, machine: Machine | None) -> str:
    """ "read" or "refused", after the file was written with the data as JSON, which is YAML."""
    file.write_text(json.dumps(data))
    try:
        if machine is None:
            load_machine(file)
        else:
            load_routine(file, machine)
    except FileErrors as errors:
        placed = [problem.place.line >= 1 and problem.message != "" for problem in errors.problems]
        return "refused" if placed and all(placed) else "refused without saying why"
    return "read"


@pytest.mark.parametrize("shift", range(4))
def test_a_machine_file_with_junk_anywhere_is_read_or_refused(lantern: Path, shift: int) -> None:
    data = plain(read_yaml(LANTERN / "machine.yaml").root)
    found = [
        outcome(lantern / "machine.yaml", changed(data, way, JUNK[(index * 7 + index // 4) % len(JUNK)]), None)
        for index, way in enumerate(ways(data))
        if index % 4 == shift
    ]
    assert set(found) <= {"read", "refused"}
    assert found.count("refused") > len(found) * 0.9


@pytest.mark.parametrize("shift", range(4))
def test_a_routine_file_with_junk_anywhere_is_read_or_refused(lantern: Path, shift: int) -> None:
    machine = load_machine(LANTERN / "machine.yaml")
    data = plain(read_yaml(LANTERN / "every_key.routine.yaml").root)
    found = [
        outcome(lantern / "junk.routine.yaml", changed(data, way, JUNK[(index * 7 + index // 4) % len(JUNK)]), machine)
        for index, way in enumerate(ways(data))
        if index % 4 == shift
    ]
    assert set(found) <= {"read", "refused"}
    assert found.count("refused") > len(found) * 0.8
