"""All products of phases that are looked at, listed whole for small routines: none is missing and none is too many."""

from __future__ import annotations

from dataclasses import replace

import pytest
from crossing import condition, crossing, to, verdict
from random_world import BEAM

from sequencer.check.gating import Gating
from sequencer.check.order import Order
from sequencer.check.phases import phases_of
from sequencer.check.scenarios import scenarios_of
from sequencer.check.spans import Span
from sequencer.check.together import EVERYWHERE, Part, Together
from sequencer.machine.machine import Preset
from sequencer.plan.resolve import flatten
from sequencer.routine.routine import Routine
from sequencer.routine.steps import After, At, Branch, Choose, Move, Repeat, Step, Timeout, Wait, With

TOLERANCE = 0.005


def listed(*steps: Step, spans: dict[str, Span] | None = None, start: str = "low") -> set[str]:
    """Each product as 'step>axis' where a step moves an axis and 'step.axis' where it has left it ('.' from the
    start)."""
    order = Order(flatten(Routine("r", crossing(), steps, start, default_timeout=Timeout("none"))))
    phases = phases_of(order, scenarios_of(order.flat)[0])
    counted = spans or {"along": EVERYWHERE, "across": EVERYWHERE}

    def word(part: Part) -> str:
        name = "" if part.number < 0 else order.occurrences[part.number].name
        return f"{name}{'>' if part.moving else '.'}{part.axis}"

    found = [
        " ".join(sorted(map(word, meeting.parts), key=lambda text: text.endswith("across")))
        for meeting in Together(phases, Gating(phases, {}), counted).meetings()
    ]
    return set(found)


def both(name: str, along: float, across: float, **fields: object) -> Step:
    return Step(name, Move((("along", At(along)), ("across", At(across)))), **fields)  # type: ignore[arg-type]


def test_one_after_the_other_the_second_axis_rests_where_it_was_and_later_the_first_where_it_went() -> None:
    assert listed(to("a", "along", 0.5), to("b", "across", 0.5)) == {"a>along .across", "a.along b>across"}


def test_side_by_side_each_moves_beside_the_other_and_beside_where_it_rests() -> None:
    steps = to("a", "along", 0.5), to("b", "across", 0.5, start=With("a"))
    # when `b` moves, `a` has begun; when `a` moves, `b` counts as one that may not have yet
    assert listed(*steps) == {"a>along b>across", "a.along b>across", "a>along b.across", "a>along .across"}


def test_what_one_branch_of_a_join_waits_for_may_go_on_beside_what_follows_the_join() -> None:
    """R12: `short` may come first while `go`, which `long` waits for and `short` does not, is still on its way."""
    steps = (
        to("go", "along", 1.0),
        Step("short", Wait(BEAM), With("go")),
        Step("long", Wait(BEAM), After(("go",))),
        to("down", "across", 0.0, start=After(("short", "long"), any=True)),
    )
    assert "go>along down>across" in listed(*steps, start="high")
    assert verdict(*steps, start="high") == "conflict"
    assert verdict(*steps[:3], to("down", "across", 0.0, start=After(("long",))), start="high") == "clear"


def test_a_gate_lets_an_axis_rest_where_it_was_while_the_other_moves() -> None:
    steps = to("a", "along", 0.5), to("b", "across", 0.5, start=With("a"), once=condition("along > 0.3 m"))
    assert listed(*steps) == {"a>along b>across", "a.along b>across", "a>along b.across", "a>along .across"}


def test_steps_that_start_freely_may_have_been_or_not() -> None:
    steps = to("a", "along", 0.5), to("b", "across", 0.5, start=After())
    everything = {"a>along b>across", "a.along b>across", "a>along b.across"}
    assert everything <= listed(*steps) <= everything | {".along b>across", "a>along .across"}


def test_a_step_of_both_axes_moves_both_at_once() -> None:
    steps = both("a", 0.5, 0.5), to("b", "along", 0.2)
    assert listed(*steps) == {"a>along a>across", "b>along a.across"}


def test_a_chain_beside_a_step_meets_it_with_every_link() -> None:
    steps = (
        to("a", "along", 0.5),
        to("b", "across", 0.5, start=With("a")),
        to("c", "across", 0.2, start=After(("b",))),
        to("d", "along", 0.1, start=After(("a", "c"))),
    )
    assert listed(*steps) == {
        "a>along .across",
        "a>along b>across",
        "a>along b.across",
        "a>along c>across",
        "a>along c.across",
        "a.along b>across",
        "a.along c>across",
        "d>along c.across",
    }


def test_after_two_branches_either_may_have_left_the_axis_where_it_stands() -> None:
    """That one of them surely has is not seen: it may stand where it began, too."""
    choose = Step("either", Choose((Branch(BEAM, (to("yes", "across", 0.5),)),), (to("no", "across", 0.2),)))
    assert listed(choose, to("last", "along", 0.5)) == {
        ".along yes>across",
        ".along no>across",
        "last>along yes.across",
        "last>along no.across",
        "last>along .across",
    }


def test_steps_in_other_branches_never_meet() -> None:
    yes = to("yes", "across", 0.5), to("yes2", "along", 0.5)
    no = to("no", "along", 0.2), to("no2", "across", 0.2)
    found = listed(Step("either", Choose((Branch(BEAM, yes),), no)))
    assert found == {".along yes>across", "yes2>along yes.across", "no>along .across", "no.along no2>across"}


def test_a_step_that_may_be_left_out_leaves_the_axis_where_it_was_or_where_it_went() -> None:
    steps = to("a", "across", 0.5, only_if=BEAM), to("b", "along", 0.5)
    assert listed(*steps) == {".along a>across", "b>along a.across", "b>along .across"}


