"""A table of blocked positions says of each cell what a proof of that cell alone does."""

from __future__ import annotations

import random

import numpy as np
import pytest
from scenes import around, by_name, deg, hinge, random_tree, rectangle, slide

from sequencer.clearance.box import Pair
from sequencer.clearance.table import CELLS, OVERLAP, blocked_table
from sequencer.clearance.tree import Tree
from sequencer.machine.axis import Mount
from sequencer.machine.body import Body
from sequencer.pack.table import Block


def cells_of(block: Block) -> np.ndarray:
    """Whether each cell is blocked, in the shape of the block."""
    bits = np.unpackbits(np.frombuffer(block.blocked, np.uint8), bitorder="little")
    return bits[: int(np.prod(block.shape))].reshape(block.shape).astype(bool)


def test_a_cell_is_blocked_where_it_is_not_shown_to_be_clear_and_free_where_it_is() -> None:
    source = random.Random(91)
    blocked = free = 0
    for _ in range(30):
        tree = random_tree(source, 2)
        pair = Pair(tree, "hand", "post", source.choice([0.0, 0.02]))
        axes = [number for number in pair.concerns if tree.coordinates[number] in tree.axes]
        if not axes or len(axes) != len(pair.concerns):
            continue
        band = {name: source.choice([0.0, 0.01]) for name in tree.coordinates if name in tree.axes}
        (block,) = blocked_table(tree, [pair], "key", cells={1: 32, 2: 16}, band=band).blocks
        found = cells_of(block)
        assert block.shape == ((32,) if len(axes) == 1 else (16, 16))
        for place, number in enumerate(axes):
            assert (block.low[place], block.high[place]) == pytest.approx(
                (tree.reach[number][0] - OVERLAP, tree.reach[number][1] + OVERLAP), abs=1e-15
            )
        base_low, base_high = tree.box({})
        for cell in np.ndindex(*block.shape):
            low, high = list(base_low), list(base_high)
            for place, number in enumerate(axes):
                step = (block.high[place] - block.low[place]) / block.shape[place]
                wide = band[tree.coordinates[number]] + OVERLAP
                low[number] = block.low[place] + cell[place] * step - wide
                high[number] = block.low[place] + (cell[place] + 1) * step + wide
            bound = pair.bound(low, high)
            if found[cell]:
                blocked += 1
                # shown clear by itself it may still be blocked only if its neighbours decided for it, and they did not
                assert bound.lower <= pair.margin + 1e-9
            else:
                free += 1
                assert bound.centre > pair.margin
    assert blocked > 100
    assert free > 500


def test_two_crossed_slides_are_blocked_in_the_cells_that_a_post_and_the_band_reach() -> None:
    axes = by_name(slide("along", (0.0, 1.0)), slide("up", (0.0, 1.0), Mount("along", direction=deg(90.0))))
    bodies = [Body("tip", "up", (around(0.0, 0.0, 0.01),)), Body("post", "frame", (rectangle(0.3, 0.5, 0.6, 0.7),))]
    tree = Tree(axes, bodies)
    pairs = [Pair(tree, "tip", "post", 0.02)]
    for band in (0.0, 0.03):
        (block,) = blocked_table(tree, pairs, "key", cells={2: 64}, band={"along": band, "up": band}).blocks
        found = cells_of(block)
        step = (block.high[0] - block.low[0]) / 64
        # the margin rounds corners off; away from them the blocked cells are those that meet the widened rectangle
        reach = 0.01 + 0.02 + band
        along = [
            k
            for k in range(64)
            if block.low[0] + (k + 1) * step >= 0.3 - reach and block.low[0] + k * step <= 0.5 + reach
        ]
        up = [
            k
            for k in range(64)
            if block.low[1] + (k + 1) * step >= 0.6 - reach and block.low[1] + k * step <= 0.7 + reach
        ]
        middle_row, middle_column = found[:, up[len(up) // 2]], found[along[len(along) // 2], :]
        assert list(np.flatnonzero(middle_row)) == along
        assert list(np.flatnonzero(middle_column)) == up
        assert found.sum() <= (len(along) + 2) * (len(up) + 2)


def test_grids_are_as_fine_as_they_are_said_to_be_and_halve_evenly() -> None:
    assert CELLS == {1: 1024, 2: 256, 3: 64, 4: 16, 5: 8}
    tree = Tree(
        by_name(slide("lift", (0.0, 1.0), Mount(direction=deg(90.0))), hinge("wrist", (-1.0, 1.0), Mount("lift"))),
        [
            Body("car", "lift", (around(0.0, 0.0, 0.05),)),
            Body("hand", "wrist", (rectangle(0.0, 0.3, -0.02, 0.02),)),
            Body("floor", "frame", (rectangle(-1.0, 1.0, -0.3, -0.1),)),
        ],
    )
    (one,) = blocked_table(tree, [Pair(tree, "car", "floor")], "key").blocks
    assert (one.axes, one.shape) == ((0,), (1024,))
    (two,) = blocked_table(tree, [Pair(tree, "hand", "floor")], "key").blocks
    assert (two.axes, two.shape) == ((0, 1), (256, 256))


def test_pairs_over_fewer_axes_are_judged_in_the_grid_of_more_if_that_is_fine_enough() -> None:
    """One grid answers for all three; over four axes cells are too coarse to answer for fewer."""
    lift, wrist = slide("lift", (0.0, 1.0), Mount(direction=deg(90.0))), hinge("wrist", (-1.0, 1.0), Mount("lift"))
    floor = Body("floor", "frame", (rectangle(-1.0, 1.0, -0.3, -0.1),))
    car, hand = (
        Body("car", "lift", (around(0.0, 0.0, 0.05),)),
        Body("hand", "wrist", (rectangle(0.0, 0.3, -0.02, 0.02),)),
    )
    tree = Tree(by_name(lift, wrist), [car, hand, floor])
    pairs = [Pair(tree, "car", "floor", 0.1), Pair(tree, "hand", "floor")]
    (block,) = blocked_table(tree, pairs, "key", cells={1: 64, 2: 32}).blocks
    assert (block.axes, block.shape) == ((0, 1), (32, 32))
    assert cells_of(block)[0].all(), "so low the car is within its margin whatever the wrist does"
    assert not cells_of(block)[-1].any()
    more = by_name(
        lift,
        wrist,
        hinge("elbow", (-1.0, 1.0), Mount("wrist", (0.3, 0.0))),
        hinge("tip", (-1.0, 1.0), Mount("elbow", (0.2, 0.0))),
    )
    four = Tree(more, [car, Body("finger", "tip", (rectangle(0.0, 0.1, -0.01, 0.01),)), floor])
    blocks = blocked_table(
        four, [Pair(four, "car", "floor"), Pair(four, "finger", "floor")], "key", cells={1: 16, 4: 2}
    ).blocks
    assert sorted(block.axes for block in blocks) == [(0,), (0, 1, 2, 3)]
