"""Tables of ways: every box is free by an outside judge, every leg leads on, and hardly a place is left out."""

from __future__ import annotations

import json
from dataclasses import replace
from itertools import product
from math import cos, radians, sin
from pathlib import Path
from random import Random

import numpy as np
import pytest
from shapely.geometry import Polygon

from profiles import Limits
from sequencer import load_machine
from sequencer.machine.axis import Axis, Mount, Tolerance
from sequencer.machine.body import Body
from sequencer.machine.interlock import KeepOut
from sequencer.machine.machine import Machine, Preset
from sequencer.ordering import Grid
from sequencer.ordering.ways import MOST_BOXES, made, way_table
from sequencer.routine.way_table import WayTable

CASE = Path(__file__).parents[1] / "cases" / "ordering" / "machine.yaml"


@pytest.fixture(scope="module")
def reacher() -> Machine:
    return load_machine(CASE)


@pytest.fixture(scope="module")
def grid(reacher: Machine) -> Grid:
    return Grid(reacher)


@pytest.fixture(scope="module")
def to_stow(reacher: Machine, grid: Grid) -> WayTable:
    return made(grid, reacher.presets["stow"].positions)


@pytest.fixture
def hand() -> Machine:
    """A lift and a wrist without bodies; the hand may not be tucked down while the lift is low."""
    axes = {
        "lift": Axis("lift", "linear", Limits(1.5, 6.0), (0.0, 1.18), tolerance=Tolerance(0.008, following=0.05)),
        "wrist": Axis(
            "wrist", "rotary", Limits(7.0, 40.0), (radians(-95.0), radians(120.0)), tolerance=Tolerance(0.03)
        ),
    }
    tuck = KeepOut("low_tuck", (("lift", (0.0, 0.2)), ("wrist", (radians(-95.0), radians(-40.0)))))
    return Machine("hand", axes, interlocks=(tuck,))


def shapes(machine: Machine, lift: float, slide: float, wrist: float) -> dict[str, Polygon]:
    """Where the bodies of the reacher are, reckoned anew: a lift straight up, a slide forward, a hand that turns."""
    carriage = np.array([0.0, 0.25 + lift])
    arm = carriage + np.array([0.07 + slide, 0.0])
    turn = np.array([[cos(wrist), -sin(wrist)], [sin(wrist), cos(wrist)]])
    found = {}
    for body in machine.bodies.values():
        points = np.array(body.parts[0])
        if body.carried_by == "lift":
            points = points + carriage
        elif body.carried_by == "slide":
            points = points + arm
        elif body.carried_by == "wrist":
            points = points @ turn.T + arm + [0.15, 0.0]
        found[body.name] = Polygon(points)
    return found


def nearest(machine: Machine, place: tuple[float, ...]) -> float:
    """The least distance between the bodies that are watched, by shapely [m]."""
    found = shapes(machine, *place)
    watched = [("mast", "arm"), ("mast", "hand"), ("bumper", "carriage"), ("bumper", "arm"), ("bumper", "hand")]
    watched += [("shelf", "carriage"), ("shelf", "arm"), ("shelf", "hand"), ("carriage", "hand")]
    return min(found[one].distance(found[other]) for one, other in watched)


