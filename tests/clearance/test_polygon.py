"""Distances of polygons, held against shapely and against numbers worked out by hand."""

from __future__ import annotations

import math
import random

import numpy as np
import pytest
from scenes import case, random_polygon, turned

from sequencer.clearance.batch import signed_distances
from sequencer.clearance.polygon import polygon, signed_distance

AGREEMENT = 1e-9
"""Two ways to a distance agree within it [m]."""


def both(first, second):
    """The scalar distance, which must be the batched one too."""
    found = signed_distance(polygon(first), polygon(second)).distance
    batched = signed_distances(np.array([first], float), np.array([second], float))[0]
    assert batched == pytest.approx(found, abs=1e-12)
    return found


def random_pairs(count: int, seed: int):
    source = random.Random(seed)
    for _ in range(count):
        first, second = random_polygon(source, source.uniform(0.02, 0.4)), random_polygon(source, 0.3)
        yield first, turned(second, source.uniform(-math.pi, math.pi), source.uniform(-1.0, 1.0), 0.0)


def test_squares_that_touch_are_0_apart():
    numbers = case("C08")
    assert both(numbers["first"], numbers["second"]) == numbers["distance"]
    assert both(numbers["second"], numbers["first"]) == numbers["distance"]


def test_corners_are_as_far_apart_as_pythagoras_says():
    numbers = case("C09")
    assert both(numbers["first"], numbers["second"]) == pytest.approx(numbers["distance"], abs=1e-15)


def test_a_square_inside_another_is_as_deep_as_the_way_out():
    numbers = case("C10")
    assert both(numbers["inner"], numbers["outer"]) == numbers["distance"]
    assert both(numbers["outer"], numbers["inner"]) == numbers["distance"]


def test_distances_agree_with_shapely_on_20000_pairs():
    shapely = pytest.importorskip("shapely")
    pairs = list(random_pairs(20_000, 11))
    theirs = shapely.distance(
        np.array([shapely.Polygon(first) for first, _ in pairs]), np.array([shapely.Polygon(s) for _, s in pairs])
    )
    ours = np.array([signed_distance(polygon(first), polygon(second)).distance for first, second in pairs])
    assert 4_000 < np.count_nonzero(ours < 0.0) < 15_000
    assert np.abs(np.maximum(ours, 0.0) - theirs).max() < AGREEMENT
    # grouped by how many vertices they have, the batched way gives the same
    groups: dict[tuple[int, int], list[int]] = {}
    for number, (first, second) in enumerate(pairs):
        groups.setdefault((len(first), len(second)), []).append(number)
    for members in groups.values():
        found = signed_distances(
            np.array([pairs[k][0] for k in members], float), np.array([pairs[k][1] for k in members], float)
        )
        assert np.abs(found - ours[members]).max() < AGREEMENT


def test_a_push_by_the_depth_along_the_direction_parts_overlapping_polygons():
    """The depth is held against shapely: pushed a little less they still overlap, pushed a little more they do not."""
    shapely = pytest.importorskip("shapely")
    checked = 0
    for first, second in random_pairs(2_000, 12):
        found = signed_distance(polygon(first), polygon(second))
        if found.distance > -1e-6:
            continue
        checked += 1
        for factor, overlap in ((1.0 - 1e-6, True), (1.0 + 1e-6, False)):
            push = -found.distance * factor
            moved = shapely.Polygon([(x + push * found.x, y + push * found.y) for x, y in second])
            assert moved.intersects(shapely.Polygon(first)) is overlap
    assert checked > 400


def test_no_push_in_any_direction_is_shorter_than_the_depth():
    for first, second in random_pairs(300, 13):
        found = signed_distance(polygon(first), polygon(second))
        if found.distance >= 0.0:
            continue
        for angle in np.linspace(0.0, 2.0 * math.pi, 90):
            x, y = math.cos(angle), math.sin(angle)
            needed = max(x * a + y * b for a, b in first) - min(x * a + y * b for a, b in second)
            assert needed >= -found.distance - 1e-12


def test_the_direction_leads_from_the_first_to_the_second_and_has_the_length_1():
    for first, second in random_pairs(1_000, 14):
        found = signed_distance(polygon(first), polygon(second))
        assert math.hypot(found.x, found.y) == pytest.approx(1.0, abs=1e-12)
        along = min(found.x * a + found.y * b for a, b in second) - max(found.x * a + found.y * b for a, b in first)
        assert along == pytest.approx(found.distance, abs=1e-12)


def test_the_distance_is_the_same_from_either_side_and_wherever_both_stand():
    source = random.Random(15)
    for first, second in random_pairs(500, 16):
        found = signed_distance(polygon(first), polygon(second)).distance
        assert signed_distance(polygon(second), polygon(first)).distance == pytest.approx(found, abs=1e-12)
        angle, x, y = source.uniform(-3.0, 3.0), source.uniform(-2.0, 2.0), source.uniform(-2.0, 2.0)
        moved = signed_distance(polygon(turned(first, angle, x, y)), polygon(turned(second, angle, x, y)))
        assert moved.distance == pytest.approx(found, abs=1e-12)


def test_far_from_the_origin_the_error_of_a_gap_grows_no_faster_than_the_pad():
    """Coordinates beyond 1e4 m are refused on entry; the pad of 64 roundings covers all that are allowed."""
    numbers = case("C27")
    for offset, measured in zip(numbers["offsets"], numbers["measured_errors"], strict=True):
        first = [(offset + x, offset + y) for x, y in [(0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0)]]
        second = [(x + 1.0 + numbers["gap"], y) for x, y in first]
        error = abs(signed_distance(polygon(first), polygon(second)).distance - numbers["gap"])
        assert error <= 4.0 * measured
        if offset <= numbers["most"]:
            assert error < 64.0 * 2.0**-52 * max(offset, 1.0)
