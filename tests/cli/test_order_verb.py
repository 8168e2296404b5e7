"""``stepgraph order``."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest

Call = Callable[..., Any]
CASE = Path(__file__).parents[1] / "cases" / "ordering" / "machine.yaml"


@pytest.fixture
def reacher(folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    shutil.copy(CASE, folder / "reacher.yaml")
    return "reacher.yaml"


def test_a_way_is_written_as_a_routine_that_checks_clear(reacher: str, folder: Path, call: Call) -> None:
    done = call("order", reacher, "--from", "stow", "--to", "feeder", "--write", "in.routine.yaml")
    assert (done.code, done.err) == (0, "")
    assert "clear: gated, " in done.out
    assert "once: wrist < " in (folder / "in.routine.yaml").read_text()
    assert call("check", "in.routine.yaml").code == 0


def test_positions_are_places_too(reacher: str, call: Call) -> None:
    done = call("order", reacher, "--from", "lift=0.3 m, slide=0.05 m, wrist=80 deg", "--to", "stow", "--json")
    assert done.code == 0
    assert done.data["verdict"] == "clear"
    assert "from: here" in done.data["routine"]
    assert "to keep it add: here: {lift: 0.3 m, slide: 0.05 m, wrist: 80 deg}" in done.err


def test_a_way_is_drawn_with_what_is_blocked_and_the_bodies_along_it(reacher: str, folder: Path, call: Call) -> None:
    done = call("order", reacher, "--from", "stow", "--to", "under_low", "--cells", "32", "--svg", "way.svg", "--json")
    assert (done.code, done.data["svg"]) == (0, "way.svg")
    assert "From the side" in (folder / "way.svg").read_text()


def test_all_changes_are_listed_and_drawn(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, call: Call
) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    done = call("order", "machine.yaml", "--all", "--svg", "changes.svg", "--json")
    assert done.code in (0, 1)
    presets = {change["from"] for change in done.data["changes"]}
    assert len(done.data["changes"]) == len(presets) * (len(presets) - 1)
    assert ElementTree.parse(folder / "changes.svg").getroot().tag.endswith("svg")
    assert "from the cache" in call("order", "machine.yaml", "--all").out


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (["--from", "stow", "--to", "stou"], 1, "'stou' is no preset; did you mean 'stow'?"),
        (["--from", "lift=3", "--to", "stow"], 1, "lift: '3' is not a length (such as m); write it"),
        (
            ["--from", "lift=3 deg", "--to", "stow"],
            1,
            "lift: '3 deg' is not a length (such as m); write it with its unit",
        ),
        (["--from", "lift=1 m, lift=0 m", "--to", "stow"], 1, "gives two positions to lift"),
        (["--from", "stow"], 2, "a change needs both its ends: --from PLACE --to PLACE"),
        (["--all", "--from", "stow"], 2, "give either --from and --to, or --all"),
        ([], 2, "give either --from and --to, or --all"),
        (["--all", "--write", "x"], 2, "--write goes with --from and --to"),
        (["--from", "stow", "--to", "high", "--within", "0"], 2, "the time must be greater than 0 s"),
        (["--from", "stow", "--to", "high", "--write", "reacher.yaml"], 2, "reacher.yaml is one of the files to read"),
    ],
)
def test_bad_words_are_refused(reacher: str, call: Call, words: list[str], code: int, said: str) -> None:
    done = call("order", reacher, *words)
    assert done.code == code
    assert said in done.err