def test_the_boxes_of_a_table_are_free_at_their_corners_and_inside_by_shapely(
    reacher: Machine, to_stow: WayTable
) -> None:
    """Outside judge: shapely 2, on positions reckoned here. Tracking bands come on top of every corner."""
    source = Random(3)
    bands = [reacher.axes[name].band for name in to_stow.axes]
    for leg in to_stow.legs[:: len(to_stow.legs) // 40]:
        spans = [(low - band, high + band) for low, high, band in zip(leg.low, leg.high, bands, strict=True)]
        corners = list(product(*spans))
        points = [tuple(source.uniform(*span) for span in spans) for _ in range(12)]
        for place in [*corners, *points]:
            assert nearest(reacher, place) > 0.0, (leg, place)


def test_every_leg_leads_on_and_the_last_one_ends_at_the_goal(reacher: Machine, to_stow: WayTable) -> None:
    goal = tuple(reacher.presets["stow"].positions[name] for name in to_stow.axes)
    assert to_stow.goal == reacher.presets["stow"].positions
    for number, (leg, following) in enumerate(zip(to_stow.legs, to_stow.following, strict=True)):
        assert leg.holds(leg.place, leg.place)
        if following < 0:
            assert leg.place == goal
            continue
        assert following < number
        assert to_stow.legs[following].holds(leg.place, leg.place)


def test_a_table_is_bounded_and_leaves_hardly_a_place_out(grid: Grid, to_stow: WayTable) -> None:
    assert len(to_stow.legs) <= MOST_BOXES + 4
    assert len(json.dumps(to_stow.to_data())) < 64_000
    assert to_stow.covered > 0.98
    source, starts, found = Random(4), 0, 0
    while starts < 400:
        place = [source.uniform(low, high) for low, high in zip(grid.low, grid.high, strict=True)]
        if grid.free(place, place):
            starts += 1
            found += bool(to_stow.way(place, place, grid.free))
    assert found >= 0.99 * starts


def test_a_table_is_made_equally_again_and_kept_for_exactly_this_machine(
    reacher: Machine, grid: Grid, to_stow: WayTable, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    goal = reacher.presets["stow"].positions
    assert made(grid, goal) == to_stow
    small = {1: 16, 2: 16, 3: 8}
    first = way_table(reacher, goal, cells=small)
    kept = list((tmp_path / "stepgraph").iterdir())
    assert len(kept) == 1
    assert way_table(reacher, goal, cells=small) == first
    slower = replace(reacher.axes["lift"], latency=(10_000_000, 30_000_000))
    others = [
        replace(reacher, overlays=("another day",)),
        replace(reacher, axes={**reacher.axes, "lift": slower}),
        replace(reacher, interlocks=(KeepOut("low", (("lift", (0.0, 0.01)),)),)),
    ]
    for other in others:
        way_table(other, goal, cells=small)
    way_table(reacher, reacher.presets["high"].positions, cells=small)
    assert len(list((tmp_path / "stepgraph").iterdir())) == 5


def test_without_bodies_the_boxes_end_exactly_at_the_keep_outs(hand: Machine) -> None:
    table = way_table(hand, {"lift": 0.1, "wrist": radians(90.0)}, cache=False)
    assert table.covered == pytest.approx(1.0)
    (rule,) = Grid(hand).keep_outs
    lows = {round(leg.low[0], 8) for leg in table.legs} | {round(leg.low[1], 8) for leg in table.legs}
    assert lows == {0.0, round(radians(-95.0), 8), round(rule.high[0], 8), round(rule.high[1], 8)}


def test_nothing_leads_to_a_goal_in_a_keep_out_or_in_a_closed_room(hand: Machine) -> None:
    assert way_table(hand, {"lift": 0.1, "wrist": radians(-60.0)}, cache=False).legs == ()
    wall = KeepOut("wall", (("lift", (0.5, 0.6)),))
    walled = replace(hand, interlocks=(wall,))
    table = way_table(walled, {"lift": 0.1, "wrist": 0.0}, cache=False)
    assert table.covered == pytest.approx(0.4, abs=0.1)
    assert table.way((0.8, 0.0), (0.8, 0.0), Grid(walled).free) == ()


def test_an_axis_that_a_goal_does_not_name_stays_where_it_is(hand: Machine) -> None:
    table = way_table(hand, {"lift": 0.1}, cache=False)
    grid = Grid(hand)
    assert table.way((0.9, 1.0), (0.9, 1.0), grid.free)
    tucked = radians(-60.0)
    assert table.way((0.9, tucked), (0.9, tucked), grid.free) == ()


def test_a_goal_that_only_a_proof_certifies_has_a_way_all_the_same() -> None:
    """Cells are too coarse between two posts; the sharper look is taken at the goal."""
    bodies = [Body("tip", "across", square(0.0, 0.0, 0.03))]
    bodies += [Body(f"post{k}", "frame", square(0.5, y, 0.05)) for k, y in enumerate((0.405, 0.6))]
    machine = crossed(bodies)
    goal = {"along": 0.5, "across": 0.5025}
    grid = Grid(machine, {2: 32})
    assert not grid.free((0.5, 0.5025), (0.5, 0.5025))
    table = made(grid, goal)
    assert table.way((0.1, 0.1), (0.1, 0.1), grid.free)


def crossed(bodies: list[Body]) -> Machine:
    """A tip on two crossed slides."""
    mounts = {"along": Mount(), "across": Mount("along", direction=radians(90.0))}
    return Machine(
        "crossed slides",
        {
            name: Axis(name, "linear", Limits(1.0, 4.0), (0.0, 1.0), mount, Tolerance(0.005))
            for name, mount in mounts.items()
        },
        bodies={body.name: body for body in bodies},
        presets={"home": Preset("home", {"along": 0.0, "across": 0.0})},
    )


def square(x: float, y: float, half: float) -> tuple[tuple[tuple[float, float], ...], ...]:
    return (((x - half, y - half), (x + half, y - half), (x + half, y + half), (x - half, y + half)),)
