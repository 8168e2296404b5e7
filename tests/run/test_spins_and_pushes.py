"""Spins and pushes where they are stopped, taken over and forbidden: nothing turns or pushes that nobody asks for.
SEMANTICS R26, R27, R28, R32, R33, R35, R44, R46, R53.
"""

from __future__ import annotations

from itertools import pairwise
from math import nan
from typing import Any

import pytest
from rig import Rig, axis, checked, keep_out, machine, move, must_stay, press, pulse, started, wait

from sequencer.ports.readings import AxisReading

BEAM = ["holds", "beam"]
AT_REST = (0.0, 0.0)


def at_speed(step: dict[str, Any]) -> dict[str, Any]:
    """The same pulse by a speed instead of a voltage."""
    for drive in step["drives"]:
        drive[2] = "speed"
    return step


def turns(rig: Rig) -> tuple[float, float]:
    order = rig.orders[-1].axes["roller"]
    return (order.volts, order.velocity) if order.mode in ("effort", "track") else AT_REST


DRIVES = {
    "volts": lambda name: pulse(name, {"roller": 5.0}, 9.0),
    "speed": lambda name: at_speed(pulse(name, {"roller": 0.8}, 9.0)),
}


# Spins.


@pytest.mark.parametrize("drive", DRIVES)
@pytest.mark.parametrize("asked", ["pulse", "jog", "hold"])
def test_a_spin_that_was_taken_over_and_stopped_before_its_next_pulse_is_no_ghost(drive: str, asked: str) -> None:
    """R26, R27, R44: with `stop: off` it stays off, and what is asked for later ends at rest all the same."""
    on = machine([axis("lift"), axis("wrist"), axis("roller", "spin", stop="off")])
    later = checked(on, wait("w", 1.0), pulse("q", {"roller": 3.0}, 0.2, after=["w"]), name="b")
    rig = Rig(checked(on, DRIVES[drive]("p"), name="a"), later, checked(on, pulse("c", {"roller": 6.0}, 0.1), name="c"))
    rig.start("a")
    rig.run(5)
    rig.start("b", preempt=True)
    rig.run(5)
    rig.runner.cancel()
    rig.run(10)
    if asked == "jog":
        rig.runner.jog("roller", 0.5)
        rig.run(1)
        assert turns(rig) == (0.0, 0.5)
    else:
        rig.start("c")
        rig.run(2)
        assert turns(rig) == (6.0, 0.0)
    if asked == "hold":
        rig.runner.hold()
    rig.run(30)
    assert turns(rig) == AT_REST


@pytest.mark.parametrize("drive", DRIVES)
def test_a_spin_rests_while_the_routine_that_took_it_over_does_something_else(drive: str) -> None:
    """R44, R27: and in its hold."""
    on = machine()
    other = checked(on, wait("w", 9.0), pulse("q", {"roller": 3.0}, 0.2, after=["w"]), name="b")
    rig = started(checked(on, DRIVES[drive]("p")), other, ticks=5)
    rig.start("b", preempt=True)
    rig.run(1)
    assert turns(rig) == AT_REST
    rig.runner.hold()
    rig.run(20)
    assert turns(rig) == AT_REST


@pytest.mark.parametrize("drive", DRIVES)
def test_a_spin_rests_at_the_closed_gate_of_the_step_that_took_it(drive: str) -> None:
    """R28, R32."""
    on = machine()
    gated = checked(on, pulse("q", {"roller": 3.0}, 0.2, once=BEAM, preempt=True), name="b")
    rig = started(checked(on, DRIVES[drive]("p")), gated, ticks=5)
    rig.start("b")
    rig.run(10)
    assert turns(rig) == AT_REST
    assert rig.ends("p") == [(5, "aborted")]
    rig.sensors["beam"] = True
    rig.run(1)
    assert turns(rig) == (3.0, 0.0)


