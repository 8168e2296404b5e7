"""Proofs over boxes: clear, conflict with a witness, or undecided, and the gate that mends."""

from __future__ import annotations

import random
from math import nextafter

import numpy as np
import pytest
from scenes import around, by_name, case, deg, hinge, random_box, random_tree, reacher, rectangle, slide, watched

from profiles import Limits, stop_travel
from sequencer.clearance.batch import distances
from sequencer.clearance.box import Pair
from sequencer.clearance.gate import Phase, free_gate
from sequencer.clearance.proof import prove
from sequencer.clearance.tree import Tree
from sequencer.clearance.watched import watch
from sequencer.machine.axis import Mount
from sequencer.machine.body import Body, Clearance

STANDS = (0.0, 0.0)


def plunger(gap: float, margin: float) -> tuple[Tree, list[Pair]]:
    """A slide that ends 0.5 m out, with a wall behind (in binary fractions, so that 0 is 0)."""
    tree = Tree(
        by_name(slide("out", (0.0, 0.5))),
        [
            Body("tip", "out", (around(0.0, 0.0, 0.0625),)),
            Body("wall", "frame", (rectangle(0.5625 + gap, 1.0, -1.0, 1.0),)),
        ],
    )
    return tree, [Pair(tree, "tip", "wall", margin)]


@pytest.mark.parametrize(("gap", "outcome"), [("safe_gap", "clear"), ("unsafe_gap", "conflict")])
def test_a_margin_is_counted_once_for_the_pair(gap, outcome):
    numbers = case("C11")
    _, pairs = plunger(numbers[gap], numbers["margin"])
    assert prove(pairs, [0.0], [0.5]).outcome == outcome


def test_a_margin_holds_between_two_bodies_that_both_move():
    numbers = case("C12")
    axes = by_name(
        slide("lift", (0.0, 1.0), Mount(direction=deg(90.0))), hinge("wrist", (0.0, 1.5), Mount("lift", (0.3, 0.0)))
    )
    plate = Body("plate", "wrist", (rectangle(0.0, 0.2, -0.01, 0.01),))
    carriage = Body("carriage", "lift", (rectangle(0.2, 0.7, -0.3, -0.01 - numbers["gap"]),))
    tree = Tree(axes, [plate, carriage])
    found = prove(
        watch(tree, [Clearance(("plate", "carriage"), numbers["margin"])]).pairs,
        *tree.box({"lift": (0.0, 1.0), "wrist": (0.0, 1.5)}),
    )
    assert found.outcome == "conflict"
    assert found.pair is not None
    assert found.pair.names == ("plate", "carriage")
    assert (
        prove([Pair(tree, "plate", "carriage", 0.5 * numbers["gap"])], *tree.box({"wrist": (0.0, 1.5)})).outcome
        == "clear"
    )


def test_exact_touch_is_not_clear_whatever_the_settings():
    _, pairs = plunger(0.0, 0.0)
    for smallest in (1e-3, 1e-6, 1e-9):
        for budget in (100, 10_000):
            assert prove(pairs, [0.0], [0.5], budget, smallest).outcome != "clear"
    assert prove(pairs, [0.5], [0.5]).outcome == "conflict"


def test_an_axis_parked_at_an_edge_is_clear_or_not_whichever_way_its_last_digit_falls():
    """A position one rounding off never changes the verdict by itself: the pad is far larger than a rounding."""
    numbers = case("C15")
    tree, pairs = plunger(1e-7, 0.0)
    parked = 0.5 - numbers["error"] + numbers["error"]
    for position in (parked, nextafter(parked, 1.0), nextafter(parked, 0.0)):
        assert prove(pairs, [0.0], [position]).outcome == "clear"
    tree, pairs = plunger(0.0, 0.0)
    for position in (parked, nextafter(parked, 1.0), nextafter(parked, 0.0)):
        assert prove(pairs, [0.0], [position]).outcome != "clear"
    assert tree.coordinates == ("out",)


def test_a_clear_verdict_is_never_contradicted_by_a_sample():
    source, numbers = random.Random(41), np.random.default_rng(41)
    counts = {"clear": 0, "conflict": 0, "undecided": 0}
    for _ in range(300):
        tree = random_tree(source)
        pair = Pair(tree, "hand", "post", source.choice([0.0, 0.01]))
        low, high = random_box(source, tree)
        verdict = prove([pair], low, high, budget=3_000)
        counts[verdict.outcome] += 1
        least = distances(pair, numbers.uniform(low, high, (300, len(low)))).min()
        if verdict.outcome == "clear":
            assert least > pair.margin
            assert verdict.bound <= least - pair.margin
        if verdict.outcome == "conflict":
            values = tree.values(verdict.witness)
            assert all(a <= value <= b for a, value, b in zip(low, values, high, strict=True))
            assert pair.distance(values) == verdict.distance <= pair.margin
    assert counts["clear"] > 100
    assert counts["conflict"] > 40
    assert counts["undecided"] <= 3, counts


