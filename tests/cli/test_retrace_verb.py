"""``stepgraph retrace``."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

Call = Callable[..., Any]


def recorded(folder: Path, call: Call) -> Path:
    call("rehearse", "good/hang.routine.yaml", "--name", "plain", "--trace", "run.csv")
    (found,) = folder.glob("run*.csv")
    return found


def test_the_same_routine_is_told_to_be_identical(folder: Path, call: Call) -> None:
    done = call("retrace", recorded(folder, call).name, "--routine", "good")
    assert done.code == 0
    assert "every order and every decision as recorded" in done.out


def test_a_changed_routine_is_told_by_its_first_difference(folder: Path, call: Call) -> None:
    log = recorded(folder, call)
    file = folder / "good/hang.routine.yaml"
    file.write_text(file.read_text().replace("lift > 0.40 m", "lift > 0.60 m"))
    done = call("retrace", log.name, "--routine", "good/hang.routine.yaml", "--json")
    assert done.code == 1
    first = done.data["differences"][0]
    assert (first["step"], first["kind"], first["told"]) == ("level", "gate", True)
    assert done.data["told_until"] is not None
    assert done.data["identical"] is False


def test_what_the_check_refuses_is_not_run(folder: Path, call: Call) -> None:
    done = call("retrace", recorded(folder, call).name, "--routine", "bad")
    assert done.code == 1
    assert "nothing was run again" in done.out


def test_a_log_that_is_none_is_said(folder: Path, call: Call) -> None:
    (folder / "empty.csv").write_text("")
    assert call("retrace", "empty.csv", "--routine", "good").code == 1
    assert call("retrace", "lost.csv", "--routine", "good").code == 2
