"""Which gates never open: for want of a motion, for a ring of waiting, or for a contradiction; and which do."""

from __future__ import annotations

import pytest
from crossing import SOON, condition, crossed, to
from random_world import BEAM

from sequencer.check import Finding
from sequencer.check.gate import never_opens
from sequencer.check.gating import Gate
from sequencer.check.order import Order
from sequencer.check.phases import phases_of
from sequencer.check.scenarios import scenarios_of
from sequencer.plan.resolve import flatten
from sequencer.routine.routine import Routine
from sequencer.routine.steps import After, By, Move, Press, Step, Timeout, With

from crossing import crossing  # isort: skip


def findings(*steps: Step) -> list[Finding]:
    return [one for one in crossed(*steps).findings if one.rule == "gate"]


def stuck(*steps: Step) -> list[str | None]:
    """The steps that a finding names."""
    return [one.step for one in findings(*steps)]


def gated(name: str, axis: str, place: float, once: str, start: object = None, **fields: object) -> Step:
    parts = {} if start is None else {"start": start}
    return to(name, axis, place, once=condition(once), **parts, **fields)


@pytest.mark.parametrize(
    ("once", "opens"),
    [("across > 0.9 m", True), ("across > 1 m", False), ("across < 0.1 m", True), ("across < -0.1 m", False)],
)
def test_a_gate_opens_where_a_step_beside_it_or_its_start_has_the_axis(once: str, opens: bool) -> None:
    steps = to("rise", "across", 1.0), gated("go", "along", 1.0, once, With("rise"))
    assert stuck(*steps) == ([] if opens else ["go"])


def test_what_moves_an_axis_only_before_or_after_opens_nothing_while_it_waits() -> None:
    before = to("rise", "across", 1.0), to("sink", "across", 0.2), gated("go", "along", 1.0, "across > 0.5 m")
    assert stuck(*before) == ["go"]
    after = gated("go", "along", 1.0, "across > 0.5 m"), to("rise", "across", 1.0)
    assert stuck(*after) == ["go"]
    (found,) = findings(*after)
    assert (found.found, found.allowed) == (0.005, 0.5)
    assert "across stands between -0.005 m and 0.005 m then, and no step that runs beside it takes it above 0.5 m" in (
        found.message
    )


def test_the_nearest_place_that_it_has_is_told_for_either_side() -> None:
    (found,) = findings(to("rise", "across", 0.8), gated("go", "along", 1.0, "across < 0.5 m"))
    assert (found.found, found.allowed) == (0.8, 0.5)
    assert "across stands at 0.8 m then, and no step that runs beside it takes it below 0.5 m" in found.message


def test_a_ring_of_three_is_told_once_from_its_first_step() -> None:
    ring = (
        gated("a", "along", 1.0, "across > 0.5 m"),
        gated("b", "across", 1.0, "along > 0.5 m", With("a")),
    )
    (found,) = findings(*ring)
    assert found.message == "'a', which waits for 'b', which waits for 'a': none of their gates can open"
    assert found.step == "a"


def test_a_step_after_one_that_is_stuck_cannot_open_its_gate() -> None:
    """`b` waits for the motion of `c`, which has no gate but comes after `a`, which waits for the motion of `b`."""
    steps = (
        gated("a", "along", 0.5, "across > 0.5 m"),
        gated("b", "across", 1.0, "along > 0.8 m", With("a")),
        to("c", "along", 1.0, start=After(("a",))),
    )
    (found,) = findings(*steps)
    assert found.message == (
        "'a', which waits for 'b', which waits for 'c', which waits for 'a': none of their gates can open"
    )
    free = (to("a", "along", 0.5), *steps[1:])
    assert findings(*free) == []


def test_one_other_way_to_open_breaks_a_ring() -> None:
    ring = gated("a", "along", 1.0, "across > 0.5 m"), gated("b", "across", 1.0, "along > 0.5 m", With("a"))
    assert len(findings(*ring)) == 1
    low = gated("a", "along", 1.0, "across > 0.2 m")
    assert findings(to("first", "across", 0.4), low, ring[1]) == []


