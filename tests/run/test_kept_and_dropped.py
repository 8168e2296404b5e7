"""What is kept from one tick to the next, and what is let go of: orders, speeds of a brake, spins that turned, zeros of
axes without power. SEMANTICS R3, R16, R32, R36, R40, R42, R49, R53.
"""

from __future__ import annotations

import os
from math import nextafter
from typing import Any

import pytest
from rig import (
    LIMITS,
    Rig,
    axis,
    checked,
    derived,
    keep_out,
    machine,
    move,
    number_parameter,
    press,
    pulse,
    sensor,
    started,
    wait,
)

from profiles import ProfileError
from sequencer.errors import RequestRefused
from sequencer.ports.readings import AxisReading
from sequencer.run import Confirmations, step_kinds

BEAM = ["holds", "beam"]
OFF = [{"mode": "off", "voltage": 0.0, "when": None}]
LONGEST = 100_000_000


def on_lift(**changes: Any) -> Any:
    return machine([axis("lift", **changes), *machine()["axes"][1:]])


def test_an_order_that_does_not_change_is_the_same_object() -> None:
    """R3: nothing is made anew in each tick for what stands or turns evenly."""
    rig = started(checked(machine(), move("m", {"lift": 0.1}), pulse("p", {"roller": 3.0}, 3.0)), ticks=60)
    for name in ("lift", "wrist", "roller"):
        assert rig.orders[-1].axes[name] is rig.orders[-2].axes[name]


def test_limits_weaker_than_a_brake_under_way_take_over_when_that_has_ended() -> None:
    """R53: a surely braking axis keeps to 4 m/s2; a move with 2 m/s2 that begins meanwhile would carry it too far."""
    on = on_lift(sure=[[-1.0, 1.0], [-4.0, 4.0], None])
    steps = [
        move("m", {"lift": 2.5}, until=[">=", "lift", 0.5], limits=LIMITS),
        wait("w", 0.06, "m"),
        move("n", {"lift": 0.66}, "w", limits=LIMITS),
    ]
    rig = started(checked(on, *steps), ticks=150)
    (begin, _, _) = rig.span("n")
    assert rig.orders[begin].axes["lift"].velocity == pytest.approx(1.0 - 4.0 * 0.06, abs=0.09)
    assert max(rig.points()) == pytest.approx(0.66, abs=0.03)
    assert max(rig.points()) < 0.68
    assert rig.outcome()[1] == "done"


def test_a_spin_that_is_off_turns_nothing_any_more() -> None:
    """R40, R27: its rest is off; what waits in vain is told as soon as its pulse is over."""
    on = machine([axis("lift"), axis("wrist"), axis("roller", "spin", rest=OFF)])
    steps = [pulse("p", {"roller": 7.5}, 0.2), wait("A", until=[">", "lift", 5.0], timeout=9.0)]
    rig = started(checked(on, *steps), ticks=30)
    assert rig.modes("roller") == ["effort"] * 10 + ["off"] * 20
    (told,) = rig.kinds("stuck")
    assert told.tick in (10, 11)


@pytest.mark.parametrize("drive", ["voltage", "speed"])
@pytest.mark.parametrize("value", [1.0, -1.0, 0.5])
def test_a_spin_that_turns_by_whatever_value_may_still_change_something(drive: str, value: float) -> None:
    """R40."""
    spin = pulse("p", {"roller": value}, until=[">", "lift", 5.0], timeout=9.0)
    spin["drives"] = [["axis", 2, drive, value]]
    rig = started(checked(machine(), spin), ticks=50)
    assert rig.kinds("stuck") == []
    spin["drives"] = [["axis", 2, drive, 0.0]]
    assert len(started(checked(machine(), spin), ticks=5).kinds("stuck")) == 1


def test_an_axis_without_power_may_lose_its_zero_while_its_step_waits() -> None:
    """R42, R30: it is asked for when the step begins to move."""
    on = on_lift(rest=OFF)
    rig = started(checked(on, move("m", {"lift": 1.0}, once=BEAM)), beam=lambda tick: tick >= 20, ticks=5)
    assert set(rig.modes()) == {"off"}
    rig.readings["lift"] = AxisReading(0.0, 0.0, 0.0, zeroed=False)
    rig.run(15)
    assert rig.kinds("fault") == []
    rig.run(1)
    (fault,) = [event for event in rig.kinds("fault") if event.run]
    assert fault.text == "m: lift is not zeroed"


