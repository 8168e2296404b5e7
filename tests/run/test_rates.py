"""Scenarios at 50, 100 and 200 Hz: the same seconds, other tick numbers; what counts ticks counts alike at each rate.

Those of execution that the other files run at 50 Hz alone; numbers by hand. `T` turns seconds into ticks.
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise
from math import pi
from typing import Any

import pytest
from rig import (
    LIMITS,
    Rig,
    axis,
    checked,
    choose,
    machine,
    move,
    ns,
    pulse,
    repeat,
    sensor,
    started,
    wait,
)

from sequencer.ports.readings import AxisReading

BEAM, CLEAR, GUARD = ["holds", "beam"], ["holds", "clear"], ["holds", "guard"]
Ticks = Callable[[float], int]


@pytest.fixture(params=[50, 100, 200])
def hz(request: pytest.FixtureRequest) -> int:
    return int(request.param)


@pytest.fixture
def T(hz: int) -> Ticks:
    return lambda seconds: round(seconds * hz)


def velocities(rig: Rig, name: str = "lift") -> list[float]:
    return [one.axes[name].velocity for one in rig.orders]


def faults(rig: Rig) -> list[int]:
    return [event.tick for event in rig.kinds("fault") if event.run]


def test_no_gap_between_the_outputs_of_two_pulses(hz: int, T: Ticks) -> None:
    """R8: C02."""
    on = machine(hz=hz)
    rig = started(checked(on, pulse("A", {"roller": 6.0}, 0.1), pulse("B", {"roller": -6.0}, 0.1, "A")), ticks=T(0.24))
    assert rig.volts() == [6.0] * T(0.1) + [-6.0] * T(0.1) + [0.0] * T(0.04)


def test_three_waits_take_three_ticks_whatever_the_rate(hz: int) -> None:
    """R7: C03: ticks, not seconds."""
    true = ["known", "beam"]
    steps = [wait("A", until=true), wait("B", until=true, after="A"), wait("C", until=true, after="B")]
    rig = started(checked(machine(hz=hz), *steps), ticks=5)
    assert [rig.span(name) for name in "ABC"] == [(0, 0, "done"), (1, 1, "done"), (2, 2, "done")]
    assert rig.outcome() == (3, "done")


def test_two_branches_clear_together(hz: int, T: Ticks) -> None:
    """R6: C04."""
    rig = started(
        checked(
            machine(hz=hz),
            wait("X", until=BEAM),
            wait("Y", until=BEAM),
            pulse("drive", {"roller": 3.0}, 0.1, "X"),
            pulse("light", {"lamp": True}, 0.1, "Y"),
        ),
        beam=lambda tick: tick >= T(0.14),
        ticks=T(0.2),
    )
    assert rig.ends("X") == rig.ends("Y") == [(T(0.14), "done")]
    assert rig.volts().index(3.0) == rig.output("lamp").index(True) == T(0.14)


def test_an_edge_that_is_past_times_out(hz: int, T: Ticks) -> None:
    """R14, R24: C07."""
    steps = wait("A", until=["rising", BEAM], timeout=1.0)
    rig = started(checked(machine(hz=hz), steps), beam=True, ticks=T(1.04))
    assert rig.ends("A") == [(T(1.0), "timeout")]


def test_joins_wait_for_all_that_were_taken(hz: int, T: Ticks) -> None:
    """R12: C10, C11."""
    on = machine(hz=hz)
    steps = [pulse("A", {"lamp": True}, 0.06), wait("B", 0.1), wait("C", 0.1, ["A", "B"])]
    rig = started(checked(on, *steps), ticks=T(0.22))
    assert rig.ends("A") == [(T(0.06), "done")]
    assert rig.output("lamp").index(False) == T(0.06)
    assert rig.starts("C") == [T(0.1)]
    skipped = choose("c", [(BEAM, [move("m", {"lift": 1.0})])], [])
    rig = started(checked(on, skipped, wait("w", 0.1), wait("J", 0.1, ["c", "w"])), ticks=T(0.22))
    assert rig.starts("J") == [T(0.1)]


def test_a_sibling_that_fails_stops_the_others(hz: int, T: Ticks) -> None:
    """R13: C13."""
    steps = [move("up", {"lift": 2.0}), move("turn", {"wrist": 2.0}), pulse("drive", {"roller": 4.0}, 5.0)]
    on = machine(hz=hz)
    rig = started(checked(on, *steps, wait("J", 0.1, ["up", "turn", "drive"])), ticks=T(0.18))
    rig.readings["lift"] = AxisReading(rig.positions["lift"], 0.0, 0.0, fault="the chain is off")
    rig.run(T(1.0))
    assert faults(rig) == [T(0.18)]
    assert rig.volts()[T(0.18) - 1 : T(0.18) + 1] == [4.0, 0.0]
    assert velocities(rig, "wrist")[T(0.18) + 1] < velocities(rig, "wrist")[T(0.18)]
    assert rig.starts("J") == []
    assert rig.outcome()[1] == "faulted"


def test_a_retry_counts_anew(hz: int, T: Ticks) -> None:
    """R10, R21: C14."""
    rig = started(checked(machine(hz=hz), wait("A", until=BEAM, timeout=0.1, retry=2)), ticks=T(0.34))
    assert rig.starts("A") == [0, T(0.1), T(0.2)]
    assert rig.outcome() == (T(0.3), "faulted")


def test_exits_are_newest_first(hz: int, T: Ticks) -> None:
    """R3: C21."""
    steps = [pulse("A", {"lamp": True}, 1.0), pulse("B", {"horn": 1.0}, 1.0), wait("C", 0.1, ["A", "B"])]
    rig = started(checked(machine(hz=hz), *steps), ticks=T(0.12))
    rig.runner.cancel()
    rig.run(1)
    assert [(event.step, event.tick) for event in rig.kinds("end")] == [("B", T(0.12)), ("A", T(0.12))]


@pytest.mark.parametrize(
    ("rate", "seconds", "end"),
    [(100, 0.25, 25), (200, 0.25, 50), (100, 0.244, 25), (100, 0.2425, 24), (200, 0.244, 49), (200, 0.001, 1)],
)
def test_a_wait_ends_at_the_tick_that_is_a_quarter_of_a_period_near(rate: int, seconds: float, end: int) -> None:
    """R17, R18: C24."""
    assert started(checked(machine(hz=rate), wait("A", seconds)), ticks=end + 2).ends("A") == [(end, "done")]


def test_a_late_tick_counts_in_a_wait_by_its_true_time(hz: int) -> None:
    """R20, R21: C25: a gap of 3.5 periods after the third tick."""
    period = ns(1.0) // hz
    rig = started(checked(machine(hz=hz), wait("A", 5.0 / hz), wait("B", 5.0 / hz, "A")), ticks=3)
    rig.run(1, gap=period * 7 // 2)
    rig.run(7)
    assert rig.ends("A") == [(3, "done")]
    ((end, _),) = rig.ends("B")
    assert rig.times[end] - rig.times[3] == 5 * period


def test_a_late_tick_moves_an_axis_by_two_periods(hz: int, T: Ticks) -> None:
    """R20: C27: 2 m/s for two periods, both axes alike, and one late tick; C28: one call, one evaluation."""
    fast = [[-2.0, 2.0], [-10.0, 10.0], None]
    on = machine([axis("lift", limits=fast), axis("wrist", limits=fast), axis("roller", "spin")], hz=hz)
    rig = started(checked(on, move("m", {"lift": 2.0, "wrist": -2.0}, limits=fast)), ticks=T(0.4))
    before = rig.orders[-1].axes
    rig.run(1, gap=ns(3.5) // hz)
    after = rig.orders[-1].axes
    assert after["lift"].position - before["lift"].position == pytest.approx(4.0 / hz, abs=1e-9)
    assert after["wrist"].position - before["wrist"].position == pytest.approx(-4.0 / hz, abs=1e-9)
    assert rig.runner.status().late_ticks == 1
    loop = started(checked(machine(hz=hz), repeat("loop", [wait("A", 0.001)])), ticks=3)
    loop.run(1, gap=ns(3.5) // hz)
    loop.run(2)
    assert loop.starts("A") == [0, 1, 2, 3, 4, 5]


def test_steps_at_times_do_not_drift_beside_waits_in_a_chain(hz: int, T: Ticks) -> None:
    """R21: C32: at 50 Hz a chain of 0.25 s loses half a tick each; at 100 and 200 Hz 0.25 s is a whole number of
    ticks.
    """
    anchored = [pulse(f"p{n}", {"lamp": True}, 0.02, at=0.25 * n) for n in range(1, 21)]
    chained = [wait(f"w{n}", 0.25, [f"w{n - 1}"] if n > 1 else []) for n in range(1, 21)]
    rig = started(checked(machine(hz=hz), *anchored, *chained), ticks=T(5.24))
    assert rig.starts("p20") == [T(5.0)]
    assert rig.ends("w20") == [(260 if hz == 50 else T(5.0), "done")]


def test_unknown_never_completes(hz: int, T: Ticks) -> None:
    """R16: C40."""
    for term, value in (([">", "pressure", 2.0], 0.0), (["not", [">", "pressure", 2.0]], 5.0)):
        rig = started(
            checked(machine(hz=hz), wait("A", until=term, timeout=0.2)),
            pressure=lambda tick, value=value: value if tick < T(0.06) else float("nan"),
            ticks=T(0.24),
        )
        assert rig.ends("A") == [(T(0.2), "timeout")]
        assert f"pressure is not a number since tick {T(0.06)}" in (rig.runner.status().fault or "")


def test_a_counter_sees_what_came_between_two_ticks(hz: int, T: Ticks) -> None:
    """R3, R14: C43."""
    rig = started(
        checked(machine(hz=hz), wait("count", until=[">", "beam_count", 7.0])),
        beam_count=lambda tick: 7.0 if tick <= T(0.08) else 8.0,
        ticks=T(0.14),
    )
    assert rig.ends("count") == [(T(0.08) + 1, "done")]


def test_a_preempting_move_starts_from_the_motion(hz: int, T: Ticks) -> None:
    """R28, R29: C48: from 0.16 m and 0.8 m/s; no change of speed beyond a period's."""
    steps = [move("old", {"lift": 1.0}), wait("w", 0.4), move("new", {"lift": 0.2}, "w", preempt=True)]
    rig = started(checked(machine(hz=hz), *steps), ticks=T(2.4))
    order = rig.orders[T(0.4)].axes["lift"]
    assert rig.ends("old") == [(T(0.4), "aborted")]
    assert (order.position, order.velocity) == pytest.approx((0.16, 0.8), abs=1e-9)
    speeds = velocities(rig)
    assert max(abs(b - a) for a, b in pairwise(speeds)) <= 2.0 / hz + 1e-9
    assert rig.points()[-1] == 0.2


