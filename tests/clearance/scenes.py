"""Small machines of the made-up lantern league with bodies, and random ones."""

from __future__ import annotations

import json
import math
import random
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from profiles import Limits
from sequencer.clearance.box import Pair
from sequencer.clearance.tree import Tree
from sequencer.clearance.watched import watch
from sequencer.machine.axis import Axis, Mount, Tolerance
from sequencer.machine.body import Body, Clearance

CASES = {
    case["id"]: case
    for case in json.loads((Path(__file__).parents[1] / "cases" / "clearance.json").read_text(encoding="utf-8"))
}
deg = math.radians


def case(name: str) -> dict[str, Any]:
    """The numbers of a scenario."""
    return CASES[name]["numbers"]


def rectangle(left: float, right: float, low: float, high: float) -> tuple[tuple[float, float], ...]:
    return ((left, low), (right, low), (right, high), (left, high))


def around(x: float, y: float, half: float) -> tuple[tuple[float, float], ...]:
    """A square by its middle and half its side."""
    return rectangle(x - half, x + half, y - half, y + half)


def slide(name: str, travel: tuple[float, float], mount: Mount | None = None, limits: Limits | None = None) -> Axis:
    return Axis(name, "linear", limits or Limits(2.0, 10.0), travel, mount or Mount(), Tolerance(0.005))


def hinge(name: str, travel: tuple[float, float], mount: Mount | None = None, limits: Limits | None = None) -> Axis:
    return Axis(name, "rotary", limits or Limits(6.0, 60.0), travel, mount or Mount(), Tolerance(0.01))


def roller(name: str, to: str, at: tuple[float, float]) -> Axis:
    return Axis(name, "spin", Limits(600.0, 6000.0), mount=Mount(to, at))


def by_name(*axes: Axis) -> dict[str, Axis]:
    return {axis.name: axis for axis in axes}


def reacher(*more: Body, slide_speed: float = 1.2) -> Tree:
    """A lift on a mast, a slide on the lift, a hand that turns on the slide, and a shelf in front: 0.75 m high."""
    axes = by_name(
        slide("lift", (0.0, 1.4), Mount("frame", (0.0, 0.25), deg(90.0)), Limits(1.7, 6.0, 60.0)),
        slide("slide", (0.0, 0.5), Mount("lift", (0.05, 0.0)), Limits(slide_speed, 6.0, 60.0)),
        hinge("wrist", (deg(-100.0), deg(120.0)), Mount("slide", (0.15, 0.0)), Limits(6.0, 60.0, 600.0)),
        roller("rollers", "wrist", (0.3, 0.0)),
    )
    bodies = [
        Body("mast", "frame", (rectangle(-0.06, 0.0, 0.0, 1.8),)),
        Body("bumper", "frame", (rectangle(-0.4, 0.3, 0.0, 0.12),)),
        Body("shelf", "frame", (rectangle(0.65, 1.1, 0.75, 0.78),)),
        Body("carriage", "lift", (rectangle(0.01, 0.1, -0.1, 0.1),)),
        Body("arm", "slide", (rectangle(-0.04, 0.15, -0.03, 0.03),)),
        Body("hand", "wrist", (rectangle(-0.05, 0.35, -0.04, 0.04),)),
    ]
    return Tree(axes, [*bodies, *more])


def watched(tree: Tree, *clearances: Clearance) -> tuple[Pair, ...]:
    """The pairs of a reacher; its arm slides in its carriage."""
    return watch(tree, [Clearance(("carriage", "arm"), exempt="guided by it"), *clearances]).pairs


def random_polygon(source: random.Random, size: float, spread: float = 0.5) -> tuple[tuple[float, float], ...]:
    """Three to eight vertices on a circle, with its centre somewhere near 0."""
    x, y = source.uniform(-spread, spread), source.uniform(-spread, spread)
    while True:
        angles = sorted(source.uniform(0.0, 2.0 * math.pi) for _ in range(source.randint(3, 8)))
        gaps = [
            (after - before) % (2.0 * math.pi) for before, after in zip(angles, angles[1:] + angles[:1], strict=True)
        ]
        if max(gaps) < 3.0 and min(gaps) > 1e-3:
            return tuple((x + size * math.cos(angle), y + size * math.sin(angle)) for angle in angles)


def random_tree(source: random.Random, most_axes: int = 5) -> Tree:
    """Up to five slides and hinges in any order, some with shares, some level; a `hand` and a `post` somewhere."""
    axes: dict[str, Axis] = {}
    for number in range(source.randint(1, most_axes)):
        low = source.uniform(-1.5, 0.0)
        mount = Mount(
            source.choice(["frame", *axes, *axes]),
            (source.uniform(-0.5, 0.5), source.uniform(-0.5, 0.5)),
            source.uniform(-3.0, 3.0),
            source.choice(["level", "carrier"]),
            source.choice([1.0, 1.0, 0.5]),
        )
        make = source.choice([slide, hinge])
        axes[f"axis{number}"] = make(f"axis{number}", (low, low + source.uniform(0.2, 3.0)), mount)
    carrier = source.choice(["frame", "outside", *axes])
    outside = (-0.3, 0.4) if carrier == "outside" else None
    along = source.choice(["x", "y"])
    bodies = [
        Body("hand", source.choice(list(axes)), random_parts(source), share=source.choice([1.0, 1.0, 0.5])),
        Body("post", carrier, random_parts(source), range=outside, along=along),
    ]
    return Tree(axes, bodies)


def random_parts(source: random.Random) -> tuple[tuple[tuple[float, float], ...], ...]:
    return tuple(random_polygon(source, source.uniform(0.02, 0.3)) for _ in range(source.choice([1, 1, 2])))


def random_box(source: random.Random, tree: Tree, beyond: float = 0.0) -> tuple[list[float], list[float]]:
    """A box somewhere within reach (or a little beyond), from a point to the whole."""
    share = source.choice([1.0, 0.3, 0.1, 0.03, 0.01, 0.0])
    low, high = [], []
    for begin, end in tree.reach:
        width = (end - begin) * share * source.random()
        start = source.uniform(begin - beyond, end + beyond - width)
        low.append(start)
        high.append(start + width)
    return low, high


def turned(points: Sequence[tuple[float, float]], angle: float, x: float, y: float) -> list[tuple[float, float]]:
    cosine, sine = math.cos(angle), math.sin(angle)
    return [(x + cosine * a - sine * b, y + sine * a + cosine * b) for a, b in points]