def test_a_spin_that_is_jogged_stops_in_a_hold_and_turns_when_asked_anew() -> None:
    """R35, R42: not by the resume itself."""
    rig = Rig(checked(machine(), wait("w", 1.0)))
    for _ in range(5):
        rig.runner.jog("roller", 0.5)
        rig.run(1)
    assert turns(rig) == (0.0, 0.5)
    rig.runner.hold()
    rig.run(3)
    assert turns(rig) == AT_REST
    rig.runner.resume()
    rig.run(1)
    assert turns(rig) == AT_REST
    rig.run(1)
    rig.runner.jog("roller", 0.5)
    rig.run(1)
    assert turns(rig) == (0.0, 0.5)


@pytest.mark.parametrize("drive", DRIVES)
def test_an_interlock_on_a_spin_stops_it_and_lets_none_begin(drive: str) -> None:
    """R32: in the tick in which it does not hold, the activation tick included."""
    on = machine(must_stay=[must_stay("cover", ["holds", "guard"], [2])])
    rig = started(checked(on, DRIVES[drive]("p")), ticks=5)
    assert turns(rig) != AT_REST
    rig.sensors["guard"] = False
    rig.run(1)
    assert turns(rig) == AT_REST
    assert rig.kinds("fault")[0].text == "interlock cover: guard (guard false) does not hold"
    rig = started(checked(on, DRIVES[drive]("p")), ticks=1, guard=False)
    assert turns(rig) == AT_REST
    assert rig.kinds("fault")[0].text == "p: roller may not move: interlock cover: guard (guard false) does not hold"


def test_an_interlock_on_a_spin_holds_for_jogs() -> None:
    """R32, R42."""
    on = machine(must_stay=[must_stay("cover", ["holds", "guard"], [2])])
    rig = Rig(checked(on, wait("w", 1.0)))
    rig.runner.jog("roller", 0.5)
    rig.run(1)
    assert turns(rig) == (0.0, 0.5)
    rig.sensors["guard"] = False
    for _ in range(3):
        rig.runner.jog("roller", 0.5)
        rig.run(1)
        assert turns(rig) == AT_REST
    rig = Rig(checked(on, wait("w", 1.0)), guard=False)
    rig.runner.jog("roller", 0.5)
    rig.run(1)
    assert turns(rig) == AT_REST


# Pushes that are not at a stop yet.


def ways_to_end(rig: Rig, how: str) -> None:
    if how == "cancel":
        rig.runner.cancel()
    elif how == "hold":
        rig.runner.hold()
    else:
        rig.start("b", preempt=True)


@pytest.mark.parametrize("how", ["cancel", "hold", "taken over"])
def test_a_push_that_ends_in_motion_brakes_along_the_stopping_profile(how: str) -> None:
    """R33, R35, R44, R46, R53: its set-points begin with the speed that is read."""
    on = machine()
    other = checked(on, wait("w", 9.0), move("n", {"lift": 0.0}, "w"), name="b")
    rig = started(checked(on, press("p", 5.0, 2.5, axis="lift", until=BEAM)), other, ticks=30)
    pushed = rig.positions["lift"]
    ways_to_end(rig, how)
    rig.run(40)
    speeds = [orders.axes["lift"].velocity for orders in rig.orders[30:]]
    assert rig.modes()[29:31] == ["effort", "track"]
    assert speeds[0] == pytest.approx(1.0)
    assert all(after <= before for before, after in pairwise(speeds))
    assert speeds[-1] == 0.0
    assert pushed + 0.2 < rig.points()[-1] < pushed + 0.3


def test_what_presses_in_motion_takes_no_new_request_before_it_stands() -> None:
    """R34: nor is its run over before."""
    on = machine()
    rig = started(
        checked(on, press("p", 5.0, 2.5, axis="lift", until=BEAM)),
        checked(on, move("m", {"lift": 0.0}), name="m"),
        ticks=30,
    )
    rig.runner.cancel()
    rig.run(1)
    rig.start("m")
    rig.run(1)
    assert rig.refusals() == ["lift is stopping"]
    rig.run(40)
    assert rig.outcome()[1] == "cancelled"
    assert rig.outcome()[0] > 45


