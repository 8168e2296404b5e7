"""What is watched while axes move or stand: SEMANTICS R33, R45, R48."""

from __future__ import annotations

from typing import Any

import pytest
from rig import Rig, axis, checked, machine, move, started

from sequencer.ports.readings import AxisReading, Parts

WAITS = {"following": 0.05, "behind": "wait", "settle": 60_000_000}


def on_lift(**changes: Any) -> Any:
    return machine([axis("lift", tolerance=WAITS, **changes), axis("wrist"), axis("roller", "spin")])


def follow(rig: Rig, speed: float, jammed_from: int = 10**9) -> Rig:
    """The lift follows its set-point no faster than `speed` [m/s], and not at all from a tick on."""
    place = {"is": 0.0}

    def read(tick: int) -> AxisReading:
        if rig.orders and tick < jammed_from:
            away = rig.orders[-1].axes["lift"].position - place["is"]
            place["is"] += max(-speed * 0.02, min(speed * 0.02, away))
        return AxisReading(place["is"], 0.0, 0.0)

    rig.readings["lift"] = read
    return rig


def test_a_slow_axis_is_waited_for_and_arrives() -> None:
    """R45: the motion clock advances as the following error allows; a third of the speed is no stall."""
    rig = follow(started(checked(on_lift(), move("m", {"lift": 1.0}))), 0.3)
    rig.run(220)
    assert rig.outcome()[1] == "done"
    assert rig.outcome()[0] > 160


def test_a_jammed_axis_is_a_stall_and_not_a_slow_creep() -> None:
    """R45: no progress for the settle time faults, though the error never reaches twice the tolerance."""
    rig = follow(started(checked(on_lift(), move("m", {"lift": 1.0}))), 0.9, jammed_from=30).run(90)
    (fault,) = [event for event in rig.kinds("fault") if event.run]
    assert "lift is stalled: " in fault.text
    assert "no nearer for 0.06 s" in fault.text
    assert fault.tick < 40
    assert rig.outcome()[1] == "faulted"


def test_twice_the_tolerance_faults_at_once() -> None:
    """R45: pulled back within its own position tolerance, which is no evidence of a lie."""
    on = machine([axis("lift", tolerance={**WAITS, "position": 0.05}), *machine()["axes"][1:]])
    rig = started(checked(on, move("m", {"lift": 1.0})), ticks=30)
    rig.readings["lift"] = AxisReading(rig.positions["lift"] - 0.05, 0.0)
    rig.run(1)
    rig.readings["lift"] = AxisReading(rig.positions["lift"] - 0.11, 0.0)
    rig.run(1)
    assert "away from its set-point; allowed are 0.05" in rig.kinds("fault")[0].text


def test_the_clock_of_a_brake_never_waits() -> None:
    """R45, R53: a held move that lags brakes along its own profile."""
    rig = follow(started(checked(on_lift(), move("m", {"lift": 1.0}))), 0.6).run(20)
    rig.runner.hold()
    rig.run(1)
    begin = rig.orders[-1].axes["lift"].velocity
    rig.run(5)
    assert rig.orders[-1].axes["lift"].velocity == pytest.approx(begin - 0.2)


@pytest.mark.parametrize(
    ("speed", "current", "behind", "words"),
    [
        (0.0, 12.0, "wait", "lift: its reading has not changed for"),
        (0.05, 39.0, "fault", "lift: its effort is saturated, 39 A for"),
        (-0.4, 5.0, "wait", "lift: it moves against its order:"),
    ],
)
def test_a_lying_encoder_is_named_by_its_evidence_and_the_axis_goes_off(
    speed: float, current: float, behind: str, words: str
) -> None:
    """R48: frozen under current, saturated while the error grows, motion against the order: off, zero lost, faulted."""
    on = machine([axis("lift", tolerance={**WAITS, "behind": behind}, most_current=40.0), *machine()["axes"][1:]])
    rig = started(checked(on, move("m", {"lift": 1.0, "wrist": 1.0})), ticks=12)
    begin, tick = rig.positions["lift"], rig.count
    rig.readings["lift"] = lambda now: AxisReading(begin + speed * 0.02 * (now - tick), speed, current)
    rig.run(40)
    fault = next(event for event in rig.kinds("fault") if event.run)
    assert fault.text.startswith(words)
    assert rig.modes()[fault.tick] == "off"
    assert rig.modes("wrist")[fault.tick] == "track"
    assert rig.runner.status().not_zeroed[0][0] == "lift"
    assert rig.outcome()[1] == "faulted"


def test_motors_of_one_axis_of_which_one_does_not_push_are_told_apart() -> None:
    """R48: for the time of a stall, not for one sample."""
    rig = started(checked(on_lift(most_current=40.0), move("m", {"lift": 2.0})), ticks=10)
    reading = rig.reading

    def with_parts(now: int) -> Any:
        found = reading(now)
        found.parts = {"lift": Parts((), (12.0, 0.4 if rig.count >= 10 else 11.0)), "nothing": Parts()}
        return found

    rig.reading = with_parts  # type: ignore[method-assign]
    rig.run(10)
    (fault,) = rig.kinds("fault")
    assert fault.text == "lift: its motors draw 12 and 0.4 A; one of them does not push"
    assert fault.tick == 13
    assert rig.modes()[13] == "off"


def test_an_axis_that_moves_after_a_stop_is_switched_off() -> None:
    """R33: the standstill watch after ramp_then_hold: 0.05 m are allowed; a reset ends it."""
    rig = started(checked(on_lift(), move("m", {"lift": 2.0})), ticks=40)
    rig.runner.cancel()
    rig.run(40)
    rig.stuck.add("lift")
    rig.positions["lift"] -= 0.04
    rig.run(2)
    assert rig.modes()[-1] == "hold"
    rig.positions["lift"] -= 0.03
    rig.run(2)
    assert rig.modes()[-1] == "off"
    assert rig.runner.status().fault == "lift moved 0.07 m from where it was stopped; allowed are 0.05 m; it is off"
    rig.start()
    rig.run(1)
    assert "reset first" in rig.refusals()[-1]
