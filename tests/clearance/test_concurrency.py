"""Two branches side by side: what blocks them, and who has to go first."""

from __future__ import annotations

import random
from math import inf

import pytest
from scenes import around, by_name, deg, reacher, rectangle, slide, watched

from profiles import Profile, s_curve, trapezoid
from sequencer.clearance.box import Pair
from sequencer.clearance.concurrency import Diagram, diagram, straight_branch, timed_branch
from sequencer.clearance.motion import timed_clearance
from sequencer.clearance.proof import prove
from sequencer.clearance.tree import Tree
from sequencer.machine.axis import Mount
from sequencer.machine.body import Body

STOW = {"lift": 0.05, "slide": 0.0, "wrist": deg(100.0)}
OVER = {"lift": 0.9, "slide": 0.4, "wrist": deg(-10.0)}
UNDER_OUT = {"lift": 0.3, "slide": 0.3, "wrist": deg(0.0)}
OVER_OUT = {"lift": 0.9, "slide": 0.4, "wrist": deg(10.0)}


def moves(tree: Tree, start: dict[str, float], goal: dict[str, float], *axes: str) -> dict[str, Profile]:
    return {name: s_curve(start[name], goal[name], tree.axes[name].limits) for name in axes}


def two_branches(start: dict[str, float], goal: dict[str, float], slide_speed: float = 1.2) -> Diagram:
    """The lift as one branch, slide and wrist as the other."""
    tree = reacher(slide_speed=slide_speed)
    first, second = moves(tree, start, goal, "lift"), moves(tree, start, goal, "slide", "wrist")
    return diagram(tree, watched(tree), timed_branch(tree, first), timed_branch(tree, second), {})


def test_two_branches_each_clear_alone_may_block_each_other_and_one_has_to_go_first():
    """The hand reaches out over a shelf while the lift takes it there: the lift has to go first."""
    tree = reacher()
    pairs = watched(tree)
    lift = prove(pairs, *tree.box({**{k: (v, v) for k, v in STOW.items()}, "lift": (0.05, 0.9)}))
    reach = prove(pairs, *tree.box({"lift": (0.9, 0.9), "slide": (0.0, 0.4), "wrist": (deg(-10.0), deg(100.0))}))
    assert lift.outcome == reach.outcome == "clear"
    found = two_branches(STOW, OVER)
    assert found.way == "first before second"
    assert (found.first_runs_ahead, found.second_runs_ahead) == (True, False)
    (first_from, first_to), (second_from, second_to) = found.extent
    assert 0.0 < first_from < first_to < found.durations[0]
    assert 0.0 < second_from < second_to == found.durations[1]


def test_a_branch_lasts_as_long_as_the_last_of_its_axes():
    tree = reacher()
    second = moves(tree, STOW, OVER, "slide", "wrist")
    durations = sorted(profile.duration for profile in second.values())
    assert durations[0] < durations[1] == timed_branch(tree, second).duration
    assert two_branches(STOW, OVER).durations[1] == durations[1]


def test_on_the_way_back_it_is_the_other_one():
    found = two_branches(OVER, STOW)
    assert found.way == "second before first"


def test_where_neither_can_go_first_a_detour_is_needed():
    """From under the shelf to above it with the hand out; with the slide in on the way it is clear."""
    found = two_branches(UNDER_OUT, OVER_OUT)
    assert not found.first_runs_ahead
    assert not found.second_runs_ahead
    assert found.way == "detour"
    tree = reacher()
    for spans in (
        {"lift": (0.3, 0.3), "slide": (0.0, 0.3), "wrist": (deg(0.0), deg(10.0))},
        {"lift": (0.3, 0.9), "slide": (0.0, 0.0), "wrist": (deg(0.0), deg(10.0))},
        {"lift": (0.9, 0.9), "slide": (0.0, 0.4), "wrist": (deg(0.0), deg(10.0))},
    ):
        assert prove(watched(tree), *tree.box(spans)).outcome == "clear"


def test_branches_that_never_come_near_may_run_with_any_timing():
    found = two_branches({**OVER, "lift": 0.9}, {**STOW, "lift": 1.2})
    assert (found.way, found.blocked, found.extent) == ("any", (), None)
    assert found.slack() == (inf, inf)


