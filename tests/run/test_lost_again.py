"""Axes that are lost a second time, that lag a second time, and steps whose axis is not ready to move.
SEMANTICS R30, R33, R41, R42, R45, R46, R48.
"""

from __future__ import annotations

from typing import Any

import pytest
from rig import Rig, axis, checked, flick, machine, move, must_stay, press, started, wait

from sequencer.ports.readings import AxisReading, Parts

BEAM, GUARD = ["holds", "beam"], ["holds", "guard"]
WAITS = {"following": 0.05, "behind": "wait", "settle": 60_000_000}
ZERO = {"speed": -0.25, "until": BEAM, "then": 0.0, "once": None}


def on_lift(**changes: Any) -> Any:
    return machine([axis("lift", **changes), *machine()["axes"][1:]])


def parts_from(rig: Rig, *ticks: int) -> None:
    """In these ticks the two encoders of the lift are 0.9 m apart."""
    reading = rig.reading

    def told(now: int) -> Any:
        found = reading(now)
        found.parts = {"lift": Parts((0.0, 0.9 if rig.count in ticks else 0.0), ())}
        return found

    rig.reading = told  # type: ignore[method-assign]


# Lost, and lost again.


@pytest.mark.parametrize("zero", [None, ZERO])
def test_a_resting_axis_that_jumps_goes_off_each_time_it_does(zero: Any) -> None:
    """R48: it is held again after the reset, whether or not it has found its zero; the second jump is as bad."""
    rig = Rig(checked(on_lift(zero=zero), wait("A", 9.0))).run(5)
    for begin in (5, 15):
        assert rig.modes()[-1] == "hold"
        rig.positions["lift"] += 0.5
        rig.run(5)
        assert rig.modes()[begin:] == ["off"] * 5
        rig.runner.reset()
        rig.run(5)
        assert rig.modes()[begin + 5 :] == ["hold"] * 5
        assert rig.points()[-1] == rig.positions["lift"]
    assert len(rig.kinds("zero lost")) == (2 if zero is None else 1)


def test_a_resting_axis_whose_encoders_part_goes_off_though_nothing_has_jumped() -> None:
    """R42, R48."""
    rig = Rig(checked(on_lift(differ_by=0.1), wait("A", 9.0)))
    parts_from(rig, 5)
    rig.run(10)
    assert rig.modes() == ["hold"] * 5 + ["off"] * 5
    assert rig.runner._host.occupants["lift"].occupied() == (-3.0, 3.0)


def test_a_resting_axis_whose_actuator_says_that_it_is_lost_is_held_where_it_is_read() -> None:
    """R42: that is no lie; it follows what is read in each tick, and goes off where nothing is."""
    rig = Rig(checked(on_lift(), wait("A", 9.0))).run(5)
    place: dict[str, float | None] = {"is": 0.0}
    rig.readings["lift"] = lambda tick: AxisReading(place["is"], 0.0, 0.0, zeroed=False)
    rig.run(3)
    assert rig.modes()[5:] == ["hold"] * 3
    place["is"] = 0.02
    rig.run(1)
    assert rig.points()[-1] == 0.0  # anywhere by now: what it holds stays as it is
    rig = Rig(checked(on_lift(), wait("A", 9.0))).run(5)
    rig.readings["lift"] = AxisReading(0.02, 0.0, 0.0, zeroed=False)
    rig.run(1)
    assert (rig.modes()[-1], rig.points()[-1]) == ("hold", 0.02)
    rig = Rig(checked(on_lift(), wait("A", 9.0))).run(5)
    rig.readings["lift"] = AxisReading(None, 0.0, 0.0, zeroed=False)
    rig.run(1)
    assert rig.modes()[-1] == "off"


def test_a_second_lag_is_judged_by_its_own_evidence() -> None:
    """R45, R48: it lags, unloaded, and catches up; then it stands under its greatest current, which is a jam."""
    rig = started(checked(on_lift(tolerance=WAITS, most_current=40.0), move("m", {"lift": 2.5})), ticks=30)
    stood = rig.positions["lift"]
    rig.readings["lift"] = lambda tick: AxisReading(stood, 0.0, 0.0)
    rig.run(2)
    del rig.readings["lift"]
    rig.run(30)
    assert not rig.kinds("fault")
    stood = rig.positions["lift"]
    rig.readings["lift"] = lambda tick: AxisReading(stood, 0.0, 40.0)
    rig.run(15)
    assert "it stands still under 40 A, its greatest current, since 0.06 s; it is off" in rig.kinds("fault")[0].text


