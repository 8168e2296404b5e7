"""``stepgraph drill``."""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from sequencer.study import Drill, DrillRow

Call = Callable[..., Any]


def test_a_line_a_fault_and_a_sentence_at_the_end(folder: Path, call: Call) -> None:
    done = call("drill", "good/hang", "--fault", "cancel", "--short", "--workers", "1")
    assert done.code == 2
    assert "there is no such file" in done.err
    done = call(
        "drill", "good/hang.routine.yaml", "--fault", "cancel", "--fault", "frozen", "--short", "--workers", "1"
    )
    assert done.code == 0
    lines = done.out.splitlines()
    assert lines[0].split("  ")[0] == "fault"
    assert lines[1].startswith("lift: encoder frozen *  ")
    assert lines[3].startswith("cancel ")
    assert lines[3].rstrip().endswith("hang cancelled")
    assert "0.01 s" in lines[3]
    assert lines[-1] == ""
    assert lines[-2].startswith("hang: fine, 12 of 12 tried: 0 conflicts where readings and brakes are true, ")


def test_rows_go_to_json_and_csv(folder: Path, call: Call) -> None:
    words = ("good/hang.routine.yaml", "--fault", "cancel", "--short", "--workers", "2")
    done = call("drill", *words, "--json", "--csv", "rows.csv")
    assert done.code == 0
    assert (done.data["routine"], done.data["planned"], done.data["tried"], done.data["fine"]) == ("hang", 4, 4, True)
    with (folder / "rows.csv").open(newline="") as file:
        assert [read["fault"] for read in csv.DictReader(file)] == ["cancel"] * 4


def test_what_is_not_clear_is_not_drilled(folder: Path, call: Call) -> None:
    done = call("drill", "bad", "--workers", "1")
    assert done.code == 1
    assert "fold: the check found it conflict; nothing was drilled" in done.out


def test_bad_words_are_refused_in_sentences(folder: Path, call: Call) -> None:
    path = "good/hang.routine.yaml"
    assert "no fault has the words 'flood'" in call("drill", path, "--fault", "flood").err
    assert "has no rehearsal 'plane'" in call("drill", path, "--name", "plane").err
    assert "at least one must work" in call("drill", path, "--workers", "0").err
    assert "ends otherwise" in call("drill", path, "--csv", "rows.txt").err
    assert "a drill needs one to disturb" in call("drill", path, "--name", "hasty").err
    assert call("drill", path, "--fault", "flood").code == 2


def test_ctrl_c_tells_what_is_done(folder: Path, call: Call, monkeypatch: pytest.MonkeyPatch) -> None:
    whole = Drill.rows

    def interrupted(self: Drill, executor: object = None) -> Iterator[DrillRow]:
        yield from list(whole(self))[:3]
        raise KeyboardInterrupt

    monkeypatch.setattr(Drill, "rows", interrupted)
    done = call("drill", "good/hang.routine.yaml", "--fault", "cancel", "--short", "--workers", "1")
    assert done.code == 1
    assert "interrupted: 3 of 4 were tried; this is what they came to" in done.out
    assert "hang: not fine, 3 of 4 tried" in done.out
