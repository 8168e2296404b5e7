"""What a timed motion is said to do, held against motions whose distances are known at every instant."""

from __future__ import annotations

import random

import numpy as np
import pytest
from scenes import around, by_name, deg, rectangle, slide

from profiles import Limits, Profile, trapezoid
from sequencer.clearance.box import Pair
from sequencer.clearance.motion import timed_clearance
from sequencer.clearance.tree import Tree
from sequencer.machine.axis import Mount
from sequencer.machine.body import Body

LIMITS = Limits(1.0, 4.0)


def beside(*posts: tuple[float, float, float, float], margin: float = 0.0) -> tuple[Tree, list[Pair]]:
    """A tip of 2 cm on two crossed slides, and posts as (left, right, low, high) [m]."""
    axes = by_name(slide("along", (0.0, 1.0)), slide("up", (0.0, 1.0), Mount("along", direction=deg(90.0))))
    bodies = [Body(f"post{k}", "frame", (rectangle(*post),)) for k, post in enumerate(posts)]
    tree = Tree(axes, [Body("tip", "up", (around(0.0, 0.0, 0.01),)), *bodies])
    return tree, [Pair(tree, "tip", body.name, margin) for body in bodies]


def there_and_back(goal: float) -> Profile:
    return trapezoid(0.0, goal, LIMITS).followed_by(trapezoid(goal, 0.0, LIMITS))


def test_the_earliest_bad_instant_is_the_first_of_all_pairs_and_of_all_passes() -> None:
    """The tip passes three walls on its way out and again on its way back; the lowest margin is not the first met."""
    for order in ((0.3, 0.5, 0.7), (0.7, 0.5, 0.3), (0.5, 0.7, 0.3)):
        tree, pairs = beside(*((x, x + 0.05, 0.0, 0.1) for x in order))
        out = there_and_back(0.9)
        found = timed_clearance(tree, pairs, {"along": out}, {"up": 0.05})
        meets = out.first_time_at(0.3 - 0.01)
        assert found.outcome == "conflict"
        assert meets is not None
        assert found.bad_from == pytest.approx(meets, abs=2e-6)
        assert found.bad_from <= meets


@pytest.mark.parametrize("margin", [0.0, 0.02])
def test_a_margin_makes_the_bad_instant_that_much_earlier(margin: float) -> None:
    tree, pairs = beside((0.5, 0.6, 0.0, 0.1), margin=margin)
    out = trapezoid(0.0, 0.9, LIMITS)
    found = timed_clearance(tree, pairs, {"along": out}, {"up": 0.05})
    meets = out.first_time_at(0.5 - 0.01 - margin)
    assert meets is not None
    assert found.bad_from == pytest.approx(meets, abs=2e-6)


def test_a_motion_that_begins_in_conflict_is_bad_from_its_beginning_and_one_that_ends_so_from_its_end() -> None:
    tree, pairs = beside((-0.1, 0.02, 0.0, 0.1))
    out = trapezoid(0.0, 0.9, LIMITS)
    assert timed_clearance(tree, pairs, {"along": out}, {"up": 0.05}).bad_from == 0.0
    late = timed_clearance(tree, pairs, {"along": out}, {"up": 0.05}, since=0.1)
    assert (late.outcome, late.bad_from, late.at) == ("conflict", 0.1, 0.1)
    touch, walls = beside((0.91, 1.0, 0.0, 0.1))
    found = timed_clearance(touch, walls, {"along": out}, {"up": 0.05})
    assert (found.outcome, found.at) == ("conflict", out.duration)
    # at rest the last micrometres take their time: not cleared a little before the end
    assert found.bad_from is not None
    assert out.duration - 1e-3 < found.bad_from <= out.duration


def test_a_search_for_the_earliest_instant_that_gives_up_errs_on_the_early_side() -> None:
    tree, pairs = beside((0.3, 0.35, 0.0, 0.1), (0.6, 0.65, 0.0, 0.1))
    out = there_and_back(0.9)
    exact = timed_clearance(tree, pairs, {"along": out}, {"up": 0.05}).bad_from
    assert exact is not None
    for budget in (1, 2, 3, 5, 8, 13, 21, 34):
        found = timed_clearance(tree, pairs, {"along": out}, {"up": 0.05}, budget=budget)
        assert found.outcome != "clear"
        assert found.bad_from is not None
        assert 0.0 <= found.bad_from <= exact
        assert found.bound <= found.least
        assert found.bound <= -0.01