@pytest.mark.parametrize("most", [0.5, 4.0])
def test_a_current_that_is_not_read_is_no_current(most: float) -> None:
    """R48: a motor for which even one ampere would be much; a frozen reading alone is no evidence."""
    rig = started(checked(on_lift(tolerance=WAITS, most_current=most), move("m", {"lift": 2.5})), ticks=30)
    stood = rig.positions["lift"]
    rig.readings["lift"] = AxisReading(stood, 0.0, None)
    rig.run(15)
    assert "its current is not read" in rig.kinds("fault")[0].text
    assert rig.runner.status().not_zeroed == ()


# Not ready to move.

STEPS: dict[str, Any] = {
    "move": move("s", {"wrist": 1.0}, "A", once=BEAM),
    "flick": flick("s", 0.4, 0.5, 1.0, "A", once=BEAM),
    "press": press("s", 5.0, 1.0, "A", until=["holds", "clear"], once=BEAM),
}


@pytest.mark.parametrize("kind", STEPS)
@pytest.mark.parametrize(
    ("reading", "words"),
    [
        (AxisReading(None, 0.0, 0.0), "s: the position of wrist is unknown (wrist is missing since tick 5)"),
        (AxisReading(0.0, 0.0, 0.0, zeroed=False), "s: wrist is not zeroed"),
    ],
)
def test_a_step_whose_axis_is_not_ready_when_it_begins_faults_and_moves_nothing(
    kind: str, reading: AxisReading, words: str
) -> None:
    """R30, R42, R46: a fault of the machine; what an axis reads that no step has yet is no matter before."""
    out = dict(checked(machine(), wait("out", 0.1)).routine)
    rig = started(checked(machine(), wait("A", 0.2), STEPS[kind], on_fault=out), beam=True, clear=False, ticks=5)
    rig.readings["wrist"] = reading
    rig.run(20)
    (fault,) = [event for event in rig.kinds("fault") if event.run]
    assert (fault.tick, fault.text) == (10, words)
    assert {order.axes["wrist"].velocity for order in rig.orders} == {0.0}
    assert "effort" not in rig.modes("wrist")
    assert rig.outcomes("r")[0][1] == "faulted"
    assert rig.starts("out") == []


@pytest.mark.parametrize("kind", STEPS)
def test_a_step_whose_axis_may_not_move_when_its_gate_opens_faults_and_moves_nothing(kind: str) -> None:
    """R32: the interlock does not hold, which is no matter while the axis stands."""
    on = machine(must_stay=[must_stay("cover", GUARD, [1])])
    rig = started(checked(on, wait("A", 0.1), STEPS[kind]), beam=lambda tick: tick >= 10, clear=False, guard=False)
    rig.run(20)
    (fault,) = [event for event in rig.kinds("fault") if event.run]
    assert (fault.tick, fault.step) == (10, "s")
    assert fault.text == "s: wrist may not move: interlock cover: guard (guard false) does not hold"
    assert set(rig.modes("wrist")) == {"hold"}


@pytest.mark.parametrize("asked", ["zero", "jog"])
@pytest.mark.parametrize("what", ["unread", "interlock"])
def test_zeroing_and_jogging_fault_where_the_axis_is_not_ready(asked: str, what: str) -> None:
    """R42, R44: they are taken, and end in the same tick."""
    on = machine([axis("lift", zero=ZERO), *machine()["axes"][1:]], must_stay=[must_stay("cover", GUARD, [0])])
    rig = Rig(checked(on, wait("A", 9.0))).run(5)
    if what == "unread":
        rig.readings["lift"] = AxisReading(None, 0.0, 0.0)
    else:
        rig.sensors["guard"] = False
    rig.run(1)
    (rig.runner.zero("lift") if asked == "zero" else rig.runner.jog("lift", 0.5))
    rig.run(5)
    words = {
        "unread": "the position of lift is unknown (lift is missing since tick 5)",
        "interlock": "lift may not move: interlock cover: guard (guard false) does not hold",
    }[what]
    (fault,) = [event for event in rig.kinds("fault") if event.run]
    assert (fault.tick, fault.text) == (6, f"{asked}: {words}")
    assert rig.outcome(f"{asked} lift") == (6, "faulted")
    assert {order.axes["lift"].velocity for order in rig.orders} == {0.0}


def test_a_jog_that_can_not_change_its_speed_faults_with_its_reason() -> None:
    """R44: the interlock has opened in that tick; both reasons are kept."""
    on = machine(must_stay=[must_stay("cover", GUARD, [0])])
    rig = Rig(checked(on, wait("A", 9.0)))
    for speed in [0.5] * 10 + [-0.5]:
        rig.sensors["guard"] = speed > 0.0
        rig.runner.jog("lift", speed)
        rig.run(1)
    (fault,) = [event for event in rig.kinds("fault") if event.run]
    words = "interlock cover: guard (guard false) does not hold"
    assert (fault.step, fault.text) == ("jog", f"jog lift: lift may not move: {words}")
    assert rig.runner.status().runs[-1].chain == (fault.text, words)