def test_in_a_repeat_what_stands_last_comes_before_what_stands_first() -> None:
    again = Step(
        "again", Repeat((to("up", "across", 0.5), to("go", "along", 0.5), to("down", "across", 0.1)), times=3.0)
    )
    assert listed(again) == {
        ".along up>across",
        "go.along up>across",
        "go>along up.across",
        "go.along down>across",
    }
    assert listed(Step("again", Repeat((to("up", "across", 0.5), to("go", "along", 0.5)), times=1.0))) == {
        ".along up>across",
        "go>along up.across",
    }


def test_where_a_step_may_take_over_the_other_may_have_rested_anywhere() -> None:
    steps = (
        to("a", "along", 0.5),
        to("b", "across", 0.5, start=With("a")),
        to("c", "across", 0.2, start=With("a"), once=condition("along > 0.2 m"), preempt=True),
    )
    assert {"a>along b>across", "a>along c>across", "a>along c.across", "a.along c>across"} <= listed(*steps)


@pytest.mark.parametrize(
    ("along", "across", "found"),
    [
        ((0.6, 0.9), (0.0, 1.0), set()),
        ((0.4, 0.9), (0.6, 1.0), set()),
        ((0.4, 0.9), (0.4, 1.0), {"a>along b>across", "a.along b>across", "a>along b.across"}),
        ((0.1, 0.2), (0.1, 0.2), {"a>along b>across"}),
        ((0.1, 0.2), (0.4, 1.0), {"a>along b>across", "a>along b.across"}),
        ((0.5, 0.6), (0.5, 0.6), {"a>along b>across", "a.along b>across", "a>along b.across"}),
    ],
)
def test_only_phases_whose_spans_count_are_looked_at(along: Span, across: Span, found: set[str]) -> None:
    steps = to("a", "along", 0.5), to("b", "across", 0.5, start=With("a"))
    assert listed(*steps, spans={"along": along, "across": across}) == found


def test_waits_move_nothing_and_meet_nothing() -> None:
    assert listed(Step("w", Wait(), duration=1_000_000_000)) == set()
    steps = (
        to("a", "along", 0.5),
        Step("w", Wait(), With("a"), duration=1_000_000_000),
        to("b", "across", 0.5, start=After(("w",))),
    )
    found = listed(*steps)
    assert "a>along .across" in found
    assert {"a>along b>across", "a.along b>across", "a>along b.across"} <= found


def three(*steps: Step) -> set[str]:
    """The same on a machine with a third slide, `deep`; axes in the order along, across, deep."""
    machine = crossing()
    axes = {**machine.axes, "deep": replace(machine.axes["across"], name="deep")}
    presets = {"low": Preset("low", dict.fromkeys(axes, 0.0))}
    machine = replace(machine, axes=axes, presets=presets, interlocks=())
    order = Order(flatten(Routine("r", machine, steps, "low", default_timeout=Timeout("none"))))
    phases = phases_of(order, scenarios_of(order.flat)[0])
    found = set()
    for parts, _ in Together(phases, Gating(phases, {}), dict.fromkeys(axes, EVERYWHERE)).meetings():
        names = {
            part.axis: ("" if part.number < 0 else order.occurrences[part.number].name) + (">" if part.moving else ".")
            for part in parts
        }
        found.add(" ".join(names[axis] for axis in axes))
    return found


def test_of_three_axes_two_that_rest_or_move_beside_the_third_must_go_together_as_well() -> None:
    """While `c` moves, `b` can only have come to move where `a` is over."""
    steps = (
        to("a", "along", 0.5),
        to("b", "across", 0.5, start=After(("a",))),
        to("c", "deep", 0.5, start=With("a")),
    )
    assert three(*steps) == {
        "a> . c>",
        "a> . c.",
        "a> . .",
        "a. b> c>",
        "a. b> c.",
        "a. b> .",
        "a. . c>",
        "a. b. c>",
    }


def test_beside_a_third_axis_only_one_of_two_branches_has_moved_anything() -> None:
    choose = Step("either", Choose((Branch(BEAM, (to("yes", "across", 0.5),)),), (to("no", "along", 0.5),)))
    assert three(choose, to("c", "deep", 0.5, start=With("either"))) == {
        ". yes> c>",
        ". yes> c.",
        ". yes> .",
        "no> . c>",
        "no> . c.",
        "no> . .",
        ". . c>",
        ". yes. c>",
        "no. . c>",
    }


def test_a_step_takes_all_its_axes_at_once_beside_a_third() -> None:
    steps = to("p", "along", 0.3), both("s", 0.5, 0.5), to("c", "deep", 0.5, start=With("p"))
    assert three(steps[0], replace(steps[1], start=After(("p",))), steps[2]) == {
        "p> . c>",
        "p> . c.",
        "p> . .",
        "s> s> c>",
        "s> s> c.",
        "s> s> .",
        "p. . c>",
        "s. s. c>",
        "s> s. c>",  # one of its axes may come to rest first
        "s. s> c>",
    }


def test_two_steps_in_a_row_of_two_axes_never_move_at_once_beside_a_third() -> None:
    steps = (
        to("a", "along", 0.5),
        to("b", "across", 0.5, start=After(("a",))),
        to("a2", "along", 0.1, start=After(("b",))),
        to("c", "deep", 0.5, start=After()),
    )
    found = {one for one in three(*steps) if one.endswith("c>")}
    assert found == {". . c>", "a> . c>", "a. . c>", "a. b> c>", "a. b. c>", "a2> b. c>", "a2. b. c>"}
