"""The room in which no box need be asked: it must hold the place it was made for, and no place of a box it parts."""

from __future__ import annotations

import random
from math import inf, nextafter

import pytest

from sequencer.run.free_cell import FreeCell

Edges = tuple[tuple[int, float, float], ...]


class Box:
    def __init__(self, *edges: tuple[int, float, float]) -> None:
        self.edges = edges

    def missed(self, lows: list[float], highs: list[float]) -> bool:
        return any(highs[axis] < low or lows[axis] > high for axis, low, high in self.edges)


def test_a_new_cell_has_no_room() -> None:
    cell = FreeCell(2)
    assert all(low > high for low, high in zip(cell.lows, cell.highs, strict=True))


def test_the_farthest_face_parts_the_axes_from_a_box() -> None:
    """R54: the cell ends one float before the face, for to touch a face is to be in the box."""
    cell = FreeCell(2)
    assert not cell.renew([Box((0, 1.0, 2.0), (1, -4.0, -3.0))], [0.0, 0.0], [0.5, 0.1])
    assert cell.highs == [inf, inf]
    assert cell.lows == [-inf, nextafter(-3.0, inf)]
    assert not cell.renew([Box((0, 1.0, 2.0), (1, -4.0, -3.0))], [-9.0, 0.0], [-8.0, 0.1])
    assert cell.highs == [nextafter(1.0, -inf), inf]
    assert cell.lows == [-inf, -inf]


@pytest.mark.parametrize("place", [1.0, 1.5, 2.0])
def test_a_box_that_the_axes_touch_is_met(place: float) -> None:
    box, other = Box((0, 1.0, 2.0)), Box((0, 5.0, 6.0))
    assert FreeCell(1).renew([box, other], [place], [place]) == [box]


def test_of_two_boxes_on_one_side_the_nearer_face_ends_the_cell() -> None:
    cell = FreeCell(1)
    boxes = [Box((0, low, low + 0.5)) for low in (3.0, 1.0, 2.0, -2.0, -1.0, -3.0)]
    assert not cell.renew(boxes, [0.0], [0.0])
    assert (cell.lows[0], cell.highs[0]) == (nextafter(-0.5, inf), nextafter(1.0, -inf))


def test_what_stays_in_the_cell_misses_every_box_that_was_not_met() -> None:
    """R54: 20,000 random intervals, a quarter of them of one place: asked of the cell and of each box."""
    draw = random.Random(4)
    stayed = 0
    for _ in range(400):
        axes = draw.randint(1, 4)
        boxes = [
            Box(
                *(
                    (axis, low, low + draw.choice([0.0, 0.1, 0.5]))
                    for axis in sorted(draw.sample(range(axes), draw.randint(1, axes)))
                    for low in [draw.choice([-1.0, -0.5, 0.0, 0.5])]
                )
            )
            for _ in range(draw.randint(1, 6))
        ]
        cell = FreeCell(axes)
        here = [draw.choice([-0.8, -0.2, 0.3, 0.9]) for _ in range(axes)]
        met = cell.renew(boxes, here, here)
        assert met == [box for box in boxes if not box.missed(here, here)]
        assert all(low <= at <= high for low, at, high in zip(cell.lows, here, cell.highs, strict=True))
        for _ in range(50):
            lows = [draw.choice([-1.0, -0.5, -0.4, 0.0, 0.2, 0.5, 0.6, draw.uniform(-1.5, 1.5)]) for _ in range(axes)]
            wide = draw.choice([0.0, 0.2])
            highs = [low + wide for low in lows]
            if all(a <= low and high <= b for a, low, high, b in zip(cell.lows, lows, highs, cell.highs, strict=True)):
                stayed += 1
                assert all(box.missed(lows, highs) for box in boxes if box not in met)
    assert stayed > 1_000
