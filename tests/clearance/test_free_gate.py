"""The gate that makes two phases clear of each other, against numbers worked out by hand and against a search."""

from __future__ import annotations

import random
from math import degrees, pi

import pytest
from scenes import around, by_name, deg, hinge, rectangle, slide

from sequencer.clearance.box import Pair
from sequencer.clearance.gate import FreeGate, Phase, free_gate
from sequencer.clearance.proof import prove
from sequencer.clearance.tree import Tree
from sequencer.machine.axis import Mount
from sequencer.machine.body import Body

Span = tuple[float, float]


def crossed(*posts: tuple[float, float, float, float]) -> tuple[Tree, list[Pair]]:
    """A tip of 2 cm on two crossed slides, and posts as (left, right, low, high) [m]."""
    axes = by_name(slide("along", (0.0, 1.0)), slide("up", (0.0, 1.0), Mount("along", direction=deg(90.0))))
    bodies = [Body(f"post{k}", "frame", (rectangle(*post),)) for k, post in enumerate(posts)]
    tree = Tree(axes, [Body("tip", "up", (around(0.0, 0.0, 0.01),)), *bodies])
    return tree, [Pair(tree, "tip", body.name) for body in bodies]


def way(axis: str, start: Span, goal: Span) -> Phase:
    whole = min(start[0], goal[0]), max(start[1], goal[1])
    return Phase({axis: whole}, {axis: start}, {axis: goal})


def found_for(posts: tuple[float, float, float, float], along: Phase, up: Phase) -> FreeGate | None:
    tree, pairs = crossed(posts)
    return free_gate(tree, pairs, along, up, {})


ACROSS = way("along", (0.0, 0.01), (0.95, 1.0))


@pytest.mark.parametrize(
    ("low", "high", "start", "goal", "side", "value"),
    [
        # the tip is clear above the post's upper edge and its own half of 0.01 m: at the next hundredth beyond
        (0.2, 0.333, (0.0, 0.01), (0.9, 0.92), ">", 0.35),
        (0.2, 0.34, (0.0, 0.01), (0.9, 0.92), ">", 0.36),
        # under the lower edge on the way down
        (0.2, 0.9, (0.98, 1.0), (0.05, 0.06), "<", 0.18),
        (0.207, 0.9, (0.98, 1.0), (0.05, 0.06), "<", 0.19),
        # in thousandths where no hundredth lies between the post and where the axis may arrive
        (0.2, 0.5733, (0.0, 0.01), (0.589, 0.59), ">", 0.584),
        (0.4267, 0.9, (0.98, 1.0), (0.411, 0.4112), "<", 0.416),
    ],
)
def test_a_gate_is_the_first_round_number_at_which_all_is_clear(
    low: float, high: float, start: Span, goal: Span, side: str, value: float
) -> None:
    up = way("up", start, goal)
    found = found_for((0.4, 1.2, low, high), ACROSS, up)
    assert found is not None
    assert (found.waits, found.axis, found.side) == (0, "up", side)
    assert found.value == pytest.approx(value, abs=1e-9)
    begin, end = (start[1], goal[0]) if side == ">" else (start[0], goal[1])
    assert found.after == pytest.approx((value - begin) / (end - begin))
    assert found.verdict.outcome == "clear"
    swapped = free_gate(*crossed((0.4, 1.2, low, high)), up, ACROSS, {})
    assert swapped is not None
    assert (swapped.waits, swapped.value) == (1, found.value)


def test_a_gate_that_may_be_where_the_axis_arrives_is_none() -> None:
    """It has to be passed for sure: before the nearer end of the span in which the axis comes to rest."""
    assert found_for((0.4, 1.2, 0.2, 0.58), ACROSS, way("up", (0.0, 0.01), (0.589, 0.7))) is None
    assert found_for((0.4, 1.2, 0.2, 0.5), ACROSS, way("up", (0.0, 0.01), (0.51, 0.9))) is None
    assert found_for((0.4, 1.2, 0.42, 0.9), ACROSS, way("up", (0.98, 1.0), (0.3, 0.411))) is None


