"""Outputs that stay or go back, and what axes do when nothing moves them."""

from __future__ import annotations

from typing import Any

import pytest
from rig import (
    Rig,
    axis,
    checked,
    machine,
    move,
    number_parameter,
    perform,
    pulse,
    put,
    started,
    wait,
)

BEAM = ["holds", "beam"]
GUARD = ["holds", "guard"]


def test_a_set_stays_and_a_pulse_goes_back() -> None:
    """R26, R27: set at entry stays until the end of the run; a pulse is at rest in the tick of its end."""
    rig = started(
        checked(machine(), put("S", {"horn": 2.0}), pulse("P", {"lamp": True}, 0.06, "S"), wait("W", 0.06, "P")),
        ticks=9,
    )
    assert rig.output("horn") == [2.0] * 7 + [0.0] * 2
    assert rig.output("lamp") == [False] + [True] * 3 + [False] * 5


@pytest.mark.parametrize("end", ["until", "timeout", "cancel", "abort", "fault", "disable", "block", "loser"])
def test_a_pulse_goes_back_to_rest_exactly_once_whatever_ends_it(end: str) -> None:
    """R26: one fall of the output, in the tick of the end."""
    changes: dict[str, Any] = {"timeout": 5.0}
    if end == "until":
        changes["until"] = BEAM
    if end == "timeout":
        changes.update(timeout=0.1, on_timeout="continue")
    if end == "fault":
        changes["must_stay"] = ["not", BEAM]
    steps = [pulse("P", {"lamp": True, "roller": 3.0}, None, **changes)]
    if end == "block":
        steps = [perform("b", steps, timeout=0.1, on_timeout="continue")]
    if end == "loser":
        steps += [wait("A", 0.1), wait("J", 0.1, {"any": ["A", "P"]})]
    rig = started(checked(machine(), *steps), beam=lambda tick: tick >= 5, ticks=5)
    if end in ("cancel", "abort"):
        getattr(rig.runner, end)()
    rig.enabled = end != "disable"
    rig.run(10)
    assert rig.output("lamp") == [True] * 5 + [False] * 10
    assert rig.volts() == [3.0] * 5 + [0.0] * 10


def test_an_output_handed_over_is_not_reset_by_the_run_that_lost_it() -> None:
    """R27, R28: the cancelled run still brakes when the new one has set the output; its end does not touch it."""
    old = checked(machine(), put("s", {"horn": 1.0}), move("m", {"lift": 2.0}), name="old")
    new = checked(machine(), put("t", {"horn": 2.0}), wait("w", 1.0, "t"), name="new")
    rig = started(old, new, ticks=40)
    rig.start("new", preempt=True)
    rig.run(45)
    assert rig.outcome("old") == (65, "cancelled")
    assert rig.output("horn") == [1.0] * 40 + [2.0] * 45
    rig.run(10)
    assert rig.output("horn")[-1] == 0.0


def test_a_pulse_value_may_come_from_a_parameter() -> None:
    """R25, R26: volts and output values as parameters."""
    routine = checked(
        machine(),
        pulse("P", {"roller": ["parameter", "u"], "horn": ["parameter", "u"]}, 0.04),
        parameters=[number_parameter("u", 4.0)],
    )
    rig = started(routine, ticks=3)
    assert rig.volts() == [4.0, 4.0, 0.0]
    assert rig.output("horn") == [4.0, 4.0, 0.0]


@pytest.mark.parametrize("mode", ["hold", "brake", "off"])
@pytest.mark.parametrize("end", ["done", "cancelled", "faulted"])
def test_at_the_end_of_a_run_each_axis_does_what_its_rest_says(mode: str, end: str) -> None:
    """R27: of any kind of end, in that tick, without a jump."""
    rest = [{"mode": mode, "voltage": 0.0, "when": None}]
    on = machine([axis("lift", rest=rest), axis("wrist"), axis("roller", "spin")])
    rig = started(checked(on, move("m", {"lift": 1.0}, must_stay=GUARD)), ticks=1)
    if end != "done":
        rig.run(20)
    if end == "cancelled":
        rig.runner.cancel()
    if end == "faulted":
        rig.sensors["guard"] = False
    rig.run(90)
    tick, outcome = rig.outcome()
    assert outcome == end
    assert rig.modes()[tick - 1] in ("track", "hold")
    assert rig.modes()[tick] == mode
    if mode == "hold":
        points = rig.points()
        assert points[tick] == pytest.approx(points[tick - 1], abs=0.03)
        assert len(set(points[tick:])) == 1


def test_idle_axes_do_what_their_rest_says_for_the_sensor() -> None:
    """R43: between runs, rest may depend on a sensor."""
    rest = [
        {"mode": "voltage", "voltage": 1.5, "when": ["is", "piece", "lantern"]},
        {"mode": "voltage", "voltage": 0.0, "when": None},
    ]
    on = machine([axis("lift"), axis("wrist"), axis("roller", "spin", rest=rest)])
    rig = Rig(checked(on, wait("A", 0.1)), piece=lambda tick: "lantern" if tick >= 3 else "none")
    rig.run(5)
    assert rig.volts() == [0.0, 0.0, 0.0, 1.5, 1.5]


def test_idle_axes_hold_their_place() -> None:
    """R43: rest hold: the ordered place stays, whatever is measured."""
    rig = Rig(checked(machine(), wait("A", 0.1)))
    rig.positions["lift"] = 0.4
    rig.run(2)
    rig.positions["lift"] = 0.41
    rig.run(3)
    assert set(rig.points()) == {0.4}
    assert set(rig.modes()) == {"hold"}
