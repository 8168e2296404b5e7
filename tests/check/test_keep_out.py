"""The keep-out rule and the start: what is found, matched whole, and what is clear."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from math import radians

import pytest

from sequencer.check import Examination
from sequencer.machine.condition import Condition
from sequencer.machine.interlock import KeepOut
from sequencer.machine.machine import Machine, Preset
from sequencer.places import Place
from sequencer.routine.parameters import PresetParameter
from sequencer.routine.routine import Routine
from sequencer.routine.steps import (
    After,
    At,
    Branch,
    Choose,
    Flick,
    Move,
    Perform,
    Press,
    Repeat,
    Step,
    Timeout,
    Wait,
    With,
)

SECOND = 1_000_000_000
HALF = Timeout("planned", SECOND // 2)
Say = Callable[[str], Condition]
MakeMachine = Callable[..., Machine]
Examined = Callable[..., Examination]
Said = Callable[[Examination, str], list[str]]


def lift(place: float | str) -> Move:
    return Move((("lift", At(place)),))


def wrist(degrees: float) -> Move:
    return Move((("wrist", At(radians(degrees))),))


def test_moving_down_beside_a_low_lift_is_a_conflict_with_the_line_that_mends_it(
    hand: Machine, examined: Examined, said: Said
) -> None:
    place = Place("tuck.routine.yaml", 7, 3)
    examination = examined(hand, Step("raise", lift(0.6)), Step("tuck", wrist(-60.0), With("raise"), place=place))
    assert examination.verdict == "conflict"
    assert examination.checked is None
    assert said(examination, "keep_out") == [
        "error: raise: low_tuck (the hand meets the bumper): 'raise' moves lift within 0.092 m to 0.6 m while 'tuck' "
        "moves wrist within -60 deg to 92 deg; so lift at 0.146 m and wrist at -50 deg can come together | "
        "this line mends it: tuck: once: lift > 0.26 m"
    ]


def test_one_line_serves_all_boxes_that_ask_a_step_to_wait_for_the_same_axis(
    hand: Machine, examined: Examined, said: Said
) -> None:
    taller = KeepOut("low_piece", (("lift", (0.0, 0.3)), ("wrist", (radians(-95.0), radians(-40.0)))))
    machine = replace(hand, interlocks=(*hand.interlocks, taller))
    steps = Step("raise", lift(0.6)), Step("tuck", wrist(-60.0), With("raise"))
    hints = {line.rpartition(" | ")[2] for line in said(examined(machine, *steps), "keep_out")}
    assert hints == {"this line mends it: tuck: once: lift > 0.36 m"}


def test_the_line_that_mends_it_does(hand: Machine, say: Say, examined: Examined) -> None:
    examination = examined(
        hand, Step("raise", lift(0.6)), Step("tuck", wrist(-60.0), With("raise"), once=say("lift > 0.26 m"))
    )
    assert (examination.verdict, examination.findings) == ("clear", ())
    assert examination.checked is not None


@pytest.mark.parametrize(("threshold", "verdict"), [(0.24, "conflict"), (0.25, "conflict"), (0.2501, "clear")])
def test_a_gate_must_lie_beyond_the_box_and_the_tracking_band(
    hand: Machine, say: Say, threshold: float, verdict: str, examined: Examined
) -> None:
    gate = say(f"lift > {threshold} m")
    found = examined(hand, Step("raise", lift(0.6)), Step("tuck", wrist(-60.0), With("raise"), once=gate))
    assert found.verdict == verdict


def test_the_line_that_mends_the_way_down_waits_until_the_other_axis_is_below(
    hand: Machine, say: Say, examined: Examined, said: Said
) -> None:
    """The wrist turns in under an eave that the lift leaves downwards; the gate is rounded outwards, two bands off."""
    eave = KeepOut("eave", (("lift", (0.7, 1.18)), ("wrist", (radians(-20.0), radians(40.0)))))
    high = Preset("high", {"lift": 1.1, "wrist": radians(90.0)})
    machine = replace(hand, interlocks=(eave,), presets={**hand.presets, "high": high})
    steps = Step("lower", lift(0.2)), Step("turn", wrist(0.0), With("lower"))
    (line,) = said(examined(machine, *steps, start="high"), "keep_out")
    assert line.endswith("this line mends it: turn: once: lift < 0.64 m")
    mended = steps[0], replace(steps[1], once=say("lift < 0.64 m"))
    assert examined(machine, *mended, start="high").verdict == "clear"


def test_a_gate_does_not_help_once_the_other_axis_may_go_back(
    hand: Machine, say: Say, examined: Examined, said: Said
) -> None:
    examination = examined(
        hand,
        Step("raise", lift(0.6)),
        Step("tuck", wrist(-60.0), With("raise"), once=say("lift > 0.4 m")),
        Step("lower", lift(0.1), After(("raise",))),
        Step("out", wrist(90.0), After(("tuck",))),
    )
    assert said(examination, "keep_out")[0] == (
        "error: tuck: low_tuck (the hand meets the bumper): 'tuck' moves wrist within -60 deg to 92 deg while 'lower' "
        "moves lift within 0.1 m to 0.6 m; so wrist at -50 deg and lift at 0.15 m can come together | "
        "it ends in there, so no gate mends it; give another goal, or move the other axis out of the way first"
    )


def test_an_axis_rests_where_it_is_until_its_gate_opens(
    make_machine: MakeMachine, say: Say, examined: Examined, said: Said
) -> None:
    # While the lift passes the shelf, the wrist still waits for it to be above.
    shelf = KeepOut("shelf", (("lift", (0.3, 0.5)), ("wrist", (radians(60.0), radians(120.0)))))
    waiting = Step("turn", wrist(20.0), once=say("lift > 0.7 m"))
    examination = examined(make_machine(shelf), waiting, Step("raise", lift(1.0), With("turn")))
    assert [text.partition(";")[0] for text in said(examination, "keep_out")] == [
        "error: raise: shelf: 'raise' moves lift within 0.092 m to 1 m while wrist may stand at 88 deg to 92 deg from "
        "the start"
    ]


def test_one_after_the_other_is_clear_and_the_wrong_order_is_not(hand: Machine, examined: Examined, said: Said) -> None:
    up, tuck = Step("up", lift(0.6)), Step("tuck", wrist(-60.0))
    assert examined(hand, up, tuck).verdict == "clear"
    examination = examined(hand, tuck, up)
    assert said(examination, "keep_out") == [
        "error: tuck: low_tuck (the hand meets the bumper): 'tuck' moves wrist within -60 deg to 92 deg while lift may "
        "stand at 0.092 m to 0.108 m from the start; so wrist at -50 deg and lift at 0.1 m can come together | "
        "it ends in there, so no gate mends it; give another goal, or move the other axis out of the way first",
        "error: up: low_tuck (the hand meets the bumper): 'up' moves lift within 0.092 m to 0.6 m while wrist may rest "
        "at -60 deg after 'tuck'; so lift at 0.146 m and wrist at -60 deg can come together | "
        "no single gate mends it; the steps need another order, or another way",
    ]


def test_one_step_that_moves_both_axes_through_a_box_is_told_to_be_split(hand: Machine, examined: Examined) -> None:
    examination = examined(hand, Step("dive", Move(preset="stow")), start="high_tuck")
    assert examination.findings[0].hint == (
        "move its axes in steps of their own, so that one can wait for the other (after, or once)"
    )


def test_the_plan_says_when_it_would_happen(hand: Machine, examined: Examined) -> None:
    punctual = examined(hand, Step("tuck", wrist(-60.0))).findings[0]
    late = examined(hand, Step("raise", lift(1.1)), Step("tuck", wrist(-41.0), With("raise"))).findings[0]
    assert punctual.begin is not None
    assert punctual.until is not None
    assert 0.0 < punctual.begin < punctual.until
    assert (late.begin, late.until) == (None, None)


def test_where_a_step_may_end_early_its_axis_may_be_anywhere_on_its_way(
    hand: Machine, say: Say, examined: Examined
) -> None:
    steps = (Step("up", lift(0.6)), Step("tuck", wrist(-60.0)), Step("untuck", wrist(80.0)), Step("down", lift(0.1)))
    assert examined(hand, *steps).verdict == "clear"
    early = replace(steps[2], until=say("cover_closed"))
    assert examined(hand, *steps[:2], early, steps[3]).findings[0].message == (
        "low_tuck (the hand meets the bumper): 'down' moves lift within 0.1 m to 0.6 m while wrist may rest at "
        "-60 deg to 80 deg after 'untuck'; so lift at 0.15 m and wrist at -50 deg can come together"
    )


def test_a_flick_counts_with_its_longest_run_up(hand: Machine, examined: Examined) -> None:
    # At 6.6 rad/s the run-up from rest needs more than the 20 deg that lie between start and `through`.
    flick = Step("flick", Flick("wrist", radians(10.0), radians(380.0), radians(60.0)))
    far = KeepOut("behind", (("lift", (0.0, 0.5)), ("wrist", (radians(-60.0), radians(-25.0)))))
    near = KeepOut("behind", (("lift", (0.0, 0.5)), ("wrist", (radians(-95.0), radians(-60.0)))))
    approach = Step("approach", wrist(-10.0))
    for rule, verdict in ((far, "conflict"), (near, "clear")):
        assert examined(replace(hand, interlocks=(rule,)), approach, flick).verdict == verdict


def test_a_press_ends_where_it_is_measured_to_be_which_may_be_beyond_its_bound(
    make_machine: MakeMachine, say: Say, examined: Examined
) -> None:
    """It may be off by the tracking band of 6 degrees when it ends, and again when the next step has it."""

    def verdict(low: float) -> str:
        rule = KeepOut("shelf", (("lift", (0.5, 0.6)), ("wrist", (radians(low - 5.0), radians(low)))))
        lean = Step("lean", Press("wrist", 5.0, radians(0.0)), until=say("wrist.speed < 5 deg/s"))
        return examined(make_machine(rule), lean, Step("up", lift(1.0))).verdict

    assert (verdict(-11.5), verdict(-12.5)) == ("conflict", "clear")


def test_a_press_may_end_anywhere_on_its_way(make_machine: MakeMachine, say: Say, examined: Examined) -> None:
    rule = KeepOut("shelf", (("lift", (0.5, 0.6)), ("wrist", (radians(20.0), radians(30.0)))))
    steps = (
        Step("lean", Press("wrist", 5.0, radians(0.0)), until=say("wrist.speed < 5 deg/s")),
        Step("up", lift(1.0)),
    )
    assert examined(make_machine(rule), *steps).findings[0].message == (
        "shelf: 'up' moves lift within 0.092 m to 1 m while wrist may rest at -6 deg to 98 deg after 'lean'; "
        "so lift at 0.55 m and wrist at 25 deg can come together"
    )


def test_what_must_stay_true_while_a_step_moves_does_not_lift_a_conditional_keep_out(
    make_machine: MakeMachine, say: Say, examined: Examined
) -> None:
    """When it fails, the axis ramps to rest anywhere on its way, and the box holds then."""
    box = (("lift", (0.0, 0.2)), ("wrist", (radians(-50.0), radians(-20.0))))
    machine = make_machine(KeepOut("full", box, when=say("piece is lantern")))
    swing = Step("swing", wrist(-80.0), must_stay=say("piece is none"))
    assert examined(machine, swing).findings[0].message == (
        "full: 'swing' moves wrist within -80 deg to 92 deg while lift may stand at 0.092 m to 0.108 m from the "
        "start; so wrist at -35 deg and lift at 0.1 m can come together while piece is lantern"
    )
    assert examined(machine, replace(swing, body=wrist(-10.0))).verdict == "clear"


def test_a_gate_of_choices_is_put_in_parentheses_when_a_line_adds_to_it(
    hand: Machine, say: Say, examined: Examined, said: Said
) -> None:
    loose = say("lift > 0.1 m or lift > 0.15 m")
    steps = Step("raise", lift(0.6)), Step("tuck", wrist(-60.0), With("raise"), once=loose)
    (line,) = {line.rpartition(" | ")[2] for line in said(examined(hand, *steps), "keep_out")}
    assert line == "this line mends it: tuck: once: (lift > 0.1 m or lift > 0.15 m) and lift > 0.26 m"
    mended = say(line.rpartition("once: ")[2])
    assert examined(hand, steps[0], replace(steps[1], once=mended)).verdict == "clear"


def test_a_box_of_one_axis_is_kept_out_of_too(make_machine: MakeMachine, examined: Examined, said: Said) -> None:
    machine = make_machine(KeepOut("shelf", (("lift", (0.5, 0.6)),), "there is a shelf"))
    assert said(examined(machine, Step("up", lift(0.7))), "keep_out") == [
        "error: up: shelf (there is a shelf): 'up' moves lift within 0.092 m to 0.7 m; so lift at 0.55 m can come "
        "together | no single gate mends it; the steps need another order, or another way"
    ]
    assert examined(machine, Step("up", lift(0.449))).verdict == "clear"


def test_starting_inside_a_keep_out_is_found_before_anything_moves(
    hand: Machine, examined: Examined, said: Said
) -> None:
    examination = examined(hand, Step("stay", Wait(), duration=SECOND), start="pond")
    assert said(examination, "start_region") == [
        "error: None: 'r' starts from pond, which lies in low_tuck (the hand meets the bumper), tolerances and "
        "tracking counted | start from another preset"
    ]


def test_from_anywhere_only_starts_outside_the_boxes_count(hand: Machine, examined: Examined, said: Said) -> None:
    assert examined(hand, Step("up", lift(1.0)), start="anywhere").verdict == "clear"
    assert examined(hand, Step("down", lift(0.0)), start="anywhere").verdict == "conflict"
    everything = KeepOut("all", (("lift", (0.0, 1.18)),))
    nowhere = examined(replace(hand, interlocks=(everything,)), Step("up", lift(1.0)), start="anywhere")
    assert said(nowhere, "start_region") == [
        "error: None: 'r' can start nowhere: the keep-outs cover the whole travel, tracking counted | "
        "make the keep-outs smaller"
    ]


def test_choices_of_a_preset_are_judged_one_by_one(make_machine: MakeMachine, examined: Examined) -> None:
    # Eaves is 0.8 m and 10 deg, ridge 1.1 m and 20 deg: the box lies at the lift of one and the wrist of the other.
    machine = make_machine(KeepOut("crossed", (("lift", (1.0, 1.18)), ("wrist", (radians(8.0), radians(12.0))))))
    spot = {"spot": PresetParameter("spot", "ridge", ("eaves", "ridge"))}
    steps = (Step("turn", Move((("wrist", At("spot")),))), Step("up", lift("spot")))
    assert examined(machine, *steps, parameters=spot).verdict == "clear"


def test_branches_of_a_choose_exclude_each_other_and_repeats_come_round(
    hand: Machine, say: Say, examined: Examined
) -> None:
    tucked = (Step("up", lift(0.6)), Step("tuck", wrist(-60.0)), Step("untuck", wrist(80.0)))
    low = (Step("low", lift(0.05)),)
    chosen = Step("which", Choose((Branch(say("cover_closed"), tucked),), low))
    assert examined(hand, chosen).verdict == "clear"
    once_more = Step("twice", Repeat((Step("low", lift(0.05)), *tucked[:2]), times=2.0))
    assert examined(hand, once_more).findings[0].message == (
        "low_tuck (the hand meets the bumper): 'low' moves lift within 0.05 m to 0.6 m while wrist may rest at -60 deg "
        "after 'tuck'; so lift at 0.125 m and wrist at -60 deg can come together"
    )


def test_a_performed_routine_is_judged_in_its_place(hand: Machine, examined: Examined) -> None:
    inner = Routine("tucking", hand, (Step("tuck", wrist(-60.0)),), default_timeout=HALF)
    perform = Step("fold", Perform("tucking"))
    assert examined(hand, Step("up", lift(0.6)), perform, subroutines={"tucking": inner}).verdict == "clear"
    assert examined(hand, perform, subroutines={"tucking": inner}).findings[0].step == "fold/tuck"


def test_a_preset_in_a_box_is_an_error_where_the_routine_goes_there(
    hand: Machine, examined: Examined, said: Said
) -> None:
    refusal = (
        "error: None: the preset 'pond' lies in low_tuck (the hand meets the bumper) | move the preset, or change "
        "the box"
    )
    there = examined(hand, Step("tuck", Move((("wrist", At("pond")),))))
    assert refusal in said(there, "keep_out")
    assert refusal not in said(examined(hand, Step("tuck", Move((("wrist", At(radians(70.0))),)))), "keep_out")