def test_a_move_of_no_length_takes_one_tick(hz: int) -> None:
    """R31: C49: a tick, not a time."""
    rig = Rig(checked(machine(hz=hz), move("m", {"lift": 0.5})))
    rig.positions["lift"] = 0.5
    rig.start()
    rig.run(3)
    assert rig.span("m") == (0, 0, "done")
    assert rig.points() == [0.5] * 3


def test_axes_together_end_together(hz: int, T: Ticks) -> None:
    """R30: C51."""
    turn = [[-pi, pi], [-4.0 * pi, 4.0 * pi], None]
    on = machine([axis("lift"), axis("wrist", "rotary", limits=turn), axis("roller", "spin")], hz=hz)
    goals = {"lift": 1.0, "wrist": pi / 2.0}
    rig = started(checked(on, move("m", goals, limits={"0": LIMITS, "1": turn}, together=True)), ticks=T(1.6))
    assert rig.ends("m") == [(T(1.5), "done")]
    assert velocities(rig, "wrist")[T(1.5) - 1] != 0.0


def test_one_axis_that_stalls_stops_both(hz: int, T: Ticks) -> None:
    """R30: C52."""
    close = {"following": 0.05}
    on = machine([axis("lift", tolerance=close), axis("wrist", tolerance=close), axis("roller", "spin")], hz=hz)
    rig = started(checked(on, move("m", {"lift": 2.0, "wrist": 2.0})), ticks=T(0.6))
    rig.readings["wrist"] = AxisReading(rig.positions["wrist"] - 0.06, 0.0)
    rig.run(T(1.0))
    assert faults(rig) == [T(0.6)]
    for name in ("lift", "wrist"):
        ramp = velocities(rig, name)[T(0.6) : T(1.1) + 1]
        assert ramp == pytest.approx([1.0 - 2.0 / hz * n for n in range(len(ramp))], abs=1e-9)
    assert rig.outcome() == (T(1.1), "faulted")


