"""``stepgraph order``."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from itertools import count
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


def test_a_way_is_written_where_a_routine_can_name_its_machine(reacher: str, folder: Path, call: Call) -> None:
    inner = folder / "inner"
    inner.mkdir()
    (folder / reacher).rename(inner / reacher)
    words = ["order", f"inner/{reacher}", "--from", "stow", "--to", "feeder", "--write"]
    assert call(*words, "above.routine.yaml").code == 0
    assert call("check", "above.routine.yaml").code == 0
    (folder / "other").mkdir()
    beside = call(*words, "other/x.routine.yaml")
    assert beside.code == 2
    assert f"in its own folder or below; write it beside inner/{reacher}" in beside.err
    assert not list((folder / "other").iterdir())


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


def test_a_preset_in_conflict_is_named_with_what_it_meets_and_how_to_get_out(
    reacher: str, folder: Path, call: Call
) -> None:
    text = (folder / reacher).read_text()
    (folder / reacher).write_text(
        text.replace("  edge: {", "  inside: {lift: 0.5 m, slide: 0.4 m, wrist: 0 deg}\n  edge: {")
    )
    done = call("order", reacher, "--from", "stow", "--to", "inside")
    assert (done.code, done.err) == (1, "")
    assert done.out == (
        "conflict: the goal inside lies in shelf and hand overlap by 40 mm at lift 0.5 m, slide 0.4 m, wrist 0 deg, "
        "tolerances and tracking counted\n"
    )
    done = call("order", reacher, "--from", "inside", "--to", "stow", "--json")
    assert (done.code, done.data["verdict"], done.data["routine"]) == (1, "conflict", None)
    assert {way["axis"] for way in done.data["ways_out"] if way["clear"]} == {"lift", "slide"}
    assert "one axis alone does not deepen it, slowly, watched, nobody near: lift to 0.413 m (at 0.17 m/s" in done.err


def test_cells_too_coarse_for_a_preset_are_named_with_a_size_that_is_enough(
    reacher: str, folder: Path, call: Call
) -> None:
    """A wall of keep-outs leaves no way, so that it has to be said what may be too coarse."""
    text = (folder / reacher).read_text()
    wall = "interlocks: {wall: {keep_out: {lift: [0.2 m, 0.25 m]}, because: a test}}\n"
    (folder / reacher).write_text(text + wall)
    done = call("order", reacher, "--from", "stow", "--to", "feeder", "--cells", "4")
    assert (done.code, done.err) == (1, "")
    assert done.out.startswith("undecided: no way from stow to feeder was found: all axes at once meet ")
    assert done.out.endswith(
        "; besides, the goal feeder cannot be certified with cells of this size: lift 0.345 m to 0.7 m, slide 0.25 m "
        "to 0.38 m, wrist 10 deg to 66.25 deg; try 32 cells an axis instead of 4\n"
    )
    assert "besides" not in call("order", reacher, "--from", "stow", "--to", "feeder", "--cells", "32").out


def test_when_the_time_is_up_the_best_so_far_is_given_with_its_bound(
    reacher: str, call: Call, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The clock of the search goes on by a second each time it is read."""
    whole = call("order", reacher, "--from", "carry", "--to", "edge", "--json").data
    for module in ("search", "seek", "improve"):
        monkeypatch.setattr(f"sequencer.ordering.{module}.perf_counter", count().__next__)
    done = call("order", reacher, "--from", "carry", "--to", "edge", "--within", "8", "--json")
    assert (done.code, done.data["complete"]) == (0, False)
    assert done.data["at_least"] <= whole["duration"] <= done.data["duration"]
    assert f"the time was up: the best so far; no way can be faster than {done.data['at_least']:.3f} s" in done.err


def test_when_the_time_is_up_before_anything_is_found_that_is_said(reacher: str, call: Call) -> None:
    done = call("order", reacher, "--from", "carry", "--to", "edge", "--within", "1e-9")
    assert (done.code, done.err) == (1, "")
    assert done.out == (
        "undecided: no way from carry to edge was found within 1e-09 s: all axes at once meet shelf and hand overlap "
        "by 0.0338 mm at lift 0.307 m, slide 0.1361 m, wrist 38.79 deg; give it more time\n"
    )


def test_a_kept_table_that_is_broken_changed_or_of_another_machine_is_said_and_made_anew(
    reacher: str, folder: Path, tmp_path: Path, call: Call
) -> None:
    text = (folder / reacher).read_text()
    left = [
        line for line in text.splitlines() if not line.startswith(("  under", "  over", "  floor", "  top", "  high"))
    ]
    (folder / reacher).write_text("\n".join(left) + "\n")
    first = call("order", reacher, "--all", "--json").data
    (kept,) = (tmp_path / "cache" / "stepgraph").glob("orders-*.json")
    whole = kept.read_text()
    for damaged, why in [
        ("{", "is damaged"),
        ("[]", "is damaged"),
        (whole.replace("gated", "at once", 1), "was changed after it was written"),
        (
            whole.replace(kept.stem.removeprefix("orders-"), "0" * 64),
            "was made for another machine, overlay or version",
        ),
    ]:
        kept.write_text(damaged)
        done = call("order", reacher, "--all", "--json")
        assert (done.code, done.data) == (0, first)
        assert f"{kept} {why}; the table was worked out anew" in done.err
        assert "from the cache" not in done.err
    assert "from the cache" in call("order", reacher, "--all").out


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (["--from", "stow", "--to", "stou"], 1, "'stou' is no preset; did you mean 'stow'?"),
        (["--from", "stou", "--to", "stow"], 1, "'stou' is no preset; did you mean 'stow'?"),
        (["--from", "lfit=0.3 m", "--to", "stow"], 1, "'lfit' is no axis with a position; did you mean 'lift'?"),
        (["--from", "stow", "--to", "stow"], 1, "at stow all axes stand where stow has them: nothing to move"),
        (["--from", "stow", "--to", "high", "--cells", "48"], 1, "48 cells along an axis; it must be a power of 2"),
        (["--from", "stow", "--to", "high", "--within", "nan"], 2, "the time must be greater than 0 s"),
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
