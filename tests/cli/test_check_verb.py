"""``stepgraph check``."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

Call = Callable[..., Any]
KEYS = {"verdict", "assumes", "duration", "findings", "steps", "critical", "clearance"}
FINDING = {"id", "rule", "severity", "file", "line", "column", "step", "message", "hint", "from", "until"}


def test_a_clear_routine_is_fine(folder: Path, call: Call) -> None:
    done = call("check", "good/hang.routine.yaml")
    assert (done.code, done.err) == (0, "")
    assert "hang: clear" in done.out


def test_one_file_gives_one_object_and_a_folder_a_list(folder: Path, call: Call) -> None:
    one = call("check", "good/hang.routine.yaml", "--json")
    assert one.code == 0
    assert set(one.data) >= KEYS
    assert [step["name"] for step in one.data["steps"]] == ["raise", "level", "pause", "retreat"]
    listed = call("check", "good", "--json")
    assert listed.data == [one.data]


def test_a_conflict_is_found_with_its_place(folder: Path, call: Call) -> None:
    done = call("check", "bad/fold.routine.yaml", "--json")
    assert done.code == 1
    assert done.data["verdict"] == "conflict"
    assert all(set(finding) >= FINDING for finding in done.data["findings"])
    assert any("low_tuck" in finding["message"] for finding in done.data["findings"])


def test_a_misspelt_file_is_invalid_and_the_others_are_still_checked(folder: Path, call: Call) -> None:
    done = call("check", "wrong", "good", "--json")
    assert done.code == 1
    assert [result["verdict"] for result in done.data] == ["invalid", "clear"]
    (finding,) = done.data[0]["findings"]
    assert set(finding) == FINDING
    assert (Path(finding["file"]).name, finding["line"]) == ("misspelt.routine.yaml", 6)
    assert "1 of 2 are clear" in done.err


def test_words_are_plain_without_a_terminal(folder: Path, call: Call) -> None:
    assert "\x1b" not in call("check", "good", "bad").out


def test_an_overlay_is_laid_over_the_machine_of_every_routine(folder: Path, call: Call) -> None:
    (folder / "good/slow.yaml").write_text(
        "over: machine.yaml\nbecause: a tired chain\naxes: {lift: {limits: {velocity: 0.5 m/s}}}\n"
    )
    usual = call("check", "good/hang.routine.yaml", "--json").data["duration"]
    slow = call("check", "good/hang.routine.yaml", "--over", "good/slow.yaml", "--json").data["duration"]
    assert slow > usual + 1.0


def test_a_waived_finding_no_longer_counts_and_says_why(folder: Path, call: Call) -> None:
    words = ("check", "bad/fold.routine.yaml", "--waive", "keep_out:lower:the bumper is off today")
    assert call(*words, "--json").data["verdict"] == "clear"
    done = call(*words)
    assert done.code == 0
    assert "waived: low_tuck" in done.out
    assert "(because the bumper is off today) [keep_out:lower]" in done.out
