"""What a gate that has opened, and a wait that is over, say of where an axis is from then on."""

from __future__ import annotations

from dataclasses import replace
from math import radians

import pytest
from crossing import SOON, condition, crossed, crossing, to, verdict
from random_world import BEAM

from sequencer.check.gating import Gate, Gating, asked_of
from sequencer.check.order import Order
from sequencer.check.phases import phases_of
from sequencer.check.scenarios import scenarios_of
from sequencer.machine.axis import Mount
from sequencer.machine.body import Body
from sequencer.machine.machine import Machine
from sequencer.plan.resolve import flatten
from sequencer.routine.routine import Routine
from sequencer.routine.steps import After, At, Flick, Move, Press, Repeat, Step, Timeout, Wait, With

from random_world import axes_with  # isort: skip

RISE = to("rise", "across", 1.0)
PASS = to("pass", "along", 1.0, start=After(("wait",)))


def wait(text: str, start: str = "rise", **fields: object) -> Step:
    return Step("wait", Wait(condition(text)), With(start), **fields)  # type: ignore[arg-type]


@pytest.mark.parametrize(("place", "outcome"), [(0.2201, "clear"), (0.2199, "conflict")])
def test_a_gate_must_be_one_band_beyond_a_box(place: float, outcome: str) -> None:
    """A gate opens when all that is ordered lies beyond it; the axis may be off that by 0.02 m."""
    passes = to("pass", "along", 1.0, start=With("rise"), once=condition(f"across > {place} m"))
    assert verdict(RISE, passes) == outcome


@pytest.mark.parametrize(("place", "outcome"), [(0.2401, "clear"), (0.2399, "conflict")])
def test_a_wait_must_be_two_bands_beyond_a_box(place: float, outcome: str) -> None:
    """What it sees is measured: the order may be 0.02 m short of that, and the axis off its order later."""
    assert verdict(RISE, wait(f"across > {place} m"), PASS) == outcome


def slides_with_post() -> Machine:
    """A tip of 6 cm across on crossed slides, and a post from 0.4 to 0.5 m along up to 0.2 m across."""

    def block(left: float, right: float, low: float, high: float) -> Body:
        return Body("", "frame", (((left, low), (right, low), (right, high), (left, high)),))

    tip, post = block(-0.03, 0.03, -0.03, 0.03).parts, block(0.4, 0.5, -0.1, 0.2).parts
    return Machine(
        "crossed slides",
        axes_with(Mount(), Mount("along", direction=radians(90.0))),
        bodies={"tip": Body("tip", "across", tip), "post": Body("post", "frame", post)},
        presets=crossing().presets,
        sensors=crossing().sensors,
    )


@pytest.mark.parametrize(("place", "outcome"), [(0.2505, "clear"), (0.2495, "conflict")])
def test_a_gate_must_be_one_band_beyond_a_body(place: float, outcome: str) -> None:
    passes = to("pass", "along", 1.0, start=With("rise"), once=condition(f"across > {place} m"))
    assert verdict(RISE, passes, machine=slides_with_post()) == outcome


@pytest.mark.parametrize(("place", "outcome"), [(0.2705, "clear"), (0.2695, "conflict")])
def test_a_wait_must_be_two_bands_beyond_a_body(place: float, outcome: str) -> None:
    assert verdict(RISE, wait(f"across > {place} m"), PASS, machine=slides_with_post()) == outcome


def test_a_wait_that_need_not_have_been_fulfilled_says_nothing() -> None:
    far = "across > 0.5 m"
    assert verdict(RISE, wait(far), PASS) == "clear"
    assert verdict(RISE, wait(far, only_if=BEAM), PASS) == "conflict"
    assert verdict(RISE, wait(far, timeout=SOON, on_timeout="continue"), PASS) == "conflict"
    assert verdict(RISE, wait(far, timeout=SOON, retry=1), PASS) == "clear"