def test_a_press_that_was_stopped_in_motion_is_watched_where_it_stands() -> None:
    """R33: one that drifts on is switched off."""
    rig = started(checked(machine(), press("p", 5.0, 2.5, axis="lift", until=BEAM)), ticks=30)
    rig.runner.cancel()
    rig.run(60)
    rig.stuck.add("lift")
    for _ in range(3):
        rig.positions["lift"] += 0.01
        rig.run(1)
    assert rig.modes()[-1] == "off"
    assert "away from where it was to stand after its stop" in rig.kinds("fault")[-1].text


def test_a_finished_push_that_moves_brakes_at_the_closed_gate_of_the_next_step() -> None:
    """R32, R46: a step that waits at its gate has its axis at rest, not under the effort of the one before."""
    steps = [
        press("p", 5.0, 2.5, axis="lift", until=[">", "lift", 0.5]),
        move("m", {"lift": 0.0}, "p", once=BEAM),
    ]
    rig = started(checked(machine(), *steps), ticks=120)
    assert rig.positions["lift"] == pytest.approx(0.77, abs=0.03)
    assert rig.modes()[-1] == "hold"
    rig.sensors["beam"] = True
    rig.run(150)
    assert rig.outcome()[1] == "done"
    assert rig.points()[-1] == 0.0


@pytest.mark.parametrize("until", [0.3, 0.5, 0.7, 0.8])
@pytest.mark.parametrize("delay", [0, 2, 4])
def test_no_push_that_is_taken_over_in_motion_lets_another_axis_into_the_box_with_it(until: float, delay: int) -> None:
    """R46, R53, R54: while its latency lasts it may go on as fast as its push allows, and from there it must stop."""
    latency = [0, delay * 20_000_000]
    on = machine(
        [axis("lift", latency=latency), axis("wrist"), axis("roller", "spin")],
        keep_outs=[keep_out("post", [0, 0.9, 2.0], [1, 0.2, 2.0])],
    )
    steps = [
        press("p", 5.0, 0.85, axis="lift", until=[">", "lift", until]),
        move("back", {"lift": 0.0}, "p"),
    ]
    rig = Rig(checked(on, *steps), checked(on, move("w", {"wrist": 1.0}), name="w"), delays={"lift": delay})
    rig.start("r")
    rig.run(2)
    rig.start("w")
    begun = False
    for _ in range(300):
        rig.run(1)
        inside = rig.positions["lift"] > 0.9 and rig.positions["wrist"] > 0.2
        assert not inside
        begun = begun or rig.positions["wrist"] > 0.0
    assert begun
    assert rig.outcome("r")[1] == "done"
    assert rig.outcome("w")[1] == "done"


def test_an_axis_that_has_been_read_never_pushes_faster_than_its_limits_let_it_brake() -> None:
    """R46: a reading of its speed that is too large to be true is not taken for a set-point."""
    rig = started(checked(machine(), press("p", 5.0, 2.5, axis="lift", until=BEAM)), ticks=10)
    rig.readings["lift"] = AxisReading(rig.positions["lift"], 40.0, 0.0)
    rig.run(1)
    rig.runner.cancel()
    rig.run(1)
    fastest = rig.machine["axes"][0]["limits"][0][1]
    assert rig.orders[-1].axes["lift"].velocity <= fastest


# Pushes that are not read, or go on when their step is over.

LOST: dict[str, AxisReading | None] = {
    "drive is hot": AxisReading(0.0, 0.0, 0.0, True, 0, "drive is hot"),
    "lost its zero": AxisReading(0.0, 0.0, 0.0, False),
    "jumped": AxisReading(0.9, 0.0, 0.0),
    "no number": AxisReading(nan, 0.0, 0.0),
    "not read": None,
}


