"""The table of blocked positions: built, packed, read back and asked."""

from __future__ import annotations

import json
import random
from dataclasses import replace

import numpy as np
import pytest
from scenes import around, by_name, case, deg, hinge, reacher, rectangle, slide, watched

from sequencer.clearance.box import Pair
from sequencer.clearance.table import blocked_table, table_key
from sequencer.clearance.tree import Tree
from sequencer.clearance.watched import watch
from sequencer.errors import PackError
from sequencer.machine.axis import Mount
from sequencer.machine.body import Body
from sequencer.pack.table import Block, BlockedTable

COARSE = {1: 64, 2: 32, 3: 16, 4: 8, 5: 4}


def packed(cells: np.ndarray) -> bytes:
    return np.packbits(cells.ravel().astype(np.uint8), bitorder="little").tobytes()


def test_no_box_that_the_table_calls_free_holds_a_conflict():
    tree = reacher()
    pairs = watched(tree)
    table = blocked_table(tree, pairs, "key", cells=COARSE)
    source = random.Random(71)
    free = blocked = 0
    for _ in range(3_000):
        values = [source.uniform(low, high) for low, high in tree.reach]
        clear = all(pair.distance(values) > pair.margin for pair in pairs)
        if table.query(values, values):
            free += 1
            assert clear
        elif clear:
            blocked += 1
    assert free > 800
    assert blocked < 0.5 * free, "a coarse table may refuse some"


def test_a_free_box_is_free_as_a_whole():
    tree = reacher()
    pairs = watched(tree)
    table = blocked_table(tree, pairs, "key", cells=COARSE)
    low, high = [0.9, 0.0, 0.0], [1.3, 0.3, deg(80.0)]
    assert table.query(low, high)
    assert not table.query([0.0, *low[1:]], high)
    assert all(pair.bound(low, high).lower > -0.2 for pair in pairs)


def test_outside_the_grid_nothing_is_free():
    tree = reacher()
    table = blocked_table(tree, watched(tree), "key", cells=COARSE)
    inside = [1.0, 0.1, 0.2]
    assert table.query(inside, inside)
    for axis, (low, high) in enumerate(tree.reach):
        for beyond in (low - 0.01, high + 0.01):
            place = [*inside[:axis], beyond, *inside[axis + 1 :]]
            assert not table.query(place, place)


def test_pairs_over_other_axes_get_a_grid_of_their_own():
    axes = by_name(
        slide("lift", (0.0, 1.0), Mount(direction=deg(90.0))),
        hinge("left", (-1.5, 1.5), Mount("frame", (-1.0, 0.5))),
        hinge("right", (-1.5, 1.5), Mount("frame", (1.0, 0.5))),
        slide("aside", (0.0, 1.0), Mount("frame", (9.0, 9.0))),
    )
    bodies = [
        Body("car", "lift", (around(0.0, 0.0, 0.1),)),
        Body("flap", "left", (rectangle(0.0, 0.95, -0.01, 0.01),)),
        Body("door", "right", (rectangle(-0.95, 0.0, -0.01, 0.01),)),
    ]
    tree = Tree(axes, bodies)
    pairs = [Pair(tree, "car", "flap"), Pair(tree, "car", "door")]
    table = blocked_table(tree, pairs, "key", cells=COARSE)
    assert [block.axes for block in table.blocks] == [(0, 1), (0, 2)]
    away = [0.9, 0.0, 0.0, 0.5]
    assert table.query(away, away)
    assert not table.query([0.5, *away[1:]], [0.5, *away[1:]])
    # the axis aside may be anywhere, even unknown
    assert table.query([*away[:3], -1e9], [*away[:3], 1e9])


def test_a_body_outside_blocks_for_all_its_places():
    post = Body("post", "outside", (rectangle(0.0, 0.05, 0.0, 1.8),), range=(0.62, 1.2))
    tree = reacher(post)
    table = blocked_table(tree, watched(tree), "key", cells=COARSE)
    assert table.axes == ("lift", "slide", "wrist")
    here = [1.0, 0.0, deg(90.0)]
    assert table.query(here, here)
    out = [1.0, 0.3, 0.0]
    assert not table.query(out, out)
    far = blocked_table(tree, watched(tree), "key", {"post": (1.1, 1.2)}, cells=COARSE)
    assert far.query(out, out)


def test_a_pair_that_no_axis_moves_blocks_everything_or_nothing():
    for distance, free in ((0.5, True), (0.05, False)):
        tree = Tree(
            by_name(slide("lift", (0.0, 1.0))),
            [Body("one", "frame", (around(0.0, 0.0, 0.05),)), Body("other", "frame", (around(distance, 0.0, 0.05),))],
        )
        table = blocked_table(tree, [Pair(tree, "one", "other")], "key")
        assert table.query([0.5], [0.5]) is free


