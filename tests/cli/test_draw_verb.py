"""``stepgraph draw``."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

Call = Callable[..., Any]


def test_a_machine_is_drawn_under_its_name_and_shown_in_words(folder: Path, call: Call) -> None:
    done = call("draw", "machine.yaml")
    assert (done.code, done.err) == (0, "")
    assert "lantern hand: 2 axes" in done.out
    assert (
        "low_tuck: keep out of lift 0 m to 0.2 m and wrist -95 deg to -40 deg, because the hand meets the bumper"
        in done.out
    )
    assert done.out.endswith("wrote lantern_hand.svg\n")
    assert ElementTree.parse(folder / "lantern_hand.svg").getroot().tag.endswith("svg")


def test_a_routine_is_drawn_as_the_timeline_of_its_plan(folder: Path, call: Call) -> None:
    done = call("draw", "good/hang.routine.yaml", "-o", "out.svg")
    assert done.code == 0
    assert "retreat" in (folder / "out.svg").read_text()
    assert "critical path: raise → pause → retreat" in done.out


def test_an_overlay_changes_what_is_drawn(folder: Path, call: Call) -> None:
    assert "ridge   1.12 m" in call("draw", "machine.yaml", "--over", "saturday.yaml").out
    assert "ridge   1.1 m" in call("draw", "machine.yaml").out


def test_several_files_go_into_a_folder(folder: Path, call: Call) -> None:
    (folder / "pictures").mkdir()
    done = call("draw", "good", "machine.yaml", "-o", "pictures", "--json")
    assert done.data == [
        {"file": "good/hang.routine.yaml", "routine": "hang", "svg": "pictures/hang.svg"},
        {"file": "machine.yaml", "machine": "lantern hand", "svg": "pictures/lantern_hand.svg"},
    ]
    assert sorted(path.name for path in (folder / "pictures").iterdir()) == ["hang.svg", "lantern_hand.svg"]


def test_several_pictures_do_not_go_into_one_file(folder: Path, call: Call) -> None:
    done = call("draw", "good", "machine.yaml", "-o", "one.svg")
    assert (done.code, done.err) == (
        2,
        "stepgraph: there are 2 files to draw, and one.svg is no folder; make it one, or draw them one by one\n",
    )
    assert not (folder / "one.svg").exists()


def test_a_file_to_read_is_never_written_over(folder: Path, call: Call) -> None:
    before = (folder / "machine.yaml").read_text()
    done = call("draw", "machine.yaml", "-o", "good/../machine.yaml")
    assert done.code == 2
    assert "is one of the files to read; choose another name to write to" in done.err
    assert (folder / "machine.yaml").read_text() == before


def test_a_picture_that_cannot_be_written_leaves_nothing_behind(folder: Path, call: Call) -> None:
    done = call("draw", "machine.yaml", "-o", "nowhere/m.svg")
    assert (done.code, done.err) == (2, "stepgraph: nowhere/m.svg: cannot be written: No such file or directory\n")


def test_problems_of_a_file_are_given_with_their_places(folder: Path, call: Call) -> None:
    done = call("draw", "wrong")
    assert done.code == 1
    assert "misspelt.routine.yaml:6:" in done.err
    assert "did you mean 'lift'?" in done.err


def test_two_steps_are_drawn_beside_each_other(folder: Path, call: Call) -> None:
    demo = Path(__file__).parents[2] / "demos" / "lantern" / "to_stow.routine.yaml"
    done = call("draw", str(demo), "--together", "tuck", "lower")
    assert (done.code, done.err) == (0, "")
    assert done.out == "to_stow: tuck beside lower\nwrote to_stow_tuck_lower.svg\n"
    words = [text.text for text in ElementTree.parse(folder / "to_stow_tuck_lower.svg").iter() if text.text]
    assert "lower waits for wrist > 64 deg" in words
    done = call("draw", str(demo), "--together", "tuck", "lowr")
    assert done.code == 1
    assert "the plan of 'to_stow' has no step 'lowr'; did you mean 'lower'?" in done.err