@pytest.mark.parametrize("kept", [False, True])
@pytest.mark.parametrize("how", LOST)
def test_a_push_is_watched_whether_its_step_is_over_or_not(how: str, kept: bool) -> None:
    """R42, R46, R48: it goes off in the tick in which its reading fails, or stops by its own kind."""
    steps = [press("p", 5.0, 0.8, axis="lift", until=BEAM, timeout=9.0), wait("w", 9.0, "p")]
    rig = started(checked(machine(), *steps), ticks=20, stuck=["lift"], beam=kept)
    assert rig.modes()[-1] == "effort"
    assert bool(rig.ends("p")) is kept
    rig.readings["lift"] = AxisReading(0.0, 0.0, 0.0) if how == "jumped" else LOST[how]
    if how == "jumped":
        rig.run(1)
        rig.readings["lift"] = LOST[how]
    rig.run(1)
    assert rig.kinds("fault")
    assert rig.modes()[-1] == ("hold" if how in ("drive is hot", "lost its zero") else "off")
    rig.run(20)
    assert rig.outcome()[1] == "faulted"
    assert "effort" not in rig.modes()[-20:]


@pytest.mark.parametrize("how", ["drive is hot", "lost its zero"])
def test_a_push_that_is_held_is_not_resumed_on_an_axis_that_has_failed_meanwhile(how: str) -> None:
    """R30, R35."""
    steps = [press("p", 5.0, 0.8, axis="lift", until=BEAM, timeout=9.0), wait("w", 9.0, "p")]
    rig = started(checked(machine(), *steps), ticks=5, stuck=["lift"], beam=True)
    rig.runner.hold()
    rig.run(10)
    rig.readings["lift"] = LOST[how]
    rig.runner.resume()
    rig.run(3)
    assert "effort" not in rig.modes()[-3:]
    assert rig.refusals()[0].startswith("cannot go on: lift")


@pytest.mark.parametrize("how", ["cancel", "hold", "taken over"])
def test_a_push_that_is_ended_while_it_is_not_read_goes_off_and_not_to_where_it_was(how: str) -> None:
    """R16, R29, R46: its last reading is no set-point."""
    on = machine()
    other = checked(on, wait("w", 9.0), move("n", {"lift": 0.0}, "w"), name="b")
    rig = started(checked(on, press("p", 5.0, 2.5, axis="lift", until=BEAM)), other, ticks=20)
    rig.readings["lift"] = None
    ways_to_end(rig, how)
    rig.run(5)
    del rig.readings["lift"]
    rig.run(30)
    assert set(rig.modes()[20:]) == {"off"}


def test_a_press_that_follows_another_in_the_same_sense_pushes_on_without_a_brake() -> None:
    """R10, R24, R46: an attempt that spent its time on braking would be none."""
    rig = started(checked(machine(), press("p", 5.0, 2.5, axis="lift", until=BEAM, timeout=0.2, retry=3)), ticks=35)
    assert set(rig.modes()[:35]) == {"effort"}
    assert len(rig.kinds("retry")) == 3
    back = [
        press("p", 5.0, 2.5, axis="lift", until=[">", "lift", 0.5]),
        press("q", 5.0, 0.0, "p", axis="lift", until=BEAM),
    ]
    rig = started(checked(machine(), *back), ticks=80)
    assert "track" in rig.modes()
    currents = [orders.axes["lift"].current for orders in rig.orders]
    assert currents.index(-5.0) - rig.ends("p")[0][0] > 20


def test_a_press_to_where_the_axis_stands_a_little_beyond_pushes_as_before() -> None:
    """R46: retried, or followed by another, it is not pushed back."""
    rig = started(
        checked(machine(), press("p", 5.0, 0.1, axis="lift", until=BEAM, timeout=0.4, retry=2)), ticks=10, stuck=[]
    )
    rig.stuck.add("lift")
    rig.positions["lift"] = 0.1002
    rig.run(40)
    assert {orders.axes["lift"].current for orders in rig.orders if orders.axes["lift"].mode == "effort"} == {5.0}
    assert len(rig.kinds("retry")) == 2


# What spins do at rest.