def test_a_table_goes_through_json_unchanged():
    tree = reacher()
    table = blocked_table(tree, watched(tree), "key", cells=COARSE)
    again = BlockedTable.from_data(json.loads(json.dumps(table.to_data())))
    assert (again.axes, again.key, again.blocks) == (table.axes, table.key, table.blocks)


@pytest.mark.parametrize("shape", [(7,), (5, 6), (4, 3, 5), (3, 2, 4, 3), (2, 3, 2, 2, 3)])
def test_a_query_counts_the_cells_it_touches(shape):
    source, numbers = random.Random(72), np.random.default_rng(72)
    cells = (numbers.random(shape) < 0.1).astype(np.uint8)
    axes = tuple(range(len(shape)))
    block = Block(axes, (0.0,) * len(shape), tuple(map(float, shape)), shape, packed(cells))
    table = BlockedTable([f"axis{k}" for k in axes], [block], "key")
    table = BlockedTable.from_data(table.to_data())
    for _ in range(300):
        low = [source.uniform(0.0, size) for size in shape]
        high = [source.uniform(begin, size) for begin, size in zip(low, shape, strict=True)]
        touched = cells[tuple(slice(int(a), int(b) + 1) for a, b in zip(low, high, strict=True))]
        assert table.query(low, high) == (not touched.any())


def test_a_position_on_an_edge_touches_the_cells_on_both_sides_where_that_matters():
    block = Block((0,), (0.0,), (4.0,), (4,), packed(np.array([0, 0, 1, 0])))
    table = BlockedTable(["lift"], [block], "key")
    assert table.query([0.5], [1.9])
    assert not table.query([0.5], [2.0])
    assert table.query([3.0], [3.5])
    assert not table.query([3.0], [4.0])


def test_a_table_made_before_a_shelf_was_raised_is_refused():
    tree = reacher()
    pairs = watched(tree)
    key = table_key(tree, pairs)
    table = blocked_table(tree, pairs, key, cells=COARSE)
    assert table.expect(table_key(reacher(), watched(reacher()))) is table
    raised = case("C37")["raised"]
    higher = [
        replace(body, parts=tuple(tuple((x, y + raised) for x, y in part) for part in body.parts))
        if body.name == "shelf"
        else body
        for body in tree.bodies.values()
    ]
    changed = Tree(tree.axes, higher)
    with pytest.raises(PackError, match="bodies, margins, limits or tolerances have changed"):
        table.expect(table_key(changed, watched(changed)))


def test_the_key_depends_on_everything_that_a_certified_box_depends_on():
    tree = reacher()
    keys = {table_key(tree, watched(tree)), table_key(tree, watched(tree), ("latency", 40_000_000))}
    lift = tree.axes["lift"]
    for changed in (
        replace(lift, travel=(0.0, 1.3)),
        replace(lift, tolerance=replace(lift.tolerance, position=0.006)),
        replace(lift, latency=(0, 30_000_000)),
        replace(lift, mount=replace(lift.mount, at=(0.0, 0.26))),
        replace(lift, limits=replace_limits(lift.limits)),
    ):
        other = Tree({**tree.axes, "lift": changed}, tree.bodies.values())
        keys.add(table_key(other, watched(other)))
    wider = [Pair(tree, pair.first, pair.second, 0.01) for pair in watched(tree)]
    keys.add(table_key(tree, wider))
    keys.add(table_key(tree, watch(tree).pairs))
    assert len(keys) == 9


def replace_limits(limits):
    from profiles import Limits

    return Limits(limits.velocity, limits.acceleration, 61.0)


@pytest.mark.parametrize(
    "damage",
    [
        lambda data: data.pop("key"),
        lambda data: data["blocks"][0].update(cells="AAAA"),
        lambda data: data["blocks"][0].update(cells="not base 64"),
        lambda data: data["blocks"][0].update(axes=[0, 1, 7]),
        lambda data: data["blocks"][0].update(shape=[16, 16]),
        lambda data: data["blocks"][0].update(shape=[16, 0, 16]),
        lambda data: data["blocks"][0].update(low=[9.0, 9.0, 9.0]),
        lambda data: data.update(blocks=3),
    ],
)
def test_damaged_data_is_refused(damage):
    tree = reacher()
    data = json.loads(json.dumps(blocked_table(tree, watched(tree), "key", cells={3: 4}).to_data()))
    damage(data)
    with pytest.raises(PackError, match=r"^the table of blocked positions is damaged"):
        BlockedTable.from_data(data)
