"""``stepgraph check``."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

Call = Callable[..., Any]
DEMO = Path(__file__).parents[2] / "demos" / "lantern"
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


def test_bodies_are_drawn_for_a_clear_routine_and_for_a_conflict(folder: Path, call: Call) -> None:
    done = call("check", str(DEMO / "pick_up.routine.yaml"), "--svg", "seen.svg")
    assert done.code == 0
    assert done.out.endswith("wrote seen.svg\n")
    assert "Step by step" in [text.text for text in ElementTree.parse(folder / "seen.svg").iter() if text.text]
    done = call("check", str(DEMO / "broken_order.routine.yaml"), "--svg", "seen.svg")
    assert done.code == 1
    assert "hand and bumper" in [text.text for text in ElementTree.parse(folder / "seen.svg").iter() if text.text]


def test_how_near_a_punctual_plan_comes_is_told_with_place_and_price(folder: Path, call: Call) -> None:
    done = " ".join(call("check", str(DEMO / "drop.routine.yaml")).out.split())
    assert (
        "if punctual: post and lantern come nearest, 170.9 mm to 171.4 mm apart at 0.83 s (10 mm must remain), " in done
    )
    assert "if lantern is there; gates cost 554 ms assumes:" in done
    done = " ".join(call("check", str(DEMO / "broken_reach.routine.yaml")).out.split())
    assert "mm apart at 0.27 s (10 mm must remain), if lantern is there; too near from 0.26 s on, with lift at " in done


def test_pictures_of_several_routines_go_into_a_folder(folder: Path, call: Call) -> None:
    paths = [str(DEMO / f"{name}.routine.yaml") for name in ("pick_up", "to_stow")]
    (folder / "seen").mkdir()
    assert call("check", *paths, "--svg", "seen").code == 0
    assert sorted(path.name for path in (folder / "seen").iterdir()) == ["pick_up.svg", "to_stow.svg"]
    done = call("check", *paths, "--svg", "seen.svg")
    assert done.code == 2
    assert "there are 2 routines, and seen.svg is no folder" in done.err


def test_where_there_are_no_bodies_the_verdict_stands_and_no_picture_is_written(folder: Path, call: Call) -> None:
    done = call("check", "good/hang.routine.yaml", "--svg", "seen.svg")
    assert done.code == 0
    assert "no picture of hang: the machine 'lantern hand' has no bodies" in done.out
    assert not (folder / "seen.svg").exists()


def test_a_picture_is_never_written_over_a_routine(folder: Path, call: Call) -> None:
    path = folder / "drop.routine.yaml"
    (folder / "machine.yaml").write_text((DEMO / "machine.yaml").read_text())
    path.write_text((DEMO / "pick_up.routine.yaml").read_text())
    done = call("check", "drop.routine.yaml", "--svg", "drop.routine.yaml")
    assert done.code == 2
    assert "is one of the files to read" in done.err
    assert path.read_text() == (DEMO / "pick_up.routine.yaml").read_text()