def test_a_search_that_hits_its_limit_is_undecided_with_the_cell_and_the_pair():
    tree = reacher()
    pairs = watched(tree)
    low, high = tree.box({"lift": (0.9, 1.4), "slide": (0.0, 0.5), "wrist": (0.0, deg(100.0))})
    assert prove(pairs, low, high).outcome == "clear"
    short = prove(pairs, low, high, budget=len(pairs) + 1)
    assert short.outcome == "undecided"
    assert short.pair in pairs
    assert short.cell is not None
    assert short.bound < 0.0
    assert short.cells <= len(pairs) + 2
    assert set(short.cell.spans(tree, short.pair)) <= {"lift", "slide", "wrist"}


def test_less_air_than_the_pad_counts_as_touching():
    _, pairs = plunger(5e-10, 0.0)
    found = prove(pairs, [0.0], [0.5])
    assert found.outcome == "conflict"
    assert found.witness == pytest.approx({"out": 0.5}, abs=1e-6)


def test_cells_too_small_to_bisect_are_undecided():
    tree = reacher()
    pairs = watched(tree)
    low, high = tree.box({"lift": (0.9, 1.4), "slide": (0.0, 0.5), "wrist": (0.0, deg(100.0))})
    found = prove(pairs, low, high, smallest=10.0)
    assert found.outcome == "undecided"
    assert found.cell == (tuple(low), tuple(high))
    assert found.bound < 0.0
    assert prove(pairs, low, high).outcome == "clear"


def test_an_unrelated_axis_costs_no_cells():
    tree = reacher()
    more = Tree({**tree.axes, "aside": hinge("aside", (-3.0, 3.0))}, tree.bodies.values())
    spans = {"lift": (0.9, 1.4), "slide": (0.0, 0.5), "wrist": (0.0, deg(100.0))}
    plain = prove(watched(tree), *tree.box(spans))
    beside = prove(watched(more), *more.box({**spans, "aside": (-3.0, 3.0)}))
    assert beside.outcome == plain.outcome == "clear"
    assert beside.cells == plain.cells


def test_what_is_certain_of_the_least_distance_is_never_above_it_whatever_the_verdict():
    """Over several pairs: the bound holds for the one that comes nearest, and a spare one does not raise it."""
    source, numbers = random.Random(42), np.random.default_rng(42)
    outcomes = set()
    for number in range(60):
        tree = random_tree(source, 3)
        more = Tree(tree.axes, [*tree.bodies.values(), Body("far", "frame", (around(9.0, 9.0, 0.1),))])
        pairs = [Pair(more, "hand", "far"), Pair(more, "hand", "post", 0.01)]
        low, high = random_box(source, more)
        verdict = prove(pairs if number % 2 else pairs[::-1], low, high, budget=source.choice([1, 30, 2_000]))
        outcomes.add(verdict.outcome)
        points = numbers.uniform(low, high, (200, len(low)))
        assert verdict.bound <= distances(pairs[1], points).min() - 0.01 + 1e-12
        if verdict.outcome == "conflict":
            assert verdict.distance is not None
            assert verdict.bound <= verdict.distance - 0.01
    assert outcomes == {"clear", "conflict", "undecided"}


def test_the_room_to_stop_belongs_to_the_box():
    """With the stopping travel of a jerk-limited axis that is still accelerating the box reaches the wall."""
    numbers = case("C41")
    plain, from_rest, accelerating = numbers["travels"]
    speed, limits = numbers["speed"], Limits(10.0, numbers["acceleration"], numbers["jerk"])
    found = [
        max(abs(x) for x in stop_travel(speed, 0.0, Limits(10.0, numbers["acceleration"]))),
        max(abs(x) for x in stop_travel(speed, 0.0, limits)),
        max(abs(x) for x in stop_travel(speed, numbers["acceleration"], limits)),
    ]
    assert found == pytest.approx([plain, from_rest, accelerating], abs=1e-3)
    _, pairs = plunger(0.0, 0.0)
    here = 0.5 - 0.5 * (from_rest + accelerating)
    assert prove(pairs, [here], [here + found[1]]).outcome == "clear"
    assert prove(pairs, [here], [here + found[2]]).outcome == "conflict"


def test_the_range_of_a_body_outside_is_proved_as_a_whole():
    post = Body("post", "outside", (rectangle(0.0, 0.1, 0.0, 1.6),), range=(0.7, 1.2))
    tree = reacher(post)
    pairs = [Pair(tree, "hand", "post")]
    spans = {"lift": (0.0, 1.4), "slide": (0.0, 0.1), "wrist": (deg(-100.0), deg(120.0))}
    assert prove(pairs, *tree.box(spans)).outcome == "clear"
    found = prove(pairs, *tree.box({**spans, "slide": (0.0, 0.5)}))
    assert found.outcome == "conflict"
    assert found.witness is not None
    assert 0.7 <= found.witness["post"] <= 1.2


