"""The example files of the lantern league, and a folder to spoil copies of them in."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from sequencer.files import FileErrors, load_machine, load_routine

LANTERN = Path(__file__).parents[1] / "cases" / "lantern"


@pytest.fixture
def lantern(tmp_path: Path) -> Path:
    """A copy of the example files."""
    folder = tmp_path / "lantern"
    shutil.copytree(LANTERN, folder)
    return folder


@pytest.fixture
def machine_errors(lantern: Path) -> Callable[..., list[str]]:
    """What is wrong with the example machine after replacements (old, new), a line each, without the folder."""

    def spoil(*replacements: tuple[str, str]) -> list[str]:
        return _spoilt(lantern / "machine.yaml", replacements, load_machine)

    return spoil


@pytest.fixture
def routine_errors(lantern: Path) -> Callable[..., list[str]]:
    """What is wrong with a routine of the given steps on the example machine."""

    def spoil(steps: str, head: str = "defaults: {timeout: 3 s}", tail: str = "") -> list[str]:
        file = lantern / "spoilt.routine.yaml"
        file.write_text(f"routine: spoilt\nmachine: machine.yaml\n{head}\nsteps:\n{steps}\n{tail}\n")
        return _spoilt(file, (), load_routine)

    return spoil


def _spoilt(file: Path, replacements: tuple[tuple[str, str], ...], load: Callable[[Path], object]) -> list[str]:
    text = file.read_text()
    for old, new in replacements:
        assert text.count(old) == 1, f"{old!r} stands {text.count(old)} times in {file.name}"
        text = text.replace(old, new)
    file.write_text(text)
    try:
        load(file)
    except FileErrors as errors:
        return str(errors).replace(f"{file.parent}/", "").splitlines()
    return []
