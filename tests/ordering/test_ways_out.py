"""Starts inside a conflict: what is offered brings nothing nearer, slowly, and is said."""

from __future__ import annotations

from pathlib import Path
from random import Random

import pytest

from profiles import Limits
from sequencer import load_machine, order
from sequencer.machine.axis import Axis, Mount, Tolerance
from sequencer.machine.interlock import KeepOut
from sequencer.machine.machine import Machine, Preset
from sequencer.ordering import Grid, NoOrder, Ordering
from sequencer.ordering.ways_out import SLOWLY, ways_out

CASE = Path(__file__).parents[1] / "cases" / "ordering" / "machine.yaml"


@pytest.fixture(scope="module")
def grid() -> Grid:
    return Grid(load_machine(CASE), {3: 32})


def test_no_way_out_brings_bodies_nearer_anywhere_on_it(grid: Grid) -> None:
    """Random starts in conflict; distances at 100 places on each way, by the distance of single configurations."""
    source, starts, offered = Random(8), 0, 0
    while starts < 25:
        at = [source.uniform(low, high) for low, high in zip(grid.low, grid.high, strict=True)]
        if all(pair.distance(at) > pair.margin for pair in grid.pairs):
            continue
        starts += 1
        before = [pair.distance(at) for pair in grid.pairs]
        for way in ways_out(grid, dict(zip(grid.axes, at, strict=True))):
            offered += 1
            number = grid.index[way.axis]
            assert way.speed <= SLOWLY * 1.001 * max(abs(v) for v in _pair(grid.machine.axes[way.axis].limits.velocity))
            for step in range(101):
                place = list(at)
                place[number] += (way.to - at[number]) * step / 100
                for pair, distance in zip(grid.pairs, before, strict=True):
                    assert pair.distance(place) >= min(distance, pair.margin) - 2e-4
            if way.clear:
                assert grid.free_proved(*[[*at[:number], way.to, *at[number + 1 :]]] * 2)
    assert offered > 25


def _pair(limit: float | tuple[float, float]) -> tuple[float, float]:
    return limit if isinstance(limit, tuple) else (-limit, limit)


def test_a_start_in_conflict_is_told_with_the_moves_that_lead_out_and_from_there_there_is_an_order(grid: Grid) -> None:
    start = {"lift": 0.415, "slide": 0.4, "wrist": 0.17}
    with pytest.raises(
        NoOrder, match="one axis alone does not deepen it, slowly, watched, nobody near: lift to"
    ) as told:
        Ordering(grid.machine, grid).find(start, "stow")
    assert told.value.verdict == "conflict"
    assert "at 0.17 m/s or less" in str(told.value)
    out = next(way for way in told.value.ways_out if way.clear)
    assert Ordering(grid.machine, grid).find({**start, out.axis: out.to}, "stow").duration > 0.0


def test_a_keep_out_is_left_by_its_nearer_faces_alone() -> None:
    axes = {
        name: Axis(name, "linear", Limits(1.0, 4.0), (0.0, 1.0), Mount(), Tolerance(0.005, following=0.01))
        for name in ("along", "across")
    }
    rule = KeepOut("box", (("along", (0.2, 0.6)), ("across", (0.2, 0.6))))
    machine = Machine("slides", axes, presets={"in": Preset("in", {"along": 0.3, "across": 0.55})}, interlocks=(rule,))
    found = ways_out(Grid(machine), {"along": 0.3, "across": 0.55})
    assert [(way.axis, way.clear) for way in found] == [("along", True), ("across", True)]
    assert found[0].to < 0.19
    assert found[1].to > 0.61
    with pytest.raises(NoOrder, match=r"the start in lies in box.*along to .* \(at 0\.1 m/s or less\), or across to"):
        order(machine, "in", {"along": 0.9})


def test_where_no_axis_alone_leads_out_that_is_said() -> None:
    axes = {"along": Axis("along", "linear", Limits(1.0, 4.0), (0.0, 1.0), Mount(), Tolerance(0.005, following=0.01))}
    rules = (KeepOut("all", (("along", (0.0, 1.0)),)),)
    machine = Machine("one", axes, presets={"in": Preset("in", {"along": 0.5})}, interlocks=rules)
    with pytest.raises(NoOrder, match="none of them leads out alone"):
        order(machine, "in", {"along": 0.9})
