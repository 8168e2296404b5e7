"""Compiling: every kind of step becomes the plain data that the runner reads."""

from __future__ import annotations

import json
from collections.abc import Callable
from math import radians
from typing import Any

import pytest

from sequencer.check.compile import compile_routine
from sequencer.check.compile_machine import compile_machine
from sequencer.errors import ModelError
from sequencer.machine.condition import Condition, Kind, parse_condition
from sequencer.machine.interlock import KeepOut, MustStay
from sequencer.machine.machine import Machine
from sequencer.pack.shape import check_shape
from sequencer.plan import plan
from sequencer.routine.parameters import NumberParameter, PresetParameter
from sequencer.routine.routine import Routine
from sequencer.routine.steps import (
    After,
    At,
    AtTime,
    Branch,
    By,
    Cap,
    Choose,
    Drive,
    Flick,
    FromReading,
    LimitCaps,
    Move,
    Passing,
    Perform,
    Press,
    Pulse,
    Repeat,
    Set,
    Step,
    Timeout,
    Wait,
    With,
)
from sequencer.units import CURRENT, LENGTH, TIME

SECOND = 1_000_000_000
PARAMETERS = {
    "spot": PresetParameter("spot", "ridge", ("eaves", "ridge")),
    "release_lead": NumberParameter("release_lead", 0.03, TIME, (0.0, 0.11)),
    "lean": NumberParameter("lean", 14.0, CURRENT, (6.0, 22.0)),
    "height": NumberParameter("height", 0.7, LENGTH, (0.5, 1.0)),
}
LIFT_LIMITS = [[-1.5, 1.7], [-8.0, 6.0], 90.0]


