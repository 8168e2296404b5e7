"""``stepgraph ready``."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from sequencer import load_pack

Call = Callable[..., Any]


def plain_only(folder: Path) -> Path:
    path = folder / "good" / "hang.routine.yaml"
    path.write_text("\n".join(line for line in path.read_text().splitlines() if "hasty" not in line))
    return path


def test_a_folder_that_is_fit_is_packed_with_a_line_a_routine(folder: Path, call: Call) -> None:
    plain_only(folder)
    done = call("ready", "good", "-o", "robot.pack")
    assert done.code == 0
    heading, line, last = done.out.splitlines()
    assert heading.split() == ["routine", "check", "rehearsals", "longest", "drill", "hash"]
    (checked,) = load_pack("robot.pack").routines.values()
    assert line.split()[:5] == ["hang", "clear", "1", "of", "1"]
    assert line.split()[-1] == checked.hash[:12]
    assert last.startswith("ready: wrote robot.pack, 1 routine, ")


def test_what_is_not_fit_is_told_in_a_sentence_and_nothing_is_packed(folder: Path, call: Call) -> None:
    done = call("ready", "good", "bad", "wrong", "--json")
    assert done.code == 1
    assert not (folder / "robot.pack").exists()
    assert done.data["pack"] is None
    assert [(one["verdict"], one["ready"]) for one in done.data["routines"]] == [
        ("clear", False),
        ("conflict", False),
        ("invalid", False),
    ]
    hasty = done.data["routines"][0]["rehearsals"][1]
    assert not hasty["fine"]
    assert hasty["shortfalls"][0].startswith("finishes within: asked for 0.5 s, and found ")
    assert "hang, hasty: finishes within: asked for 0.5 s" in done.err
    assert "not ready: hang, fold, misspelt.routine.yaml; nothing was written" in done.err


def test_an_overlay_is_in_the_hash_and_in_the_words(folder: Path, call: Call) -> None:
    plain_only(folder)
    (folder / "good" / "saturday.yaml").write_text((folder / "saturday.yaml").read_text())
    bare = call("ready", "good", "--json").data
    over = call("ready", "good", "--over", "good/saturday.yaml", "--json")
    assert bare["hash"] != over.data["hash"]
    assert "1 routine, with saturday.yaml laid over" in over.err


def test_the_pack_is_never_written_over_a_routine(folder: Path, call: Call) -> None:
    path = plain_only(folder)
    assert call("ready", "good", "-o", str(path)).code == 2
    assert path.read_text().startswith("routine: hang")


def test_a_warning_about_the_machine_is_told_once_and_those_about_steps_are_counted(call: Call, tmp_path: Path) -> None:
    demo = Path(__file__).parents[2] / "demos" / "lantern"
    files = [str(demo / f"{name}.routine.yaml") for name in ("home", "to_stow")]
    over = str(demo / "saturday.yaml")
    called = call("ready", *files, "--over", over, "--without-drill", "-o", str(tmp_path / "robot.pack"))
    assert called.code == 0
    assert called.out.count("lift is said to do this without power: stays; as its load is declared it sinks") == 1
    assert "clear, 3 warnings" in called.out
    assert "stepgraph check tells the warnings in full" in called.out
    assert "no program prevents it" not in called.out