def test_a_motion_that_is_clear_only_if_punctual_has_its_slack_told():
    """40 ms late is fine, 80 ms late is not; the timed check of the delayed motion says the same."""
    tree = reacher(slide_speed=0.2)
    level = {"lift": 0.05, "slide": 0.0, "wrist": 0.0}
    first, second = moves(tree, level, OVER, "lift"), moves(tree, level, OVER, "slide")
    pairs, others = watched(tree), {"wrist": (0.0, 0.0)}
    found = diagram(tree, pairs, timed_branch(tree, first), timed_branch(tree, second), others)
    slack = found.slack()
    assert 0.040 < slack.first_late < 0.080
    assert slack.second_late == inf
    for late, outcome in ((0.0, "clear"), (0.040, "clear"), (slack.first_late, "clear"), (0.080, "conflict")):
        delayed = {"lift": first["lift"].delayed(late), **second}
        assert timed_clearance(tree, pairs, delayed, {"wrist": 0.0}).outcome == outcome
    # the cells are as fine as 1/256 of a branch: so much later it does meet
    delayed = {"lift": first["lift"].delayed(slack.first_late + 2.0 * found.durations[1] / 256.0), **second}
    assert timed_clearance(tree, pairs, delayed, {"wrist": 0.0}).outcome == "conflict"
    # axes that may be off their course leave less
    band = {"lift": 0.02, "slide": 0.005}
    tube = diagram(tree, pairs, timed_branch(tree, first), timed_branch(tree, second), others, band)
    assert tube.slack().first_late < slack.first_late - 0.01


def test_what_is_blocked_even_on_time_has_no_slack():
    assert two_branches(STOW, OVER).slack() == (-1.0, -1.0)


def test_no_free_point_of_the_diagram_is_in_conflict():
    tree = reacher()
    first, second = moves(tree, STOW, OVER, "lift"), moves(tree, STOW, OVER, "slide", "wrist")
    found = diagram(tree, watched(tree), timed_branch(tree, first), timed_branch(tree, second), {})
    source = random.Random(61)
    free = 0
    for _ in range(2_000):
        a, b = source.uniform(0.0, found.durations[0]), source.uniform(0.0, found.durations[1])
        positions = {name: profile.at(a).position for name, profile in first.items()}
        positions |= {name: profile.at(b).position for name, profile in second.items()}
        values = tree.values(positions)
        clear = all(pair.distance(values) > pair.margin for pair in watched(tree))
        cells = [
            cell
            for cell in found.blocked
            if cell.first[0] <= a <= cell.first[1] and cell.second[0] <= b <= cell.second[1]
        ]
        if not cells:
            free += 1
            assert clear
        if any(cell.certain for cell in cells):
            assert not clear
    assert free > 1_000


def crossing(*posts: tuple[float, float]) -> tuple[Tree, tuple[Pair, ...]]:
    """A tip on two crossed slides: its place is the diagram; each post blocks a square of it."""
    axes = by_name(slide("along", (0.0, 1.0)), slide("up", (0.0, 1.0), Mount("along", direction=deg(90.0))))
    bodies = [Body(f"post{k}", "frame", (around(x, y, 0.05),)) for k, (x, y) in enumerate(posts)]
    tree = Tree(axes, [Body("tip", "up", (around(0.0, 0.0, 0.01),)), *bodies])
    return tree, tuple(Pair(tree, "tip", body.name) for body in bodies)


@pytest.mark.parametrize(
    ("posts", "way"),
    [
        ([], "any"),
        ([(0.5, 0.5)], "either before the other"),
        ([(0.5, 0.0)], "second before first"),
        ([(1.0, 0.5)], "second before first"),
        ([(0.0, 0.5)], "first before second"),
        ([(0.5, 0.0), (0.5, 1.0)], "taking turns"),
        ([(0.5, 0.0), (0.0, 0.5)], "taking turns"),
        ([(0.05, 0.1), (0.1, 0.05)], "detour"),
        ([(1.0, 1.0)], "detour"),
    ],
)
def test_the_way_follows_from_where_the_diagram_is_blocked(posts, way):
    tree, pairs = crossing(*posts)
    first, second = straight_branch(tree, {"along": (0.0, 1.0)}), straight_branch(tree, {"up": (0.0, 1.0)})
    assert diagram(tree, pairs, first, second, {}, finest=1.0 / 64.0).way == way


