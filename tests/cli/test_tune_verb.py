"""``stepgraph tune``."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

Call = Callable[..., Any]


@pytest.fixture
def tried(folder: Path, call: Call) -> tuple[str, Path]:
    """A log with one labelled attempt, and the routine, which has a timing."""
    file = folder / "good/hang.routine.yaml"
    text = file.read_text()
    text = text.replace("parameters:\n", "parameters:\n  early: {value: 30 ms, range: [0 ms, 80 ms]}\n")
    file.write_text(text)
    call("rehearse", "good/hang.routine.yaml", "--name", "plain", "--trace", "run.csv")
    (log,) = folder.glob("run*.csv")
    return log.name, file


def test_attempts_are_counted_and_the_next_is_proposed(tried: tuple[str, Path], call: Call) -> None:
    log, file = tried
    call("label", log, "1", "made")
    done = call("tune", log, "--routine", str(file), "--parameter", "early", "--json")
    assert done.code == 0
    assert (done.data["attempts"], done.data["made"]) == (1, 1)
    assert 0.0 <= done.data["next"] <= 0.08
    assert done.data["doubt"].startswith("Every attempt was made")
    assert done.data["applied"] is None


def test_apply_changes_the_parameter_and_nothing_else(tried: tuple[str, Path], folder: Path, call: Call) -> None:
    log, file = tried
    (folder / "missed.csv").write_bytes((folder / log).read_bytes())
    call("label", log, "1", "made")
    call("label", "missed.csv", "1", "missed")
    before = file.read_text().splitlines()
    done = call("tune", log, "missed.csv", "--routine", str(file), "--parameter", "early", "--apply")
    assert done.code == 0
    assert "check and pack it again" in done.out
    after = file.read_text().splitlines()
    changed = [(old, new) for old, new in zip(before, after, strict=True) if old != new]
    ((old, new),) = changed
    assert "value: 30 ms" in old
    assert new.endswith("# tuned: 1 of 2 made")
    assert call("check", str(file)).code == 0


@pytest.mark.parametrize("label", ["made", "missed"])
def test_what_tells_no_timing_from_another_is_not_applied(tried: tuple[str, Path], call: Call, label: str) -> None:
    log, file = tried
    call("label", log, "1", label)
    before = file.read_text()
    done = call("tune", log, "--routine", str(file), "--parameter", "early", "--apply")
    assert done.code == 2
    assert "tells no timing from another; nothing was written" in done.err
    assert file.read_text() == before


def test_without_a_label_nothing_is_applied(tried: tuple[str, Path], call: Call) -> None:
    log, file = tried
    before = file.read_text()
    assert "stepgraph label" in call("tune", log, "--routine", str(file), "--parameter", "early").out
    assert call("tune", log, "--routine", str(file), "--parameter", "early", "--apply").code == 2
    assert file.read_text() == before


def test_a_parameter_that_is_not_there_is_said(tried: tuple[str, Path], call: Call) -> None:
    log, file = tried
    done = call("tune", log, "--routine", str(file), "--parameter", "erly")
    assert done.code == 2
    assert "did you mean 'early'" in done.err
    assert "name the one to tune" in call("tune", log, "--routine", str(file)).err


def test_the_picture_is_written(tried: tuple[str, Path], folder: Path, call: Call) -> None:
    log, file = tried
    call("label", log, "1", "missed")
    call("tune", log, "--routine", str(file), "--parameter", "early", "--svg", "tries.svg")
    assert (folder / "tries.svg").read_text().startswith("<svg")


def test_the_log_of_another_machine_is_named(tried: tuple[str, Path], folder: Path, call: Call) -> None:
    log, file = tried
    assert "recorded: " not in call("tune", log, "--routine", str(file), "--parameter", "early").out
    machine = file.parent / "machine.yaml"
    machine.write_text(machine.read_text().replace("machine: lantern hand", "machine: pond hand"))
    done = call("tune", log, "--routine", str(file), "--parameter", "early")
    assert done.out.startswith("another machine was recorded: lantern hand (")
