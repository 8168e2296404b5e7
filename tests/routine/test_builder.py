from __future__ import annotations

from pathlib import Path

import pytest

from sequencer.errors import ModelError
from sequencer.files import load_machine, load_routine
from sequencer.machine import Machine
from sequencer.routine import (
    Routine,
    RoutineBuilder,
    by,
    choose,
    flick,
    from_reading,
    move,
    perform,
    press,
    pulse,
    repeat,
    set_outputs,
    step,
    wait,
)

LANTERN = Path(__file__).parents[1] / "cases" / "lantern"


@pytest.fixture(scope="module")
def machine() -> Machine:
    return load_machine(LANTERN / "machine.yaml")


def every_key(machine: Machine) -> Routine:
    """The routine of every_key.routine.yaml, in Python."""
    others = [load_routine(LANTERN / f"{name}.routine.yaml", machine) for name in ("drop", "home")]
    routine = RoutineBuilder(
        "every_key",
        machine,
        start="carry",
        timeout="planned + 0.6 s",
        about="shows every key",
        subroutines=others,
    )
    routine.parameter("spot", preset="ridge", choices=["eaves", "ridge"], about="where to hang")
    routine.parameter("release_lead", value="30 ms", range=("0 ms", "110 ms"), about="how early the rollers let go")
    routine.parameter("lean", value="14 A", range=("6 A", "22 A"))
    routine.parameter("pause", value="0.2 s", range=("0.1 s", "0.5 s"))
    routine.parameter("tries", value=2, range=(1, 3))
    routine.parameter("spit", value="-6 V")
    routine.step("shine", set_outputs(lamp="steady", chassis_may_leave=False), after=[], about="tells the drivers")
    routine.step(
        "raise",
        move(lift="spot", wrist=by("5 deg")),
        after=[],
        together=True,
        limits={"velocity": "50 %", "acceleration": "80 %"},
        profile="trapezoid",
        timeout="planned + pause",
        retry=1,
        on_timeout="home",
    )
    routine.step(
        "level",
        move(wrist="spot"),
        once="lift > 0.40 m",
        must_stay="cover_closed",
        only_if="not lantern_in",
        limits={"velocity": "200 deg/s", "jerk": "9000 deg/s3"},
    )
    routine.step(
        "near",
        wait("range_to_hook < 0.30 m and known(piece)"),
        steady="60 ms",
        blind="100 ms",
        usually="0.5 s",
        timeout="3 s",
        on_timeout="cancel",
    )
    routine.step("still", wait("pause"))
    routine.step(
        "lean_on",
        press(wrist="lean", toward="-6 deg"),
        until="wrist.speed < 5 deg/s",
        steady="pause",
        usually="0.4 s",
        touching=("lantern", "post"),
    )
    routine.step("flick", flick(wrist={"through": "58 deg", "speed": "380 deg/s", "to": "84 deg"}), phase=False)
    routine.step(
        "let_go",
        pulse(rollers="spit", glow="3 V"),
        passing=("flick", "through"),
        lead="release_lead",
        lag=0,
        duration="140 ms",
    )
    routine.step("blink", set_outputs(lamp="blinking"), passing=("flick", "60 deg", "wrist"), preempt=True)
    routine.step("away", wait("range_to_hook > 0.55 m"), timeout="none", after=["flick", "let_go", "blink"])
    routine.step("settle", move(lift=from_reading("hook_height", "0.9 m", "1.1 m")), together_with="away")
    routine.step(
        "sort",
        choose(
            ("piece is lantern", [step("to_ridge", move(per="piece", lantern="ridge", float="pond"))]),
            ("near.timed_out or away.elapsed > 2 s", []),
            otherwise=[step("spin_up", pulse(rollers="3000 rpm"), until="rollers.speed > 2500 rpm", usually="0.3 s")],
        ),
        after=["away", "settle"],
    )
    routine.step("again", repeat([step("nudge", move(lift=by("-10 mm")), at="100 ms")], times="tries"))
    routine.step("until_out", repeat([step("shake", pulse(rollers="-3 V"), duration="200 ms")], until="piece is none"))
    routine.step("first", wait("1 s"), after=["until_out"])
    routine.step("other", wait("cover_closed"), after=["until_out"], timeout="4 s")
    routine.step("either", wait("50 ms"), after={"any": ["first", "other"]})
    routine.step("drop", perform("drop"), given={"height": "0.30 m", "where": "pond", "dwell": "pause"})
    routine.step("retreat", move("stow"), after="drop", route="clear")
    routine.on_cancel("move", move("stow"), limits={"velocity": "50 %"}, timeout="5 s")
    routine.on_fault("quiet", set_outputs(lamp="blinking"))
    routine.on_fault("back", move("stow"), timeout="5 s")
    routine.rehearsal(
        "good approach",
        gauges={
            "range_to_hook": [["0 s", "0.60 m"], ["1.5 s", "0.29 m"], ["4 s", "0.70 m"]],
            "piece": [["0 s", "lantern"], ["6 s", "none"]],
            "cover_closed": True,
        },
        parameters={"release_lead": "50 ms", "spot": "eaves"},
        start="carry",
        piece="lantern",
        offered={"lantern": "20 s"},
        pressed={"hold": "0.3 s", "resume": "0.5 s"},
        contacts={
            "wrist": {
                "at": "12 deg",
                "side": "below",
                "stiffness": "1500 N.m/rad",
                "damping": "4 N.m.s/rad",
                "since": "0.2 s",
                "until": "3 s",
            }
        },
        expect={
            "outcome": "done",
            "finishes_within": "30 s",
            "clearance": "10 mm",
            "order": ["raise", "lean_on", "flick", "drop/down"],
            "never": ["spin_up"],
        },
    )
    routine.rehearsal(
        "never close",
        gauges={"range_to_hook": "0.60 m"},
        expect={"outcome": "cancelled", "never": ["let_go"]},
    )
    routine.outside("post", range=("0.26 m", "0.32 m"), since="near")
    routine.waive("feasibility", step="flick", down_to=0.5, because="measured on the practice field")
    return routine.build()


