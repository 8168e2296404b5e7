"""The table of all changes between presets: what it says, what is kept of it, and what it was made for."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from sequencer import load_machine
from sequencer.machine.interlock import KeepOut
from sequencer.machine.machine import Machine, Preset
from sequencer.ordering import Grid, Ordering, preset_table

CASE = Path(__file__).parents[1] / "cases" / "ordering" / "machine.yaml"
FEW = ("stow", "carry", "high", "over_low")
CELLS = 32


@pytest.fixture(autouse=True)
def _own_cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    return


@pytest.fixture(scope="module")
def machine() -> Machine:
    whole = load_machine(CASE)
    return replace(whole, presets={name: whole.presets[name] for name in FEW})


def test_every_pair_has_a_time_or_a_reason(machine: Machine) -> None:
    inside = replace(
        machine, presets={**machine.presets, "inside": Preset("inside", {"lift": 0.5, "slide": 0.4, "wrist": 0.0})}
    )
    told: list[tuple[int, int]] = []
    table = preset_table(inside, cells=CELLS, progress=lambda done, whole: told.append((done, whole)))
    assert len(table) == 20
    assert told[-1] == (20, 20)
    for change in table:
        if "inside" in (change.start, change.goal):
            assert (change.verdict, change.duration) == ("conflict", None)
            assert "inside lies in shelf and" in change.because
        else:
            assert change.verdict == "clear"
            assert change.duration is not None
            assert change.duration > 0.0
    assert repr(table) == "<PresetTable of shelf reacher: 12 of 20 changes are clear>"


def test_a_table_that_was_kept_is_the_same_and_says_so(machine: Machine) -> None:
    made, kept = preset_table(machine, cells=CELLS), preset_table(machine, cells=CELLS)
    assert (made.from_cache, kept.from_cache) == (False, True)
    assert dict(kept.changes) == dict(made.changes)


def test_a_table_does_not_serve_a_machine_that_differs_in_anything(machine: Machine) -> None:
    """Clearance scenario C37: a shelf raised by 30 mm after the table was made."""
    first = preset_table(machine, cells=CELLS)
    shelf = machine.bodies["shelf"]
    raised = replace(shelf, parts=tuple(tuple((x, y + 0.03) for x, y in part) for part in shelf.parts))
    lift = machine.axes["lift"]
    others = [
        replace(machine, bodies={**machine.bodies, "shelf": raised}),
        replace(machine, interlocks=(KeepOut("top", (("lift", (1.38, 1.4)),)),)),
        replace(machine, overlays=("saturday: posts are higher",)),
        replace(machine, axes={**machine.axes, "lift": replace(lift, latency=(0, 40_000_000))}),
        replace(
            machine, presets={**machine.presets, "high": Preset("high", {"lift": 1.3, "slide": 0.1, "wrist": 0.7})}
        ),
        replace(
            machine, axes={**machine.axes, "lift": replace(lift, tolerance=replace(lift.tolerance, following=0.02))}
        ),
    ]
    assert len({first.key, *(Grid(other, {3: 4}).key for other in others)}) == len(others) + 1
    assert not preset_table(others[0], cells=CELLS).from_cache


def test_a_kept_table_that_was_touched_is_refused(machine: Machine, tmp_path: Path) -> None:
    made = preset_table(machine, cells=CELLS)
    (kept,) = (tmp_path / "stepgraph").glob("orders-*.json")
    kept.write_text(kept.read_text().replace("gated", "at once", 1))
    again = preset_table(machine, cells=CELLS)
    assert not again.from_cache
    assert dict(again.changes) == dict(made.changes)
    kept.write_text("{}")
    assert not preset_table(machine, cells=CELLS).from_cache


def test_an_overlay_has_a_table_of_its_own(tmp_path: Path) -> None:
    shutil.copy(CASE, tmp_path / "machine.yaml")
    overlay = tmp_path / "saturday.yaml"
    overlay.write_text(
        "over: machine.yaml\nbecause: the shelf of field 2 is in the way\npresets: {high: {lift: 1.30 m}}\n"
    )
    plain, laid = load_machine(tmp_path / "machine.yaml"), load_machine(tmp_path / "machine.yaml", (overlay,))
    assert Grid(plain, {3: 4}).key != Grid(laid, {3: 4}).key


def test_what_the_cells_call_free_is_free_at_every_place_tried() -> None:
    """Free boxes of the grid against distances of single configurations at their corners and middles, bands added."""
    from random import Random

    machine = load_machine(CASE)
    grid, source, seen = Grid(machine, {3: 32}), Random(4), 0
    for _ in range(400):
        ends = [
            sorted(source.uniform(low, high) for _ in range(2)) for low, high in zip(grid.low, grid.high, strict=True)
        ]
        low, high = [end[0] for end in ends], [min(end[1], end[0] + 0.2) for end in ends]
        if grid.free(low, high):
            seen += 1
            assert grid.free_sharp(low, high)
            for _ in range(20):
                place = [
                    source.choice([begin - band, end + band, source.uniform(begin, end)])
                    for begin, end, band in zip(low, high, grid.band - 1e-9, strict=True)
                ]
                assert all(pair.distance(place) > pair.margin for pair in grid.pairs)
    assert seen > 50


def test_four_axes_and_a_spin_are_planned_too() -> None:
    from profiles import Limits
    from sequencer.machine.axis import Axis, Mount, Tolerance

    whole = load_machine(CASE)
    more = {
        "base": Axis("base", "linear", Limits(1.0, 4.0, 60.0), (0.0, 0.1), Mount(), Tolerance(0.004, following=0.01)),
        "lift": replace(whole.axes["lift"], mount=replace(whole.axes["lift"].mount, to="base")),
        "slide": whole.axes["slide"],
        "wrist": whole.axes["wrist"],
        "rollers": Axis("rollers", "spin", Limits(300.0, 6000.0), mount=Mount("wrist")),
    }
    presets = {
        name: Preset(name, {"base": 0.05, **whole.presets[name].positions}) for name in ("stow", "carry", "high")
    }
    ordering = Ordering(replace(whole, axes=more, presets=presets))
    assert ordering.axes == ("base", "lift", "slide", "wrist")
    assert ordering.find("carry", "high").duration > 0.0
