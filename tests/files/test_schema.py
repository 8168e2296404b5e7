"""The JSON Schemas, judged by the public validator jsonschema (draft 2020-12)."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from sequencer.files import machine_schema, mapping_schema, overlay_schema, routine_schema
from sequencer.files.schema import shipped_schema
from sequencer.files.shapes import plain
from sequencer.files.yaml_text import parse_yaml, read_yaml

CASES = Path(__file__).parents[1] / "cases"
DEMOS = Path(__file__).parents[2] / "demos"
SCHEMAS = {
    "machine": machine_schema(),
    "overlay": overlay_schema(),
    "routine": routine_schema(),
    "mapping": mapping_schema(),
}


def kind_of(file: Path) -> str | None:
    root = read_yaml(file).root.entries or {}
    return next(
        (
            kind
            for kind, key in (("overlay", "over"), ("routine", "routine"), ("machine", "axes"), ("mapping", "log"))
            if key in root
        ),
        None,
    )


EXAMPLES = [file for folder in (CASES / "lantern", DEMOS) for file in sorted(folder.rglob("*.yaml")) if kind_of(file)]


@pytest.mark.parametrize("kind", SCHEMAS)
def test_a_schema_is_one_of_draft_2020_12_without_one_of(kind: str) -> None:
    """Y6: a schema is one of draft 2020 12 without one of."""
    schema = SCHEMAS[kind]
    jsonschema.Draft202012Validator.check_schema(schema)
    assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    assert '"oneOf"' not in json.dumps(schema)


@pytest.mark.parametrize("file", EXAMPLES, ids=lambda file: file.name)
def test_every_example_file_is_accepted(file: Path) -> None:
    """Y6: every example file is accepted."""
    validator = jsonschema.Draft202012Validator(SCHEMAS[str(kind_of(file))])
    assert [error.message for error in validator.iter_errors(plain(read_yaml(file).root))] == []


def errors_in(step: str) -> list[str]:
    text = f"routine: r\nmachine: machine.yaml\nsteps:\n- a: {step}\n"
    validator = jsonschema.Draft202012Validator(SCHEMAS["routine"])
    return [error.message for error in validator.iter_errors(plain(parse_yaml(text)))]


@pytest.mark.parametrize(
    "step",
    [
        "{move: {lift: 1.1}}",
        "{move: {lift: 010 m}}",
        "{move: {lift: true}}",
        "{move: {lift: [1 m]}}",
        "{move: stow, timeoout: 3 s}",
        "{mvoe: stow}",
        "{move: stow, wait: 3 s}",
        "{move: stow, with: b, after: [c]}",
        "{move: stow, for: 3 s}",
        "{move: stow, retry: -1}",
        "{move: stow, retry: two}",
        "{move: stow, together: 'true'}",
        "{move: stow, timeout: 3}",
        "{move: stow, timeout: planned}",
        "{move: stow, route: straight}",
        "{flick: {wrist: {through: 58 deg, speed: 380 deg/s}}}",
        "{repeat: {times: 2}}",
        "{set: {lamp: [dark]}}",
        "[move, stow]",
        "{}",
    ],
)
def test_a_step_of_the_wrong_type_is_rejected(step: str) -> None:
    """Y6: a step of the wrong type is rejected (F14)."""
    assert errors_in(step)


@pytest.mark.parametrize(
    "step",
    [
        "{move: {lift: 0}}",
        "{move: {lift: spot}}",
        "{move: {lift: 1e-1 m}}",
        "{move: stow, timeout: planned + grace}",
        "{move: stow, limits: {velocity: 50 %}}",
        "{wait: 'lift > 0.4 m and not (piece is lantern)', timeout: none}",
        "{pulse: {rollers: -6 V, lamp: steady, leave: true}, for: 140 ms}",
    ],
)
def test_a_step_of_the_right_type_is_accepted(step: str) -> None:
    assert errors_in(step) == []


def test_every_key_says_what_it_means_and_in_which_unit() -> None:
    def described(schema: Any) -> None:
        if isinstance(schema, dict):
            for name, inner in schema.get("properties", {}).items():
                if inner is not False:
                    assert len(inner.get("description", "")) > 10, name
            for inner in schema.values():
                described(inner)
        elif isinstance(schema, list):
            for inner in schema:
                described(inner)

    for schema in SCHEMAS.values():
        described(schema)
    settle = SCHEMAS["machine"]["$defs"]["tolerance"]["properties"]["settle"]
    assert settle["description"] == "How long it must stay so. Write a time (such as 0.5 s). Without it: 0 s."


@pytest.mark.parametrize("kind", SCHEMAS)
def test_the_shipped_schema_is_the_one_that_is_made(kind: str) -> None:
    """`python tests/docs/document.py` writes it anew."""
    assert json.loads(shipped_schema(kind).read_text()) == SCHEMAS[kind]


@pytest.mark.parametrize("file", sorted(DEMOS.rglob("*.yaml")), ids=lambda file: file.name)
def test_a_demo_file_names_its_schema_and_is_accepted_by_it(file: Path) -> None:
    first = file.read_text().splitlines()[0]
    assert first.startswith("# yaml-language-server: $schema=")
    schema = (file.parent / first.partition("=")[2]).resolve()
    assert schema == shipped_schema(str(kind_of(file)))
    validator = jsonschema.Draft202012Validator(json.loads(schema.read_text()))
    assert [error.message for error in validator.iter_errors(plain(read_yaml(file).root))] == []


@pytest.mark.parametrize(
    ("kind", "where", "said"),
    [
        ("machine", ("limits", "jerk"), "m/s3"),
        ("machine", ("tolerance", "following"), "m"),
        ("machine", ("load", "mass"), "kg"),
    ],
)
def test_hover_texts_tell_the_unit(kind: str, where: tuple[str, str], said: str) -> None:
    definition, key = where
    assert said in SCHEMAS[kind]["$defs"][definition]["properties"][key]["description"]
