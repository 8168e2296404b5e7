"""Faults of the machine, after which its axes stop and stay, one by one; and of which axes they are looked for.
SEMANTICS R32, R33, R42, R45, R47, R48.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from rig import Rig, axis, checked, flick, keep_out, machine, move, must_stay, press, pulse, put, started, wait

from sequencer.ports.readings import AxisReading, Parts

BEAM, GUARD = ["holds", "beam"], ["holds", "guard"]
WAITS = {"following": 0.05, "behind": "wait", "settle": 60_000_000}
FAULTS = {**WAITS, "behind": "fault"}


def with_way_out(on: Any, *steps: Any) -> Any:
    """A routine that would sound the horn after a fault of the process."""
    return checked(on, *steps, on_fault=dict(checked(on, put("out", {"horn": 1.0})).routine))


def read(position: Callable[[Rig], float | None] | float | None, **changes: Any) -> Callable[[Rig], None]:
    """From now on the lift reads so."""

    def change(rig: Rig) -> None:
        place = position(rig) if callable(position) else position
        rig.readings["lift"] = AxisReading(place, 0.0, changes.pop("current", 0.0), **changes)

    return change


def late(rig: Rig) -> None:
    rig.now += 100_000_000


def parts(rig: Rig) -> None:
    reading = rig.reading

    def told(now: int) -> Any:
        found = reading(now)
        found.parts = {"lift": Parts((0.0, 0.9), ())}
        return found

    rig.reading = told  # type: ignore[method-assign]


def here(rig: Rig) -> float:
    return rig.positions["lift"]


def on_lift(**changes: Any) -> Any:
    interlocks = changes.pop("interlocks", [])
    lift = axis("lift", **{"tolerance": WAITS, "differ_by": 0.1, **changes})
    return machine([lift, axis("wrist"), axis("roller", "spin")], must_stay=interlocks)


UP = move("m", {"lift": 2.0})
CASES: dict[str, tuple[Any, Any, Callable[[Rig], Any], str]] = {
    "unread": (on_lift(), UP, read(None), "the position of lift is lost while it moves"),
    "reported": (on_lift(), UP, read(here, fault="hot"), "lift: hot"),
    "stalled": (on_lift(), UP, read(here), "lift is stalled"),
    "far": (on_lift(tolerance=FAULTS), UP, read(here), "away from its set-point"),
    "lying": (on_lift(most_current=40.0), UP, read(here, current=20.0), "its reading has not changed"),
    "jammed": (on_lift(most_current=40.0), UP, read(here, current=40.0), "lift is stalled: "),
    "jumped": (on_lift(), UP, read(lambda rig: here(rig) + 1.0), "lift has lost its zero: its reading jumped"),
    "not zeroed": (on_lift(), UP, read(here, zeroed=False), "lift has lost its zero"),
    "encoders": (on_lift(), UP, parts, "lift: its encoders read 0 m and 0.9 m"),
    "late": (on_lift(), UP, late, "no tick for 0.12 s while moving"),
    "failure": (on_lift(), UP, lambda rig: rig.runner.fail("the bus is gone"), "the bus is gone"),
    "interlock": (
        on_lift(interlocks=[must_stay("cover", GUARD, [0])]),
        UP,
        lambda rig: rig.sensors.update(guard=False),
        "interlock cover: guard (guard false) does not hold",
    ),
    "must_stay": (
        on_lift(),
        move("m", {"lift": 2.0}, must_stay=GUARD),
        lambda rig: rig.sensors.update(guard=False),
        "m: must_stay does not hold: guard (guard false)",
    ),
}


def happened(case: str) -> Rig:
    """It happens in tick 20, at full speed nearly."""
    on, step, happen, _ = CASES[case]
    rig = started(with_way_out(on, step), ticks=20)
    happen(rig)
    return rig.run(80)


@pytest.mark.parametrize("case", CASES)
def test_after_a_fault_of_the_machine_nothing_is_ordered_but_the_stop(case: str) -> None:
    """R47: no way out is begun; told once, with what it is."""
    rig = happened(case)
    assert rig.outcome()[1] == "faulted"
    assert CASES[case][3] in rig.kinds("fault")[0].text
    assert rig.runner.status().runs[-1].chain[0] == rig.kinds("fault")[0].text
    assert 1.0 not in rig.output("horn")


def test_after_a_fault_of_the_process_the_way_out_is_taken() -> None:
    """R47: the same routine, by a timeout."""
    rig = started(with_way_out(on_lift(), wait("w", until=BEAM, timeout=0.2)), ticks=30)
    assert rig.outcome() == (10, "faulted")
    assert rig.output("horn").index(1.0) == 11


START_FAILS: dict[str, tuple[Any, str]] = {
    "interlock": (
        (machine(must_stay=[must_stay("cover", BEAM, [1])]), move("n", {"wrist": 1.0}, "w")),
        "wrist may not move: interlock cover: beam (beam false) does not hold",
    ),
    "must_stay": ((machine(), move("n", {"wrist": 1.0}, "w", must_stay=BEAM)), "must_stay does not hold: beam"),
    "in use": ((machine(), move("n", {"lift": 1.0}, "w")), "lift is in use by m"),
    "output": ((machine(), put("n", {"lamp": True}, "w")), "output lamp is in use by p"),
    "not zeroed": ((machine(), move("n", {"wrist": 1.0}, "w")), "wrist is not zeroed"),
    "unread": ((machine(), move("n", {"wrist": 1.0}, "w")), "the position of wrist is unknown (wrist is missing"),
}


@pytest.mark.parametrize("case", START_FAILS)
def test_a_step_that_cannot_start_for_the_machines_sake_is_a_fault_of_the_machine(case: str) -> None:
    """R28, R30, R32, R47: named by its step; everything else stops in that tick and no way out is begun."""
    (on, step), words = START_FAILS[case]
    rig = started(
        with_way_out(on, move("m", {"lift": 2.0}), pulse("p", {"lamp": True}, 9.0), wait("w", 0.2), step), ticks=8
    )
    if case in ("not zeroed", "unread"):
        rig.readings["wrist"] = AxisReading(0.0 if case == "not zeroed" else None, 0.0, 0.0, case != "not zeroed")
    rig.run(60)
    fault = rig.kinds("fault")[0]
    assert (fault.tick, fault.step) == (10, "n")
    assert fault.text.startswith(f"n: {words}")
    assert rig.ends("n") == [(10, "error")]
    assert rig.ends("m") == [(10, "aborted")]
    assert 1.0 not in rig.output("horn")


@pytest.mark.parametrize(
    ("step", "words"),
    [
        (move("n", {"lift": 3.5}, "w"), "n: lift to 3.5 m is outside its travel, -3 m to 3 m"),
        (move("n", {"lift": -3.5}, "w"), "n: lift to -3.5 m is outside its travel, -3 m to 3 m"),
        (flick("n", 0.5, 0.5, 3.25, "w"), "n: wrist to 3.25 m is outside its travel, -3 m to 3 m"),
        (press("n", 5.0, -3.25, "w", until=BEAM), "n: wrist to -3.25 m is outside its travel, -3 m to 3 m"),
        (
            move("n", {"lift": ["reading", "pressure", 0.5, 2.0]}, "w"),
            "n: pressure reads 0.25 m, outside 0.5 m to 2 m; lift was not moved",
        ),
        (
            move("n", {"lift": ["per", "piece", {"lantern": 0.5, "float": 1.0}]}, "w"),
            "n: piece is none; the move knows lantern, float",
        ),
    ],
)
def test_a_goal_that_cannot_be_is_a_fault_of_the_process(step: Any, words: str) -> None:
    """R30, R47: the way out is taken."""
    rig = started(with_way_out(machine(), wait("w", 0.1), step), ticks=20, pressure=0.25)
    assert rig.kinds("fault")[0].text == words
    assert 1.0 in rig.output("horn")


def test_the_ends_of_the_travel_and_of_a_reading_may_be_gone_to() -> None:
    """R30: exactly to them."""
    for goal, reads in ((3.0, 1.0), (-3.0, 1.0), (["reading", "pressure", 0.5, 2.0], 0.5)):
        rig = started(checked(machine(), move("m", {"lift": goal})), ticks=5, pressure=reads)
        assert not rig.kinds("fault")
    rig = started(checked(machine(), move("m", {"lift": ["reading", "pressure", 0.5, 2.0]})), ticks=5, pressure=2.0)
    assert not rig.kinds("fault")


# Which axes are looked at.


def test_a_fault_that_a_pushing_or_a_settling_axis_reports_is_a_fault() -> None:
    """R48: an axis has a step though no profile is under way."""
    slow = {"settle": 400_000_000}
    on = machine([axis("lift", tolerance=slow), *machine()["axes"][1:]])
    for step, name in ((press("s", 5.0, 2.0, until=BEAM), "wrist"), (move("s", {"lift": 0.01}), "lift")):
        rig = started(checked(on, step), ticks=15)
        assert rig.runner._host.motions[0].profile is None
        rig.readings[name] = AxisReading(0.01, 0.0, 0.0, fault="hot")
        rig.run(1)
        assert [event.text for event in rig.kinds("fault")] == [f"{name}: hot"]


def test_a_fault_that_a_resting_axis_of_a_run_reports_is_none_of_the_run() -> None:
    """R48: it has been moved and has no step any more; a spin that turns is looked at."""
    steps = [move("m", {"lift": 0.01}), wait("w", 9.0)]
    rig = started(checked(machine(), *steps), ticks=20)
    rig.readings["lift"] = AxisReading(0.01, 0.0, 0.0, fault="hot")
    rig.run(3)
    assert not rig.kinds("fault")
    rig = started(checked(machine(), pulse("p", {"roller": 4.0}, 9.0)), ticks=5)
    rig.readings["roller"] = AxisReading(None, 0.0, 0.0, fault="hot")
    rig.run(1)
    assert [event.text for event in rig.kinds("fault")] == ["roller: hot"]


# The watch after a stop.


def stopped(**changes: Any) -> Rig:
    """The lift was moving and was cancelled; it has stood for a while and is watched."""
    on = machine([axis("lift", tolerance=WAITS), *machine()["axes"][1:]], **changes)
    rig = started(checked(on, move("m", {"lift": 2.0})), checked(on, move("n", {"lift": 0.5}), name="back"), ticks=20)
    rig.runner.cancel()
    return rig.run(40)


@pytest.mark.parametrize("sense", [1.0, -1.0])
def test_a_stopped_axis_may_stray_by_its_band_and_no_farther(sense: float) -> None:
    """R33: 50 mm."""
    for by, off in ((0.0499, False), (0.0501, True)):
        rig = stopped()
        rig.stuck.add("lift")
        rig.positions["lift"] += sense * by
        rig.run(2)
        assert (rig.modes()[-1] == "off") is off
        assert len(rig.kinds("fault")) == off


def test_a_stopped_axis_that_is_not_read_or_not_zeroed_is_not_judged() -> None:
    """R33, R16, R42: nothing is known of it; where it has lost its zero it does not hold its old place either."""
    for reading in (AxisReading(None, None, None), AxisReading(0.9, 0.0, 0.0, zeroed=False)):
        rig = stopped()
        rig.readings["lift"] = reading
        rig.run(5)
        assert rig.kinds("fault") == []
        assert rig.modes()[-1] == ("hold" if reading.zeroed else "off")


def test_the_watch_of_a_stop_ends_with_the_next_move_for_good() -> None:
    """R33: an axis that has moved on order since is not held to where it was stopped, nor to where it came."""
    rig = stopped()
    rig.start("back")
    rig.run(80)
    assert rig.outcome("back")[1] == "done"
    rig.stuck.add("lift")
    rig.positions["lift"] += 0.06
    rig.run(3)
    assert rig.kinds("fault") == []
    assert rig.modes()[-1] == "hold"


def test_the_first_fault_is_kept_when_a_stopped_axis_moves_as_well() -> None:
    """R33, R40: it is told, and the reset asks for the first."""
    rig = started(checked(on_lift(), UP), ticks=20)
    rig.runner.fail("the bus is gone")
    rig.run(40)
    rig.stuck.add("lift")
    rig.positions["lift"] -= 0.06
    rig.run(2)
    assert rig.kinds("fault")[-1].text.startswith("lift is 0.06 m away from where it was to stand after its stop")
    assert rig.runner.status().fault == "the bus is gone"


def test_a_press_that_is_stopped_lets_go_while_other_axes_still_brake() -> None:
    """R33, R46: in the tick of the stop, by the kind of its own axis."""
    for stop, mode in (("ramp_then_hold", "hold"), ("ramp_then_off", "off"), ("off", "off")):
        on = machine([axis("lift"), axis("wrist", stop=stop), axis("roller", "spin")])
        rig = started(
            checked(on, move("m", {"lift": 2.0}), press("p", 5.0, 2.0, until=BEAM)), ticks=30, stuck=["wrist"]
        )
        rig.runner.cancel()
        rig.run(5)
        assert rig.modes("wrist")[29:35] == ["effort", *[mode] * 5]
        assert rig.runner.status().runs[-1].state == "stopping"
        assert rig.modes()[-1] == "track"


def test_a_press_holds_from_the_tick_in_which_the_last_step_ends() -> None:
    """R46, R27: though another axis of the run still comes to rest."""
    steps = [move("m", {"lift": 2.0}, until=BEAM), press("p", 5.0, 2.0, until=["holds", "beam"])]
    rig = started(checked(machine(), *steps), ticks=60, stuck=["wrist"], beam=lambda tick: tick >= 30)
    assert rig.modes("wrist")[29:34] == ["effort", *["hold"] * 4]
    assert rig.outcome()[0] > 40


# Keep-outs and axes whose place is not known.


def test_an_unpowered_axis_that_is_not_read_may_be_anywhere() -> None:
    """R29, R42: another axis stays out of what both make up together; read again, it goes on."""
    on = machine(
        [axis("lift"), axis("wrist", rest=[{"mode": "off", "voltage": 0.0, "when": None}]), axis("roller", "spin")],
        keep_outs=[keep_out("post", [0, 0.5, 1.0], [1, 1.0, 2.0])],
    )
    rig = Rig(checked(on, move("m", {"lift": 1.5})))
    rig.readings["wrist"] = lambda tick: AxisReading(None if 5 <= tick < 100 else 0.0, 0.0, 0.0)
    rig.start()
    rig.run(95)
    assert rig.points()[-1] == pytest.approx(0.49, abs=1e-6)
    rig.run(100)
    assert rig.points()[-1] == 1.5


def test_a_pushing_axis_that_is_not_read_goes_off_and_may_be_anywhere() -> None:
    """R46, R42, R16: there is no place to hold it at, and another axis stays out of what both make up together."""
    on = machine(keep_outs=[keep_out("post", [0, 0.5, 1.0], [1, 1.0, 2.0])])
    rig = Rig(checked(on, press("p", 5.0, 0.8, until=BEAM)), checked(on, move("m", {"lift": 1.5}), name="m"))
    rig.readings["wrist"] = lambda tick: AxisReading(None if tick >= 5 else 0.1, 0.0, 0.0)
    rig.start()
    rig.run(10)
    assert rig.modes("wrist")[4:6] == ["effort", "off"]
    assert rig.outcome() == (5, "faulted")
    rig.runner.reset()
    rig.start("m")
    rig.run(110)
    assert rig.points()[-1] == pytest.approx(0.49, abs=1e-6)