def gripping() -> Rig:
    rest = [{"mode": "voltage", "voltage": 1.2, "when": None}]
    on = machine(
        [axis("lift"), axis("wrist"), axis("roller", "spin", rest=rest)],
        must_stay=[must_stay("cover", ["holds", "guard"], [2])],
    )
    return Rig(checked(on, pulse("p", {"roller": 5.0}, 9.0)))


def open_and_close(rig: Rig) -> None:
    """Open for ten ticks, off in the first; closed again it stays off."""
    rig.sensors["guard"] = False
    rig.run(10)
    rig.sensors["guard"] = True
    rig.run(30)
    assert {orders.axes["roller"].mode for orders in rig.orders[-40:]} == {"off"}
    assert len([event for event in rig.kinds("off") if "roller does not turn at rest" in event.text]) == 1


@pytest.mark.parametrize("when", ["idle", "running", "held", "aborted"])
def test_a_spin_that_an_interlock_has_kept_from_gripping_grips_after_a_reset_alone(when: str) -> None:
    """R32, R33: closing it again starts nothing, whatever it came out of."""
    rig = gripping()
    rig.run(3)
    assert turns(rig) == (1.2, 0.0)
    if when != "idle":
        rig.start()
        rig.run(5)
        assert turns(rig) == (5.0, 0.0)
    if when == "held":
        rig.runner.hold()
        rig.run(3)
        assert turns(rig) == (1.2, 0.0)
    if when == "aborted":
        rig.runner.abort()
        rig.run(3)
        rig.sensors["guard"] = False
        rig.runner.reset()
    open_and_close(rig)
    rig.runner.cancel()
    rig.runner.reset()
    rig.run(3)
    assert turns(rig) == (1.2, 0.0)


def test_a_spin_whose_interlock_is_open_at_boot_grips_after_a_reset_or_a_pulse() -> None:
    """R32."""
    for how in ("reset", "pulse"):
        rig = gripping()
        open_and_close(rig)
        if how == "reset":
            rig.runner.reset()
            rig.run(2)
            assert turns(rig) == (1.2, 0.0)
        else:
            rig.start()
            rig.run(2)
            assert turns(rig) == (5.0, 0.0)


# Slowed runs.


@pytest.mark.parametrize("speed", [0.25, 0.5, 1.0])
def test_a_slowed_run_has_as_much_more_time(speed: float) -> None:
    """R24, R49: so that a first run can be seen to the end before it is confirmed; a wait for a sensor that a motion
    reaches as well.
    """
    steps = [
        move("m", {"lift": 1.0}, timeout=1.8),
        wait("seen", until=[">", "lift", 0.9], timeout=1.7, after=[]),
        wait("never", until=BEAM, timeout=0.2, on_timeout="continue", after=["m", "seen"]),
    ]
    rig = Rig(checked(machine(), *steps))
    rig.start(speed=speed)
    rig.run(500)
    assert rig.outcome()[1] == "done"
    begin, end, outcome = rig.span("never")
    assert outcome == "timeout"
    assert end + 1 - begin == 10 / speed


# Where a push may still get.


@pytest.mark.parametrize("bound", [2.5, 0.7])
def test_a_push_that_is_over_occupies_where_it_may_still_get_until_it_stands(bound: float) -> None:
    """R32, R46: for its latency it goes on as fast as it may, then it must stop, but not beyond its bound."""
    lift = axis("lift", latency=[0, 80_000_000])
    on = machine([lift, axis("wrist"), axis("roller", "spin")])
    rig = started(checked(on, press("p", 5.0, bound, axis="lift", until=BEAM)), ticks=30)
    begin = rig.positions["lift"]
    rig.runner.cancel()
    rig.run(1)
    motion = rig.runner._host.motions[0]
    assert motion.occupied_high == pytest.approx(min(bound, begin + 0.08 + 0.25), abs=1e-9)
    rig.run(80)
    assert motion.occupied() == (motion.position, motion.position)
    assert rig.outcome()[1] == "cancelled"
