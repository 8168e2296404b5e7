"""Many boxes looked at together: what is called clear is clear in every one of them, and it takes few looks."""

from __future__ import annotations

import random

import pytest
from scenes import around, by_name, random_tree, rectangle, slide

from sequencer.clearance.box import Pair
from sequencer.clearance.proof import Cell, prove
from sequencer.clearance.tree import Tree
from sequencer.clearance.union import clear_over_all
from sequencer.machine.axis import Mount
from sequencer.machine.body import Body


def random_cells(source: random.Random, tree: Tree, most: int) -> list[Cell]:
    """Boxes beside and across each other around one place, some of them flat."""
    place = [source.uniform(low, high) for low, high in tree.reach]
    cells = []
    for _ in range(source.randint(1, most)):
        low, high = [], []
        for middle, (least, greatest) in zip(place, tree.reach, strict=True):
            share = source.choice([0.0, 0.02, 0.1, 0.3]) * (greatest - least)
            ends = sorted(middle + source.uniform(-share, share) for _ in range(2))
            low.append(ends[0])
            high.append(ends[0] if source.random() < 0.1 else ends[1])
        cells.append(Cell(tuple(low), tuple(high)))
    return cells


def test_what_is_clear_together_is_clear_one_by_one_and_mostly_the_other_way_round():
    source = random.Random(61)
    told = {True: 0, False: 0}
    for _ in range(400):
        tree = random_tree(source, most_axes=3)
        pair = Pair(tree, "hand", "post", source.choice([0.0, 0.05]))
        cells = random_cells(source, tree, 12)
        found = clear_over_all(pair, cells, 400)
        single = [prove([pair], *cell).outcome == "clear" for cell in cells]
        assert found.cells <= 400
        if found.clear:
            assert all(single)
        elif all(single):
            assert found.cells >= 400, "only the looks may run out"
        told[found.clear] += 1
    assert min(told.values()) > 80


def corridor(gap: float) -> tuple[Pair, list[Cell]]:
    """A tip on two crossed slides and a post in the middle of their square; boxes along two sides of it."""
    axes = by_name(
        slide("along", (0.0, 1.0)), slide("across", (0.0, 1.0), Mount("along", direction=1.5707963267948966))
    )
    tree = Tree(
        axes, [Body("tip", "across", (around(0.0, 0.0, 0.02),)), Body("post", "frame", (around(0.5, 0.5, 0.2),))]
    )
    steps = [k / 40 for k in range(41)]
    reach = 0.5 - 0.2 - 0.02 - gap
    under = [Cell((0.0, 0.0), (x, reach)) for x in steps]
    beside = [Cell((0.0, 0.0), (reach, y)) for y in steps]
    return Pair(tree, "tip", "post"), [*under, *beside]


def test_a_corner_of_many_boxes_takes_fewer_looks_than_there_are_boxes():
    """The hull of all of them holds the post; the boxes themselves keep 5 mm away from it."""
    pair, cells = corridor(0.005)
    found = clear_over_all(pair, cells, 1_000)
    assert found.clear
    assert found.cells < len(cells) / 2


def test_one_box_that_reaches_into_a_body_is_never_lost_among_many():
    pair, cells = corridor(0.005)
    for corner in ((0.29, 0.29), (0.5, 0.5), (0.3, 0.7)):
        flat = Cell(corner, corner)
        assert not clear_over_all(pair, [*cells, flat], 1_000).clear
        assert not clear_over_all(pair, [flat, *cells], 1_000).clear


def test_a_conflict_in_the_middle_of_a_box_ends_the_search_at_once():
    pair, _ = corridor(0.0)
    assert clear_over_all(pair, [Cell((0.4, 0.4), (0.6, 0.6))], 1_000) == (False, 1)
    # the middle of the hull lies in no box here
    apart = [Cell((0.0, 0.0), (0.1, 0.1)), Cell((0.9, 0.9), (1.0, 1.0))]
    assert clear_over_all(pair, apart, 1_000) == (True, 3)


@pytest.mark.parametrize("budget", [1, 2, 5])
def test_no_more_cells_are_looked_at_than_are_allowed(budget: int):
    pair, cells = corridor(0.005)
    assert clear_over_all(pair, cells, budget) == (False, budget)


def test_the_same_box_twice_is_one_and_no_box_is_clear():
    pair, cells = corridor(0.005)
    assert clear_over_all(pair, [*cells, *cells], 1_000) == clear_over_all(pair, cells, 1_000)
    assert clear_over_all(pair, [], 1_000) == (True, 0)


def test_a_box_at_the_margin_is_left_to_others():
    """Bodies that just touch: a bound can tell no more, and no cell is halved for ever."""
    tree = Tree(
        by_name(slide("out", (0.0, 0.5))),
        [Body("tip", "out", (around(0.0, 0.0, 0.05),)), Body("wall", "frame", (rectangle(0.55, 0.6, -1.0, 1.0),))],
    )
    found = clear_over_all(Pair(tree, "tip", "wall"), [Cell((0.0,), (0.5,))], 10_000)
    assert not found.clear
    assert found.cells < 60
