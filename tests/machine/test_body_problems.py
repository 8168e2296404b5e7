"""Bodies that contradict themselves in a machine made in Python, and what a routine made in Python says of them."""

from __future__ import annotations

from dataclasses import replace
from math import inf, nan
from typing import Any

import pytest

from profiles import Limits
from sequencer.errors import ModelError
from sequencer.machine import Axis, Body, Clearance, Machine, Mount, Piece, Sensor, Tolerance
from sequencer.machine.sensor import PlantLink
from sequencer.routine import OutsideRange, Routine, Step, problems_of
from sequencer.routine.steps import At, Choose, Move, Timeout, Wait
from sequencer.units import ANGLE, LENGTH

SQUARE = (((0.0, 0.0), (0.1, 0.0), (0.1, 0.1), (0.0, 0.1)),)
LIFT = Axis("lift", "linear", Limits(1.0, 2.0), (0.0, 1.0), Mount("frame"), Tolerance(0.01))
RANGE = Sensor("range", "number", LENGTH)
HAND, WALL = Body("hand", "lift", SQUARE), Body("wall", "frame", SQUARE)
POST = Body("post", "outside", SQUARE, range=(0.2, 1.0), reading="range")
LANTERN, FLOAT = Piece("lantern", 0.5, "lift", parts=SQUARE), Piece("float", 0.5, "lift")


def machine(*bodies: Body, **more: Any) -> Machine:
    given: dict[str, Any] = {
        "axes": {"lift": LIFT},
        "sensors": {"range": RANGE},
        "pieces": {"lantern": LANTERN, "float": FLOAT},
    }
    return Machine("m", bodies={body.name: body for body in bodies}, **{**given, **more})


def said(*bodies: Body, **more: Any) -> list[str]:
    with pytest.raises(ModelError) as caught:
        machine(*bodies, **more)
    return [text for _, text in caught.value.problems]


def test_bodies_and_pieces_with_parts_are_what_clearances_are_kept_between() -> None:
    clearances = (Clearance(("hand", "post"), 0.01), Clearance(("wall", "lantern"), exempt="beside it"))
    assert machine(HAND, WALL, POST, clearances=clearances).body_names() == ("hand", "wall", "post", "lantern")


@pytest.mark.parametrize(("name", "what"), [("lift", "axis"), ("range", "sensor"), ("float", "piece")])
def test_a_body_has_a_name_of_its_own(name: str, what: str) -> None:
    assert said(Body(name, "frame", SQUARE)) == [f"'{name}' is both {what} and body; names must differ"]


def test_a_piece_with_parts_is_a_body_and_has_a_name_of_its_own() -> None:
    text = "'range' is both sensor and a piece with parts, which is a body; names must differ"
    assert said(pieces={"range": Piece("range", 0.5, "lift", parts=SQUARE)}) == [text]
    assert machine(pieces={"range": Piece("range", 0.5, "lift")}).body_names() == ()


@pytest.mark.parametrize("word", ["frame", "outside"])
def test_no_axis_is_called_as_what_else_carries_bodies(word: str) -> None:
    text = f"an axis cannot be called '{word}' where there are bodies; the word says what carries a body"
    assert text in said(WALL, axes={word: replace(LIFT, name=word)}, pieces={})


def test_an_unknown_carrier_is_named_with_the_nearest() -> None:
    assert said(Body("hand", "lfit", SQUARE)) == ["body 'hand': unknown axis 'lfit'; did you mean 'lift'?"]
    near = "did you mean 'outside'?"
    assert said(Body("post", "outsid", SQUARE)) == [f"body 'post': unknown axis 'outsid'; {near}"]


@pytest.mark.parametrize("share", [0.0, -1.0, nan, inf])
def test_a_share_is_above_0(share: float) -> None:
    (text,) = said(Body("hand", "lift", SQUARE, share=share))
    assert text.startswith("body 'hand': its share is ")


def test_what_does_not_move_is_not_shared() -> None:
    for body in (replace(WALL, share=0.5), replace(POST, share=0.5)):
        text = f"body '{body.name}' is carried by '{body.carried_by}', which does not move; leave out the share"
        assert said(body) == [text]
    assert machine(replace(HAND, share=0.5)).bodies["hand"].share == 0.5


def test_the_place_of_a_body_is_read_by_a_sensor_of_lengths() -> None:
    assert said(replace(POST, reading="rnage")) == ["body 'post': unknown sensor 'rnage'; did you mean 'range'?"]
    for sensor in (Sensor("range", "number", ANGLE), Sensor("range", "switch")):
        text = "body 'post': 'range' reads no length; its place is read by a number with the unit m"
        assert said(POST, sensors={"range": sensor}) == [text]