def test_a_goal_stays_what_it_was_at_activation(hz: int, T: Ticks) -> None:
    """R25: C54."""
    rig = started(
        checked(
            machine(hz=hz, more_sensors=[sensor("h", "number")]),
            repeat("loop", [move("m", {"lift": ["reading", "h", 0.0, 1.2]})], 2),
        ),
        h=lambda tick: 1.0 if tick < T(0.2) else 0.2,
        ticks=T(3.4),
    )
    assert rig.points()[rig.ends("m")[0][0]] == pytest.approx(1.0, abs=1e-9)
    assert rig.points()[-1] == 0.2


def test_an_unpowered_axis_starts_where_it_was_pushed_to(hz: int) -> None:
    """R29: C55."""
    rest = [{"mode": "off", "voltage": 0.0, "when": None}]
    on = machine([axis("lift", rest=rest), axis("wrist"), axis("roller", "spin")], hz=hz)
    rig = Rig(checked(on, move("m", {"lift": 1.0})))
    for place in (0.5, 0.49, 0.48, 0.47):
        rig.positions["lift"] = place
        rig.run(1)
    rig.start()
    rig.run(1)
    assert rig.points()[-1] == 0.47


def test_a_second_cancel_changes_nothing(hz: int, T: Ticks) -> None:
    """R34: C59."""
    rig = started(checked(machine(hz=hz), pulse("A", {"lamp": True}, 2.0), move("m", {"lift": 2.0})), ticks=T(0.12))
    for _ in range(2):
        rig.runner.cancel()
        rig.run(1)
    rig.run(T(0.6))
    rig.runner.cancel()
    rig.run(2)
    assert rig.ends("A") == [(T(0.12), "aborted")]
    assert rig.outcome()[1] == rig.runner.status().runs[-1].state == "cancelled"


