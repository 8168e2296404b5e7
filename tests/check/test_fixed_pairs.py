"""Clearances between bodies whose distance no axis changes."""

from __future__ import annotations

import pytest
from reaching import examined, reacher, rectangle, step, to

from sequencer.check import Examination
from sequencer.machine.body import Body, Clearance
from sequencer.routine.routine import OutsideRange

TAB = Body("tab", "wrist", (rectangle(0.35, 0.4, -0.04, 0.04),))
POST = Body("post", "outside", (rectangle(0.0, 0.05, 0.0, 0.3),), range=(1.3, 2.0))
"""The shelf ends 1.1 m in front of the mast, 0.45 m above its top."""


def judged(
    between: tuple[str, str], margin: float, *bodies: Body, outside: tuple[OutsideRange, ...] = ()
) -> Examination:
    machine = reacher(*bodies, clearances=(Clearance(between, margin),))
    return examined(machine, step("up", to({"lift": 0.1})), outside=outside)


def lines(found: Examination) -> list[str]:
    return [f"{one.severity}: {one.message} | {one.hint}" for one in found.findings if one.rule == "clearance"]


def test_a_margin_between_two_bodies_on_one_axis_that_is_not_there_is_refused() -> None:
    found = judged(("hand", "tab"), 0.01, TAB)
    assert lines(found) == [
        "error: clearance between hand and tab: both on wrist, their distance never changes: 0 mm, and 10 mm are asked "
        "for | leave the line out, or move a body"
    ]
    assert found.verdict == "conflict"


def test_a_margin_that_is_always_there_is_listed_among_what_was_judged() -> None:
    found = judged(("mast", "shelf"), 0.6)
    assert found.verdict == "clear"
    assert "mast and shelf: both on the frame, they always are 650 mm apart (600 mm must remain)" in found.assumes


def test_two_bodies_that_overlap_for_good_are_refused_without_a_margin() -> None:
    found = judged(("hand", "grip"), 0.0, Body("grip", "wrist", (rectangle(0.3, 0.4, -0.02, 0.02),)))
    (line,) = lines(found)
    assert "both on wrist, their distance never changes: they overlap by 50 mm, and they must not overlap |" in line


@pytest.mark.parametrize(("margin", "verdict"), [(0.48, "clear"), (0.52, "conflict")])
def test_a_body_outside_is_judged_all_over_its_range(margin: float, verdict: str) -> None:
    """At its nearest it is 0.2 m in front of the shelf and 0.45 m below: 0.4924 m."""
    found = judged(("shelf", "post"), margin, POST)
    assert found.verdict == verdict
    kept = "no axis moves either of them, they keep clear wherever post may stand (480 mm must remain)"
    assert any(kept in line for line in found.assumes) == (verdict == "clear")
    if verdict == "conflict":
        assert "no axis moves either of them, and they are " in lines(found)[0]
        assert " mm apart (520 mm must remain) with post at " in lines(found)[0]


def test_a_routine_that_knows_where_it_stands_is_judged_by_that() -> None:
    assert judged(("shelf", "post"), 0.52, POST, outside=(OutsideRange("post", (1.5, 2.0)),)).verdict == "clear"
