"""What becomes of the polygons that people write."""

from __future__ import annotations

import math
import random

import pytest
from scenes import case, random_polygon, rectangle, turned

from sequencer.clearance.polygon import polygon, signed_distance
from sequencer.errors import ModelError
from sequencer.machine.body import Body, Clearance
from sequencer.machine.convex import convex, convex_parts

SQUARE = rectangle(0.0, 1.0, 0.0, 1.0)


def area(points):
    return 0.5 * sum(a[0] * b[1] - a[1] * b[0] for a, b in zip(points[-1:] + points[:-1], points, strict=True))


def test_a_vertex_written_twice_is_cleaned_away():
    numbers = case("C21")
    cleaned = convex(numbers["points"])
    assert len(cleaned) == numbers["vertices"]
    assert signed_distance(polygon(cleaned), polygon(convex(SQUARE))).distance < 0.0


def test_a_vertex_on_an_edge_changes_nothing():
    numbers = case("C22")
    cleaned = convex(numbers["points"])
    assert len(cleaned) == numbers["vertices"]
    far = polygon(rectangle(3.0, 4.0, 0.2, 0.4))
    assert signed_distance(polygon(cleaned), far) == signed_distance(polygon(convex(SQUARE)), far)


def test_a_clockwise_polygon_is_reversed():
    cleaned = convex(case("C23")["points"])
    assert area(cleaned) == 1.0
    assert sorted(cleaned) == sorted(convex(SQUARE))


def test_a_concave_polygon_is_refused_with_the_parts_to_write():
    with pytest.raises(ModelError) as caught:
        convex(case("C24")["points"])
    assert str(caught.value) == (
        "is concave: its outline turns inwards at (1 m, 1 m); write it as several convex parts, for instance parts: "
        "[[[1 m, 1 m], [1 m, 2 m], [0 m, 2 m], [0 m, 1 m]], [[0 m, 1 m], [0 m, 0 m], [2 m, 0 m], [2 m, 1 m]]]"
    )


def test_the_parts_proposed_for_a_concave_polygon_are_convex_and_make_it_up():
    source = random.Random(4)
    for _ in range(200):
        count = source.randint(4, 12)
        ring = tuple(
            (radius * math.cos(2.0 * math.pi * k / count), radius * math.sin(2.0 * math.pi * k / count))
            for k in range(count)
            for radius in [source.uniform(0.2, 1.0)]
        )
        parts = convex_parts(ring)
        assert sum(area(convex(part)) for part in parts) == pytest.approx(area(ring), rel=1e-6)


@pytest.mark.parametrize(
    ("points", "reason"),
    [
        (case("C25")["flat"], "has no area: all its vertices lie on one line"),
        ([(0, 0), (1, 0), (2, 0), (1, 0)], "has no area"),
        ([(0.3, 0.3)] * 4, "has no area: all its vertices lie on one line"),
        (
            [(0, 0), (1e-9, 0), (0, 1e-9)],
            "is only 1e-09 m across, and vertices within 1e-09 m of each other are one; give lengths with",
        ),
        ([(5, 5), (5 + 4e-9, 5), (5, 5 + 4e-10)], "is only 4e-09 m across"),
        ([(0, 0), (1e-9, 0)], "has no area: all its vertices lie on one line"),
        ([(0, 0), (2e-8, 0), (1e-8, 1e-10)], "has no area: all its vertices lie on one line"),
        ([], "has no vertices"),
        (case("C25")["bow_tie"], "crosses itself: the edge from"),
        (
            [(math.cos(4.0 * math.pi * k / 5), math.sin(4.0 * math.pi * k / 5)) for k in range(5)],
            "crosses itself: its edges turn 2 times round",
        ),
        ([(0, 0), (1, 0), (math.nan, 1)], "has nan as a coordinate of vertex 3"),
        ([(0, 0), (1, 0), (0, math.inf)], "has inf as a coordinate of vertex 3"),
        ([(0, 0), (300, 0), (300, 80), (0, 80)], "is 300 m across; at most 20 m is allowed (are these millimetres?)"),
        ([(2e4, 0), (2e4 + 1, 0), (2e4, 1)], "has 20000 m as a coordinate of vertex 1; at most 10000 m"),
        ([(0, 0), (2, 0), (1, 0), (1, 1)], "has no area at (2 m, 0 m): its outline turns back on itself there"),
        ([(0, 0, 0), (1, 0, 0), (0, 1, 0)], "has 3 coordinates at vertex 1"),
    ],
)
def test_each_polygon_that_cannot_be_is_refused_with_its_own_reason(points, reason):
    with pytest.raises(ModelError) as caught:
        convex(points)
    assert str(caught.value).startswith(reason)


def test_every_convex_polygon_is_kept_as_it_is_wherever_it_begins_and_however_it_turns():
    source = random.Random(5)
    for _ in range(300):
        points = turned(random_polygon(source, 0.3), source.uniform(-3.0, 3.0), 0.1, -0.2)
        first = source.randrange(len(points))
        again = points[first:] + points[:first]
        assert sorted(convex(again)) == sorted(convex(points)) == sorted(map(tuple, points))
        assert sorted(convex(again[::-1])) == sorted(convex(points))


def test_a_body_names_its_part_and_itself_in_the_refusal():
    with pytest.raises(ModelError, match=r"^body 'hand': part 2 has no area: all its vertices lie on one line"):
        Body("hand", "wrist", (SQUARE, ((0.0, 0.0), (1.0, 0.0), (2.0, 0.0))))


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: Body("hand", "wrist", ()), "body 'hand' has no parts; give at least one convex polygon"),
        (
            lambda: Body("post", "outside", (SQUARE,)),
            "body 'post' stands outside the machine; give the range of its places, such as range: [0.25 m, 1 m]",
        ),
        (
            lambda: Body("post", "outside", (SQUARE,), range=(1.0, 0.25)),
            "body 'post': its range runs from 1 m to 0.25 m; the first must be the smaller",
        ),
        (
            lambda: Body("hand", "wrist", (SQUARE,), reading="range_to_hook"),
            "body 'hand' is carried by 'wrist'; only a body with carried_by: outside has a range and a reading",
        ),
        (
            lambda: Clearance(("hand", "hand")),
            "a clearance is between two bodies; here 'hand' is named twice",
        ),
        (
            lambda: Clearance(("hand", "post"), -0.01),
            "clearance between hand and post: the margin is -0.01 m; it must be 0 m or more",
        ),
    ],
)
def test_what_a_body_or_clearance_cannot_be_is_said(make, message):
    with pytest.raises(ModelError) as caught:
        make()
    assert str(caught.value) == message
