"""What a diagram of two branches says about order and lateness, held against its own blocked cells."""

from __future__ import annotations

import random
from math import inf, isinf

import pytest
from scenes import around, by_name, deg, rectangle, slide

from profiles import Limits, Profile, trapezoid
from sequencer.clearance.box import Pair
from sequencer.clearance.concurrency import Branch, Diagram, Slack, diagram, straight_branch, timed_branch
from sequencer.clearance.tree import Tree
from sequencer.machine.axis import Mount
from sequencer.machine.body import Body

SLOW, FAST = Limits(0.5, 2.0), Limits(1.5, 6.0)
Rectangle = tuple[float, float, float, float]


def crossed(*posts: Rectangle) -> tuple[Tree, tuple[Pair, ...]]:
    """A tip on two crossed slides, and posts as (left, right, low, high) [m]."""
    axes = by_name(slide("along", (0.0, 1.0)), slide("up", (0.0, 1.0), Mount("along", direction=deg(90.0))))
    bodies = [Body(f"post{k}", "frame", (rectangle(*post),)) for k, post in enumerate(posts)]
    tree = Tree(axes, [Body("tip", "up", (around(0.0, 0.0, 0.01),)), *bodies])
    return tree, tuple(Pair(tree, "tip", body.name) for body in bodies)


def branches(tree: Tree, limits: tuple[Limits, Limits] = (SLOW, FAST)) -> tuple[Branch, Branch, dict[str, Profile]]:
    profiles = {"along": trapezoid(0.0, 1.0, limits[0]), "up": trapezoid(0.0, 1.0, limits[1])}
    first, second = (timed_branch(tree, {name: profile}) for name, profile in profiles.items())
    return first, second, profiles


def looked_at(*posts: Rectangle, limits: tuple[Limits, Limits] = (SLOW, FAST)) -> tuple[Diagram, dict[str, Profile]]:
    tree, pairs = crossed(*posts)
    first, second, profiles = branches(tree, limits)
    return diagram(tree, pairs, first, second, {}, finest=1.0 / 64.0), profiles


@pytest.mark.parametrize("limits", [(SLOW, FAST), (FAST, SLOW)])
@pytest.mark.parametrize(
    ("post", "first_ahead", "second_ahead"),
    [
        ((0.45, 0.55, 0.45, 0.55), True, True),
        ((0.85, 0.95, -0.1, 0.05), False, True),
        ((0.95, 1.1, 0.7, 0.8), False, True),
        ((-0.1, 0.05, 0.85, 0.95), True, False),
        ((0.7, 0.8, 0.95, 1.1), True, False),
    ],
)
def test_a_branch_can_run_ahead_if_nothing_blocks_its_way_nor_then_the_other_one(
    post: Rectangle, first_ahead: bool, second_ahead: bool, limits: tuple[Limits, Limits]
) -> None:
    """Posts beside each of the four edges of the diagram, whichever branch takes longer."""
    found, _ = looked_at(post, limits=limits)
    assert (found.first_runs_ahead, found.second_runs_ahead) == (first_ahead, second_ahead)
    assert found.complete


def blocked_when_late(found: Diagram, first_late: float, second_late: float) -> bool:
    """Whether the path of both clocks meets a blocked cell, each branch resting before it starts and after its end."""
    ends = found.durations
    for step in range(801):
        time = -0.5 + step * (ends[0] + ends[1] + 3.0) / 800
        a, b = (min(max(time - late, 0.0), end) for late, end in zip((first_late, second_late), ends, strict=True))
        if any(cell.first[0] < a < cell.first[1] and cell.second[0] < b < cell.second[1] for cell in found.blocked):
            return True
    return False