@pytest.mark.parametrize(
    ("start", "goal"), [((0.3, 0.5), (0.5, 0.6)), ((0.5, 0.6), (0.3, 0.5)), ((0.5, 0.5), (0.5, 0.5))]
)
def test_an_axis_that_need_not_move_opens_no_gate(start: Span, goal: Span) -> None:
    tree, pairs = crossed((0.4, 1.2, 0.0, 0.7))
    assert free_gate(tree, pairs, way("along", (0.0, 0.0), (1.0, 1.0)), way("up", start, goal), {}) is None


def test_of_two_gates_the_one_that_has_to_wait_for_less_of_the_way_is_taken() -> None:
    """Either may wait for the other: the post is early on one way and late on the other."""
    for posts, waits, axis, value in (
        ((0.1, 0.2, 0.6, 0.7), 1, "along", 0.22),
        ((0.6, 0.7, 0.1, 0.2), 0, "up", 0.22),
    ):
        tree, pairs = crossed(posts)
        found = free_gate(tree, pairs, way("along", (0.0, 0.0), (1.0, 1.0)), way("up", (0.0, 0.0), (1.0, 1.0)), {})
        assert found is not None
        assert (found.waits, found.axis) == (waits, axis)
        assert found.value == pytest.approx(value)


@pytest.mark.parametrize(("goal", "value"), [(0.0, 29.0), (29.5, 29.9), (29.95, None)])
def test_a_gate_on_a_hinge_is_at_a_whole_degree_or_else_a_tenth(goal: float, value: float | None) -> None:
    """A beam slides in over an arm of 0.4 m, 0.2 m above its pivot: below 30 degrees, less the arm's thickness, it is
    clear of it."""
    axes = by_name(slide("along", (0.0, 1.0), Mount(direction=pi)), hinge("arm", (-1.0, 2.0)))
    bodies = [
        Body("beam", "along", (rectangle(1.0, 2.0, 0.2, 0.5),)),
        Body("arm", "arm", (rectangle(0.0, 0.4, -1e-4, 1e-4),)),
    ]
    tree = Tree(axes, bodies)
    down = way("arm", (deg(80.0), deg(80.0)), (deg(goal), deg(goal)))
    gate = free_gate(tree, [Pair(tree, "beam", "arm")], ACROSS, down, {})
    if value is None:
        assert gate is None
        return
    assert gate is not None
    assert (gate.waits, gate.axis, gate.side) == (0, "arm", "<")
    assert degrees(gate.value) == pytest.approx(value, abs=1e-9)
    assert gate.after == pytest.approx((80.0 - value) / (80.0 - goal))


def test_no_round_number_before_a_gate_would_do() -> None:
    """Random posts that stand in the way as far as the other axis goes: found is the first hundredth that a proof calls
    clear, and nothing where there is none."""
    source = random.Random(71)
    gates = nothing = 0
    for _ in range(40):
        left, low = source.uniform(0.1, 0.9), source.uniform(0.1, 0.6)
        tree, pairs = crossed((left, 1.2, low, low + source.uniform(0.01, 0.4)))
        down = source.random() < 0.5
        near, far = (0.0, 0.01), (source.uniform(0.6, 0.9), 0.92)
        up = way("up", far, near) if down else way("up", near, far)
        found = free_gate(tree, pairs, ACROSS, up, {})
        best = None
        if prove(pairs, *tree.box({**up.hull, **ACROSS.start})).outcome == "clear":
            places = [k / 100 for k in range(2, 100) if k / 100 < far[0] - 1e-6]
            for place in reversed(places) if down else places:
                cut = (0.0, place) if down else (place, 0.92)
                if prove(pairs, *tree.box({**ACROSS.hull, "up": cut})).outcome == "clear":
                    best = place
                    break
        if best is None:
            nothing += 1
            assert found is None or found.value * 100 != pytest.approx(round(found.value * 100), abs=1e-3)
        else:
            gates += 1
            assert found is not None
            assert (found.axis, found.value) == ("up", pytest.approx(best))
    assert gates > 15
    assert nothing >= 2
