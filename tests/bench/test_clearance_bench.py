"""What clearance costs, as ratios to a yardstick of the same run."""

from __future__ import annotations

import timeit
from collections.abc import Callable
from math import radians

import numpy as np
import pytest

from profiles import Limits, Profile, s_curve
from sequencer.clearance.box import Pair
from sequencer.clearance.motion import timed_clearance
from sequencer.clearance.table import blocked_table
from sequencer.clearance.tree import Tree
from sequencer.machine.axis import Axis, Mount, Tolerance
from sequencer.machine.body import Body

pytestmark = pytest.mark.bench

MOST_OF_A_QUERY = 1.0
"""A query of a table takes no longer than this [us]."""


def rectangle(left: float, right: float, low: float, high: float) -> tuple[tuple[float, float], ...]:
    return ((left, low), (right, low), (right, high), (left, high))


def reacher() -> tuple[Tree, list[Pair], dict[str, Profile]]:
    """A lift, a slide and a hand among shelves: 15 pairs, and a motion of about 1.2 s that threads between them."""
    still = Tolerance(0.005)
    axes = {
        "lift": Axis(
            "lift", "linear", Limits(1.7, 6.0, 60.0), (0.0, 1.4), Mount("frame", (0.0, 0.25), radians(90.0)), still
        ),
        "slide": Axis("slide", "linear", Limits(1.2, 6.0, 60.0), (0.0, 0.5), Mount("lift", (0.05, 0.0)), still),
        "wrist": Axis(
            "wrist", "rotary", Limits(6.0, 60.0, 600.0), (-1.7, 2.1), Mount("slide", (0.15, 0.0)), Tolerance(0.01)
        ),
    }
    fixed = {
        "mast": rectangle(-0.4, -0.3, 0.0, 1.8),
        "bumper": rectangle(-0.4, 0.3, 0.0, 0.12),
        "shelf": rectangle(0.65, 1.1, 0.75, 0.78),
        "ceiling": rectangle(-0.4, 1.1, 2.2, 2.3),
        "kerb": ((0.7, 0.0), (1.1, 0.0), (1.1, 0.2), (0.8, 0.2)),
    }
    moving = {
        "carriage": ("lift", rectangle(0.06, 0.1, -0.1, 0.1)),
        "arm": ("slide", rectangle(0.02, 0.15, -0.03, 0.03)),
        "hand": ("wrist", ((-0.05, -0.04), (0.30, -0.04), (0.35, 0.0), (0.30, 0.04), (-0.05, 0.04))),
    }
    bodies = [Body(name, "frame", (part,)) for name, part in fixed.items()]
    bodies += [Body(name, carrier, (part,)) for name, (carrier, part) in moving.items()]
    tree = Tree(axes, bodies)
    pairs = [Pair(tree, name, other) for name in moving for other in fixed]
    profiles = {
        "lift": s_curve(0.05, 1.1, axes["lift"].limits),
        "slide": s_curve(0.0, 0.4, axes["slide"].limits).delayed(0.5),
        "wrist": s_curve(radians(100.0), radians(-10.0), axes["wrist"].limits).delayed(0.45),
    }
    return tree, pairs, profiles


def cost(work: Callable[[], object], repeat: int = 15) -> float:
    """Seconds a call, the best of several."""
    return min(timeit.repeat(work, number=1, repeat=repeat))


def test_the_timed_check_takes_no_longer_than_sampling_every_millisecond(capsys):
    """Against shapely on all pairs at once, its fastest way, distances alone: the placing of bodies is not counted."""
    shapely = pytest.importorskip("shapely")
    tree, pairs, profiles = reacher()
    end = max(profile.duration for profile in profiles.values())
    times = np.arange(0.0, end + 1e-3, 1e-3)
    values = np.array([[profiles[name].at(time).position for name in tree.coordinates] for time in times])

    def placed(name: str) -> np.ndarray:
        return shapely.polygons(np.array([tree.placed(name, row)[0] for row in values]))

    polygons = {name: placed(name) for name in tree.bodies}
    first = np.concatenate([polygons[pair.first] for pair in pairs])
    second = np.concatenate([polygons[pair.second] for pair in pairs])
    ours = cost(lambda: timed_clearance(tree, pairs, profiles, {}))
    theirs = cost(lambda: shapely.distance(first, second))
    found = timed_clearance(tree, pairs, profiles, {})
    with capsys.disabled():
        print(f"\ntimed check {1e3 * ours:.2f} ms in {found.spans} spans, sampled {1e3 * theirs:.2f} ms: {found!r}")
    assert found.outcome == "clear"
    assert ours <= theirs


def test_one_bound_costs_little_more_than_one_distance(capsys):
    """The scalar path: a pair over a box against the same pair at a point."""
    _, pairs, _ = reacher()
    low, high = [0.5, 0.1, 0.2], [0.55, 0.15, 0.3]
    bound = cost(lambda: [pair.bound(low, high) for pair in pairs], 200) / len(pairs)
    distance = cost(lambda: [pair.distance(low) for pair in pairs], 200) / len(pairs)
    with capsys.disabled():
        print(f"\nbound of a pair {1e6 * bound:.1f} us, its distance {1e6 * distance:.1f} us")
    assert bound < 2.0 * distance


def test_a_table_answers_in_the_time_of_a_few_additions(capsys):
    """The yardstick is a function of two sequences that adds up sixteen products of theirs."""
    tree, pairs, _ = reacher()
    table = blocked_table(tree, pairs, "key")
    low, high = [0.9, 0.1, 0.2], [1.0, 0.2, 0.4]
    query = table.query

    def yardstick(a, b):
        return (
            (a[0] * b[0] + a[1] * b[1] + a[2] * b[2]) * (a[0] + b[0])
            + (a[1] + b[1]) * (a[2] + b[2])
            - (a[0] * b[1] + a[1] * b[2] + a[2] * b[0]) * (a[1] + b[2])
            + (a[2] + b[1]) * (a[1] + b[0])
        )

    thousand = range(1_000)
    ours = cost(lambda: [query(low, high) for _ in thousand], 40)
    theirs = cost(lambda: [yardstick(low, high) for _ in thousand], 40)
    with capsys.disabled():
        print(f"\ntable query {1e3 * ours:.3f} us, yardstick {1e3 * theirs:.3f} us")
    assert query(low, high)
    assert ours < 6.0 * theirs
    # A thousand calls take so many milliseconds as one takes microseconds.
    assert 1e3 * ours <= MOST_OF_A_QUERY
