"""Each rule with a finding, matched whole."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from math import radians
from typing import Any

import pytest

from sequencer.check import CheckFailed, Examination, check, examine
from sequencer.machine.actuator import Actuator, Motor
from sequencer.machine.condition import Condition
from sequencer.machine.interlock import KeepOut, MustStay
from sequencer.machine.machine import Machine
from sequencer.places import Place
from sequencer.routine.parameters import NumberParameter, PresetParameter
from sequencer.routine.routine import Routine, Waiver
from sequencer.routine.steps import (
    After,
    At,
    Branch,
    By,
    Choose,
    Drive,
    Flick,
    Move,
    Passing,
    Perform,
    Press,
    Pulse,
    Repeat,
    Step,
    Timeout,
    Wait,
    With,
)
from sequencer.units import CURRENT, LENGTH, TIME

SECOND = 1_000_000_000
HALF = Timeout("planned", SECOND // 2)
Say = Callable[[str], Condition]
MakeMachine = Callable[..., Machine]


def lift(place: float | str) -> Move:
    return Move((("lift", At(place)),))


def wrist(degrees: float) -> Move:
    return Move((("wrist", At(radians(degrees))),))


def examined(machine: Machine, *steps: Step, start: str = "carry", **fields: Any) -> Examination:
    return examine(Routine("r", machine, steps, start, **{"default_timeout": HALF, **fields}))


def said(examination: Examination, rule: str) -> list[str]:
    return [
        f"{one.severity}: {one.step}: {one.message} | {one.hint}" for one in examination.findings if one.rule == rule
    ]


def test_moving_down_beside_a_low_lift_is_a_conflict_with_the_line_that_mends_it(hand: Machine) -> None:
    place = Place("tuck.routine.yaml", 7, 3)
    examination = examined(hand, Step("raise", lift(0.6)), Step("tuck", wrist(-60.0), With("raise"), place=place))
    assert examination.verdict == "conflict"
    assert examination.checked is None
    assert said(examination, "keep_out") == [
        "error: raise: low_tuck (the hand meets the bumper): 'raise' moves lift within 0.092 m to 0.6 m while 'tuck' "
        "moves wrist within -60 deg to 92 deg; so lift at 0.146 m and wrist at -50 deg can come together | "
        "this line mends it: tuck: once: lift > 0.26 m"
    ]


def test_the_line_that_mends_it_does(hand: Machine, say: Say) -> None:
    examination = examined(
        hand, Step("raise", lift(0.6)), Step("tuck", wrist(-60.0), With("raise"), once=say("lift > 0.26 m"))
    )
    assert (examination.verdict, examination.findings) == ("clear", ())
    assert examination.checked is not None


@pytest.mark.parametrize(("threshold", "verdict"), [(0.24, "conflict"), (0.25, "conflict"), (0.2501, "clear")])
def test_a_gate_must_lie_beyond_the_box_and_the_tracking_band(
    hand: Machine, say: Say, threshold: float, verdict: str
) -> None:
    gate = say(f"lift > {threshold} m")
    found = examined(hand, Step("raise", lift(0.6)), Step("tuck", wrist(-60.0), With("raise"), once=gate))
    assert found.verdict == verdict


def test_a_gate_does_not_help_once_the_other_axis_may_go_back(hand: Machine, say: Say) -> None:
    examination = examined(
        hand,
        Step("raise", lift(0.6)),
        Step("tuck", wrist(-60.0), With("raise"), once=say("lift > 0.4 m")),
        Step("lower", lift(0.1), After(("raise",))),
        Step("out", wrist(90.0), After(("tuck",))),
    )
    assert [finding.rule for finding in examination.findings] == ["keep_out"] * len(examination.findings)
    assert any("'lower' moves lift within 0.1 m to 0.6 m" in finding.message for finding in examination.findings)


def test_one_after_the_other_is_clear_and_the_wrong_order_is_not(hand: Machine) -> None:
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


def test_one_step_that_moves_both_axes_through_a_box_is_told_to_be_split(hand: Machine) -> None:
    examination = examined(hand, Step("dive", Move(preset="stow")), start="high_tuck")
    assert examination.findings[0].hint == (
        "move its axes in steps of their own, so that one can wait for the other (after, or once)"
    )


def test_the_plan_says_when_it_would_happen(hand: Machine) -> None:
    punctual = examined(hand, Step("tuck", wrist(-60.0))).findings[0]
    late = examined(hand, Step("raise", lift(1.1)), Step("tuck", wrist(-41.0), With("raise"))).findings[0]
    assert punctual.begin is not None
    assert punctual.until is not None
    assert 0.0 < punctual.begin < punctual.until
    assert (late.begin, late.until) == (None, None)


def test_where_a_step_may_end_early_its_axis_may_be_anywhere_on_its_way(hand: Machine, say: Say) -> None:
    steps = (Step("up", lift(0.6)), Step("tuck", wrist(-60.0)), Step("untuck", wrist(80.0)), Step("down", lift(0.1)))
    assert examined(hand, *steps).verdict == "clear"
    early = replace(steps[2], until=say("cover_closed"))
    assert examined(hand, *steps[:2], early, steps[3]).findings[0].message == (
        "low_tuck (the hand meets the bumper): 'down' moves lift within 0.1 m to 0.6 m while wrist may rest at "
        "-60 deg to 80 deg after 'untuck'; so lift at 0.15 m and wrist at -50 deg can come together"
    )


def test_a_flick_counts_with_its_longest_run_up(hand: Machine) -> None:
    # At 6.6 rad/s the run-up from rest needs more than the 20 deg that lie between start and `through`.
    flick = Step("flick", Flick("wrist", radians(10.0), radians(380.0), radians(60.0)))
    far = KeepOut("behind", (("lift", (0.0, 0.5)), ("wrist", (radians(-60.0), radians(-25.0)))))
    near = KeepOut("behind", (("lift", (0.0, 0.5)), ("wrist", (radians(-95.0), radians(-60.0)))))
    approach = Step("approach", wrist(-10.0))
    for rule, verdict in ((far, "conflict"), (near, "clear")):
        assert examined(replace(hand, interlocks=(rule,)), approach, flick).verdict == verdict


def test_a_press_may_end_anywhere_on_its_way(make_machine: MakeMachine, say: Say) -> None:
    rule = KeepOut("shelf", (("lift", (0.5, 0.6)), ("wrist", (radians(20.0), radians(30.0)))))
    steps = (
        Step("lean", Press("wrist", 5.0, radians(0.0)), until=say("wrist.speed < 5 deg/s")),
        Step("up", lift(1.0)),
    )
    assert examined(make_machine(rule), *steps).findings[0].message == (
        "shelf: 'up' moves lift within 0.092 m to 1 m while wrist may rest at 0 deg to 92 deg after 'lean'; "
        "so lift at 0.55 m and wrist at 25 deg can come together"
    )


def test_a_keep_out_with_a_case_is_left_aside_where_the_step_excludes_the_case(
    make_machine: MakeMachine, say: Say
) -> None:
    box = (("lift", (0.0, 0.2)), ("wrist", (radians(-95.0), radians(-40.0))))
    machine = make_machine(KeepOut("full", box, when=say("piece is lantern")))
    tuck, untuck = Step("tuck", wrist(-60.0)), Step("untuck", wrist(80.0))
    assert examined(machine, tuck, untuck).findings[0].message == (
        "full: 'tuck' moves wrist within -60 deg to 92 deg while lift may stand at 0.092 m to 0.108 m from the start; "
        "so wrist at -50 deg and lift at 0.1 m can come together while piece is lantern"
    )
    empty = say("piece is none")
    guarded = examined(machine, replace(tuck, must_stay=empty), replace(untuck, must_stay=empty))
    # While it moves the piece is none; while it rests there, a lantern may come.
    assert [finding.message.partition(";")[0] for finding in guarded.findings] == [
        "full: wrist may rest at -60 deg after 'tuck' while lift may stand at 0.092 m to 0.108 m from the start"
    ]
    passing = examined(machine, Step("swing", wrist(-20.0), must_stay=empty))
    assert passing.verdict == "clear"


def test_a_box_of_one_axis_is_kept_out_of_too(make_machine: MakeMachine) -> None:
    machine = make_machine(KeepOut("shelf", (("lift", (0.5, 0.6)),), "there is a shelf"))
    assert said(examined(machine, Step("up", lift(0.7))), "keep_out") == [
        "error: up: shelf (there is a shelf): 'up' moves lift within 0.092 m to 0.7 m; so lift at 0.55 m can come "
        "together | no single gate mends it; the steps need another order, or another way"
    ]
    assert examined(machine, Step("up", lift(0.449))).verdict == "clear"


def test_starting_inside_a_keep_out_is_found_before_anything_moves(hand: Machine) -> None:
    examination = examined(hand, Step("stay", Wait(), duration=SECOND), start="pond")
    assert said(examination, "start_region") == [
        "error: None: 'r' starts from pond, which lies in low_tuck (the hand meets the bumper), tolerances and "
        "tracking counted | start from another preset"
    ]


def test_from_anywhere_only_starts_outside_the_boxes_count(hand: Machine) -> None:
    assert examined(hand, Step("up", lift(1.0)), start="anywhere").verdict == "clear"
    assert examined(hand, Step("down", lift(0.0)), start="anywhere").verdict == "conflict"
    everything = KeepOut("all", (("lift", (0.0, 1.18)),))
    nowhere = examined(replace(hand, interlocks=(everything,)), Step("up", lift(1.0)), start="anywhere")
    assert said(nowhere, "start_region") == [
        "error: None: 'r' can start nowhere: the keep-outs cover the whole travel, tracking counted | "
        "make the keep-outs smaller"
    ]


def test_choices_of_a_preset_are_judged_one_by_one(make_machine: MakeMachine) -> None:
    # Eaves is 0.8 m and 10 deg, ridge 1.1 m and 20 deg: the box lies at the lift of one and the wrist of the other.
    machine = make_machine(KeepOut("crossed", (("lift", (1.0, 1.18)), ("wrist", (radians(8.0), radians(12.0))))))
    spot = {"spot": PresetParameter("spot", "ridge", ("eaves", "ridge"))}
    steps = (Step("turn", Move((("wrist", At("spot")),))), Step("up", lift("spot")))
    assert examined(machine, *steps, parameters=spot).verdict == "clear"


def test_branches_of_a_choose_exclude_each_other_and_repeats_come_round(hand: Machine, say: Say) -> None:
    tucked = (Step("up", lift(0.6)), Step("tuck", wrist(-60.0)), Step("untuck", wrist(80.0)))
    low = (Step("low", lift(0.05)),)
    chosen = Step("which", Choose((Branch(say("cover_closed"), tucked),), low))
    assert examined(hand, chosen).verdict == "clear"
    once_more = Step("twice", Repeat((Step("low", lift(0.05)), *tucked[:2]), times=2.0))
    assert examined(hand, once_more).findings[0].message == (
        "low_tuck (the hand meets the bumper): 'low' moves lift within 0.05 m to 0.6 m while wrist may rest at -60 deg "
        "after 'tuck'; so lift at 0.125 m and wrist at -60 deg can come together"
    )


def test_a_performed_routine_is_judged_in_its_place(hand: Machine) -> None:
    inner = Routine("tucking", hand, (Step("tuck", wrist(-60.0)),), default_timeout=HALF)
    perform = Step("fold", Perform("tucking"))
    assert examined(hand, Step("up", lift(0.6)), perform, subroutines={"tucking": inner}).verdict == "clear"
    assert examined(hand, perform, subroutines={"tucking": inner}).findings[0].step == "fold/tuck"


def test_a_gate_on_an_axis_that_never_gets_there_is_found(hand: Machine, say: Say) -> None:
    turn = Step("turn", wrist(20.0), With("raise"), once=say("lift > 0.7 m"))
    examination = examined(hand, Step("raise", lift(0.6)), turn)
    assert said(examination, "gate") == [
        "error: turn: the gate of 'turn' (lift > 0.7 m) never opens: lift stands between 0.092 m and 0.108 m then, and "
        "no step that runs beside it takes it above 0.7 m | start a step beside it that moves lift there, or move the "
        "gate"
    ]


def test_steps_that_wait_for_each_others_motion_are_found(hand: Machine, say: Say) -> None:
    examination = examined(
        hand,
        Step("raise", lift(0.6), once=say("wrist < 60 deg")),
        Step("turn", wrist(20.0), With("raise"), once=say("lift > 0.4 m")),
    )
    assert said(examination, "gate") == [
        "error: raise: 'raise', which waits for 'turn', which waits for 'raise': none of their gates can open | "
        "take one of the gates away, or let one of the steps follow another (after)"
    ]


def test_a_required_condition_that_the_routine_itself_makes_false_is_found(make_machine: MakeMachine, say: Say) -> None:
    machine = make_machine(MustStay("level", say("wrist > 30 deg"), ("lift",)))
    steps = (Step("turn", wrist(20.0)), Step("raise", lift(0.6)))
    assert said(examined(machine, *steps), "required") == [
        "error: raise: 'raise' needs level (wrist > 30 deg) to stay true, tracking counted, but 'turn' may have wrist "
        "at 20 deg then | order the steps so that it holds, or gate the step on it (once)"
    ]
    assert examined(machine, *reversed(steps)).verdict == "clear"


def test_conditions_of_a_step_that_exclude_each_other_are_found(hand: Machine, say: Say) -> None:
    step = Step("up", lift(0.6), once=say("piece is lantern"), must_stay=say("piece is none and cover_closed"))
    assert said(examined(hand, step), "required") == [
        "error: up: 'up' can never move: must_stay (piece is none and cover_closed) and once (piece is lantern) are "
        "never both true | change one of the two"
    ]


def test_a_relative_goal_beyond_the_travel_is_found(hand: Machine) -> None:
    steps = (Step("up", lift(1.1)), Step("more", Move((("lift", By(0.1)),))))
    assert said(examined(hand, *steps), "travel") == [
        "error: more: 'more' may take lift to 1.2 m; its travel is 0 m to 1.18 m | give a goal inside the travel"
    ]
    creeping = Step("creep", Repeat((Step("more", Move((("lift", By(0.1)),))),), times=20.0))
    assert examined(hand, creeping).findings[0].rule == "travel"


def test_a_press_stronger_than_its_actuators_and_a_pulse_faster_than_its_axis_are_found(
    hand: Machine, say: Say
) -> None:
    motor = Motor("small", 12.0, 1.0, 50.0, 600.0)
    axes = {
        **hand.axes,
        "wrist": replace(hand.axes["wrist"], actuators=(Actuator("a", motor, 50.0, winding_limit=20.0),)),
    }
    examination = examined(
        replace(hand, axes=axes),
        Step("lean", Press("wrist", "lean", 0.0), until=say("wrist.speed < 5 deg/s")),
        Step("spin", Pulse((Drive("rollers", 700.0, "speed"),)), duration=SECOND),
        parameters={"lean": NumberParameter("lean", 14.0, CURRENT, (6.0, 22.0))},
    )
    assert said(examination, "limits") == [
        "error: lean: 'lean' presses with up to 22 A; the actuators of wrist in service may draw 20 A together | "
        "lower the effort, or its range",
        "error: spin: 'spin' drives rollers at 4.011e+04 deg/s; its limits are -3.438e+04 deg/s to 3.438e+04 deg/s | "
        "lower the speed, or its range",
    ]


def test_timeouts_shorter_than_the_plan_or_left_out_are_named(hand: Machine, say: Say) -> None:
    examination = examined(
        hand,
        Step("up", lift(1.1), timeout=Timeout("fixed", SECOND // 2)),
        Step("away", Wait(say("range_to_hook > 0.5 m")), timeout=Timeout("none")),
        Step("back", lift(0.1), on_timeout="retreat"),
        Step("short", Wait(), duration=1_000_000),
        subroutines={"retreat": Routine("retreat", hand, (Step("down", lift(0.0)),), "stow", default_timeout=HALF)},
    )
    assert examination.verdict == "invalid"
    assert said(examination, "timeouts") == [
        "error: up: 'up' takes up to 0.9739 s in the plan; its timeout is 0.5 s | "
        "write timeout: planned + a reserve, such as planned + 0.5 s",
        "warning: back: 'back' falls back on 'retreat', which starts from stow only; where the machine stands after a "
        "timeout, it may be refused | let 'retreat' start from: anywhere",
        "warning: short: 'for' of 'short' is 0.001 s, shorter than a tick (0.02 s); it lasts one tick | ",
        "note: away: 'away' has no timeout and may wait for ever for: range_to_hook > 0.5 m | ",
    ]


def test_a_flick_that_some_parameter_makes_impossible_is_found(hand: Machine) -> None:
    speed = NumberParameter("pace", radians(300.0), (0, 0, -1, 0, 1), (radians(200.0), radians(390.0)))
    flick = Step("flick", Flick("wrist", radians(-85.0), "pace", radians(60.0)))
    examination = examined(hand, Step("up", lift(0.6)), Step("turn", wrist(-90.0)), flick, parameters={"pace": speed})
    finding = next(one for one in examination.findings if one.rule == "parameter_range")
    assert finding.message.startswith("'flick' cannot move as it says: wrist: The run-up reaches -")
    assert examination.plan is None


def test_a_lead_longer_than_the_run_up_is_found_over_the_whole_range(hand: Machine) -> None:
    lead = NumberParameter("early", 0.03, TIME, (0.0, 0.6))
    examination = examined(
        hand,
        Step("flick", Flick("wrist", radians(60.0), radians(200.0), radians(110.0))),
        Step(
            "let_go", Pulse((Drive("rollers", -6.0, "voltage"),)), Passing("flick", lead="early"), duration=SECOND // 10
        ),
        parameters={"early": lead},
    )
    finding = next(one for one in examination.findings if one.rule == "parameter_range")
    assert finding.message.startswith("'let_go' leads by up to 0.6 s, and 'flick' passes the place only 0.")
    assert finding.found == 0.6
    assert finding.allowed is not None
    assert 0.0 < finding.allowed < 0.6


def test_what_loading_refuses_is_invalid_here_too(hand: Machine) -> None:
    overlapping = examined(hand, Step("a", lift(0.6)), Step("b", lift(0.2), With("a")))
    assert overlapping.verdict == "invalid"
    assert [finding.rule for finding in overlapping.findings] == ["ownership"]
    unreferenced = examined(hand, Step("a", lift(0.6), After(("nobody",))))
    assert (unreferenced.verdict, unreferenced.plan, unreferenced.checked) == ("invalid", None, None)


def test_a_waived_finding_is_listed_and_lets_the_routine_pass(hand: Machine) -> None:
    steps = (Step("tuck", wrist(-60.0)), Step("untuck", wrist(90.0)))
    waivers = (Waiver("keep_out", "tuck", "tried by hand"), Waiver("keep_out", "untuck", "tried by hand"))
    examination = examined(hand, *steps, waivers=waivers)
    assert examination.verdict == "clear"
    assert [(one.step, one.waived) for one in examination.findings] == [
        ("tuck", "tried by hand"),
        ("untuck", "tried by hand"),
    ]
    assert examination.checked is not None
    assert examination.checked.routine["waived"] == [
        {"rule": "keep_out", "step": "tuck", "because": "tried by hand"},
        {"rule": "keep_out", "step": "untuck", "because": "tried by hand"},
    ]
    data = examination.as_json()["findings"][0]
    assert data["severity"] == "note"
    assert data["message"].endswith("can come together (waived: tried by hand)")


def test_a_waiver_that_fits_nothing_is_a_warning_and_binds_no_lower_than_it_says(hand: Machine) -> None:
    examination = examined(hand, Step("up", lift(0.6)), waivers=(Waiver("travel", "up", "old"),))
    assert examination.verdict == "clear"
    assert said(examination, "waivers") == [
        "warning: up: the waiver for travel of 'up' (old) fits no finding | "
        "take it out, so that it does not hide a new finding"
    ]


def test_what_makes_a_routine_invalid_cannot_be_waived(hand: Machine) -> None:
    steps = (Step("a", lift(0.6)), Step("b", lift(0.2), With("a")))
    assert examined(hand, *steps, waivers=(Waiver("ownership", None, "please"),)).verdict == "invalid"


def test_check_raises_with_all_findings_and_the_verdict(hand: Machine) -> None:
    routine = Routine("r", hand, (Step("tuck", wrist(-60.0)),), "carry", default_timeout=HALF)
    with pytest.raises(CheckFailed) as refused:
        check(routine)
    assert refused.value.verdict == "conflict"
    assert [finding.id for finding in refused.value.findings] == ["keep_out:tuck"]
    assert str(refused.value) == (
        "'r' is not checked: conflict, 1 finding refuses it\n"
        "(in Python): error: low_tuck (the hand meets the bumper): 'tuck' moves wrist within -60 deg to 92 deg while "
        "lift may stand at 0.092 m to 0.108 m from the start; so wrist at -50 deg and lift at 0.1 m can come together; "
        "it ends in there, so no gate mends it; give another goal, or move the other axis out of the way first"
    )
    assert check(routine, waive=[Waiver("keep_out", None, "tried")]).name == "r"


def test_the_verdict_says_what_it_assumes(hand: Machine) -> None:
    height = {"height": NumberParameter("height", 0.6, LENGTH, (0.5, 0.9))}
    examination = examined(hand, Step("up", lift("height")), parameters=height)
    assert examination.assumes == (
        "keep-outs declared: low_tuck",
        "each axis follows its orders within: lift 0.05 m",
        "it starts from carry within its position tolerances; the runner refuses other starts",
        "height is between 0.5 m and 0.9 m",
        "axes that no step moves stay where they are",
        "readings are true and axes are zeroed",
        "the supervisor is on",
        "no bodies declared; not judged: clearance between mechanisms",
        "not judged: whether the actuators can follow",
    )
    assert examination.checked is not None
    assert examination.checked.assumes == examination.assumes


def test_the_data_for_other_programs_has_the_agreed_entries(hand: Machine, say: Say) -> None:
    place = Place("a.routine.yaml", 4, 3)
    data = examined(
        hand,
        Step("raise", lift(1.0)),
        Step("turn", wrist(20.0), With("raise")),
        Step("away", Wait(say("range_to_hook > 0.5 m")), timeout=Timeout("none"), place=place),
    ).as_json()
    assert list(data) == [
        "verdict",
        "assumes",
        "duration",
        "findings",
        "steps",
        "critical",
        "clearance",
    ]
    assert (data["verdict"], data["critical"], data["clearance"]) == ("clear", ["raise", "away"], None)
    assert data["findings"] == [
        {
            "id": "timeouts:away",
            "rule": "timeouts",
            "severity": "note",
            "file": "a.routine.yaml",
            "line": 4,
            "column": 3,
            "step": "away",
            "message": "'away' has no timeout and may wait for ever for: range_to_hook > 0.5 m",
            "hint": None,
            "from": None,
            "until": None,
        }
    ]
    assert [(step["name"], step["slack"] > 0.1) for step in data["steps"]] == [
        ("raise", False),
        ("turn", True),
        ("away", False),
    ]