def test_a_disabled_machine_neither_jogs_nor_zeroes() -> None:
    """R41: nor while something stops."""
    rig = Rig(checked(on_lift(zero=ZERO), move("m", {"lift": 2.0})))
    rig.enabled = False
    rig.run(2)
    rig.runner.zero("lift")
    rig.runner.jog("lift", 0.1)
    rig.run(1)
    assert rig.refusals() == ["the machine is not enabled"] * 2
    rig.enabled = True
    rig.start()
    rig.run(40)
    rig.runner.cancel()
    rig.run(1)
    rig.runner.zero("lift")
    rig.runner.jog("lift", 0.1)
    rig.run(1)
    assert rig.refusals()[2:] == ["lift is stopping"] * 2


def test_an_axis_that_is_not_zeroed_is_jogged_at_a_tenth_of_its_own_limits() -> None:
    """R42: -4 and 2 m/s: from -0.4 to 0.2 m/s, and no more once it moves."""
    limits = [[-4.0, 2.0], [-2.0, 2.0], None]
    for speed, taken in ((0.2, True), (0.21, False), (-0.4, True), (-0.41, False)):
        rig = Rig(checked(on_lift(limits=limits), wait("A", 9.0)))
        rig.readings["lift"] = lambda tick, rig=rig: AxisReading(rig.positions["lift"], 0.0, 0.0, zeroed=False)
        rig.run(2)
        rig.runner.jog("lift", speed)
        rig.run(1)
        because = f"{speed:g} m/s is outside -0.4 m/s to 0.2 m/s, because lift is not zeroed"
        assert rig.refusals() == ([] if taken else [because])
    rig.runner.jog("lift", 0.1)
    rig.run(4)
    rig.runner.jog("lift", 1.0)
    rig.run(3)
    assert rig.kinds("end", "jog")[-1].text == "done: let go"


def test_a_switch_that_is_read_while_all_gauges_fail_does_not_count() -> None:
    """R36: a fault that an axis reported before is not told anew by gauges that break."""
    rig = Rig(checked(machine(), wait("A", 9.0))).run(2)
    rig.readings["lift"] = AxisReading(0.0, 0.0, 0.0, fault="hot")
    rig.run(2)

    def broken(now: int) -> Any:
        found = Rig.reading(rig, now)
        found.axes = None  # type: ignore[assignment]
        return found

    rig.reading = broken  # type: ignore[method-assign]
    rig.start()
    rig.run(3)
    assert all("hot" not in event.text for event in rig.events)


@pytest.mark.parametrize(("last", "told"), [(0, True), (1, False)])
def test_motors_that_are_apart_for_a_nanosecond_less_than_a_stall_are_not_told(last: int, told: bool) -> None:
    """R48: 60 ms, counted from the first sample in which they are."""
    rig = started(checked(on_lift(tolerance=WAITS, most_current=40.0), move("m", {"lift": 2.0})), ticks=10)
    reading = rig.reading

    def apart(now: int) -> Any:
        found = reading(now)
        found.parts = {"lift": Parts((), (12.0, 0.1))}
        return found

    rig.reading = apart  # type: ignore[method-assign]
    rig.run(3).run(1, gap=20_000_000 - last)
    assert bool(rig.kinds("fault")) is told


def test_a_fault_is_reset_while_another_run_goes_on_and_not_while_something_stops() -> None:
    """R32, R44: a run on the wrist has faulted; the lift goes on."""
    on = machine()
    rig = Rig(
        checked(on, move("m", {"lift": 2.0}), name="a"),
        checked(on, wait("w", 0.2), press("n", 5.0, 9.0, "w"), name="b"),
        checked(on, wait("A", 0.1), name="c"),
    )
    rig.start("a")
    rig.start("b")
    rig.run(30)
    assert rig.outcome("b")[1] == "faulted"
    rig.start("c")
    rig.run(1)
    assert rig.refusals()[0].startswith("reset first; the last fault: n: wrist to 9 m is outside its travel")
    rig.runner.reset()
    rig.start("c")
    rig.run(10)
    assert rig.outcome("c")[1] == "done"
    rig.runner.fail("the bus is gone")
    rig.run(1)
    rig.runner.reset()
    rig.run(1)
    assert rig.runner.status().fault == "the bus is gone"
    rig.run(40)
    rig.runner.reset()
    rig.run(1)
    assert rig.runner.status().fault is None
