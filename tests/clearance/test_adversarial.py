"""Motions made to be missed: 900 cases in which the truth is known from geometry, none of them wrong.

The same cases are sampled every 20, 5 and 1 ms, as a check that looks only at instants would.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from math import cos, sin
from typing import NamedTuple

import numpy as np
import pytest
from scenes import around, by_name, deg, hinge, rectangle, slide

from profiles import Limits, Profile, s_curve, trapezoid
from sequencer.clearance.batch import distances
from sequencer.clearance.box import Pair
from sequencer.clearance.motion import timed_clearance
from sequencer.clearance.tree import Tree
from sequencer.machine.axis import Mount
from sequencer.machine.body import Body


class Case(NamedTuple):
    tree: Tree
    profile: Profile
    meets: bool


def tiny(source: random.Random) -> float:
    """From 1e-6 to 1e-3 m, evenly over the orders of size."""
    return 10.0 ** source.uniform(-6.0, -3.0)


def thin_flag(source: random.Random) -> Case:
    """A flag 1 to 4 mm thick sweeps past a pin of 1 to 4 mm: within its length, or just beyond its tip."""
    length, half, pin = source.uniform(0.2, 0.6), source.uniform(5e-4, 2e-3), source.uniform(5e-4, 2e-3)
    start, goal = source.uniform(-1.5, -0.5), source.uniform(0.5, 1.5)
    angle, meets = source.uniform(start + 0.2, goal - 0.2), source.random() < 0.7
    tip = (length**2 + half**2) ** 0.5
    radius = source.uniform(0.5 * length, length - 2.0 * pin) if meets else tip + 2.0**0.5 * pin + tiny(source)
    speed = source.uniform(6.0, 16.0)
    tree = Tree(
        by_name(hinge("move", (-1.6, 1.6))),
        [
            Body("flag", "move", (rectangle(0.0, length, -half, half),)),
            Body("pin", "frame", (around(radius * cos(angle), radius * sin(angle), pin),)),
        ],
    )
    return Case(tree, trapezoid(start, goal, Limits(speed, 10.0 * speed)), meets)


def grazed_wall(source: random.Random) -> Case:
    """The tip of an arm swings past a wall that its circle just reaches, or just does not."""
    length, meets = source.uniform(0.3, 0.9), source.random() < 0.5
    face = length - tiny(source) if meets else length + tiny(source)
    arm = ((0.0, -0.02), (length, 0.0), (0.0, 0.02))
    tree = Tree(
        by_name(hinge("move", (-1.6, 1.6))),
        [Body("arm", "move", (arm,)), Body("wall", "frame", (rectangle(face, face + 0.2, -1.0, 1.0),))],
    )
    speed = source.uniform(2.0, 10.0)
    start, goal = source.uniform(-1.5, -0.3), source.uniform(0.3, 1.5)
    return Case(tree, s_curve(start, goal, Limits(speed, 10.0 * speed, 200.0 * speed)), meets)


def there_and_back(source: random.Random) -> Case:
    """A car rises to just above or just below a stop, and comes back."""
    rise, meets = source.uniform(0.1, 0.8), source.random() < 0.5
    face = rise - tiny(source) if meets else rise + tiny(source)
    tree = Tree(
        by_name(slide("move", (0.0, 0.9), Mount(direction=deg(90.0)))),
        [
            Body("car", "move", (rectangle(-0.1, 0.1, -0.1, 0.0),)),
            Body("stop", "frame", (rectangle(-0.1, 0.1, face, face + 0.1),)),
        ],
    )
    speed = source.uniform(1.0, 3.0)
    limits = Limits(speed, source.uniform(4.0, 10.0) * speed)
    return Case(tree, trapezoid(0.0, rise, limits).followed_by(trapezoid(rise, 0.0, limits)), meets)


def end_pose(source: random.Random) -> Case:
    """A move that ends just inside or just outside of a block."""
    out, meets = source.uniform(0.1, 0.8), source.random() < 0.5
    face = out + 0.05 - tiny(source) if meets else out + 0.05 + tiny(source)
    tree = Tree(
        by_name(slide("move", (0.0, 0.9))),
        [
            Body("car", "move", (around(0.0, 0.0, 0.05),)),
            Body("block", "frame", (rectangle(face, face + 0.2, -1.0, 1.0),)),
        ],
    )
    speed = source.uniform(1.0, 3.0)
    return Case(tree, trapezoid(0.0, out, Limits(speed, 10.0 * speed)), meets)


FAMILIES: dict[str, tuple[Callable[[random.Random], Case], int]] = {
    "thin flag": (thin_flag, 300),
    "grazed wall": (grazed_wall, 300),
    "there and back": (there_and_back, 200),
    "end pose": (end_pose, 100),
}


@pytest.mark.parametrize("family", FAMILIES)
def test_no_timed_verdict_is_wrong_where_sampling_often_is(family):
    make, count = FAMILIES[family]
    source = random.Random(f"{family} 1")
    wrong, sampled_wrong = 0, {0.020: 0, 0.005: 0, 0.001: 0}
    for _ in range(count):
        tree, profile, meets = make(source)
        pair = Pair(tree, *tree.bodies)
        found = timed_clearance(tree, [pair], {"move": profile}, {})
        wrong += found.outcome != ("conflict" if meets else "clear")
        for period in sampled_wrong:
            times = np.arange(0.0, profile.duration, period)
            met = distances(pair, [[profile.at(time).position] for time in times]).min() <= 0.0
            sampled_wrong[period] += met != meets
    shares = ", ".join(f"{1e3 * period:.0f} ms {missed}" for period, missed in sampled_wrong.items())
    print(f"{family}: {wrong} of {count} wrong; sampled every {shares}")
    assert wrong == 0
    assert sampled_wrong[0.020] > 0.2 * count
