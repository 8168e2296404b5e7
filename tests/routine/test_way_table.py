"""Tables of ways: looked up from anywhere, kept as plain data, refused when they lead nowhere."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

import pytest

from sequencer.routine.way_table import Leg, WayTable, table_to

# Two rooms side by side, joined at the top: one has to go up, across and down again.
LEFT = Leg((1.0, 9.5), (0.0, 0.0), (4.0, 10.0))
TOP = Leg((8.0, 9.5), (0.0, 9.0), (10.0, 10.0))
RIGHT = Leg((8.0, 1.0), (6.0, 0.0), (10.0, 10.0))
ROOMS = WayTable(
    ("across", "up"),
    {"across": 8.0, "up": 1.0},
    (RIGHT, TOP, LEFT),
    (-1, 0, 1),
    (0.0, 8.5, 15.5),
    (1.0, 1.0),
    40.0,
    1.0,
)


def inside(low: Sequence[float], high: Sequence[float]) -> bool:
    """Whether a box lies in one of the rooms: what a machine would say."""
    return any(leg.holds(low, high) for leg in ROOMS.legs)


def nothing(low: Sequence[float], high: Sequence[float]) -> bool:
    return False


def places(point: tuple[float, float], free: Any = inside) -> list[tuple[float, ...]]:
    return [leg.place for leg in ROOMS.way(point, point, free)]


def test_a_way_leads_from_box_to_box_to_the_goal() -> None:
    assert places((1.0, 1.0), nothing) == [(1.0, 9.5), (8.0, 9.5), (8.0, 1.0)]
    assert places((8.0, 9.8), nothing) == [(8.0, 1.0)]


def test_a_place_deeper_in_the_next_box_is_taken_where_the_way_there_is_clear() -> None:
    """From the left room it goes aslant to where the top has opened, within the room."""
    assert places((1.0, 1.0)) == [(2.75, 9.125), (8.0, 9.5), (8.0, 1.0)]


def test_from_outside_all_boxes_a_way_leads_into_one_where_that_is_clear() -> None:
    def wider(low: Sequence[float], high: Sequence[float]) -> bool:
        return low[1] >= 8.5 or inside(low, high)

    assert places((5.0, 8.7), nothing) == []
    way = ROOMS.way((5.0, 8.7), (5.0, 8.7), wider)
    assert [leg.place for leg in way] == [(6.5, 8.7), (8.0, 1.0)]
    assert way[0].low == (5.0, 8.7)
    assert way[0].high == (6.5, 8.7)


def test_what_is_occupied_counts_and_not_a_point_of_it() -> None:
    """A span that sticks out of a box does not start in it."""
    assert ROOMS.way((3.5, 1.0), (4.5, 1.0), nothing) == ()
    assert len(ROOMS.way((3.5, 1.0), (4.0, 1.0), nothing)) == 3


def test_an_axis_that_is_not_moved_must_lie_in_every_box_to_come() -> None:
    legs = (Leg((8.0,), (5.0, 0.0), (10.0, 3.0)), Leg((6.0,), (0.0, 0.0), (7.0, 6.0)))
    table = WayTable(("across", "up"), {"across": 8.0}, legs, (-1, 0), (0.0, 3.0), (1.0,), 9.0, 1.0)
    assert [leg.place for leg in table.way((1.0, 2.0), (1.0, 2.0), nothing)] == [(6.0,), (8.0,)]
    assert table.way((1.0, 5.0), (1.0, 5.0), nothing) == ()


def test_a_table_survives_json_exactly() -> None:
    assert WayTable.from_data(json.loads(json.dumps(ROOMS.to_data()))) == ROOMS
    assert table_to([ROOMS], {"up": 1.0, "across": 8.0}) is ROOMS
    assert table_to([ROOMS], {"up": 1.0, "across": 7.0}) is None


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"following": [-1, 0, 2]}, "leg 2 is followed by 2, which is no nearer to the goal"),
        ({"following": [-1, 2, 1]}, "leg 1 is followed by 2, which is no nearer to the goal"),
        ({"following": [-1, 0]}, "not every leg has one that follows and a cost"),
        ({"following": [-1, 0, 7]}, "leg 2 is followed by 7, which is no nearer to the goal"),
        ({"costs": [8.5, 0.0, 15.5], "following": [1, -1, 0]}, "the legs are not in the order of their costs"),
        ({"speeds": [1.0, 0.0]}, "the goal does not fit the axes"),
        ({"goal": [["sideways", 8.0], ["up", 1.0]]}, "the goal does not fit the axes"),
        ({"axes": ["across", "up", "round"]}, "leg 0 does not fit the axes"),
    ],
)
def test_a_table_that_would_lead_in_a_ring_or_nowhere_is_refused(changes: dict[str, Any], said: str) -> None:
    with pytest.raises(ValueError, match=said):
        WayTable.from_data(ROOMS.to_data() | changes)
