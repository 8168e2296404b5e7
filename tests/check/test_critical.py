"""The critical path and slack where a join takes the first of several branches."""

from __future__ import annotations

from crossing import condition, crossed, crossing, to
from random_world import BEAM

from sequencer.routine.steps import After, With

FREE = crossing(((0.9, 1.0), (0.9, 1.0)))


def test_of_a_join_any_only_the_branch_that_came_first_is_on_the_way_to_what_follows() -> None:
    """The loser would take longer; what follows takes its axis, and its gate opens by that."""
    steps = (
        to("slow", "across", 0.25, once=condition("along < 0.5 m")),
        to("quick", "along", 0.5, start=With("slow"), only_if=BEAM),
        to("then", "along", 0.2, start=After(("slow", "quick"), any=True)),
    )
    found = crossed(to("out", "along", 1.0), *steps, start="high", machine=FREE)
    plan = found.plan
    assert plan is not None
    assert plan.critical == ("out", "quick", "then")
    assert plan.step("then").start == plan.step("quick").end


def test_the_branches_that_lose_have_all_the_time_that_is_left() -> None:
    steps = (
        to("long", "across", 0.0),
        to("short", "along", 0.1, start=With("long")),
        to("then", "along", 0.3, start=After(("long", "short"), any=True)),
    )
    plan = crossed(*steps, start="high", machine=FREE).plan
    assert plan is not None
    assert plan.critical[:2] == ("short", "then")