def test_file_and_builder_make_the_very_same_model_with_every_key(machine: Machine) -> None:
    assert every_key(machine) == load_routine(LANTERN / "every_key.routine.yaml", machine)


def test_every_problem_comes_in_one_error(machine: Machine) -> None:
    routine = RoutineBuilder("bad", machine)
    routine.step("a", move(lift="90 deg"))
    routine.step("b", wait("lift_botom"), timeout=0)
    with pytest.raises(ModelError) as caught:
        routine.build()
    assert str(caught.value).splitlines() == [
        "steps.a.move.lift: '90 deg' is an angle (such as deg); a length (such as m) is needed",
        "steps.b.wait: 'lift_botom' is not a condition: unknown name 'lift_botom'; did you mean 'lift_bottom'?",
        "steps.b.timeout: 0 is not a duration; it must be greater than 0; "
        'write "timeout: none" if it may take for ever',
    ]


def test_problems_of_the_graph_are_found_too(machine: Machine) -> None:
    routine = RoutineBuilder("bad", machine, timeout="3 s")
    routine.step("up", move("ridge"), after=[])
    routine.step("down", move("stow"), after=[])
    with pytest.raises(ModelError) as caught:
        routine.build()
    hint = "start one after the other, or write preempt: true on the one that starts later"
    assert str(caught.value).splitlines() == [
        f"steps.down: 'up' and 'down' both use lift and can be active together; {hint}",
        f"steps.down: 'up' and 'down' both use wrist and can be active together; {hint}",
    ]


def test_what_is_said_of_bodies_is_judged_too(machine: Machine) -> None:
    routine = RoutineBuilder("bad", machine, timeout="3 s")
    routine.step("a", move("stow"), touching=("lantern", "pots"))
    routine.outside("post", range=("0.2 m", "0.4 m"))
    with pytest.raises(ModelError) as caught:
        routine.build()
    assert str(caught.value).splitlines() == [
        "steps.a: unknown body 'pots'; did you mean 'post'?",
        "outside.post.range: the range 0.2 m to 0.4 m is not within that of 'post' in the machine file, "
        "0.25 m to 1 m; a routine may only narrow it",
    ]
    with pytest.raises(ModelError, match="two ranges are given for 'post'"):
        routine.outside("post", range=("0.3 m", "0.4 m"))


def test_an_unknown_keyword_names_the_nearest(machine: Machine) -> None:
    routine = RoutineBuilder("bad", machine)
    with pytest.raises(ModelError, match=r"steps.a: unknown key 'timeoout'; did you mean 'timeout'\?"):
        routine.step("a", move("stow"), timeoout="3 s")
    with pytest.raises(ModelError, match="'lead' and 'lag' belong to 'passing'"):
        routine.step("a", pulse(rollers="3 V"), lead="30 ms", duration="1 s")


def test_a_bare_number_is_refused_where_a_unit_belongs(machine: Machine) -> None:
    routine = RoutineBuilder("bad", machine, timeout="3 s")
    routine.step("a", move(lift=1.1))
    with pytest.raises(ModelError, match=r"steps.a.move.lift: 1.1 has no unit; a length \(such as m\) is needed"):
        routine.build()


def test_the_model_cannot_be_changed(machine: Machine) -> None:
    routine = every_key(machine)
    with pytest.raises(AttributeError):
        routine.name = "other"  # type: ignore[misc]
    with pytest.raises(TypeError):
        routine.parameters["new"] = routine.parameters["lean"]  # type: ignore[index]
