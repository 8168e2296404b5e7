"""``stepgraph pack``."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from sequencer.pack import load_pack

Call = Callable[..., Any]


def test_clear_routines_are_packed(folder: Path, call: Call) -> None:
    done = call("pack", "good", "-o", "robot.pack", "--json")
    assert done.code == 0
    pack = load_pack(folder / "robot.pack")
    assert list(pack.routines) == ["hang"]
    assert done.data["hash"] == pack.hash
    assert done.data["routines"] == [
        {"routine": "hang", "path": "good/hang.routine.yaml", "verdict": "clear", "hash": pack.routines["hang"].hash}
    ]


def test_nothing_is_written_unless_all_are_clear(folder: Path, call: Call) -> None:
    (folder / "robot.pack").write_text("yesterday's")
    done = call("pack", "good", "bad", "wrong", "-o", "robot.pack", "--json")
    assert done.code == 1
    assert [result["verdict"] for result in done.data["routines"]] == ["clear", "conflict", "invalid"]
    assert done.data["pack"] is None
    assert "nothing was written: 2 of 3 routines are not clear" in done.err
    assert (folder / "robot.pack").read_text() == "yesterday's"


def test_a_routine_is_never_written_over(folder: Path, call: Call) -> None:
    done = call("pack", "good", "-o", "good/hang.routine.yaml")
    assert done.code == 2
    assert "routine: hang" in (folder / "good/hang.routine.yaml").read_text()