def test_so_late_as_the_slack_says_is_free_and_a_little_later_is_not() -> None:
    source = random.Random(62)
    seen = {"never": 0, "some": 0, "any": 0}
    for _ in range(16):
        x, y, half = source.uniform(0.2, 0.8), source.uniform(0.2, 0.8), source.uniform(0.02, 0.1)
        limits = source.choice([(SLOW, FAST), (FAST, SLOW), (SLOW, SLOW)])
        found, _ = looked_at((x - half, x + half, y - half, y + half), limits=limits)
        slack = found.slack()
        if slack == Slack(-1.0, -1.0):
            seen["never"] += 1
            assert blocked_when_late(found, 0.0, 0.0)
            continue
        assert not blocked_when_late(found, 0.0, 0.0)
        for which, late in enumerate(slack):
            assert late >= 0.0
            lateness = [0.0, 0.0]
            if isinf(late):
                seen["any"] += 1
                for lateness[which] in (0.05, 0.3, 1.0, 2.0, 5.0):
                    assert not blocked_when_late(found, *lateness)
            else:
                seen["some"] += 1
                for lateness[which] in (0.5 * late, 0.98 * late):
                    assert not blocked_when_late(found, *lateness)
                lateness[which] = late + 0.02
                assert blocked_when_late(found, *lateness)
    assert min(seen.values()) >= 3, seen


def test_a_branch_that_stands_in_the_way_at_its_end_blocks_for_ever() -> None:
    """The first comes to rest under a post that the second has to pass before: late as it likes is too late."""
    found, profiles = looked_at((0.9, 1.2, 0.5, 0.6), limits=(SLOW, FAST))
    slack = found.slack()
    assert isinf(slack.first_late)
    arrives, passes = profiles["along"].first_time_at(0.89), profiles["up"].first_time_at(0.61)
    assert arrives is not None
    assert passes is not None
    assert slack.second_late == pytest.approx(arrives - passes, abs=0.06)


def test_what_touches_only_when_punctual_has_no_slack_but_is_not_late_already() -> None:
    """Cells that meet the path of two punctual branches in one corner."""
    tree, pairs = crossed((0.5, 0.6, 0.5, 0.6))
    cell = diagram(tree, pairs, *branches(tree)[:2], {}).blocked[0]
    ahead = Diagram((2.0, 2.0), (cell._replace(first=(0.5, 1.0), second=(1.25, 1.5)),), True, True)
    assert ahead.slack() == (0.25, inf)
    behind = Diagram((2.0, 2.0), (cell._replace(first=(1.25, 1.5), second=(0.5, 1.0)),), True, True)
    assert behind.slack() == (inf, 0.25)
    both = Diagram((2.0, 2.0), (*ahead.blocked, *behind.blocked), True, True)
    assert both.slack() == (0.25, 0.25)
    corner = Diagram((2.0, 2.0), (cell._replace(first=(0.5, 1.0), second=(1.0, 1.5)),), True, True)
    assert corner.slack() == (-1.0, -1.0)


def test_cells_called_certain_are_blocked_all_over_and_most_of_a_large_post_is() -> None:
    tree, pairs = crossed((0.3, 0.7, 0.2, 0.6))
    first, second, profiles = branches(tree)
    found = diagram(tree, pairs, first, second, {}, finest=1.0 / 64.0)
    certain = [cell for cell in found.blocked if cell.certain]

    def area(cells: list) -> float:
        return sum((c.first[1] - c.first[0]) * (c.second[1] - c.second[0]) for c in cells)

    assert area(certain) > 0.7 * area(list(found.blocked))
    for cell in certain:
        for share in (0.0, 0.5, 1.0):
            for other in (0.0, 0.5, 1.0):
                a = cell.first[0] + share * (cell.first[1] - cell.first[0])
                b = cell.second[0] + other * (cell.second[1] - cell.second[0])
                values = [profiles["along"].at(a).position, profiles["up"].at(b).position]
                assert pairs[0].distance(values) <= 1e-9


