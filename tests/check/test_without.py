"""A routine on a day without a sensor."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from sequencer import ModelError, check, load_routine, rehearse
from sequencer.check import without
from sequencer.check.without import possible
from sequencer.machine.condition import Kind, parse_condition
from sequencer.plant import SensorSilent
from sequencer.units import LENGTH

DEMO = Path(__file__).parents[2] / "demos" / "lantern"
NAMES = {"gone": Kind(LENGTH), "there": Kind(LENGTH), "beam": Kind(), "lamp": Kind()}


@pytest.mark.parametrize(
    ("text", "can_be_true"),
    [
        ("gone < 1 m", False),
        ("not (gone < 1 m)", False),
        ("known(gone)", False),
        ("not known(gone)", True),
        ("gone < 1 m and there < 1 m", False),
        ("gone < 1 m or there < 1 m", True),
        ("not known(gone) or gone < 1 m", True),
        ("rising(beam)", False),
        ("falling(lamp)", True),
    ],
)
def test_a_condition_can_be_true_without_a_reading_or_not(text: str, can_be_true: bool) -> None:
    term = parse_condition(text, NAMES).term
    assert (True in possible(term, {"gone", "beam"})) is can_be_true


def test_the_demo_without_its_range_finder_is_told_as_it_happens_on_the_plant() -> None:
    routine = load_routine(DEMO / "hang_ridge.routine.yaml")
    told = {loss.step: loss for loss in without(routine, {"range_to_hook"}) if loss.step}
    assert set(told) == {"near", "away"}
    assert told["near"].message == (
        "'near' waits for what cannot be true (range_to_hook < 0.30 m); after its timeout the run is cancelled"
    )
    assert told["away"].message.endswith("it has no timeout and stays there until a person cancels")
    assert all(loss.ends for loss in told.values())
    (good, *_) = routine.rehearsals
    silent = [SensorSilent("range_to_hook")]
    found = rehearse(check(routine), machine=routine.machine, spec=good, faults=silent)
    assert found.outcome == "cancelled"
    assert [step.name for step in found.steps if step.outcome == "timeout"] == ["near"]


def test_a_choice_without_what_it_asks_goes_the_other_way() -> None:
    routine = load_routine(DEMO / "drop.routine.yaml")
    losses = without(routine, {"piece"})
    told = [loss.message for loss in losses if loss.step == "where"]
    assert told == ["'where' never takes its branch piece is float", "'where' never takes its branch piece is lantern"]
    assert not any(loss.ends for loss in losses)
    found = rehearse(check(routine), machine=routine.machine, piece="float", faults=[SensorSilent("piece")])
    assert "ask" in [step.name for step in found.steps]


def test_an_unknown_sensor_is_refused_with_the_nearest() -> None:
    routine = load_routine(DEMO / "drop.routine.yaml")
    with pytest.raises(ModelError, match="unknown sensor 'peice'; did you mean 'piece'"):
        without(routine, {"peice"})


def test_the_verb_tells_it_and_fails_where_the_run_would_end(
    capsys: pytest.CaptureFixture[str],
) -> None:
    from sequencer.cli import main

    call: Callable[..., Any] = main
    assert call(["check", str(DEMO / "to_stow.routine.yaml"), "--without", "range_to_hook"]) == 0
    assert call(["check", str(DEMO / "hang_ridge.routine.yaml"), "--without", "range_to_hook"]) == 1
    said = capsys.readouterr().out
    assert "hang_ridge.routine.yaml:15:3: without range_to_hook: ends the run: 'near' waits for what" in said
    assert call(["check", str(DEMO / "to_stow.routine.yaml"), "--without", "range_to_hok"]) == 2
