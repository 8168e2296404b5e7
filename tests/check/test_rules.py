"""The other rules, each with a finding matched whole, and what the check gives back."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from math import radians

import pytest

from sequencer.check import CheckFailed, Examination, check
from sequencer.machine.actuator import Actuator, Motor
from sequencer.machine.condition import Compare, Condition
from sequencer.machine.interlock import MustStay
from sequencer.machine.machine import Machine
from sequencer.places import Place
from sequencer.routine.parameters import NumberParameter
from sequencer.routine.routine import Routine, Waiver
from sequencer.routine.steps import (
    After,
    At,
    By,
    Drive,
    Flick,
    Move,
    Passing,
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
Examined = Callable[..., Examination]
Said = Callable[[Examination, str], list[str]]


def lift(place: float | str) -> Move:
    return Move((("lift", At(place)),))


def wrist(degrees: float) -> Move:
    return Move((("wrist", At(radians(degrees))),))


def test_a_gate_on_an_axis_that_never_gets_there_is_found(
    hand: Machine, say: Say, examined: Examined, said: Said
) -> None:
    turn = Step("turn", wrist(20.0), With("raise"), once=say("lift > 0.7 m"))
    examination = examined(hand, Step("raise", lift(0.6)), turn)
    assert said(examination, "gate") == [
        "error: turn: the gate of 'turn' (lift > 0.7 m) never opens: lift stands between 0.092 m and 0.108 m then, and "
        "no step that runs beside it takes it above 0.7 m | start a step beside it that moves lift there, or move the "
        "gate"
    ]


def test_a_gate_on_a_pressed_axis_must_lie_beyond_where_it_presses_to(
    hand: Machine, say: Say, examined: Examined, said: Said
) -> None:
    """The effort stays after the press, and so does all that it occupies."""
    push = Step("push", Press("wrist", 5.0, radians(-30.0)), until=say("wrist < 60 deg"))
    away = Step("away", lift(0.6), once=say("wrist > 10 deg"))
    (line,) = said(examined(hand, push, away), "gate")
    assert line.startswith("error: away: the gate of 'away' (wrist > 10 deg) never opens: ")
    assert said(examined(hand, push, replace(away, once=say("wrist < 95 deg"))), "gate") == []


def test_a_gate_that_asks_for_more_than_the_goal_of_the_same_parameter_is_found(
    hand: Machine, examined: Examined, said: Said
) -> None:
    height = NumberParameter("height", 0.5, LENGTH, (0.4, 0.9))
    gate = Condition(Compare("lift", ">", "height", LENGTH))
    turn = Step("turn", wrist(20.0), With("raise"), once=gate)
    steps = Step("raise", lift("height")), turn
    (line,) = said(examined(hand, *steps, parameters={"height": height}), "gate")
    assert line.startswith("error: turn: the gate of 'turn' (lift > height) never opens: ")
    lower = replace(turn, once=Condition(Compare("lift", ">", 0.3, LENGTH)))
    assert said(examined(hand, steps[0], lower, parameters={"height": height}), "gate") == []


def test_steps_that_wait_for_each_others_motion_are_found(
    hand: Machine, say: Say, examined: Examined, said: Said
) -> None:
    examination = examined(
        hand,
        Step("raise", lift(0.6), once=say("wrist < 60 deg")),
        Step("turn", wrist(20.0), With("raise"), once=say("lift > 0.4 m")),
    )
    assert said(examination, "gate") == [
        "error: raise: 'raise', which waits for 'turn', which waits for 'raise': none of their gates can open | "
        "take one of the gates away, or let one of the steps follow another (after)"
    ]


def test_a_required_condition_that_the_routine_itself_makes_false_is_found(
    make_machine: MakeMachine, say: Say, examined: Examined, said: Said
) -> None:
    machine = make_machine(MustStay("level", say("wrist > 30 deg"), ("lift",)))
    steps = (Step("turn", wrist(20.0)), Step("raise", lift(0.6)))
    assert said(examined(machine, *steps), "required") == [
        "error: raise: 'raise' needs level (wrist > 30 deg) to stay true, tracking counted, but 'turn' may have wrist "
        "at 20 deg then | order the steps so that it holds, or gate the step on it (once)"
    ]
    assert examined(machine, *reversed(steps)).verdict == "clear"


def test_conditions_of_a_step_that_exclude_each_other_are_found(
    hand: Machine, say: Say, examined: Examined, said: Said
) -> None:
    step = Step("up", lift(0.6), once=say("piece is lantern"), must_stay=say("piece is none and cover_closed"))
    assert said(examined(hand, step), "required") == [
        "error: up: 'up' can never move: must_stay (piece is none and cover_closed) and once (piece is lantern) are "
        "never both true | change one of the two"
    ]


def test_a_relative_goal_beyond_the_travel_is_found(hand: Machine, examined: Examined, said: Said) -> None:
    steps = (Step("up", lift(1.1)), Step("more", Move((("lift", By(0.1)),))))
    assert said(examined(hand, *steps), "travel") == [
        "error: more: 'more' may take lift to 1.2 m; its travel is 0 m to 1.18 m | give a goal inside the travel"
    ]
    creeping = Step("creep", Repeat((Step("more", Move((("lift", By(0.1)),))),), times=20.0))
    assert examined(hand, creeping).findings[0].rule == "travel"


def test_a_press_stronger_than_its_actuators_and_a_pulse_faster_than_its_axis_are_found(
    hand: Machine, say: Say, examined: Examined, said: Said
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


def test_timeouts_shorter_than_the_plan_or_left_out_are_named(
    hand: Machine, say: Say, examined: Examined, said: Said
) -> None:
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


def test_a_flick_that_some_parameter_makes_impossible_is_found(hand: Machine, examined: Examined) -> None:
    speed = NumberParameter("pace", radians(300.0), (0, 0, -1, 0, 1), (radians(200.0), radians(390.0)))
    flick = Step("flick", Flick("wrist", radians(-85.0), "pace", radians(60.0)))
    examination = examined(hand, Step("up", lift(0.6)), Step("turn", wrist(-90.0)), flick, parameters={"pace": speed})
    finding = next(one for one in examination.findings if one.rule == "parameter_range")
    assert finding.message.startswith("'flick' cannot move as it says: wrist: The run-up reaches -")
    assert examination.plan is None


def test_a_lead_longer_than_the_run_up_is_found_over_the_whole_range(hand: Machine, examined: Examined) -> None:
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


def test_what_loading_refuses_is_invalid_here_too(hand: Machine, examined: Examined) -> None:
    overlapping = examined(hand, Step("a", lift(0.6)), Step("b", lift(0.2), With("a")))
    assert overlapping.verdict == "invalid"
    assert [finding.rule for finding in overlapping.findings] == ["ownership"]
    unreferenced = examined(hand, Step("a", lift(0.6), After(("nobody",))))
    assert (unreferenced.verdict, unreferenced.plan, unreferenced.checked) == ("invalid", None, None)


def test_a_waived_finding_is_listed_and_lets_the_routine_pass(hand: Machine, examined: Examined) -> None:
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


def test_a_waiver_that_fits_nothing_is_a_warning_and_binds_no_lower_than_it_says(
    hand: Machine, examined: Examined, said: Said
) -> None:
    examination = examined(hand, Step("up", lift(0.6)), waivers=(Waiver("travel", "up", "old"),))
    assert examination.verdict == "clear"
    assert said(examination, "waivers") == [
        "warning: up: the waiver for travel of 'up' (old) fits no finding | "
        "take it out, so that it does not hide a new finding"
    ]
    steps = (Step("up", lift(1.1)), Step("more", Move((("lift", By(0.1)),))))
    for down_to, fits in ((1.1, True), (1.3, False)):
        waiver = Waiver("travel", "more", "the stop is soft", down_to)
        found = [one.waived for one in examined(hand, *steps, waivers=(waiver,)).findings if one.rule == "travel"]
        assert found == ["the stop is soft" if fits else ""]


def test_what_makes_a_routine_invalid_cannot_be_waived(hand: Machine, examined: Examined) -> None:
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


def test_the_verdict_says_what_it_assumes(hand: Machine, examined: Examined) -> None:
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
        "not judged: whether the actuators can follow, and where axes go without power",
    )
    assert examination.checked is not None
    assert examination.checked.assumes == examination.assumes


def test_the_data_for_other_programs_has_the_agreed_entries(hand: Machine, say: Say, examined: Examined) -> None:
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


def test_a_gate_whose_parts_contradict_each_other_never_opens(
    hand: Machine, say: Say, examined: Examined, said: Said
) -> None:
    once = say("lift < 0.2 m and lift > 0.4 m")
    found = examined(hand, Step("rise", lift(0.5)), Step("tilt", wrist(10.0), With("rise"), once=once))
    assert said(found, "gate") == [
        "error: tilt: the gate of 'tilt' (lift < 0.2 m and lift > 0.4 m) never opens: lift < 0.2 m and lift > 0.4 m "
        "are never both true | leave one of the two out"
    ]