def test_the_least_clearance_over_the_places_of_bodies_outside_is_that_of_the_worst_one() -> None:
    """Against a dense search over times and places."""
    source, numbers = random.Random(81), np.random.default_rng(81)
    outcomes = set()
    for _ in range(16):
        axes = by_name(slide("along", (0.0, 1.0)), slide("up", (0.0, 1.0), Mount("along", direction=deg(90.0))))
        low = source.uniform(0.5, 0.9)
        bodies = [
            Body("tip", "up", (around(0.0, 0.0, 0.01),)),
            Body("post", "outside", (rectangle(0.0, 0.1, 0.0, source.uniform(0.2, 0.6)),), range=(low, low + 0.3)),
            Body("lamp", "outside", (around(1.4, 0.0, 0.05),), range=(0.0, 0.5), along="y"),
        ]
        tree = Tree(axes, bodies)
        margin = source.choice([0.0, 0.03])
        pairs = [Pair(tree, "tip", "post", margin), Pair(tree, "tip", "lamp", margin)]
        profiles = {
            "along": trapezoid(0.0, source.uniform(0.3, 0.9), LIMITS),
            "up": trapezoid(0.0, source.uniform(0.3, 0.9), LIMITS),
        }
        spans = {"post": (low, low + source.choice([0.0, 0.2])), "lamp": (0.1, 0.4)}
        found = timed_clearance(tree, pairs, profiles, {}, spans=spans, precision=1e-4)
        outcomes.add(found.outcome)
        assert found.outcome != "undecided"
        assert found.bound <= found.least <= found.bound + 1.1e-4 or found.outcome == "conflict"
        end = max(profile.duration for profile in profiles.values())
        least = np.inf
        first_bad = np.inf
        for time in np.append(numbers.uniform(0.0, end, 60), [0.0, end]):
            values = tree.values({name: profile.at(time).position for name, profile in profiles.items()})
            for share in (0.0, 0.5, 1.0):
                for name, (begin, last) in spans.items():
                    values[tree.index[name]] = begin + share * (last - begin)
                for pair in pairs:
                    distance = pair.distance(values)
                    least = min(least, distance - margin)
                    if distance <= margin:
                        first_bad = min(first_bad, float(time))
        assert found.bound - margin <= least + 1e-12
        if found.outcome == "clear":
            assert least > 0.0
        else:
            assert found.bad_from is not None
            assert found.bad_from <= first_bad + 1e-9
    assert outcomes == {"clear", "conflict"}


def test_places_that_change_nothing_are_not_bisected() -> None:
    """Two millionths of a metre of play in where a post stands cost no spans."""
    axes = by_name(slide("along", (0.0, 1.0)))
    post = Body("post", "outside", (rectangle(0.0, 0.1, -0.1, 0.1),), range=(0.5, 1.5))
    tree = Tree(axes, [Body("tip", "along", (around(0.0, 0.0, 0.01),)), post])
    pairs = [Pair(tree, "tip", "post")]
    profiles = {"along": trapezoid(0.0, 0.5, LIMITS)}
    plain = timed_clearance(tree, pairs, profiles, {"post": 0.8})
    play = timed_clearance(tree, pairs, profiles, {}, spans={"post": (0.8 - 5e-7, 0.8 + 5e-7)})
    assert play.spans <= plain.spans + 4
    wide = timed_clearance(tree, pairs, profiles, {}, spans={"post": (0.8, 1.2)})
    assert wide.least == pytest.approx(0.29, abs=2e-4)
    assert wide.spans > plain.spans


def test_a_clear_motion_is_enclosed_to_the_precision_and_no_further() -> None:
    """Coarser precision takes fewer spans, and both ends are right."""
    tree, pairs = beside((0.5, 0.6, 0.3, 0.4))
    profiles = {"along": trapezoid(0.0, 0.9, LIMITS), "up": trapezoid(0.0, 0.2, LIMITS)}
    spent = []
    for precision in (1e-2, 1e-3, 1e-5):
        found = timed_clearance(tree, pairs, profiles, {}, precision=precision)
        assert found.outcome == "clear"
        assert found.least - found.bound <= precision
        assert found.bound <= 0.09 + 1e-9 <= found.least + 2e-9
        spent.append(found.spans)
    assert spent[0] <= spent[1] <= spent[2] > spent[0]
