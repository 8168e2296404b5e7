"""What is wrong with a preset in itself: bodies too near each other there, or a place in a keep-out."""

from __future__ import annotations

from dataclasses import replace
from math import radians

import pytest
from reaching import examined, reacher, rectangle, step, to

from sequencer.check import examine
from sequencer.check.preset_trouble import preset_troubles
from sequencer.machine.body import Body, Clearance
from sequencer.machine.condition import parse_condition
from sequencer.machine.interlock import KeepOut
from sequencer.machine.machine import Machine, Preset
from sequencer.machine.piece import Piece
from sequencer.places import Place
from sequencer.routine.parameters import PresetParameter
from sequencer.routine.routine import Routine
from sequencer.routine.steps import At, Flick, Move, Press, Step, Timeout


def troubles(machine: Machine, **positions: float) -> list[str]:
    return list(preset_troubles(machine, Preset("here", positions)))


LEVEL = {"slide": 0.4, "wrist": 0.0}
"""The hand is 4 cm thick either way, 0.25 m above the lift; the shelf's upper side is 0.78 m up."""


@pytest.mark.parametrize(
    ("lift", "text"),
    [(0.5, ["shelf and hand overlap by 40 mm"]), (0.571, []), (0.569, ["shelf and hand overlap by 1 mm"])],
)
def test_a_preset_is_in_trouble_where_bodies_overlap(lift: float, text: list[str]) -> None:
    assert troubles(reacher(), lift=lift, **LEVEL) == text


def test_a_margin_counts() -> None:
    machine = reacher(clearances=(Clearance(("shelf", "hand"), 0.03),))
    assert troubles(machine, lift=0.59, **LEVEL) == ["shelf and hand are 20 mm apart (30 mm must remain)"]
    assert troubles(machine, lift=0.61, **LEVEL) == []


def test_a_pair_of_which_an_axis_is_not_named_a_piece_and_a_body_outside_are_not_judged() -> None:
    assert troubles(reacher(), lift=0.5, slide=0.4) == []
    lantern = Piece("lantern", 0.5, "wrist", parts=(rectangle(0.35, 0.6, -0.3, 0.3),))
    assert troubles(reacher(pieces=(lantern,)), lift=0.7, **LEVEL) == []
    post = Body("post", "outside", (rectangle(0.0, 0.05, 0.0, 1.6),), range=(0.3, 1.2))
    assert troubles(reacher(post), lift=0.7, **LEVEL) == []


def test_a_preset_in_a_keep_out_is_in_trouble_if_all_axes_of_the_box_are_named_and_it_always_holds() -> None:
    box = KeepOut("corner", (("lift", (1.0, 1.4)), ("wrist", (0.0, radians(30.0)))))
    machine = replace(reacher(), interlocks=(box,))
    assert troubles(machine, lift=1.0, slide=0.1, wrist=0.0) == ["in the keep-out corner"]
    assert troubles(machine, lift=1.4, slide=0.1, wrist=radians(30.0)) == ["in the keep-out corner"]
    assert troubles(machine, lift=0.99, slide=0.1, wrist=0.1) == []
    assert troubles(machine, lift=1.2, slide=0.1, wrist=-0.01) == []
    assert troubles(machine, lift=1.2, slide=0.1) == []
    assert troubles(replace(machine, bodies={}, clearances=()), lift=1.2, wrist=0.1) == ["in the keep-out corner"]


@pytest.mark.parametrize(
    "body",
    [
        Move(preset="inside"),
        Move((("lift", At("inside")),)),
        Flick("wrist", "inside", 1.0, 1.0),
        Press("wrist", 5.0, "inside"),
    ],
)
def test_a_preset_in_conflict_that_the_routine_uses_refuses_it_with_the_place_of_the_preset(
    body: Move | Flick | Press,
) -> None:
    machine = reacher(presets={"inside": (0.5, 0.4, 0.0)})
    place = Place("machine.yaml", 12, 3)
    machine = replace(machine, presets={**machine.presets, "inside": replace(machine.presets["inside"], place=place)})
    ends = {"until": parse_condition("lift > 2 m", machine.vocabulary())} if isinstance(body, Press) else {}
    found = examined(machine, Step("go", body, timeout=Timeout("fixed", 10**9), **ends))
    (told,) = [one for one in found.findings if one.message.startswith("in the preset")]
    assert (told.severity, told.rule, told.place) == ("error", "clearance", place)
    assert found.verdict == "conflict"
    chosen = {"spot": PresetParameter("spot", "low", ("inside",))}
    routine = Routine("r", machine, (step("up", to({"lift": 0.3})),), "low", chosen, Timeout("none"))
    assert [one.severity for one in examine(routine).findings if one.message.startswith("in the preset")] == ["error"]
