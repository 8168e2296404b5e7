"""Steps that are cut short, taken over or never happen leave their axes where a proof must look for them."""

from __future__ import annotations

import pytest
from crossing import SOON, crossed, crossing, to, verdict
from random_world import BEAM

from sequencer.routine.steps import (
    After,
    Branch,
    By,
    Cap,
    Choose,
    Drive,
    LimitCaps,
    Move,
    Passing,
    Pulse,
    Repeat,
    Step,
    Wait,
    With,
)

RISE = to("rise", "across", 1.0)
PASS = to("pass", "along", 1.0)


def once(*inside: Step, **fields: object) -> Step:
    return Step("block", Repeat(inside, times=1.0), timeout=SOON, **fields)  # type: ignore[arg-type]


def test_a_block_whose_time_is_up_may_leave_what_is_inside_undone() -> None:
    assert verdict(once(RISE), PASS) == "clear"
    assert verdict(once(RISE, on_timeout="continue"), PASS) == "conflict"
    assert (
        verdict(
            Step(
                "block",
                Choose((Branch(BEAM, (RISE,)),), (to("rise too", "across", 1.0),)),
                timeout=SOON,
                on_timeout="continue",
            ),
            PASS,
        )
        == "conflict"
    )


def test_inside_a_block_that_is_not_yet_cut_short_steps_have_come_to_their_ends() -> None:
    assert verdict(once(RISE, PASS, on_timeout="continue")) == "clear"


def test_the_last_attempt_at_a_block_has_come_to_its_end() -> None:
    assert verdict(once(RISE, retry=1), PASS) == "clear"


def test_a_block_that_begins_anew_begins_where_its_time_was_up() -> None:
    body = (to("go", "along", 1.0), to("sink", "across", 0.0), to("rise", "across", 1.0))
    assert verdict(once(*body), start="high") == "clear"
    assert verdict(once(*body, retry=1), start="high") == "conflict"


def test_a_step_that_lasts_a_given_time_may_end_anywhere_on_its_way() -> None:
    assert verdict(to("rise", "across", 1.0, duration=100_000_000), PASS) == "conflict"


def test_a_step_that_loses_one_axis_stops_its_other_axes_where_they_are() -> None:
    both = Step("both", Move((*to("", "along", 0.2).body.goals, *RISE.body.goals)))  # type: ignore[union-attr]
    pause = Step("pause", Wait(), With("both"), duration=100_000_000)
    takes = to("take", "along", 0.1, start=After(("pause",)), preempt=True)
    beside = to("take", "along", 0.1, start=After(("both",)))
    assert verdict(both, pause, beside, to("pass", "along", 1.0, start=After(("both", "take")))) == "clear"
    assert verdict(both, pause, takes, to("pass", "along", 1.0, start=After(("both", "take")))) == "conflict"


def lamp_at(at: float, **fields: object) -> tuple[Step, Step]:
    go = to("go", "along", 0.2, **fields)
    lamp = Step("lamp", Pulse((Drive("lamp", True, "value"),)), Passing("go", at, "along"), duration=100_000_000)
    return go, lamp


def test_what_starts_with_a_milestone_never_happens_if_it_is_not_passed() -> None:
    rise = to("rise", "across", 1.0, start=With("lamp"))
    follow = to("pass", "along", 1.0, start=After(("rise", "go")))
    assert verdict(*lamp_at(0.15, until=BEAM), rise, follow) == "conflict"


def slow(acceleration: float) -> LimitCaps:
    return LimitCaps(acceleration=Cap(acceleration))


@pytest.mark.parametrize(
    ("first", "second"),
    [
        ({"until": BEAM}, {"limits": slow(0.5)}),
        ({"until": BEAM}, {}),
        ({}, {"limits": slow(0.5)}),
        ({"until": BEAM, "limits": slow(0.5)}, {"limits": slow(0.4)}),
    ],
)
def test_a_slower_step_that_takes_a_moving_axis_keeps_to_the_way_of_the_step_before(
    first: dict[str, object], second: dict[str, object]
) -> None:
    """The runner brakes it with the limits in force, before it goes on with those of the slower step (R53); with its
    own it would need 1 m from 1 m/s, and meet the box.
    """
    machine = crossing(((0.62, 0.72), (0.0, 1.0)))
    steps = to("go", "along", 0.5, **first), to("back", "along", 0.3, **second)
    assert verdict(*steps, machine=machine) == "clear"


def test_passages_that_carry_an_axis_on_are_followed_to_the_end_of_its_travel() -> None:
    """Each passage goes on by 5 cm from wherever the step before was ended; many of them lead into the box."""
    machine = crossing(((0.8, 0.9), (0.4, 0.6)))
    body = (
        to("back", "along", 0.2, until=BEAM),
        to("rise", "across", 1.0, start=With("back")),
        to("sink", "across", 0.0, start=After(("rise", "back"))),
        Step("on", Move((("along", By(0.05)),)), After(("sink",))),
    )
    found = crossed(Step("round", Repeat(body, times=100.0)), machine=machine)
    assert any(
        "'round.back' moves along" in one.message or "'back' moves along" in one.message
        for one in found.findings
        if one.rule == "keep_out"
    )


def branches(*lists: tuple[Step, ...]) -> Step:
    return Step("pick", Choose(tuple(Branch(BEAM, steps) for steps in lists[:-1]), lists[-1]))


@pytest.mark.parametrize(("times", "outcome"), [(1.0, "clear"), (2.0, "clear"), (3.0, "conflict")])
def test_a_branch_may_find_an_axis_where_another_branch_left_it_a_passage_before(times: float, outcome: str) -> None:
    """Out in the first passage, half the way back in the second, and in the third the other axis meets it there."""
    machine = crossing(((0.45, 0.55), (0.3, 0.6)))
    out, back = to("out", "along", 1.0), to("back", "along", 0.0, until=BEAM)
    sweep = to("rise", "across", 1.0), to("sink", "across", 0.0)
    assert verdict(Step("round", Repeat((branches((out,), (back,), sweep),), times=times)), machine=machine) == outcome
