"""Readings that drop out and come back elsewhere: an encoder that was reset in between has lost its zero (R42, R48)."""

from __future__ import annotations

from math import nan

import pytest
from rig import Rig, axis, checked, keep_out, machine, move

from sequencer.errors import RequestRefused
from sequencer.ports.readings import AxisReading

HAND = machine(
    [axis("lift"), axis("wrist"), axis("roller", "spin")],
    keep_outs=[keep_out("box", [0, 0.6, 1.4], [1, -3.0, 3.0])],
)


def reset_encoder(rig: Rig, true: list[float], away: range, shift: float, missing: object = None) -> None:
    """The lift follows its set-point by its encoder, which is not read in some ticks and shifted from then on."""

    def read(tick: int) -> object:
        if tick in away:
            return missing if missing is None else AxisReading(missing, 0.0, 0.0, True)  # type: ignore[arg-type]
        return AxisReading(true[0] - (shift if tick >= away.stop else 0.0), 0.0, 0.0, True)

    rig.readings["lift"] = read


def follow(rig: Rig, true: list[float], ticks: int, away: range, shift: float) -> None:
    for _ in range(ticks):
        order = rig.tick().axes["lift"]
        if order.mode in ("hold", "track"):
            true[0] = order.position + (shift if len(rig.orders) > away.stop else 0.0)


@pytest.mark.parametrize("missing", [None, nan])
@pytest.mark.parametrize("ticks_away", [1, 3, 40])
def test_an_axis_that_is_held_and_read_again_elsewhere_goes_off(ticks_away: int, missing: object) -> None:
    away = range(10, 10 + ticks_away)
    rig, true = Rig(checked(HAND, move("up", {"lift": 0.2}))), [0.2]
    reset_encoder(rig, true, away, 0.9, missing)
    follow(rig, true, 20 + ticks_away, away, 0.9)
    assert true[0] == pytest.approx(0.2)
    assert rig.orders[-1].axes["lift"].mode == "off"
    assert [name for name, _ in rig.runner.status().not_zeroed] == ["lift"]
    assert any(event.kind == "zero lost" for event in rig.events)


@pytest.mark.parametrize("ticks_away", [1, 3])
def test_an_axis_that_is_read_again_where_it_was_is_held_on(ticks_away: int) -> None:
    away = range(10, 10 + ticks_away)
    rig, true = Rig(checked(HAND, move("up", {"lift": 0.2}))), [0.2]
    reset_encoder(rig, true, away, 0.0)
    follow(rig, true, 20, away, 0.0)
    assert rig.orders[-1].axes["lift"].mode == "hold"
    assert not rig.runner.status().not_zeroed


@pytest.mark.parametrize("words", [{"preempt": "no"}, {"restart": [0]}, {"preempt": None}, {"restart": 1}])
def test_words_that_are_neither_true_nor_false_are_refused(words: dict[str, object]) -> None:
    rig = Rig(checked(HAND, move("up", {"lift": 0.2}), name="a"))
    with pytest.raises(RequestRefused, match="must be True or False"):
        rig.runner.request("a", **words)  # type: ignore[arg-type]


def test_who_confirms_is_a_text_and_what_is_assumed_a_word() -> None:
    rig = Rig(checked(HAND, move("up", {"lift": 0.2}), name="a"))
    with pytest.raises(RequestRefused, match="must be a text"):
        rig.runner.confirm("a", 5)  # type: ignore[arg-type]
