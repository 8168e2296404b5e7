"""Orders of a machine with four axes, some of whose presets no cell certifies."""

from __future__ import annotations

from pathlib import Path

import pytest

from sequencer import load_machine
from sequencer.check import examine
from sequencer.check.ordered import order_with
from sequencer.ordering import Ordering

CASE = Path(__file__).parents[1] / "cases" / "ordering" / "four_axes.yaml"


@pytest.fixture(scope="module")
def ordering() -> Ordering:
    return Ordering(load_machine(CASE))


@pytest.mark.parametrize(
    ("start", "goal"), [("stow", "over_low"), ("floor_out", "edge"), ("carry", "high"), ("feeder", "carry")]
)
def test_four_axes_are_planned_and_the_check_agrees(ordering: Ordering, start: str, goal: str) -> None:
    routine, found = order_with(ordering, start, goal)
    assert examine(routine).verdict == "clear"
    assert found.duration < 3.0 * found.least


def test_a_preset_that_no_cell_certifies_is_planned_from_all_the_same(ordering: Ordering) -> None:
    spans = ordering.spans("feeder")
    low, high = [span[0] for span in spans], [span[1] for span in spans]
    assert not ordering.grid.free_sharp(low, high)
    assert ordering.grid.free_proved(low, high)


@pytest.mark.slow
def test_all_132_changes_of_four_axes_are_clear_by_the_check(ordering: Ordering) -> None:
    presets = ordering.machine.presets
    for start in presets:
        for goal in presets:
            if start != goal:
                assert examine(order_with(ordering, start, goal)[0]).verdict == "clear", (start, goal)