def test_stopping_takes_half_a_second(hz: int, T: Ticks) -> None:
    """R34, R33: C60."""
    rig = started(checked(machine(hz=hz), move("m", {"lift": 2.0})), ticks=T(0.8))
    rig.runner.cancel()
    rig.run(T(0.2))
    rig.start()
    rig.run(T(0.4))
    assert rig.refusals() == ["lift is stopping"]
    assert rig.outcome() == (T(1.3), "cancelled")
    assert velocities(rig)[T(1.3)] == 0.0
    assert velocities(rig)[T(1.3) - 1] > 0.0


def test_a_stop_escalates(hz: int, T: Ticks) -> None:
    """R33: C61."""
    rig = started(checked(machine(hz=hz), move("m", {"lift": 2.0})), ticks=T(0.8))
    rig.runner.cancel()
    rig.run(T(0.1))
    rig.runner.abort()
    rig.run(1)
    rig.runner.cancel()
    rig.run(T(0.2))
    assert rig.modes()[T(0.9) - 1] == "track"
    assert set(rig.modes()[T(0.9) :]) == {"off"}


def test_a_stop_and_a_start_in_one_tick(hz: int) -> None:
    """R33: C63."""
    rig = Rig(checked(machine(hz=hz), wait("A", 1.0))).run(2)
    rig.start()
    rig.runner.cancel()
    rig.run(3)
    assert rig.starts("A") == []


def test_an_interlock_trips_at_once_and_stays_tripped(hz: int, T: Ticks) -> None:
    """R32: C64."""
    steps = move("m", {"lift": 2.0}, must_stay=GUARD)
    rig = started(checked(machine(hz=hz), steps), guard=lambda tick: not T(0.2) <= tick < T(0.3))
    rig.run(T(0.6))
    assert faults(rig) == [T(0.2)]
    assert rig.outcome() == (T(0.4), "faulted")
    stood = rig.positions["lift"]
    rig.start()
    rig.run(2)
    assert "reset first" in rig.refusals()[0]
    rig.runner.reset()
    rig.run(2)
    rig.start()
    rig.run(T(0.2))
    assert rig.starts("m")[0] == 0
    assert rig.positions["lift"] > stood


def test_a_gate_holds_the_motion_and_not_the_timeout(hz: int, T: Ticks) -> None:
    """R32: C66."""
    steps = move("m", {"lift": 1.0}, once=CLEAR, timeout=0.5)
    rig = started(checked(machine(hz=hz), steps), clear=lambda tick: tick >= T(0.16), ticks=T(0.6))
    assert [event.tick for event in rig.kinds("gate")] == [T(0.16)]
    assert rig.points()[T(0.16)] == 0.0
    assert rig.points()[T(0.16) + 1] == pytest.approx(1.0 / hz**2)
    assert rig.ends("m") == [(T(0.5), "timeout")]


class Broken(dict[str, Any]):
    def get(self, name: str, default: Any = None) -> Any:
        raise OSError("the bus is dead")


def test_a_source_that_breaks_faults_the_run_in_its_tick(hz: int, T: Ticks) -> None:
    """R36: C69."""
    steps = [pulse("A", {"roller": 4.0, "lamp": True}, 5.0), move("B", {"lift": 2.0})]
    rig = started(checked(machine(hz=hz), *steps), ticks=T(0.16))
    readings = rig.reading(rig.now + rig.period)
    readings.axes = Broken()
    rig.now += rig.period
    orders = rig.runner.tick(readings)
    ended = [(event.step, event.tick) for event in orders.events if event.kind == "end"]
    assert ended == [("B", T(0.16)), ("A", T(0.16))]
    assert orders.outputs["lamp"] is False
    assert orders.axes["roller"].volts == 0.0
    assert "OSError: the bus is dead" in (rig.runner.status().fault or rig.runner.status().runs[-1].cause)
