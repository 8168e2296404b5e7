"""Distances in words: one unit, and digits enough to see the difference."""

from __future__ import annotations

import pytest

from sequencer.clearance.distance_words import apart, millimetres


@pytest.mark.parametrize(
    ("distance", "margin", "said"),
    [
        (-0.00867, 0.01, "overlap by 8.67 mm (10 mm must remain)"),
        (0.008, 0.01, "are 8 mm apart (10 mm must remain)"),
        (0.0099984, 0.01, "are 9.998 mm apart (10 mm must remain)"),
        (0.01, 0.01, "are 10 mm apart (more must remain)"),
        (-0.01, 0.01, "overlap by 10 mm (10 mm must remain)"),
        (0.0, 0.01, "touch (10 mm must remain)"),
        (0.02, 0.0, "are 20 mm apart"),
        (-0.02, 0.0, "overlap by 20 mm"),
    ],
)
def test_a_distance_and_its_margin_are_told_in_one_unit_and_told_apart(
    distance: float, margin: float, said: str
) -> None:
    assert apart(distance, margin) == said


def test_metres_are_told_in_millimetres_without_an_exponent() -> None:
    assert millimetres(1.25) == "1250 mm"
    assert millimetres(12.5) == "12500 mm"