@pytest.mark.parametrize("speed", [0.0, None])
@pytest.mark.parametrize(("age", "known"), [(LONGEST, True), (LONGEST + 1, False), (0, True)])
def test_a_reading_may_be_as_old_as_the_longest_gap(age: int, known: bool, speed: float | None) -> None:
    """R16: with a speed or without one."""
    rig = started(checked(machine(), wait("A", 9.0)), ticks=3)
    rig.readings["lift"] = AxisReading(0.0, speed, 0.0, age=age)
    rig.run(2)
    assert (rig.runner._host.values["lift"] is not None) is known
    if not known:
        assert rig.runner._host.unknown_reason("lift") == "lift is stale since tick 3"


def test_a_confirmation_is_handed_to_the_disk(tmp_path: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """R49: before the request returns; what a file says after it is what it says after a loss of power."""
    synced: list[int] = []
    sync = os.fsync
    monkeypatch.setattr(os, "fsync", lambda number: synced.append(os.fstat(number).st_size) or sync(number))
    made = Confirmations(tmp_path / "seen.jsonl")
    made.add("abc", "hang", "somebody")
    assert synced == [(tmp_path / "seen.jsonl").stat().st_size]
    assert made.hashes == Confirmations(tmp_path / "seen.jsonl").hashes == {"abc"}


def test_two_runs_that_end_in_one_tick_are_both_told_in_the_status() -> None:
    """R40: and one that ended earlier is not."""
    on = machine()
    rig = Rig(*(checked(on, wait("A", seconds), name=name) for name, seconds in (("a", 0.1), ("b", 0.2), ("c", 0.2))))
    for name in "abc":
        rig.start(name)
    rig.run(7)
    assert [run.name for run in rig.runner.status().runs] == ["a", "b", "c"]
    rig.run(10)
    assert [(run.name, run.state) for run in rig.runner.status().runs] == [("b", "done"), ("c", "done")]


@pytest.mark.parametrize("end", ["disabled", "abort", "cancel"])
def test_the_way_out_belongs_to_a_cancel_and_to_neither_an_abort_nor_a_disable(end: str) -> None:
    """R47, R41: not even when the machine is enabled again."""
    out = dict(checked(machine(), wait("out", 0.1)).routine)
    rig = started(checked(machine(), move("m", {"lift": 2.0}), on_cancel=out), ticks=20)
    if end == "disabled":
        rig.enabled = False
    else:
        getattr(rig.runner, end)()
    rig.run(2)
    rig.enabled = True
    rig.runner.reset()
    rig.run(60)
    assert bool(rig.starts("out")) is (end == "cancel")


def test_an_axis_that_can_not_go_on_is_a_fault_of_the_machine() -> None:
    """R47, R54: nothing is ordered but the stop."""

    def fail(states: Any) -> Any:
        raise ProfileError("by hand")

    out = dict(checked(machine(), wait("out", 0.1)).routine)
    box = keep_out("post", [0, 0.5, 2.0], [1, -1.0, 1.0], when=BEAM)
    on = machine(keep_outs=[box])
    rig = started(checked(on, move("m", {"lift": 2.5}), on_fault=out), ticks=80, beam=lambda tick: tick < 80)
    rig.runner._host.motions[0].aim = fail
    rig.run(20)
    assert rig.outcome()[1] == "faulted"
    assert rig.starts("out") == []


def test_a_derived_sensor_begins_anew_when_the_gauges_have_failed() -> None:
    """R15, R36: steady for 60 ms; no reading in tick 6."""
    on = machine(more_sensors=[sensor("calm", derived=derived(BEAM, steady=0.06))])
    rig = Rig(checked(on, wait("A", 9.0)), beam=lambda tick: tick >= 3)
    reading = rig.reading

    def fails(now: int) -> Any:
        found = reading(now)
        if rig.count == 6:
            found.axes = None
        return found

    seen = []
    for broken in (False, True):
        rig = Rig(checked(on, wait("A", 9.0)), beam=lambda tick: tick >= 3)
        reading = rig.reading
        if broken:
            rig.reading = fails  # type: ignore[method-assign]
        told = []
        for _ in range(12):
            rig.run(1)
            told.append(rig.runner._host.values["calm"])
        seen.append(told)
    assert seen[0] == [False] * 6 + [True] * 6
    assert seen[1] == [False] * 6 + [None] + [False] * 3 + [True] * 2


def test_a_press_is_ordered_in_the_readings_of_its_actuator() -> None:
    """R42, R46: the runner's own zero adds 0.5 m less where it stood; orders go without it."""
    zero = {"speed": -0.25, "until": BEAM, "then": 0.5, "once": None}
    on = machine([axis("lift"), axis("wrist", zero=zero), axis("roller", "spin")])
    routine = checked(on, press("p", 5.0, 1.25, until=["holds", "clear"]))
    rig = Rig(routine, beam=lambda tick: tick >= 20, clear=False)
    rig.run(2)
    rig.runner.zero("wrist")
    rig.run(50)
    added = rig.runner._host.values["wrist"] - rig.positions["wrist"]
    assert added == pytest.approx(0.5, abs=0.4)
    assert added != 0.0
    rig.start()
    rig.run(5)
    order = rig.orders[-1].axes["wrist"]
    assert (order.mode, order.current) == ("effort", 5.0)
    assert order.position == pytest.approx(1.25 - added)


@pytest.mark.parametrize(("current", "lies"), [(10.0, True), (nextafter(10.0, 0.0), False)])
def test_a_quarter_of_the_greatest_current_is_enough_to_call_a_reading_frozen(current: float, lies: bool) -> None:
    """R48: 10 of 40 A."""
    waits = {"following": 0.05, "behind": "wait", "settle": 60_000_000}
    rig = started(checked(on_lift(tolerance=waits, most_current=40.0), move("m", {"lift": 2.0})), ticks=20)
    rig.readings["lift"] = AxisReading(rig.positions["lift"], 1.0, current)
    rig.run(20)
    assert ("its reading has not changed" in rig.kinds("fault")[0].text) is lies


@pytest.mark.parametrize(("rise", "jammed"), [(4.0, False), (4.0 + 1e-9, True)])
def test_a_current_that_has_risen_by_more_than_a_tenth_tells_a_jam(rise: float, jammed: bool) -> None:
    """R45, R48: from 16 A on, of 40 A; it stands, by its place and its speed."""
    faults = {"following": 0.05, "behind": "wait", "settle": 60_000_000}
    rig = started(checked(on_lift(tolerance=faults, most_current=40.0), move("m", {"lift": 2.0})), ticks=20)
    stood = rig.positions["lift"]
    rig.readings["lift"] = lambda tick: AxisReading(stood, 0.0, 16.0 if tick < 25 else 16.0 + rise)
    rig.run(20)
    assert ("while its current rises from 16 to" in rig.kinds("fault")[0].text) is jammed


def test_an_axis_whose_actuator_finds_its_zero_may_move_again() -> None:
    """R42: nothing was wrong with it but that it had none; no reset is asked for."""
    rig = Rig(checked(machine(), move("m", {"lift": 0.5})))
    rig.readings["lift"] = lambda tick: AxisReading(rig.positions["lift"], 0.0, 0.0, zeroed=tick >= 5)
    rig.run(5)
    assert rig.runner.status().not_zeroed == (("lift", "its gauge says so"),)
    rig.run(5)
    assert rig.runner.status().not_zeroed == ()
    rig.start()
    rig.run(60)
    assert rig.outcome()[1] == "done"


def test_an_axis_that_was_stopped_off_rests_after_its_next_press() -> None:
    """R27, R33, R46: its rest is off; what kept it off before is over when it is driven again."""
    on = machine([axis("lift"), axis("wrist", stop="off", rest=OFF), axis("roller", "spin")])
    rig = Rig(
        checked(on, move("m", {"wrist": 1.0}), name="a"),
        checked(on, press("p", 5.0, 0.5, until=BEAM), name="b"),
        beam=lambda tick: tick >= 30,
    )
    rig.start("a")
    rig.run(10)
    rig.runner.cancel()
    rig.run(10)
    assert rig.modes("wrist")[10:] == ["off"] * 10
    rig.stuck.add("wrist")
    rig.start("b")
    rig.run(20)
    assert rig.modes("wrist")[20:] == ["effort"] * 10 + ["off"] * 10


def test_a_current_that_has_fallen_back_is_that_of_a_winding_that_turns() -> None:
    """R45, R48: it rose from 10 to 28 A and is at 20 A: whatever is read, no jam is told by it."""
    waits = {"following": 0.05, "behind": "wait", "settle": 60_000_000}
    currents = {20: 10.0, 21: 10.0, 22: 10.0, 23: 28.0}
    for last, jammed in ((20.0, False), (28.0, True)):
        rig = started(checked(on_lift(tolerance=waits, most_current=40.0), move("m", {"lift": 2.0})), ticks=20)
        stood = rig.positions["lift"]
        rig.readings["lift"] = lambda tick, last=last, stood=stood: AxisReading(stood, 0.0, currents.get(tick, last))
        rig.run(20)
        assert ("while its current rises from 10 to 28 A" in rig.kinds("fault")[0].text) is jammed


def test_a_sensor_that_is_assumed_stays_so_whatever_it_reads() -> None:
    """R50: read anew, read otherwise, or not read; until it is believed again."""
    rig = started(checked(machine(), wait("A", 9.0)), beam=lambda tick: (False, True, None)[tick % 3], ticks=2)
    rig.runner.assume("beam", False)
    seen = []
    for _ in range(7):
        rig.run(1)
        seen.append(rig.runner._host.values["beam"])
    assert seen == [False] * 7
    rig.runner.assume("beam", None)
    rig.run(2)
    assert rig.runner._host.values["beam"] is True


def test_a_parameter_out_of_its_range_is_told_with_six_figures() -> None:
    """R25, R40."""
    routine = checked(machine(), wait("A", 0.1), parameters=[number_parameter("h", 0.5, -1.0, 2.0)])
    with pytest.raises(RequestRefused, match=r"h is 2\.34568; allowed are -1 to 2"):
        Rig(routine).start(parameters={"h": 2.3456789})


def test_a_step_that_its_own_time_ends_is_done_in_the_tick_of_a_stop() -> None:
    """R23, R21: the times of that tick count."""
    for ticks, outcome in ((9, "aborted"), (10, "done")):
        rig = started(checked(machine(), wait("A", until=[">=", "A.elapsed", 0.2])), ticks=ticks)
        rig.runner.abort()
        rig.run(1)
        assert rig.ends("A") == [(ticks, outcome)]


@pytest.mark.parametrize(("early", "end"), [(5_000_000, 10), (5_000_001, 11)])
def test_a_step_sees_again_a_quarter_of_a_period_before_its_time(early: int, end: int) -> None:
    """R15, R17: blind for 0.2 s, less 5 ms and a nanosecond more."""
    rig = started(checked(machine(), wait("A", until=["not", BEAM], blind=0.2)), ticks=10).run(
        2, gap=20_000_000 - early
    )
    assert rig.ends("A") == [(end, "done")]


@pytest.mark.parametrize("gated", [False, True])
def test_a_step_that_can_not_be_planned_is_a_fault_of_the_machine(gated: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    """R30, R47: at its beginning, or when its gate opens."""

    def fail(*given: Any) -> Any:
        raise ProfileError("by hand")

    monkeypatch.setattr(step_kinds, "trapezoid", fail)
    out = dict(checked(machine(), wait("out", 0.1)).routine)
    step = move("m", {"lift": 1.0}, "A", **({"once": BEAM} if gated else {}))
    rig = started(checked(machine(), wait("A", 0.1), step, on_fault=out), beam=lambda tick: tick >= 8, ticks=20)
    (fault,) = [event for event in rig.kinds("fault") if event.run]
    assert (fault.tick, fault.step, fault.text) == (8 if gated else 5, "m", "m: by hand")
    assert rig.outcomes("r")[0][1] == "faulted"
    assert rig.starts("out") == []


def test_a_number_may_be_assumed_and_believed_again() -> None:
    """R50: a whole number as a number with a point."""
    rig = started(checked(machine(), wait("A", 9.0)), pressure=0.5, ticks=2)
    rig.runner.assume("pressure", 3)
    rig.run(2)
    assert repr(rig.runner._host.values["pressure"]) == "3.0"
    rig.runner.assume("pressure", None)
    rig.run(2)
    assert rig.runner._host.values["pressure"] == 0.5