def test_a_clearance_names_bodies_there_are_and_each_pair_once() -> None:
    clearances = (
        Clearance(("hand", "wall"), 0.01),
        Clearance(("hand", "wll")),
        Clearance(("wall", "hand")),
        Clearance(("float", "wall")),
        Clearance(("post", "hand"), 0.01, "beside it"),
    )
    assert said(HAND, WALL, POST, clearances=clearances) == [
        "clearance between hand and wll: unknown body 'wll'; did you mean 'wall'?",
        "two clearances are between wall and hand; keep one",
        "clearance between float and wall: unknown body 'float'; allowed: hand, lantern, post, wall",
        "clearance between post and hand: a pair that is exempt has no margin; give 'margin' or 'exempt'",
    ]


@pytest.mark.parametrize(
    ("sensor", "gap", "text"),
    [
        (RANGE, ("hand", "wll"), "unknown body 'wll'; did you mean 'wall'?"),
        (RANGE, ("hand", "hand"), "a gap is between two bodies; here 'hand' is named twice"),
        (
            Sensor("range", "switch"),
            ("hand", "wall"),
            "a gap is a length, and the sensor reads a switch; write kind: number, unit: m",
        ),
        (
            Sensor("range", "number", ANGLE),
            ("hand", "wall"),
            "a gap is a length, and the sensor reads an angle (such as deg); write unit: m",
        ),
    ],
)
def test_a_sensor_reads_the_gap_between_two_bodies_as_a_length(sensor: Sensor, gap: tuple[str, str], text: str) -> None:
    linked = replace(sensor, plant=PlantLink(gap=gap))
    assert said(HAND, WALL, sensors={"range": linked}) == [f"sensor 'range', plant: {text}"]


WAITING = Step("a", Wait(), duration=1)


def routine_problems(*outside: OutsideRange, step: Step = WAITING) -> list[tuple[str, str, str]]:
    block = Step("b", Choose((), (Step("inner", Wait(), duration=1),)))
    routine = Routine("r", machine(HAND, WALL, POST), (step, block), outside=outside)
    return [(problem.rule, problem.key, problem.message) for problem in problems_of(routine)]


def test_a_range_of_an_outside_body_is_within_that_of_the_machine() -> None:
    """R51: outside bodies are covered over ranges, which a routine may only narrow."""
    assert routine_problems(OutsideRange("post", (0.2, 1.0), "a")) == []
    for low, high in ((0.19, 1.0), (0.2, 1.01)):
        ((rule, key, message),) = routine_problems(OutsideRange("post", (low, high)))
        assert (rule, key) == ("R51", "outside.post.range")
        assert message.endswith("is not within that of 'post' in the machine file, 0.2 m to 1 m")
    for low, high in ((0.5, 0.4), (nan, 0.4), (0.3, inf)):
        ((_, key, message),) = routine_problems(OutsideRange("post", (low, high)))
        assert key == "outside.post.range"
        assert message.endswith("the first must be the smaller")


def test_a_range_is_of_a_body_outside_and_once_and_since_a_step_of_the_list() -> None:
    assert [message for *_, message in routine_problems(OutsideRange("wall", (0.2, 0.3)))] == [
        "'wall' is carried by frame; only a body outside the machine has a range"
    ]
    twice = (OutsideRange("post", (0.2, 0.3)), OutsideRange("post", (0.3, 0.4), "inner"))
    assert routine_problems(*twice) == [
        ("R51", "outside.post", "two ranges are given for 'post'"),
        ("R51", "outside.post.since", "'inner' stands inside a block, and need not happen"),
    ]
    assert routine_problems(OutsideRange("pots", (0.2, 0.3), "aa")) == [
        ("R51", "outside.pots", "unknown body 'pots'"),
        ("R51", "outside.pots.since", "unknown step 'aa'"),
    ]


def test_the_pair_that_may_touch_is_of_two_bodies_in_a_step_that_moves() -> None:
    """R46: the pair named in touching may meet, in that step only."""
    waiting = Step("a", Wait(), duration=1, touching=("wall", "lantern"))
    assert routine_problems(step=waiting) == [
        ("R46", "touching", "'touching' does not fit a wait; it fits move, flick, press")
    ]
    moving = Step("a", Move((("lift", At(0.5)),)), timeout=Timeout("none"), touching=("wall", "lantern"))
    assert routine_problems(step=moving) == []
    assert routine_problems(step=replace(moving, touching=("float", "pots"))) == [
        ("R46", "touching", "the piece 'float' has no parts"),
        ("R46", "touching", "unknown body 'pots'"),
    ]
    assert routine_problems(step=replace(moving, touching=("wall", "wall"))) == [
        ("R46", "touching", "'wall' is named twice")
    ]