def test_a_wait_says_nothing_of_an_axis_that_may_go_back() -> None:
    sinks = to("sink", "across", 0.0, start=After(("rise",)))
    assert verdict(RISE, wait("across > 0.5 m"), PASS, sinks) == "conflict"
    sinks = to("sink", "across", 0.5, start=After(("rise",)))
    assert verdict(RISE, wait("across > 0.4 m"), PASS, sinks) == "clear"


@pytest.mark.parametrize(("place", "outcome"), [(0.0, "conflict"), (0.6, "clear")])
def test_a_wait_says_nothing_while_an_axis_may_still_come_from_elsewhere(place: float, outcome: str) -> None:
    """It comes down through 0.5 m when it is bound up again: the wait is over, and yet it goes on down for a while."""
    down, up = to("down", "across", place, until=BEAM), to("rise", "across", 1.0)
    assert verdict(down, up, wait("across > 0.5 m"), PASS, start="high") == outcome


def test_a_wait_beside_a_press_that_is_over_says_nothing() -> None:
    down, up = Step("down", Press("across", 5.0, 0.0), until=BEAM), to("rise", "across", 1.0)
    assert verdict(down, up, wait("across > 0.5 m"), PASS, start="high") == "conflict"


def test_a_wait_with_a_gate_may_be_over_before_its_gate_opens() -> None:
    gated = Step("wait", Wait(BEAM), With("rise"), once=condition("across > 0.5 m"))
    assert verdict(RISE, gated, PASS) == "conflict"
    timed = Step("wait", Wait(), With("rise"), once=condition("across > 0.5 m"), duration=100_000_000)
    assert verdict(RISE, timed, PASS) == "clear"


CONDITIONS = [
    ("across > 0.3 m", "clear"),
    ("across >= 0.3 m and beam", "clear"),
    ("across > 0.1 m and across > 0.3 m", "clear"),
    ("not across < 0.3 m", "clear"),
    ("not (across < 0.3 m or beam)", "clear"),
    ("not (not across > 0.3 m)", "clear"),
    ("not (across < 0.3 m and across < 0.5 m)", "clear"),
    ("across > 0.3 m or across > 0.5 m", "clear"),
    ("(across > 0.3 m and beam) or (not beam and across > 0.5 m)", "clear"),
    ("across > 0.3 m or across > 0.1 m", "conflict"),
    ("across > 0.3 m or beam", "conflict"),
    ("across > 0.3 m or along > 0.5 m", "conflict"),
    ("not (across < 0.3 m and beam)", "conflict"),
    ("not across > 0.3 m", "conflict"),
    ("across < 0.3 m", "conflict"),
    ("across.ordered > 0.5 m", "conflict"),
    ("across.speed > 0.5 m/s", "conflict"),
]


@pytest.mark.parametrize(("text", "outcome"), CONDITIONS)
def test_what_gates_and_waits_ask_is_what_is_true_whichever_way_they_are_fulfilled(text: str, outcome: str) -> None:
    passes = to("pass", "along", 1.0, start=With("rise"), once=condition(text))
    assert crossed(RISE, passes).verdict == outcome
    assert verdict(RISE, wait(text), PASS) == outcome


@pytest.mark.parametrize(
    ("text", "gates"),
    [
        ("across > 0.3 m and along < 0.2 m", [("across", 1.0, 0.3), ("along", -1.0, 0.2)]),
        ("not (across > 0.3 m or along <= 0.2 m)", [("across", -1.0, 0.3), ("along", 1.0, 0.2)]),
        ("across < 0.3 m or across < 0.5 m", [("across", -1.0, 0.5)]),
        ("(across > 0.3 m and across > 0.4 m) or across > 0.6 m", [("across", 1.0, 0.4)]),
        ("across > 0.3 m or across < 0.1 m", []),
    ],
)
def test_a_condition_asks_at_its_weakest(text: str, gates: list[tuple[str, float, float]]) -> None:
    flat = flatten(Routine("cross", crossing(), (RISE,), "low", default_timeout=Timeout("none")))
    phases = phases_of(Order(flat), scenarios_of(flat)[0])
    assert asked_of(flat.nodes[0], condition(text), phases) == tuple(Gate(*one) for one in gates)


