"""A routine of more products than are looked at stays undecided, with its pair and where it is."""

from __future__ import annotations

import pytest
from reaching import examined, reacher, step, to

from sequencer.check import clearance
from sequencer.routine.steps import With

STEPS = (
    step("up", to({"lift": 1.0})),
    step("out", to({"slide": 0.3}), With("up"), once="lift > 0.7 m"),
    step("turn", to({"wrist": 20.0}), With("up"), once="lift > 0.7 m"),
)


@pytest.mark.parametrize("most", [0, 1, 3])
def test_too_many_products_are_undecided_and_a_routine_in_order_is_not(
    monkeypatch: pytest.MonkeyPatch, most: int
) -> None:
    assert examined(reacher(), *STEPS).verdict == "clear"
    monkeypatch.setattr(clearance, "_MOST_MEETINGS", most)
    found = examined(reacher(), *STEPS)
    assert found.verdict == "undecided"
    told = [one for one in found.findings if one.refuses]
    assert {one.rule for one in told} == {"clearance"}
    for one in told:
        names, words = one.message.split(": ")
        assert set(names.split(" and ")) <= set(reacher().bodies)
        assert words == "too many steps may be active together to look at all of it"
        assert (one.hint, one.step, one.witness) == ("put steps in an order", None, None)
    assert len({one.message for one in told}) == len(told)
    assert found.checked is None


def test_a_scenario_of_just_so_many_products_is_looked_at(monkeypatch: pytest.MonkeyPatch) -> None:
    alone = step("up", to({"lift": 1.0}))
    monkeypatch.setattr(clearance, "_MOST_MEETINGS", 1)
    assert examined(reacher(), alone).verdict == "clear"