def data_of(machine: Machine, *steps: Step, **fields: Any) -> list[dict[str, Any]]:
    settings: dict[str, Any] = {
        "start": "carry",
        "parameters": PARAMETERS,
        "default_timeout": Timeout("planned", SECOND // 2),
    }
    checked = compile_routine(Routine("r", machine, steps, **{**settings, **fields}))
    check_shape(checked.machine, [checked.routine])
    assert json.loads(json.dumps(checked.routine)) == checked.routine
    found: list[dict[str, Any]] = checked.routine["steps"]
    return found


def test_a_move_keeps_parameters_and_resolves_presets(hand: Machine, say: Callable[[str], Condition]) -> None:
    step = data_of(hand, Step("raise", Move((("lift", At("height")), ("wrist", At("stow")))), once=say("lift > spot")))[
        0
    ]
    assert step == {
        "name": "raise",
        "kind": "move",
        "parent": -1,
        "start": {"kind": "after", "steps": [], "any": False, "branches": []},
        "once": [">", "lift", ["preset", "spot", "lift"]],
        "until": None,
        "must_stay": None,
        "only_if": None,
        "steady": 0,
        "blind": 0,
        "duration": None,
        "timeout": step["timeout"],
        "on_timeout": "fault",
        "retry": 0,
        "preempt": False,
        "phase": True,
        "together": False,
        "profile": "s_curve",
        "place": "(in Python)",
        "limits": {
            "0": LIFT_LIMITS,
            "1": [[-radians(400.0), radians(400.0)], [-radians(2400.0), radians(2400.0)], radians(40000.0)],
        },
        "goals": [[0, ["at", ["parameter", "height"]]], [1, ["at", radians(100.0)]]],
    }


@pytest.mark.parametrize(
    ("body", "goals"),
    [
        (Move((("lift", By(0.04)),)), [[0, ["by", 0.04]]]),
        (Move((("lift", FromReading("hook_height", (0.5, 1.0))),)), [[0, ["reading", "hook_height", 0.5, 1.0]]]),
        (Move(preset="stow"), [[0, ["at", 0.0]], [1, ["at", radians(100.0)]]]),
        (Move(preset="spot"), [[0, ["at", ["preset", "spot", "lift"]]], [1, ["at", ["preset", "spot", "wrist"]]]]),
        (
            Move(per=("piece", (("lantern", "ridge"), ("float", "eaves")))),
            [
                [0, ["per", "piece", {"lantern": 1.1, "float": 0.8}]],
                [1, ["per", "piece", {"lantern": radians(20.0), "float": radians(10.0)}]],
            ],
        ),
    ],
    ids=["by", "reading", "preset", "preset parameter", "per"],
)
def test_every_goal_of_a_move_is_written(hand: Machine, body: Move, goals: list[Any]) -> None:
    assert data_of(hand, Step("go", body))[0]["goals"] == goals


def test_a_flick_a_pulse_on_it_and_a_press(hand: Machine, say: Callable[[str], Condition]) -> None:
    flick, let_go, lean = data_of(
        hand,
        Step("flick", Flick("wrist", radians(58.0), radians(380.0), radians(84.0))),
        Step(
            "let_go",
            Pulse((Drive("rollers", -6.0, "voltage"), Drive("may_leave", True, "value"))),
            Passing("flick", "through", lead="release_lead"),
            duration=SECOND // 10,
        ),
        Step("lean", Press("wrist", "lean", radians(-6.0)), until=say("wrist.speed < 5 deg/s"), steady=60_000_000),
    )
    assert {key: flick[key] for key in ("axis", "through", "speed", "to")} == {
        "axis": 1,
        "through": radians(58.0),
        "speed": radians(380.0),
        "to": radians(84.0),
    }
    assert let_go["start"] == {
        "kind": "passing",
        "step": 0,
        "at": "through",
        "axis": None,
        "lead": ["parameter", "release_lead"],
        "lag": 0,
    }
    assert let_go["drives"] == [["axis", 2, "voltage", -6.0], ["output", 1, "value", True]]
    assert (let_go["duration"], let_go["timeout"]) == (SECOND // 10, None)
    assert (lean["axis"], lean["effort"], lean["toward"]) == (1, ["parameter", "lean"], radians(-6.0))
    assert lean["until"] == ["<", "wrist.speed", radians(5.0)]
    assert lean["start"]["steps"] == [0, 1]


def test_a_downward_flick_gets_its_sign_from_where_it_follows_through(hand: Machine) -> None:
    steps = data_of(hand, Step("flick", Flick("wrist", radians(0.0), radians(200.0), radians(-40.0))), start="stow")
    assert steps[0]["speed"] == -radians(200.0)


def test_waits_sets_and_starts(hand: Machine, say: Callable[[str], Condition]) -> None:
    steps = data_of(
        hand,
        Step("near", Wait(say("range_to_hook < 0.3 m and not cover_closed")), timeout=Timeout("none")),
        Step("lit", Set((("lamp", "steady"), ("may_leave", True))), With("near")),
        Step("pause", Wait(), AtTime(SECOND), duration=SECOND),
        Step("first", Wait(), After(("near", "pause"), any=True), duration=SECOND),
    )
    assert steps[0]["until"] == ["and", ["<", "range_to_hook", 0.3], ["not", ["holds", "cover_closed"]]]
    assert [step["timeout"] for step in steps] == [None, None, None, None]
    assert steps[1]["values"] == [[0, "steady"], [1, True]]
    assert steps[1]["start"] == {"kind": "with", "step": 0}
    assert steps[2]["start"] == {"kind": "at", "time": SECOND}
    assert steps[3]["start"] == {"kind": "after", "steps": [0, 2], "any": True, "branches": [[0], [2]]}


def test_blocks_hold_the_indices_of_what_is_inside(hand: Machine, say: Callable[[str], Condition]) -> None:
    inside = (Step("a", Wait(), duration=SECOND), Step("b", Wait(), duration=SECOND))
    steps = data_of(
        hand,
        Step("which", Choose((Branch(say("piece is lantern"), inside[:1]),), otherwise=inside[1:])),
        Step("twice", Repeat((Step("c", Wait(), duration=SECOND),), times=2.0)),
        Step("till", Repeat((Step("d", Wait(), duration=SECOND),), until=say("cover_closed")), timeout=Timeout("none")),
    )
    assert [(step["name"], step["parent"]) for step in steps] == [
        ("which", -1),
        ("a", 0),
        ("b", 0),
        ("twice", -1),
        ("c", 3),
        ("till", -1),
        ("d", 5),
    ]
    assert steps[0]["branches"] == [{"term": ["is", "piece", "lantern"], "steps": [1]}]
    assert steps[0]["otherwise"] == [2]
    assert (steps[3]["times"], steps[3]["steps"], steps[3]["until"]) == (2.0, [4], None)
    assert (steps[5]["times"], steps[5]["steps"], steps[5]["until"]) == (None, [6], ["holds", "cover_closed"])


def test_a_performed_routine_is_put_in_place_with_what_it_was_given(hand: Machine) -> None:
    vocabulary = {**hand.vocabulary(), "up.timed_out": Kind()}
    inner = Routine(
        "fetch",
        hand,
        (
            Step("up", Move((("lift", At("how_high")), ("wrist", At("where")))), on_timeout="continue"),
            Step("again", Move(preset="where"), only_if=parse_condition("up.timed_out", vocabulary)),
        ),
        parameters={
            "how_high": NumberParameter("how_high", 0.2, LENGTH, (0.1, 1.1)),
            "where": PresetParameter("where", "stow", ("stow", "eaves", "ridge")),
        },
    )
    steps = data_of(
        hand,
        Step("get", Perform("fetch", (("how_high", "height"), ("where", "spot"))), timeout=Timeout("none")),
        Step("get_more", Perform("fetch", (("where", "eaves"),)), timeout=Timeout("none")),
        subroutines={"fetch": inner},
        start="stow",
    )
    assert [step["name"] for step in steps] == [
        "get",
        "get/up",
        "get/again",
        "get_more",
        "get_more/up",
        "get_more/again",
    ]
    assert steps[0]["steps"] == [1, 2]
    assert steps[1]["goals"] == [[0, ["at", ["parameter", "height"]]], [1, ["at", ["preset", "spot", "wrist"]]]]
    assert steps[2]["only_if"] == ["holds", "get/up.timed_out"]
    assert steps[4]["goals"] == [[0, ["at", 0.2]], [1, ["at", radians(10.0)]]]
    assert steps[5]["goals"] == [[0, ["at", 0.8]], [1, ["at", radians(10.0)]]]


def test_limits_of_a_step_are_laid_over_those_of_the_axis(hand: Machine) -> None:
    caps = LimitCaps(velocity=Cap(0.5, share=True), acceleration=Cap(7.0), jerk=Cap(200.0))
    step = data_of(hand, Step("up", Move((("lift", At(1.0)),)), limits=caps))[0]
    assert step["limits"] == {"0": [[-0.75, 0.85], [-7.0, 6.0], 90.0]}


def test_a_planned_timeout_covers_the_longest_plan_over_the_parameters(hand: Machine) -> None:
    routine = Routine(
        "r",
        hand,
        (Step("raise", Move((("lift", At("height")),)), timeout=Timeout("planned", SECOND // 2)),),
        "carry",
        PARAMETERS,
    )
    longest = plan(routine, parameters={"height": 1.0}).step("raise").duration
    assert compile_routine(routine).routine["steps"][0]["timeout"] == SECOND // 2 + round(longest * SECOND)
    assert longest > plan(routine).step("raise").duration


def test_a_planned_timeout_covers_steps_that_the_plan_does_not_come_to(
    hand: Machine, say: Callable[[str], Condition]
) -> None:
    def up(name: str, *after: str) -> Step:
        return Step(name, Move((("lift", At(1.0)),)), After(after) if after else After())

    deep = Step("inner", Choose((Branch(say("cover_closed"), (up("deep"),)),), (Step("x", Wait(), duration=SECOND),)))
    other = Step("y", Wait(), duration=SECOND)
    outer = Step("outer", Choose((Branch(say("piece is lantern"), (other,)),), (deep,)))
    nested = {step["name"]: step for step in data_of(hand, outer)}
    raced = {
        step["name"]: step
        for step in data_of(
            hand,
            up("long"),
            Step("turn", Move((("wrist", At(1.0)),)), After(("long",))),
            Step("quick", Wait(), After(), duration=SECOND // 10),
            Step("then", Wait(), After(("turn", "quick"), any=True), duration=SECOND),
        )
    }
    alone = data_of(hand, up("alone"))[0]["timeout"]
    assert nested["deep"]["timeout"] == raced["long"]["timeout"] == alone > SECOND
    # The slower branch never comes to it in a plan: from the far end of its travel.
    assert SECOND // 2 + 300_000_000 < raced["turn"]["timeout"] < 2 * SECOND


def test_machine_data_holds_interlocks_by_index_and_its_own_hash(
    make_machine: Callable[..., Machine], say: Callable[[str], Condition]
) -> None:
    machine = make_machine(
        KeepOut("low", (("wrist", (-1.0, -0.5)), ("lift", (0.0, 0.2))), "it hits", when=say("piece is lantern")),
        MustStay("cover", say("cover_closed"), ("lift", "wrist"), "ramp_then_off", "hands"),
    )
    data = compile_machine(machine)
    check_shape(data, [])
    assert data["keep_outs"] == [
        {
            "name": "low",
            "box": [[1, -1.0, -0.5], [0, 0.0, 0.2]],
            "when": ["is", "piece", "lantern"],
            "because": "it hits",
        }
    ]
    assert data["must_stay"] == [
        {
            "name": "cover",
            "term": ["holds", "cover_closed"],
            "axes": [0, 1],
            "stop": "ramp_then_off",
            "because": "hands",
        }
    ]
    assert data["axes"][0]["tolerance"] == {
        "position": 0.008,
        "speed": 0.008 / 0.06,
        "settle": 60_000_000,
        "following": 0.05,
        "behind": "wait",
    }
    assert data["axes"][2]["travel"] is None
    assert data["presets"]["stow"] == [[0, 0.0], [1, radians(100.0)]]


def test_the_hash_is_the_same_whatever_order_mappings_were_filled_in(hand: Machine) -> None:
    def compiled(order: int) -> str:
        names = list(PARAMETERS)[::order]
        presets = dict(list(hand.presets.items())[::order])
        machine = Machine(
            hand.name,
            hand.axes,
            sensors=hand.sensors,
            outputs=hand.outputs,
            presets={name: presets[name] for name in hand.presets} if order > 0 else presets,
            interlocks=hand.interlocks,
        )
        steps = (Step("raise", Move((("lift", At("height")),)), timeout=Timeout("none")),)
        return compile_routine(Routine("r", machine, steps, "carry", {n: PARAMETERS[n] for n in sorted(names)})).hash

    assert compiled(1) == compiled(-1)


def test_the_region_is_the_start_preset_within_its_position_tolerance(hand: Machine) -> None:
    routine = Routine("r", hand, (Step("pause", Wait(), duration=SECOND),), "carry")
    assert compile_routine(routine).routine["region"] == [
        [0, 0.1 - 0.008, 0.1 + 0.008],
        [1, radians(90.0) - radians(2.0), radians(90.0) + radians(2.0)],
    ]
    assert compile_routine(Routine("r", hand, routine.steps)).routine["region"] == []


def test_a_step_that_cannot_move_as_it_says_is_not_compiled(hand: Machine) -> None:
    routine = Routine("r", hand, (Step("up", Move((("lift", At(1.3)),)), timeout=Timeout("none")),), "carry")
    with pytest.raises(ModelError) as refused:
        compile_routine(routine)
    assert str(refused.value) == ("(in Python): 'up': lift would go to 1.3 m, outside its travel, 0 m to 1.18 m")
