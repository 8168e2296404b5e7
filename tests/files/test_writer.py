from __future__ import annotations

import math
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sequencer.files import load_machine, load_routine, write_routine
from sequencer.files.writer import quantity, scalar, time_text
from sequencer.files.yaml_text import parse_yaml
from sequencer.units import ANGLE, ANGULAR_SPEED, CURRENT, LENGTH, TIME, Dimension, parse_quantity


@pytest.mark.parametrize("name", ["every_key", "hang_ridge", "drop", "home"])
def test_what_is_written_reads_back_equal(lantern: Path, name: str) -> None:
    machine = load_machine(lantern / "machine.yaml")
    file = lantern / f"{name}.routine.yaml"
    routine = load_routine(file, machine)
    text = write_routine(routine)
    file.write_text(text)
    assert load_routine(file, machine) == routine
    assert write_routine(load_routine(file, machine)) == text


def test_people_get_the_numbers_that_they_would_write(lantern: Path) -> None:
    text = write_routine(load_routine(lantern / "hang_ridge.routine.yaml"))
    assert "- flick: {flick: {wrist: {through: 58 deg, speed: 380 deg/s, to: 84 deg}}}" in text.splitlines()
    assert "- near: {wait: range_to_hook < 0.30 m, steady: 60 ms, timeout: 3 s, on_timeout: cancel}" in text


@given(st.text(max_size=30))
def test_any_text_written_as_a_scalar_reads_back(text: str) -> None:
    if any(0xD800 <= ord(char) <= 0xDFFF for char in text):
        return
    for written in (f"a: {scalar(text)}", f"a: {{b: [{scalar(text)}, 1]}}"):
        node = parse_yaml(written).entries["a"]
        node = node if node.entries is None else node.entries["b"].items[0]
        assert node.value == text


@given(
    st.floats(-1e6, 1e6, allow_nan=False),
    st.sampled_from([LENGTH, ANGLE, ANGULAR_SPEED, CURRENT, TIME]),
)
def test_any_quantity_written_reads_back_to_the_same_bits(value: float, dimension: Dimension) -> None:
    read = parse_quantity(quantity(value, dimension))
    assert read.dimension == dimension
    assert read.value == value
    assert math.copysign(1.0, read.value) == math.copysign(1.0, value) or value == 0.0


@given(st.integers(1, 10**13))
def test_any_time_written_reads_back_to_the_same_nanosecond(time: int) -> None:
    assert round(parse_quantity(time_text(time)).value * 1e9) == time
