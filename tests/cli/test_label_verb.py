"""``stepgraph label``."""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path
from typing import Any

from sequencer.trace import read_trace

Call = Callable[..., Any]


def recorded(folder: Path, call: Call) -> Path:
    call("rehearse", "good/hang.routine.yaml", "--name", "plain", "--trace", "run.csv")
    (found,) = folder.glob("run*.csv")
    return found


def test_a_label_changes_one_cell_of_the_file_and_nothing_else(folder: Path, call: Call) -> None:
    log = recorded(folder, call)
    before = list(csv.reader(log.read_text().splitlines()))
    done = call("label", log.name, "1", "made")
    assert (done.code, done.out.strip()) == (0, "run 1, hang: made; 1 of 1 runs are labelled")
    after = list(csv.reader(log.read_text().splitlines()))
    different = [
        (line, column)
        for line in range(len(before))
        for column in range(len(before[line]))
        if before[line][column] != after[line][column]
    ]
    assert different == [(1, len(before[1]) - 1)]
    assert [run.label for run in read_trace(log).runs()] == ["made"]


def test_a_label_can_be_changed_and_taken_away(folder: Path, call: Call) -> None:
    log = recorded(folder, call)
    untouched = log.read_bytes()
    assert call("label", log.name, "1", "missed", "--json").data["runs"] == [
        {"number": 1, "name": "hang", "label": "missed"}
    ]
    assert call("label", log.name, "1", "none").code == 0
    assert log.read_bytes() == untouched


def test_a_run_a_word_or_a_log_that_is_not_there_is_said(folder: Path, call: Call) -> None:
    log = recorded(folder, call)
    done = call("label", log.name, "4", "made")
    assert (done.code, "there is no run 4; the trace has 1" in done.err) == (2, True)
    assert call("label", log.name, "1", "maid").code == 2
    assert call("label", "lost.csv", "1", "made").code == 2