def test_the_edges_of_a_blocked_square_are_found_to_a_cell():
    tree, pairs = crossing((0.5, 0.4))
    first, second = straight_branch(tree, {"along": (0.0, 1.0)}), straight_branch(tree, {"up": (0.0, 1.0)})
    (a0, a1), (b0, b1) = diagram(tree, pairs, first, second, {}).extent
    assert (a0, a1, b0, b1) == pytest.approx((0.44, 0.56, 0.34, 0.46), abs=2.0 / 256.0)
    assert a0 <= 0.44 < 0.56 <= a1


def test_a_diagram_whose_budget_ran_out_says_so_and_blocks_what_it_did_not_look_at():
    tree, pairs = crossing((0.5, 0.5))
    first, second = straight_branch(tree, {"along": (0.0, 1.0)}), straight_branch(tree, {"up": (0.0, 1.0)})
    found = diagram(tree, pairs, first, second, {}, budget=3)
    assert not found.complete
    assert found.way != "any"


def test_where_the_budget_ran_out_no_detour_is_claimed():
    """Two posts shut in the lower left corner; that is told only if it is looked at closely enough."""
    tree, pairs = crossing((0.05, 0.1), (0.1, 0.05))
    first, second = straight_branch(tree, {"along": (0.0, 1.0)}), straight_branch(tree, {"up": (0.0, 1.0)})
    assert diagram(tree, pairs, first, second, {}, finest=1.0 / 64.0, budget=200).way == "undecided"
    assert diagram(tree, pairs, first, second, {}, finest=1.0 / 64.0).way == "detour"


def test_which_can_go_first_is_told_before_the_budget_runs_out():
    tree, pairs = crossing((0.5, 0.0))
    first, second = straight_branch(tree, {"along": (0.0, 1.0)}), straight_branch(tree, {"up": (0.0, 1.0)})
    found = diagram(tree, pairs, first, second, {}, finest=1.0 / 64.0, budget=400)
    assert found.way == "second before first"


def test_a_body_outside_counts_all_over_its_range():
    post = Body("post", "outside", (rectangle(0.0, 0.05, 0.0, 1.6),), range=(0.75, 1.2))
    tree = reacher(post)
    lift = straight_branch(tree, {"lift": (0.9, 1.2)})
    for out, way in ((0.15, "any"), (0.3, "detour")):
        reach = straight_branch(tree, {"slide": (0.0, out)})
        assert diagram(tree, watched(tree), lift, reach, {"wrist": (0.0, 0.0)}, finest=1.0 / 32.0).way == way


def test_a_diagram_of_the_same_two_branches_the_other_way_round_is_its_mirror_image():
    """Both slides on random ways past posts: what one may be late is what the other may, and who goes first."""
    source = random.Random(81)
    slack = 0
    turned = {"first before second": "second before first", "second before first": "first before second"}
    for _ in range(12):
        posts = [
            Body(f"post{k}", "frame", (around(source.uniform(0.1, 0.9), source.uniform(0.1, 0.9), 0.04),))
            for k in range(2)
        ]
        axes = by_name(slide("along", (0.0, 1.0)), slide("across", (0.0, 1.0), Mount("along", direction=deg(90.0))))
        tree = Tree(axes, [Body("tip", "across", (around(0.0, 0.0, 0.04),)), *posts])
        pairs = [Pair(tree, "tip", post.name) for post in posts]
        one, other = (
            timed_branch(tree, {name: trapezoid(*ends, axes[name].limits)})
            for name, ends in (("along", (0.0, 1.0)), ("across", source.choice([(0.0, 1.0), (1.0, 0.0)])))
        )
        here, back = (diagram(tree, pairs, *both, {}, finest=1.0 / 32.0) for both in ((one, other), (other, one)))
        assert back.way == turned.get(here.way, here.way)
        late, early = here.slack(), back.slack()
        assert (late.first_late, late.second_late) == pytest.approx((early.second_late, early.first_late), abs=0.1)
        slack += 0.0 < late.first_late < inf and 0.0 < late.second_late < inf
        wide = diagram(tree, pairs, one, other, {}, {"along": 0.03, "across": 0.02}, 1.0 / 32.0)
        assert len(wide.blocked) >= len(here.blocked)
        for cell in here.blocked:
            if cell.certain:
                middle = [0.5 * sum(cell.first), 0.5 * sum(cell.second)]
                assert any(
                    beyond.first[0] <= middle[0] <= beyond.first[1]
                    and beyond.second[0] <= middle[1] <= beyond.second[1]
                    for beyond in wide.blocked
                )
    assert slack > 0
