"""``stepgraph new`` and ``check --watch``."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from sequencer.cli import watch as watching
from sequencer.cli.output import CannotDo, Output
from sequencer.cli.watch import watch

ROOT = Path(__file__).parents[2]

Call = Callable[..., Any]


def test_a_new_folder_is_clear_rehearsed_and_passes_its_tests_at_once(
    tmp_path: Path, call: Call, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = call("new", str(tmp_path / "mine"), "--json")
    assert made.code == 0
    names = {"machine.yaml", "reach_shelf.routine.yaml", "test_reach_shelf.py", "README.md"}
    names |= {f"schemas/{kind}.schema.json" for kind in ("machine", "routine", "overlay")}
    assert {str(Path(name).relative_to(tmp_path / "mine")) for name in made.data["written"]} == names
    monkeypatch.chdir(tmp_path / "mine")
    assert call("check", ".").code == 0
    assert call("rehearse", ".").code == 0
    plugin = ["-p", "no:stepgraph", "-p", "sequencer.testing.plugin", "-p", "no:cacheprovider"]
    tests = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", *plugin],
        capture_output=True,
        text=True,
        env={"PYTHONPATH": str(ROOT), "PATH": ""},
        check=False,
    )
    assert "4 passed" in tests.stdout, tests.stdout


def test_the_readme_of_a_new_folder_tells_true_commands(
    tmp_path: Path, call: Call, monkeypatch: pytest.MonkeyPatch
) -> None:
    call("new", str(tmp_path))
    monkeypatch.chdir(tmp_path)
    block = (tmp_path / "README.md").read_text().split("```console\n")[1].split("```")[0]
    commands = [line.removeprefix("stepgraph ") for line in block.splitlines() if line.startswith("stepgraph ")]
    assert len(commands) == 4
    for words in commands:
        assert call(*words.split()).code == 0, words
    routine = tmp_path / "reach_shelf.routine.yaml"
    routine.write_text(routine.read_text().replace(", once: lift > 0.40 m", ""))
    broken = call("check", ".")
    assert broken.code == 1
    assert "this line mends it: level: once: lift >" in broken.out


def test_a_folder_with_something_in_it_is_left_alone(tmp_path: Path, call: Call) -> None:
    (tmp_path / "mine.txt").write_text("precious")
    refused = call("new", str(tmp_path))
    assert refused.code == 2
    assert "has something in it, and nothing was changed" in refused.err
    assert [path.name for path in tmp_path.iterdir()] == ["mine.txt"]
    assert call("new", str(tmp_path / "mine.txt")).code == 2


class _Saves:
    """Stands for the pauses of a watch: each saves a file, and the last one is Ctrl-C."""

    def __init__(self, *saves: Callable[[], object]) -> None:
        self.saves = list(saves)

    def __call__(self) -> None:
        if not self.saves:
            raise KeyboardInterrupt
        self.saves.pop(0)()


def test_a_watch_acts_again_when_a_file_is_saved_and_only_then(tmp_path: Path) -> None:
    file = tmp_path / "a.routine.yaml"
    file.write_text("one")
    done: list[str] = []

    def act() -> int:
        done.append(file.read_text() if file.exists() else "gone")
        if done[-1] == "bad":
            raise CannotDo("not now")
        return 0 if done[-1] == "three" else 1

    saves = _Saves(
        lambda: None,
        lambda: file.write_text("bad"),
        lambda: None,
        lambda: (tmp_path / "machine.yaml").write_text("beside it"),
        lambda: (tmp_path / "notes.txt").write_text("no concern"),
        lambda: file.write_text("three"),
    )
    assert watch([str(file)], [], act, Output(as_json=False), saves) == 0
    assert done == ["one", "bad", "bad", "three"]


def test_check_watch_checks_again_and_ends_with_the_last_code(
    folder: Path, call: Call, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = folder / "good" / "hang.routine.yaml"
    misspelt = path.read_text().replace("{lift: height}", "{lyft: height}")
    monkeypatch.setattr(watching, "wait_a_little", _Saves(lambda: path.write_text(misspelt)))
    done = call("check", str(path), "--watch")
    assert done.code == 1
    assert "hang: clear" in done.out
    assert "unknown axis 'lyft'; did you mean 'lift'?" in done.err
    assert call("check", str(path), "--watch", "--json").code == 2