def test_an_order_is_asked_for_only_where_orders_are_meant() -> None:
    flat = flatten(Routine("cross", crossing(), (RISE,), "low", default_timeout=Timeout("none")))
    phases = phases_of(Order(flat), scenarios_of(flat)[0])
    asked = condition("across.ordered > 0.3 m")
    assert asked_of(flat.nodes[0], asked, phases) == ()
    assert asked_of(flat.nodes[0], asked, phases, ordered=True) == (Gate("across", 1.0, 0.3),)


@pytest.mark.parametrize(
    ("gate", "span", "good", "may_open", "cut"),
    [
        (Gate("a", 1.0, 0.5), (0.2, 0.8), False, True, (0.5, 0.8)),
        (Gate("a", 1.0, 0.5), (0.5, 0.8), True, True, (0.5, 0.8)),
        (Gate("a", 1.0, 0.5), (0.6, 0.8), True, True, (0.6, 0.8)),
        (Gate("a", 1.0, 0.5), (0.2, 0.5), False, False, (0.5, 0.5)),
        (Gate("a", 1.0, 0.5), (0.2, 0.4), False, False, (0.5, 0.5)),
        (Gate("a", -1.0, 0.5), (0.2, 0.8), False, True, (0.2, 0.5)),
        (Gate("a", -1.0, 0.5), (0.2, 0.5), True, True, (0.2, 0.5)),
        (Gate("a", -1.0, 0.5), (0.2, 0.4), True, True, (0.2, 0.4)),
        (Gate("a", -1.0, 0.5), (0.5, 0.8), False, False, (0.5, 0.5)),
        (Gate("a", -1.0, 0.5), (0.6, 0.8), False, False, (0.5, 0.5)),
    ],
)
def test_a_gate_leaves_what_lies_on_its_right_side(
    gate: Gate, span: tuple[float, float], good: bool, may_open: bool, cut: tuple[float, float]
) -> None:
    assert gate.good(span) is good
    assert gate.may_open(span) is may_open
    assert gate.cut(span) == cut


def test_an_earlier_gate_counts_for_later_steps_only_if_it_has_surely_opened() -> None:
    aside = to("aside", "along", 0.1, start=With("rise"), once=condition("across > 0.5 m"))
    later = to("pass", "along", 1.0, start=After(("aside",)))
    assert verdict(RISE, aside, later) == "clear"
    given_up = to("aside", "along", 0.1, start=With("rise"), once=condition("across > 0.5 m"), until=BEAM)
    assert verdict(RISE, given_up, later) == "conflict"
    left_out = to("aside", "along", 0.1, start=With("rise"), once=condition("across > 0.5 m"), only_if=BEAM)
    assert verdict(RISE, left_out, later) == "conflict"


def test_a_gate_on_an_axis_that_winds_up_for_a_flick_says_nothing() -> None:
    """A flick from 0.5 m through 0.52 m goes back first; a gate at 0.45 m is open when it begins."""
    flick = Step("flick", Flick("across", 0.52, 0.95, 0.9))
    passes = to("pass", "along", 1.0, start=With("flick"), once=condition("across > 0.45 m"))
    start = to("begin", "across", 0.5)
    machine = crossing(((0.37, 0.47), (0.3, 0.42)))
    assert verdict(start, flick, passes, start="high", machine=machine) == "conflict"
    move = to("flick", "across", 0.9)
    assert verdict(start, move, passes, start="high", machine=machine) == "clear"


