"""The picture of a way into a keep-out: its coordinates are those of the finding, in the space of two axes."""

from __future__ import annotations

from dataclasses import replace
from math import radians
from pathlib import Path
from xml.etree import ElementTree

import pytest

from profiles import Limits
from sequencer import load_machine, load_routine
from sequencer.check import Examination, examine
from sequencer.machine.axis import Axis, Tolerance
from sequencer.machine.condition import parse_condition
from sequencer.machine.interlock import KeepOut
from sequencer.machine.machine import Machine, Preset
from sequencer.report import routine_svg
from sequencer.report.way_in_view import shown_axes
from sequencer.routine.routine import Routine
from sequencer.routine.steps import After, At, Move, Step, Timeout, With

SVG = "{http://www.w3.org/2000/svg}"
DEMO = Path(__file__).parents[2] / "demos" / "lantern"


def axis(name: str, kind: str = "linear") -> Axis:
    end = radians(100.0) if kind == "rotary" else 1.0
    return Axis(name, kind, Limits(1.0, 4.0), (0.0, end), tolerance=Tolerance(0.005, following=0.02))  # type: ignore[arg-type]


def machine(*boxes: KeepOut) -> Machine:
    axes = [axis("lift"), axis("slide"), axis("wrist", "rotary")]
    start = {one.name: 0.0 for one in axes}
    presets = {"stow": Preset("stow", start)}
    return Machine("plain", {one.name: one for one in axes}, interlocks=boxes, presets=presets)


def judged(*boxes: KeepOut) -> tuple[Routine, Examination]:
    steps = (
        Step("up", Move((("lift", At(0.8)),))),
        Step("turn", Move((("wrist", At(1.0)),)), With("up")),
    )
    routine = Routine("r", machine(*boxes), steps, "stow", default_timeout=Timeout("planned", 500_000_000))
    return routine, examine(routine)


def drawn(routine: Routine, examination: Examination) -> ElementTree.Element:
    return ElementTree.fromstring(routine_svg(routine, examination))


def rectangle(root: ElementTree.Element, style: str) -> list[float]:
    """The largest rectangle of a style: those in the legend are small."""
    found = [one for one in root.iter(f"{SVG}rect") if one.get("class") == style]
    one = max(found, key=lambda rect: float(rect.get("width", 0)))
    return [float(one.get(key, 0)) for key in ("x", "y", "width", "height")]


LOW = KeepOut("low", (("lift", (0.0, 0.2)), ("wrist", (0.5, 0.9))), because="it hits")


def test_what_the_axes_may_do_and_what_of_it_lies_in_the_box_are_to_scale() -> None:
    routine, examination = judged(LOW)
    (finding,) = [one for one in examination.findings if one.way_in is not None]
    way = finding.way_in
    assert way is not None
    assert way.spans == {"lift": pytest.approx((-0.025, 0.82)), "wrist": pytest.approx((-0.025, 1.02))}
    assert (way.box, way.steps, way.waits, way.axis) == ("low", ("up", "turn"), "turn", "lift")
    root = drawn(routine, examination)
    left, top, wide, high = rectangle(root, "travel")
    end = radians(100.0)
    assert rectangle(root, "body body-1 covers") == pytest.approx(
        [left, top + high * (1.0 - 1.02 / end), wide * 0.82, high * 1.02 / end], abs=0.1
    )
    assert rectangle(root, "blocked") == pytest.approx(
        [left, top + high * (1.0 - 0.9 / end), wide * 0.2, high * 0.4 / end], abs=0.1
    )
    (gate,) = [one for one in root.iter(f"{SVG}line") if one.get("class") == "gate-wanted"]
    assert float(gate.get("x1", 0)) == float(gate.get("x2", 0)) == pytest.approx(left + wide * way.position, abs=0.1)
    (ring,) = [one for one in root.iter(f"{SVG}circle") if one.get("class") == "ring"]
    assert float(ring.get("cx", 0)) == pytest.approx(left + wide * way.places["lift"], abs=0.1)
    texts = " ".join(text.text or "" for text in root.iter(f"{SVG}text"))
    assert f"this line mends it: turn: once: lift > {way.position:g} m" in texts
    assert "r from the side" not in texts


def test_the_example_is_one_that_the_gates_leave() -> None:
    """With a gate that opens too early the machine comes in only beyond it."""
    routine, _ = judged(LOW)
    gated = replace(routine.steps[1], once=parse_condition("lift > 0.15 m", routine.machine.vocabulary()))
    found = examine(replace(routine, steps=(routine.steps[0], gated)))
    (way,) = [one.way_in for one in found.findings if one.way_in is not None]
    assert way is not None
    assert way.spans["lift"][0] == pytest.approx(0.13)
    assert 0.15 <= way.places["lift"] <= 0.2


def test_a_box_of_three_axes_is_shown_in_the_two_that_go_farthest() -> None:
    box = KeepOut("deep", (("lift", (0.0, 0.2)), ("slide", (0.0, 0.5)), ("wrist", (0.5, 0.9))))
    routine, examination = judged(box)
    root = drawn(routine, examination)
    texts = [text.text or "" for text in root.iter(f"{SVG}text")]
    assert "lift [m]" in texts
    assert "wrist [deg]" in texts
    assert "Meanwhile slide within -0.025 m to 0.025 m." in texts


def test_a_box_of_one_axis_is_shown_beside_another() -> None:
    box = KeepOut("top", (("lift", (0.5, 0.7)),))
    routine, examination = judged(box)
    (way,) = [one.way_in for one in examination.findings if one.way_in is not None]
    assert way is not None
    assert shown_axes(routine.machine, box, way.spans) == ("lift", "slide")
    assert rectangle(drawn(routine, examination), "blocked")[2] > 0.0


def test_a_way_in_after_a_cancel_is_told_apart_from_the_routine_with_its_plan() -> None:
    """Its steps may have the names of steps in the routine."""
    routine, _ = judged(LOW)
    up, turn = routine.steps
    after = replace(routine, steps=(up, replace(turn, start=After(("up",)))), on_cancel=routine.steps)
    examination = examine(after)
    refused = [one for one in examination.findings if one.refuses]
    assert [one.way_in.steps for one in refused if one.way_in is not None] == [("on_cancel/up", "on_cancel/turn")]
    root = drawn(after, examination)
    titles = [text.text for text in root.iter(f"{SVG}text") if text.get("font-size") == "14"]
    assert titles == ["low, on_cancel"]
    assert [
        one for one in root.iter(f"{SVG}path") if one.get("class") == "course" and "h28" not in one.get("d", "")
    ] == []


def test_the_demo_that_is_wrong_shows_its_keep_out_before_its_bodies() -> None:
    routine = load_routine(DEMO / "broken_order.routine.yaml", load_machine(DEMO / "machine.yaml"))
    root = drawn(routine, examine(routine))
    titles = [text.text for text in root.iter(f"{SVG}text") if text.get("font-size") == "14"]
    assert titles[:2] == ["low_tuck", "hand and bumper"]
