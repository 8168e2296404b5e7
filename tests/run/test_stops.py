"""Gates, interlocks and stops: SEMANTICS R32 to R34, R53 and the scenarios C60 to C66."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import pytest
from rig import JERKY, Rig, axis, checked, machine, move, must_stay, pulse, put, started, wait

from sequencer.ports.readings import AxisReading

BEAM = ["holds", "beam"]
GUARD = ["holds", "guard"]
CLEAR = ["holds", "clear"]


def velocities(rig: Rig, name: str = "lift") -> list[float]:
    return [one.axes[name].velocity for one in rig.orders]


RAMP = pytest.approx([1.0 - 0.04 * n for n in range(26)], abs=1e-9)


# Gates.


def test_a_permit_holds_the_motion_clock_and_not_the_timeout() -> None:
    """R32: C66: once false until tick 8, timeout 0.5: active from entry with outputs at rest, energised in tick 8 with
    elapsed motion 0.
    """
    rig = started(checked(machine(), move("m", {"lift": 1.0}, once=CLEAR, timeout=0.5)), clear=lambda tick: tick >= 8)
    rig.run(30)
    assert rig.starts("m") == [0]
    assert [event.tick for event in rig.kinds("gate")] == [8]
    assert rig.points()[:9] == [0.0] * 9
    assert rig.points()[9] == pytest.approx(0.0004)
    assert rig.ends("m") == [(25, "timeout")]


def test_a_gated_pulse_drives_and_counts_from_its_gate() -> None:
    """R32: C66: its output is at rest until the gate opens; its duration counts from there."""
    rig = started(
        checked(machine(), pulse("p", {"lamp": True, "roller": 3.0}, 0.1, once=CLEAR, timeout=5.0)),
        clear=lambda tick: tick >= 8,
        ticks=15,
    )
    assert rig.output("lamp") == [False] * 8 + [True] * 5 + [False] * 2
    assert rig.volts() == [0.0] * 8 + [3.0] * 5 + [0.0] * 2


def test_a_gate_that_closes_again_changes_nothing() -> None:
    """R32: `once`: it needs to be true once."""
    rig = started(checked(machine(), move("m", {"lift": 0.5}, once=CLEAR)), clear=lambda tick: tick == 2, ticks=80)
    assert rig.outcome()[1] == "done"


@pytest.mark.parametrize("delay", [0, 3])
def test_a_gate_on_an_axis_looks_at_all_that_the_axis_occupies(delay: int) -> None:
    """R32: lift comes down from above 0.5 to 0.3 and up again: the gate `lift < 0.55` opens only when the measured
    place,
    the set-points in flight and the way to stop are all below.
    """
    latency = [0, delay * 20_000_000]
    on = machine([axis("lift", latency=latency), axis("wrist"), axis("roller", "spin")])
    rig = Rig(
        checked(on, move("up", {"lift": 1.0}), pulse("p", {"lamp": True}, 0.1, once=["<", "lift", 0.55])),
        delays={"lift": delay},
    )
    rig.positions["lift"] = 0.0
    rig.start()
    rig.run(1)
    assert rig.output("lamp") == [True]
    rig = Rig(
        checked(on, move("down", {"lift": -1.0}), move("w", {"wrist": 1.0}, once=["<", "lift", 0.55])),
        delays={"lift": delay},
    )
    rig.positions["lift"] = 1.0
    rig.start()
    rig.run(160)
    (gate,) = [event.tick for event in rig.kinds("gate")]
    measured = next(tick for tick, point in enumerate(rig.points()) if point < 0.55) + delay + 1
    assert gate == measured
    assert rig.outcome()[1] == "done"


def test_a_gate_counts_the_way_to_stop() -> None:
    """R32: a lift on its way up at 1 m/s needs 0.25 m to stop: `lift < 0.55` is closed from 0.3 m on."""
    rig = started(
        checked(
            machine(),
            move("up", {"lift": 2.0}, until=[">", "lift", 0.45]),
            wait("w", 0.4),
            pulse("p", {"lamp": True}, 0.1, "w", once=["<", "lift", 0.55]),
        ),
        ticks=120,
    )
    # At 0.16 m and 0.8 m/s it would stop at 0.32 m: still open in tick 20.
    assert rig.output("lamp").index(True) == 20
    rig = started(
        checked(
            machine(),
            move("up", {"lift": 2.0}, until=[">", "lift", 0.45]),
            wait("w", 0.68),
            pulse("p", {"lamp": True}, 0.1, "w", once=["<", "lift", 0.55], timeout=1.0, on_timeout="continue"),
        ),
        ticks=120,
    )
    # In tick 34 it is at 0.43 m and would stop at 0.68 m: closed, for good.
    assert True not in rig.output("lamp")


def test_a_gate_already_past_is_open() -> None:
    """R32: true if already past: the step moves in its first tick."""
    rig = Rig(checked(machine(), move("m", {"wrist": 0.5}, once=[">", "lift", 0.4])))
    rig.positions["lift"] = 0.9
    rig.start()
    rig.run(2)
    assert rig.points("wrist")[1] > 0.0


# Interlocks.


def test_an_interlock_trips_and_its_return_starts_nothing() -> None:
    """R32: C64: guard opens in tick 10 and closes in tick 15: fault@10, nothing moves after the stop, a start without
    reset
    is refused; after reset and start it runs from the beginning.
    """
    rig = started(checked(machine(), move("m", {"lift": 2.0}, must_stay=GUARD)), guard=lambda tick: not 10 <= tick < 15)
    rig.run(30)
    assert [event.tick for event in rig.kinds("fault")] == [10]
    assert rig.outcome() == (20, "faulted")
    stood = rig.positions["lift"]
    assert velocities(rig)[-1] == 0.0
    rig.start()
    rig.run(10)
    assert "reset first" in rig.refusals()[0]
    assert rig.positions["lift"] == stood
    rig.runner.reset()
    rig.run(10)
    assert rig.positions["lift"] == stood
    assert rig.runner.status().fault is None
    rig.start()
    rig.run(1)
    assert rig.starts("m") == [0, 50]
    rig.run(150)
    assert rig.outcomes()[-1][1] == "done"


def test_reset_and_start_in_one_tick_start() -> None:
    """R32, R3: reset ranks before start."""
    rig = started(checked(machine(), wait("A", 1.0, must_stay=GUARD)), guard=lambda tick: tick != 2, ticks=5)
    rig.runner.reset()
    rig.start()
    rig.run(1)
    assert rig.starts("A") == [0, 5]


def test_a_must_stay_that_is_false_at_activation_faults_in_that_tick() -> None:
    """R32: the activation tick included: nothing is driven."""
    rig = started(
        checked(machine(), wait("w", 0.04), pulse("p", {"lamp": True, "roller": 4.0}, 1.0, "w", must_stay=GUARD)),
        guard=False,
        ticks=4,
    )
    assert rig.outcome() == (2, "faulted")
    assert True not in rig.output("lamp")
    assert set(rig.volts()) == {0.0}
    assert "must_stay does not hold: guard (guard false)" in rig.runner.status().fault


@pytest.mark.parametrize(
    ("kind", "modes"), [("off", {"off"}), ("ramp_then_off", {"off"}), ("ramp_then_hold", {"hold"})]
)
def test_an_interlock_stops_by_its_own_kind(kind: str, modes: set[str]) -> None:
    """R32, R33: the kind that the interlock names, for its axes; the others stop by their own."""
    on = machine(must_stay=[must_stay("cover", GUARD, [0], kind)])
    rig = started(checked(on, move("m", {"lift": 2.0, "wrist": 2.0})), guard=lambda tick: tick < 30, ticks=90)
    assert velocities(rig, "wrist")[30:56] == RAMP
    if kind == "off":
        assert rig.modes()[29:31] == ["track", "off"]
    else:
        assert velocities(rig)[30:56] == RAMP
    assert {rig.modes()[-1]} == modes
    assert rig.modes("wrist")[-1] == "hold"
    assert rig.kinds("fault")[0].text == "interlock cover: guard (guard false) does not hold"


def test_an_interlock_of_a_resting_axis_does_not_trip() -> None:
    """R32: a condition required for motion: an axis at rest does not need it, a move from rest does."""
    on = machine(must_stay=[must_stay("cover", GUARD, [0])])
    rig = started(
        checked(on, move("m", {"lift": 0.02}), wait("w", 0.4, "m"), move("n", {"lift": 0.0}, "w")),
        guard=lambda tick: tick < 20,
        ticks=60,
    )
    assert rig.ends("w")[0][1] == "done"
    assert rig.ends("n")[0][1] == "error"
    assert rig.ends("n")[0][0] == rig.ends("w")[0][0]


def test_an_interlock_of_another_axis_does_not_trip() -> None:
    """R32: only runs that move its axes."""
    on = machine(must_stay=[must_stay("cover", GUARD, [1])])
    rig = started(checked(on, move("m", {"lift": 1.0})), guard=False, ticks=80)
    assert rig.outcome()[1] == "done"


def test_an_interlock_may_escalate_a_stop_under_way() -> None:
    """R33, R32: a cancelled run ramps down when the cover opens, whose kind is off: off at once, and faulted."""
    on = machine(must_stay=[must_stay("cover", GUARD, [0], "off")])
    rig = started(checked(on, move("m", {"lift": 2.0})), guard=lambda tick: tick < 40, ticks=35)
    rig.runner.cancel()
    rig.run(10)
    assert rig.modes()[39:41] == ["track", "off"]
    assert rig.outcome() == (40, "faulted")


# Stops.


def test_stopping_takes_time_and_refuses_starts() -> None:
    """R34, R33: C60: lift at 1 m/s, a 2; cancel at tick 40: stopping 40-64, standstill at tick 65; a start in tick 50
    is
    refused "lift is stopping".
    """
    rig = started(checked(machine(), move("m", {"lift": 2.0})), ticks=40)
    rig.runner.cancel()
    rig.run(10)
    assert rig.runner.status().runs[-1].state == "stopping"
    rig.start()
    rig.run(20)
    assert velocities(rig)[40:66] == RAMP
    assert rig.refusals() == ["lift is stopping"]
    assert rig.outcome() == (65, "cancelled")
    rig.start()
    rig.run(1)
    assert rig.starts("m") == [0, 70]


def test_no_run_may_preempt_a_stopping_axis() -> None:
    """R34: the axes refuse new moves until standstill, a preempting request included."""
    rig = started(checked(machine(), move("m", {"lift": 2.0})), checked(machine(), move("n", {"lift": 0.0}), name="s"))
    rig.run(40)
    rig.runner.cancel()
    rig.run(5)
    rig.start("s", preempt=True)
    rig.run(30)
    assert rig.refusals() == ["lift is stopping"]
    assert velocities(rig)[40:66] == RAMP


@pytest.mark.parametrize("stop", ["off", "ramp_then_off", "ramp_then_hold"])
def test_a_start_never_takes_over_an_axis_that_a_fault_stops_in_the_same_tick(stop: str) -> None:
    """R33: stop beats start: an axis that is switched off in full motion is not driven again in that tick."""
    on = machine([axis("lift", stop=stop), *machine()["axes"][1:]])
    rig = started(
        checked(on, move("m", {"lift": 2.0}, timeout=0.4)),
        checked(on, move("n", {"lift": 1.0}), name="s"),
        ticks=20,
    )
    rig.start("s", preempt=True)
    rig.run(1)
    assert rig.ends("m") == [(20, "timeout")]
    assert rig.refusals() == ["lift is stopping"]
    assert rig.modes()[20] == ("off" if stop == "off" else "track")
    rig.run(40)
    assert rig.outcome()[1] == "faulted"
    assert rig.outcomes("s") == []


def test_a_stop_may_escalate_and_never_back() -> None:
    """R33: C61: category 2 from tick 40, category 0 asked at 45, category 2 again at 46: off from 45, still
    off at 46.
    """
    rig = started(checked(machine(), move("m", {"lift": 2.0})), ticks=40)
    rig.runner.cancel()
    rig.run(5)
    rig.runner.abort()
    rig.run(1)
    rig.runner.cancel()
    rig.run(10)
    assert rig.modes()[39:46] == ["track"] * 6 + ["off"]
    assert set(rig.modes()[45:]) == {"off"}


def test_abort_switches_every_axis_off_at_once_and_needs_a_reset() -> None:
    """R33: category 0, also for axes that no run uses; a start is refused before the reset."""
    rig = started(checked(machine(), move("m", {"lift": 2.0}), pulse("p", {"roller": 4.0}, 9.0)), ticks=40)
    rig.runner.abort()
    rig.run(2)
    for name in ("lift", "wrist", "roller"):
        assert rig.modes(name)[40:] == ["off", "off"]
    assert rig.outcome() == (40, "cancelled")
    rig.start()
    rig.run(1)
    assert "reset first" in rig.refusals()[0]
    rig.runner.reset()
    rig.run(2)
    assert rig.modes()[-1] == "hold"
    assert rig.points()[-1] == rig.positions["lift"]


def test_a_reset_in_the_tick_of_an_abort_does_not_undo_it() -> None:
    """R33, R3: abort ranks first; nothing runs before a reset that comes after it."""
    rig = started(checked(machine(), wait("A", 1.0)), ticks=3)
    rig.run(60)
    rig.runner.reset()
    rig.runner.abort()
    rig.run(1)
    rig.start()
    rig.run(1)
    assert "reset first" in rig.refusals()[-1]


@pytest.mark.parametrize("stop", ["cancel", "abort"])
@pytest.mark.parametrize("stop_first", [False, True])
def test_stop_beats_a_start_of_the_same_tick(stop: str, stop_first: bool) -> None:
    """R33: C63: no step starts, whatever came first."""
    rig = Rig(checked(machine(), wait("A", 1.0)))
    rig.run(2)
    if not stop_first:
        rig.start()
    getattr(rig.runner, stop)()
    if stop_first:
        rig.start()
    rig.run(3)
    assert rig.starts("A") == []
    assert rig.refusals() == ["a stop was asked for in the same tick"]


def test_ramp_then_off_falls_back_to_off_after_its_deadline() -> None:
    """R33: a ramp that does not end (each supervised brake begins anew) is cut off 0.5 s after its planned end."""
    on = machine([axis("lift", stop="ramp_then_off", latency=[0, 0]), axis("wrist"), axis("roller", "spin")])
    rig = started(checked(on, move("m", {"lift": 2.0})), ticks=40)
    rig.runner.cancel()
    rig.run(1)
    motion = rig.runner._host.motions[0]
    for _ in range(60):
        motion.end_clock = 10**12
        rig.run(1)
    assert rig.modes()[-1] == "off"
    assert rig.modes().index("off") == 90
    assert rig.outcome()[1] == "cancelled"


def test_ramp_then_off_is_off_after_standstill() -> None:
    """R33: category 1."""
    on = machine([axis("lift", stop="ramp_then_off"), axis("wrist"), axis("roller", "spin")])
    rig = started(checked(on, move("m", {"lift": 2.0})), ticks=40)
    rig.runner.cancel()
    rig.run(30)
    assert velocities(rig)[40:65] == pytest.approx([1.0 - 0.04 * n for n in range(25)], abs=1e-9)
    assert rig.modes()[64:] == ["track"] + ["off"] * 5


def test_neither_cancel_nor_abort_calls_itself_an_emergency_stop() -> None:
    """R33: their docstrings say so."""
    from sequencer.run import Runner

    for method in (Runner.cancel, Runner.abort):
        assert "Not an emergency stop" in " ".join(str(method.__doc__).split())


@pytest.mark.parametrize("tick", [3, 10, 25, 26, 40, 50, 63, 74, 75])
@pytest.mark.parametrize("limits", [[[-1.0, 1.0], [-2.0, 2.0], None], JERKY])
def test_a_cancel_brakes_along_the_stopping_profile_from_any_tick(tick: int, limits: Any) -> None:
    """R53: continuous position and velocity, deceleration within the limits, no slowed clock, then hold."""
    profile = "s_curve" if limits is JERKY else "trapezoid"
    on = machine([axis("lift", limits=limits), axis("wrist"), axis("roller", "spin")])
    rig = started(checked(on, move("m", {"lift": 1.0}, limits=limits, profile=profile)), ticks=tick)
    rig.runner.cancel()
    rig.run(60)
    speed = velocities(rig)
    steps = [b - a for a, b in pairwise(speed)]
    assert max(abs(step) for step in steps) <= 0.04 + 1e-9
    points = rig.points()
    assert max(abs(b - a) for a, b in pairwise(points)) <= 0.02 + 1e-9
    assert max(points) <= 1.0 + 1e-9
    assert rig.modes()[-1] == "hold"
    assert rig.outcome()[1] in ("cancelled", "done")


def test_a_run_does_not_end_before_its_axes_stand() -> None:
    """R13, R34: its set outputs rest at once, its outcome comes at standstill."""
    rig = started(checked(machine(), put("s", {"horn": 3.0}), move("m", {"lift": 2.0})), ticks=40)
    rig.runner.cancel()
    rig.run(30)
    assert rig.output("horn")[39:41] == [3.0, 0.0]
    assert rig.outcome() == (65, "cancelled")


@pytest.mark.parametrize("end", ["cancel", "abort"])
def test_a_stop_while_the_last_axis_comes_to_rest_cancels_the_run(end: str) -> None:
    """R23, R34: all steps are done, an axis still brakes: the run is not over, and a stop is its outcome."""
    rig = started(checked(machine(), move("m", {"lift": 2.0}, until=BEAM)), beam=lambda tick: tick >= 40, ticks=45)
    getattr(rig.runner, end)()
    rig.run(30)
    assert rig.ends("m") == [(40, "done")]
    assert rig.outcome() == (65 if end == "cancel" else 45, "cancelled")


def test_a_fault_reported_while_stopping_makes_the_run_faulted() -> None:
    """R23, R33: a run being cancelled whose axis fails ends faulted, with both causes."""
    rig = started(checked(machine(), move("m", {"lift": 2.0})), ticks=40)
    rig.runner.cancel()
    rig.run(5)
    rig.readings["lift"] = lambda tick: AxisReading(rig.positions["lift"], 0.0, fault="too hot")
    rig.run(30)
    assert rig.outcome() == (65, "faulted")
    assert rig.runner.status().fault == "lift: too hot (while being cancelled: cancelled by request)"