def test_a_branch_that_changes_nothing_is_not_bisected() -> None:
    """The post stands beside the whole height of the tip's way: only how far it is along counts."""
    tree, pairs = crossed((0.4, 0.5, -1.0, 2.0))
    first, second = straight_branch(tree, {"along": (0.0, 1.0)}), straight_branch(tree, {"up": (0.0, 0.0)})
    found = diagram(tree, pairs, first, second, {}, finest=1.0 / 64.0)
    assert found.blocked
    assert {cell.second for cell in found.blocked} == {(0.0, 1.0)}
    other = diagram(tree, pairs, second, first, {}, finest=1.0 / 64.0)
    assert {cell.first for cell in other.blocked} == {(0.0, 1.0)}


@pytest.mark.parametrize(("gap", "way"), [(0.012, "any"), (0.008, "detour")])
def test_off_its_course_a_branch_is_bisected_by_its_band_too(gap: float, way: str) -> None:
    """A finger between two posts: clear wherever the band leads, but not shown so by one look at a whole cell."""
    axes = by_name(slide("along", (0.0, 1.0)), slide("up", (-0.5, 0.5), Mount("along", direction=deg(90.0))))
    low, high = rectangle(-1.0, 2.0, -0.1, -0.01 - gap), rectangle(-1.0, 2.0, 0.01 + gap, 0.1)
    tree = Tree(axes, [Body("tip", "up", (around(0.0, 0.0, 0.01),)), Body("rails", "frame", (low, high))])
    pairs = [Pair(tree, "tip", "rails")]
    first, second = straight_branch(tree, {"along": (0.0, 1.0)}), straight_branch(tree, {"up": (0.0, 0.0)})
    assert diagram(tree, pairs, first, second, {}, {"up": 0.01}, finest=1.0 / 8.0).way == way
    assert diagram(tree, pairs, first, straight_branch(tree, {}), {"up": (-0.01, 0.01)}, finest=1.0 / 8.0).way == way


def test_a_cell_is_no_smaller_than_the_finest_share_of_its_branch() -> None:
    tree, pairs = crossed((0.31, 0.52, 0.23, 0.61))
    first, second, _ = branches(tree)
    for share in (1.0 / 8.0, 1.0 / 32.0):
        found = diagram(tree, pairs, first, second, {}, finest=share)
        for duration, spans in (
            (first.duration, [cell.first for cell in found.blocked]),
            (second.duration, [cell.second for cell in found.blocked]),
        ):
            assert min(high - low for low, high in spans) == pytest.approx(share * duration)


def test_a_branch_that_stands_in_the_way_before_it_starts_has_to_be_gone_in_time() -> None:
    """The first rests under a post's far side at its start: the other may come as late as it likes, not it."""
    found, profiles = looked_at((-0.2, 0.1, 0.5, 0.6), limits=(FAST, SLOW))
    slack = found.slack()
    assert isinf(slack.second_late)
    leaves, comes = profiles["along"].first_time_at(0.11), profiles["up"].first_time_at(0.49)
    assert leaves is not None
    assert comes is not None
    assert slack.first_late == pytest.approx(comes - leaves, abs=0.06)


@pytest.mark.parametrize("side", [1.0, -1.0])
def test_off_its_course_an_axis_may_be_to_either_side(side: float) -> None:
    """One rail, above or below: within the band on its side it is met, and beyond the band it is not."""
    axes = by_name(slide("along", (0.0, 1.0)), slide("up", (-0.5, 0.5), Mount("along", direction=deg(90.0))))
    for away, way in ((0.025, "any"), (0.015, "detour")):
        ends = sorted((side * away, side * 0.1))
        tree = Tree(
            axes,
            [
                Body("tip", "up", (around(0.0, 0.0, 0.01),)),
                Body("rail", "frame", (rectangle(-1.0, 2.0, ends[0], ends[1]),)),
            ],
        )
        first, second = straight_branch(tree, {"along": (0.0, 1.0)}), straight_branch(tree, {"up": (0.0, 0.0)})
        found = diagram(tree, [Pair(tree, "tip", "rail")], first, second, {}, {"up": 0.01}, finest=1.0 / 8.0)
        assert found.way == way