def test_gates_say_nothing_after_steps_where_one_may_take_over_from_another() -> None:
    aside = to("aside", "along", 0.1, start=With("rise"), once=condition("across > 0.5 m"))
    later = to("pass", "along", 1.0, start=After(("aside",)))
    pause = Step("pause", Wait(), With("rise"), duration=100_000_000)
    takes = to("sink", "across", 0.9, start=After(("pause",)), preempt=True)
    flat = flatten(Routine("cross", crossing(), (RISE, aside, later, pause, takes), "low"))
    order = Order(flat)
    phases = phases_of(order, scenarios_of(flat)[0])
    one = {occurrence.name: occurrence for occurrence in order.occurrences}
    span = phases.table[one["rise"].number, "across"].whole
    assert Gating(phases, {}).cut_before(one["pass"], "across", one["rise"].number, span) == span


def test_a_gated_step_that_is_given_up_has_either_not_moved_or_moved_beyond_its_gate() -> None:
    """R32: with its gate shut a step rests where it is, and after a timeout the run goes on from there (R24)."""
    passes = to(
        "pass", "along", 1.0, start=With("rise"), once=condition("across > 0.3 m"), timeout=SOON, on_timeout="continue"
    )
    assert verdict(RISE, passes) == "clear"
    assert verdict(RISE, replace(passes, once=condition("across > 0.1 m"))) == "conflict"
    assert verdict(RISE, replace(passes, until=BEAM, on_timeout="fault")) == "clear"
    again = to("sink", "across", 0.0, start=After(("rise", "pass")))
    assert verdict(RISE, passes, again) == "conflict", "it may have been given up above the box"
    back = to("back", "along", 0.0, start=After(("rise", "pass")))
    assert verdict(RISE, passes, back, to("sink", "across", 0.0)) == "clear"


def test_a_step_that_is_given_up_leaves_an_axis_where_the_step_before_it_did() -> None:
    first = to("first", "along", 0.42, start=After(), once=condition("across > 0.3 m"), timeout=SOON, retry=1)
    passes = to("pass", "along", 1.0, once=condition("across > 0.9 m"), timeout=SOON, on_timeout="continue")
    sinks = to("sink", "across", 0.0, start=After(("pass",)))
    assert verdict(RISE, first, passes, sinks) == "conflict"
    assert verdict(RISE, replace(first, body=to("", "along", 0.2).body), replace(passes, once=None)) == "clear"


def test_of_a_step_with_two_axes_that_is_given_up_both_have_moved_or_neither() -> None:
    """R30: a move of several axes starts all or none."""
    body = Move((("along", At(1.0)), ("across", At(0.5))))
    both = Step("both", body, With("wait"), once=condition("across > 0.9 m"), timeout=SOON, on_timeout="continue")
    waits = Step("wait", Wait(BEAM), After(("rise",)))
    assert verdict(RISE, waits, both) == "clear"


def test_the_gate_of_a_block_holds_for_all_that_is_inside() -> None:
    inside = to("pass", "along", 0.2, once=condition("across > 0.1 m")), to("on", "along", 1.0)
    block = Step("block", Repeat(inside, times=2.0), With("rise"), once=condition("across > 0.3 m"), timeout=SOON)
    assert verdict(RISE, block) == "clear"
    assert verdict(RISE, replace(block, on_timeout="continue")) == "clear"
    assert verdict(RISE, replace(block, once=None)) == "conflict"
    assert verdict(RISE, replace(block, once=condition("across > 0.1 m"))) == "conflict"


def test_what_comes_after_a_gated_block_comes_after_its_gate_has_opened() -> None:
    pause = Step("pause", Wait(), duration=100_000_000)
    block = Step("block", Repeat((pause,), times=1.0), With("rise"), once=condition("across > 0.3 m"), timeout=SOON)
    assert verdict(RISE, block, replace(PASS, start=After(("block",)))) == "clear"
    given_up = replace(block, on_timeout="continue")
    assert verdict(RISE, given_up, replace(PASS, start=After(("block",)))) == "conflict"