def test_a_step_beside_a_ring_that_waits_for_nobody_in_it_is_told_by_itself() -> None:
    ring = gated("a", "along", 1.0, "across > 0.5 m"), gated("b", "across", 1.0, "along > 0.5 m", With("a"))
    (one,) = findings(*ring)
    # once the ring is broken by taking one gate away, nothing is left to tell
    assert findings(to("a", "along", 1.0), ring[1]) == []
    assert one.hint == "take one of the gates away, or let one of the steps follow another (after)"


def test_of_two_parts_of_a_gate_the_one_that_never_opens_counts() -> None:
    steps = to("rise", "across", 0.6), gated("go", "along", 1.0, "across > 0.3 m and across > 0.7 m", With("rise"))
    (found,) = findings(*steps)
    assert found.allowed == 0.7
    alternatives = (
        to("rise", "across", 0.6),
        gated("go", "along", 1.0, "across > 0.3 m or across > 0.7 m", With("rise")),
    )
    assert findings(*alternatives) == []
    elsewhere = to("rise", "across", 0.6), gated("go", "along", 1.0, "across > 0.7 m or beam", With("rise"))
    assert findings(*elsewhere) == []


def test_a_contradiction_is_told_as_such_and_not_as_a_gate_for_want_of_motion() -> None:
    steps = to("rise", "across", 1.0), gated("go", "along", 1.0, "across > 0.5 m and across < 0.3 m", With("rise"))
    (found,) = findings(*steps)
    assert found.hint == "leave one of the two out"
    assert findings(steps[0], gated("go", "along", 1.0, "across > 0.3 m and across < 0.5 m", With("rise"))) == []


def test_a_press_opens_a_gate_only_if_what_it_presses_to_is_beyond() -> None:
    push = Step("push", Press("across", 5.0, 0.6), until=BEAM, timeout=SOON)
    assert stuck(push, gated("go", "along", 1.0, "across > 0.5 m")) == []
    assert stuck(push, gated("go", "along", 1.0, "across > 0.7 m")) == ["go"]
    assert stuck(push, gated("go", "along", 1.0, "across < 0.3 m")) == ["go"]


def tried(once: str | None, *extra: Gate) -> bool:
    """Whether `go` never gets free with gates on top of its own; across rises beside it to 0.6 m."""
    go = to("go", "along", 1.0, start=With("rise"), once=None if once is None else condition(once))
    flat = flatten(Routine("r", crossing(), (to("rise", "across", 0.6), go), "low", default_timeout=Timeout("none")))
    order = Order(flat)
    phases = phases_of(order, scenarios_of(flat)[0])
    return never_opens(order, phases, {flat.nodes[1].index: extra})


def test_a_gate_that_is_tried_opens_or_not_as_if_it_were_there() -> None:
    assert not tried(None, Gate("across", 1.0, 0.5))
    assert tried(None, Gate("across", 1.0, 0.7))
    assert not tried("beam", Gate("across", 1.0, 0.5))
    assert not tried("across > 0.3 m", Gate("across", 1.0, 0.5))
    assert tried("across > 0.7 m", Gate("across", 1.0, 0.5))
    # what it contradicts of the step's own it replaces
    assert not tried("across < 0.3 m", Gate("across", 1.0, 0.5))
    assert tried(None, Gate("across", 1.0, 0.5), Gate("across", -1.0, 0.3))
    assert not tried(None, Gate("across", 1.0, 0.3), Gate("across", -1.0, 0.5))


def test_a_move_by_a_distance_opens_a_gate_that_names_no_goal_of_its_own() -> None:
    rise = Step("rise", Move((("across", By(0.6)),)))
    assert stuck(rise, gated("go", "along", 1.0, "across > 0.3 m", With("rise"))) == []
    assert stuck(rise, gated("go", "along", 1.0, "across > 0.7 m", With("rise"))) == ["go"]
