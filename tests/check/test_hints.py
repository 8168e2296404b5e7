"""What is advised against a conflict of bodies, whole, in the units of the file; and that it does what it says."""

from __future__ import annotations

from dataclasses import replace

import pytest
from crossing import crossed, crossing
from reaching import examined, reacher, step, to

from sequencer.check import Examination
from sequencer.machine.condition import parse_condition
from sequencer.machine.machine import Machine
from sequencer.routine.steps import After, At, Move, Step, With

HANGING = {"hang": (0.6, 0.0, -60.0)}


def advice(found: Examination) -> list[str]:
    """Each hint once."""
    return list(dict.fromkeys(one.hint for one in found.findings if one.rule == "clearance" and one.refuses))


def pasted(machine: Machine, steps: tuple[Step, ...], hint: str) -> tuple[Step, ...]:
    """The steps with the line that a hint offers."""
    name, _, condition = hint.removeprefix("this line mends it: ").partition(": once: ")
    once = parse_condition(condition, machine.vocabulary())
    return tuple(replace(one, once=once) if one.name == name else one for one in steps)


def test_a_gate_on_a_rotary_axis_is_advised_in_degrees_and_mends() -> None:
    """The hand hangs down: it must turn up before the lift goes down to the bumper."""
    machine = reacher(presets=HANGING)
    steps = step("turn", to({"wrist": 100.0})), step("lower", to({"lift": 0.05}), With("turn"))
    (hint,) = advice(examined(machine, *steps, start="hang"))
    assert hint == "this line mends it: lower: once: wrist > -46 deg"
    assert examined(machine, *pasted(machine, steps, hint), start="hang").verdict == "clear"
    early = replace(steps[1], once=parse_condition("wrist > -48 deg", machine.vocabulary()))
    assert examined(machine, steps[0], early, start="hang").verdict == "conflict"


def test_a_gate_on_a_slide_is_advised_in_metres_and_mends() -> None:
    steps = step("out", to({"slide": 0.5})), step("up", to({"lift": 1.2}), With("out"))
    (hint,) = advice(examined(reacher(), *steps, start="low"))
    assert hint == "this line mends it: out: once: lift > 0.59 m"
    assert examined(reacher(), *pasted(reacher(), steps, hint), start="low").verdict == "clear"


def test_axes_of_one_step_are_advised_to_go_in_steps_of_their_own() -> None:
    found = examined(reacher(), step("both", to("over", "lift", "slide", "wrist")))
    assert advice(found) == ["move its axes in steps of their own, so that one can wait for the other (after, or once)"]
    apart = step("raise", to("over", "lift")), step("reach", to("over", "slide", "wrist"), With("raise"))
    (hint,) = advice(examined(reacher(), *apart))
    assert examined(reacher(), *pasted(reacher(), apart, hint)).verdict == "clear"


def test_a_step_alone_that_meets_something_is_advised_a_detour() -> None:
    steps = step("out", to({"slide": 0.4})), step("up", to({"lift": 1.2}))
    (hint,) = advice(examined(reacher(), *steps, start="low"))
    assert hint == "no gate mends it, for nothing else moves beside it: a detour is needed, by way of another place"
    assert (
        examined(reacher(), *reversed([replace(one, start=After()) for one in steps]), start="low").verdict != "clear"
    )
    in_turn = replace(steps[1], start=After()), replace(steps[0], start=After(("up",)))
    assert examined(reacher(), *in_turn, start="low").verdict == "clear", "another place: up before out"


def test_a_step_that_ends_in_conflict_is_advised_another_goal() -> None:
    up, turn = step("up", to({"lift": 0.45})), step("turn", to({"wrist": 60.0}))
    found = examined(reacher(), step("out", to({"slide": 0.4})), up, turn)
    assert "it ends there, so no gate mends it; give another goal, or move the other body out of the way first" in (
        advice(found)
    )


@pytest.mark.parametrize(("count", "words"), [(1, "1 step"), (2, "2 steps")])
def test_what_is_counted_is_told_in_its_number(count: int, words: str) -> None:
    steps = [Step(f"s{k}", Move((("along", At(0.1 * k)),))) for k in range(1, count + 1)]
    found = crossed(*steps, machine=crossing(((0.8, 0.9), (0.8, 0.9))))
    assert found.checked is not None
    assert f": {words} on " in repr(found.checked)
    assert f": {words}, " in repr(found.plan)