def test_a_verdict_says_in_words_what_was_found():
    tree = reacher()
    pairs = [Pair(tree, "hand", "shelf", 0.015)]
    at = {"lift": (0.5, 0.5), "slide": (0.2, 0.2), "wrist": (deg(-30.0), deg(-30.0))}
    assert str(prove(pairs, *tree.box({**at, "lift": (0.53, 0.53), "wrist": (0.0, 0.0)}))) == (
        "conflict: hand and shelf overlap by 40 mm (15 mm must remain) at lift 0.53 m, slide 0.2 m, wrist 0 deg"
    )
    assert str(prove(pairs, *tree.box({**at, "lift": (0.58, 0.58), "wrist": (0.0, 0.0)}))) == (
        "conflict: hand and shelf are 10 mm apart (15 mm must remain) at lift 0.58 m, slide 0.2 m, wrist 0 deg"
    )
    assert str(prove(pairs, *tree.box({**at, "lift": (0.8, 0.8), "wrist": (0.0, 0.0)}))) == (
        "clear: more than the margins by at least 215 mm"
    )
    wide = {"lift": (0.65, 1.4), "slide": (0.0, 0.5), "wrist": (deg(-20.0), deg(90.0))}
    assert str(prove(pairs, *tree.box(wide), budget=1)) == (
        "undecided after 1 cell: hand and shelf at lift 0.65 m to 1.4 m, slide 0 m to 0.5 m, wrist -20 deg to 90 deg"
    )
    assert str(prove([], *tree.box(wide))) == "clear: nothing is watched"


def over_the_shelf(hold_slide: float) -> tuple[Tree, tuple[Pair, ...], Phase, Phase]:
    """The lift rises past the shelf while the hand reaches out over it."""
    tree = reacher()
    lift = Phase({"lift": (0.05, 1.1)}, {"lift": (0.05, 0.06)}, {"lift": (1.09, 1.1)})
    reach = Phase({"slide": (0.0, hold_slide)}, {"slide": (0.0, 0.005)}, {"slide": (hold_slide - 0.005, hold_slide)})
    return tree, watched(tree), lift, reach


def test_the_gate_that_mends_a_conflict_is_found_rounded_and_proved():
    tree, pairs, lift, reach = over_the_shelf(0.3)
    others = {"wrist": (deg(-1.0), deg(1.0))}
    everything = tree.box({**others, **lift.hull, **reach.hull})
    assert prove(pairs, *everything).outcome == "conflict"
    gate = free_gate(tree, pairs, lift, reach, others)
    assert gate is not None
    assert (gate.waits, gate.axis, gate.side) == (1, "lift", ">")
    # the hand, 4 cm and a little thick, has to be above the shelf's upper side at 0.78 m; the lift begins at 0.25 m
    assert gate.value == pytest.approx(0.58)
    assert gate.value / 0.01 == pytest.approx(round(gate.value / 0.01))
    assert gate.verdict.outcome == "clear"
    after = tree.box({**others, **lift.hull, **reach.hull, "lift": (gate.value, 1.1)})
    assert prove(pairs, *after).outcome == "clear"
    before = tree.box({**others, **lift.hull, **reach.hull, "lift": (gate.value - 0.02, 1.1)})
    assert prove(pairs, *before).outcome == "conflict"


def test_the_way_down_gets_a_gate_on_the_other_side():
    """Coming back, the lift waits until the slide is in."""
    tree, pairs, lift, reach = over_the_shelf(0.3)
    down, back = Phase(lift.hull, lift.goal, lift.start), Phase(reach.hull, reach.goal, reach.start)
    gate = free_gate(tree, pairs, down, back, {"wrist": (deg(-1.0), deg(1.0))})
    assert gate is not None
    assert (gate.waits, gate.axis, gate.side) == (0, "slide", "<")
    assert 0.0 < gate.value < 0.3


def test_where_no_gate_helps_there_is_none():
    """From under the shelf to above it with the hand out all the time."""
    tree, pairs, lift, _ = over_the_shelf(0.3)
    turn = Phase({"wrist": (deg(-5.0), deg(5.0))}, {"wrist": (deg(-5.0), deg(-4.0))}, {"wrist": (deg(4.0), deg(5.0))})
    assert free_gate(tree, pairs, lift, turn, {"slide": (0.3, 0.3)}) is None


@pytest.mark.parametrize("margin", [0.0, 0.125])
def test_a_conflict_found_just_at_the_margin_is_shown_where_it_is_deepest_beside_it(margin):
    """The middle of the box has the tip exactly at its margin: an end of it shows what is wrong, not a hair."""
    _, pairs = plunger(0.0, margin)
    found = prove(pairs, [0.25 - margin], [0.75 - margin])
    assert found.outcome == "conflict"
    assert found.witness == {"out": 0.75 - margin}
    assert found.distance == pytest.approx(margin - 0.25, abs=1e-9)


def test_a_conflict_that_is_nowhere_deeper_says_so():
    _, pairs = plunger(0.0, 0.125)
    found = prove(pairs, [0.0], [0.375])
    assert str(found) == "conflict: tip and wall are 125 mm apart (more must remain) at out 0.375 m"
