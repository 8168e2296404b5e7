"""In a folder with the user's own `profiles.py` or `sequencer/`: what is imported in place of ours is named."""

from __future__ import annotations

import os
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]


def called(folder: Path, *words: str) -> subprocess.CompletedProcess[str]:
    """Python with words in a folder; this project is on the path behind the folder, as an installed one is."""
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    return subprocess.run(
        [sys.executable, *words], cwd=folder, env=environment, capture_output=True, text=True, timeout=60, check=False
    )


def last_line(words: subprocess.CompletedProcess[str]) -> str:
    return words.stderr.rstrip().splitlines()[-1]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "mine.py").write_text("from sequencer import load_machine\nprint(load_machine.__module__)\n")
    return tmp_path


@pytest.mark.parametrize("own", ["profiles.py", "profiles/__init__.py"])
def test_profiles_of_the_user_are_named_with_what_to_do(folder: Path, own: str) -> None:
    (folder / own).parent.mkdir(exist_ok=True)
    (folder / own).write_text("driver = 'left stick'\n")
    words = called(folder, "mine.py")
    assert words.returncode == 1
    assert last_line(words) == (
        f"ImportError: stepgraph needs its own package 'profiles', but Python imports {folder / own} in its place; "
        "rename that, or start Python in another folder and without it on PYTHONPATH"
    )


def test_profiles_of_the_user_that_were_imported_before_are_named_too(folder: Path) -> None:
    (folder / "profiles.py").write_text("")
    words = called(folder, "-c", "import profiles, sequencer")
    assert f"Python imports {folder / 'profiles.py'} in its place" in last_line(words)


def test_what_it_says_to_do_helps(folder: Path) -> None:
    (folder / "profiles.py").write_text("")
    assert called(folder, "mine.py").returncode == 1
    (folder / "profiles.py").rename(folder / "drivers.py")
    assert called(folder, "mine.py").stdout.split() == ["sequencer.files.read_machine"]
    (folder / "drivers.py").rename(folder / "profiles.py")
    elsewhere = folder / "elsewhere"
    elsewhere.mkdir()
    (folder / "mine.py").rename(elsewhere / "mine.py")
    assert called(folder, "elsewhere/mine.py").returncode == 0


def test_a_folder_of_that_name_without_python_in_it_is_in_nobodys_way(folder: Path) -> None:
    for name in ("profiles", "sequencer"):
        (folder / name).mkdir()
        (folder / name / "notes.txt").write_text("ours")
    assert called(folder, "mine.py").returncode == 0
    assert called(folder, "-m", "sequencer", "--help").returncode == 0


def test_the_command_tells_of_profiles_in_the_way_too(folder: Path) -> None:
    (folder / "profiles.py").write_text("")
    words = called(folder, "-m", "sequencer", "check", ".")
    assert words.returncode == 1
    assert f"Python imports {folder / 'profiles.py'} in its place; rename that, or start" in last_line(words)


def test_the_installed_command_does_not_care_what_the_folder_holds(folder: Path) -> None:
    """It begins with its own folder on the path, not with the one it is called in."""
    for name in ("profiles.py", "sequencer.py"):
        (folder / name).write_text("raise RuntimeError('mine')")
    program = folder / "elsewhere" / "stepgraph"
    program.parent.mkdir()
    program.write_text("import sys\nfrom sequencer.cli import main\nsys.exit(main())\n")
    words = called(folder, str(program), "--help")
    assert (words.returncode, words.stderr) == (0, "")
    assert "usage: stepgraph" in words.stdout


def test_a_script_is_told_by_python_itself_whose_sequencer_it_got(folder: Path) -> None:
    (folder / "sequencer.py").write_text("")
    words = called(folder, "mine.py")
    assert last_line(words).startswith("ImportError: cannot import name 'load_machine' from 'sequencer'")
    assert str(folder / "sequencer.py") in last_line(words)


def test_the_command_and_the_plugin_begin_in_the_package() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    assert project["scripts"] == {"stepgraph": "sequencer.cli:main"}
    assert project["entry-points"]["pytest11"] == {"stepgraph": "sequencer.testing.plugin"}
