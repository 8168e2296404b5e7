"""Time: SEMANTICS section D and the scenarios C22 to C33."""

from __future__ import annotations

import pytest
from rig import Rig, axis, checked, machine, move, ns, number_parameter, pulse, repeat, started, wait

from sequencer.errors import ClockError
from sequencer.ports.readings import Readings

RATES = pytest.mark.parametrize("hz", [50, 100, 200])


@RATES
def test_ten_ticks_are_ten_ticks_from_any_start(hz: int) -> None:
    """R17: C22: wait 0.2 started at tick s is done@s+10 for every s in 1..999 (s+20 at 100 Hz, s+40 at 200 Hz)."""
    length = hz // 5
    rig = Rig(checked(machine(hz=hz), wait("A", 0.2)))
    rig.run(1)
    expected = []
    while rig.count < 1000:
        expected.append(rig.count)
        rig.start()
        rig.run(length + 2)
    assert rig.starts("A") == expected
    assert [tick for tick, _ in rig.ends("A")] == [start + length for start in expected]


@RATES
def test_a_chain_of_waits_keeps_its_ticks_at_every_start(hz: int) -> None:
    """R17, R21: C22: 0.2 s waits one after another, without end: each is done exactly 0.2 s after its start."""
    length = hz // 5
    rig = started(checked(machine(hz=hz), repeat("loop", [wait("A", 0.2)])), ticks=1000)
    assert rig.starts("A") == list(range(0, 1000, length))


@pytest.mark.parametrize(("hz", "starts_at"), [(50, 0), (50, 7), (100, 3), (200, 11)])
def test_a_tenth_of_a_millisecond_of_jitter_moves_no_tick(hz: int, starts_at: int) -> None:
    """R17: due when now - start + P/4 >= duration, so 0.1 ms of jitter does not shift an end."""
    import random

    rig = Rig(checked(machine(hz=hz), wait("A", 0.2), wait("B", 0.1, "A")))
    rig.jitter = random.Random(starts_at)
    rig.run(starts_at)
    rig.start()
    rig.run(hz)
    assert rig.ends("A") == [(starts_at + hz // 5, "done")]
    assert rig.ends("B") == [(starts_at + hz * 3 // 10, "done")]


@pytest.mark.parametrize(
    ("seconds", "end"), [(0.25, 13), (0.244, 12), (0.001, 1), (0.245, 12), (0.2451, 13), (0.02, 1), (0.0251, 2)]
)
def test_a_wait_that_is_no_multiple_of_the_period(seconds: float, end: int) -> None:
    """R17, R18: C24: 0.25 s is done@13, 0.244 s done@12, 0.001 s done@1; within a quarter of a period it is due."""
    rig = started(checked(machine(), wait("A", seconds)), ticks=end + 2)
    assert rig.ends("A") == [(end, "done")]


def test_a_wait_may_take_its_time_from_a_parameter() -> None:
    """R17, R25: seconds are converted to whole nanoseconds once, at activation."""
    routine = checked(
        machine(), wait("A", ["parameter", "pause"]), parameters=[number_parameter("pause", 0.3, 0.0, 2.0)]
    )
    rig = Rig(routine)
    rig.start(parameters={"pause": 0.25})
    rig.run(15)
    assert rig.ends("A") == [(13, "done")]


def test_a_late_tick_in_a_wait_uses_true_time() -> None:
    """R20, R21: C25: ticks at 0, 20, 40, 110, 130 ...: A done in the 110 ms tick, B counts from there, done
    at 210 ms.
    """
    rig = started(checked(machine(), wait("A", 0.1), wait("B", 0.1, "A")), ticks=3)
    rig.run(1, gap=ns(0.07))
    rig.run(7)
    assert rig.ends("A") == [(3, "done")]
    ((end, _),) = rig.ends("B")
    assert rig.times[end] == ns(0.21)


def test_a_late_tick_in_a_move_is_clamped_to_two_periods() -> None:
    """R20: C27: at 2 m/s a gap of 70 ms advances the set-point by 0.08 m, both axes by the same 40 ms; one
    late tick.
    """
    fast = [[-2.0, 2.0], [-10.0, 10.0], None]
    two = machine([axis("lift", limits=fast), axis("wrist", limits=fast), axis("roller", "spin")])
    rig = started(checked(two, move("m", {"lift": 2.0, "wrist": -2.0}, limits=fast)), ticks=20)
    before = rig.orders[-1].axes
    assert before["lift"].velocity == 2.0
    rig.run(1, gap=ns(0.07))
    after = rig.orders[-1].axes
    assert after["lift"].position - before["lift"].position == pytest.approx(0.08, abs=1e-9)
    assert after["wrist"].position - before["wrist"].position == pytest.approx(-0.08, abs=1e-9)
    assert rig.runner.status().late_ticks == 1
    rig.run(60)
    punctual = started(checked(two, move("m", {"lift": 2.0, "wrist": -2.0}, limits=fast)), ticks=80)
    late = rig.times[rig.ends("m")[0][0]] - punctual.times[punctual.ends("m")[0][0]]
    assert ns(0.02) <= late <= ns(0.04)  # 30 ms, on the grid of ticks


def test_a_carrying_on_axis_takes_the_true_gap() -> None:
    """R20: where the actuators carry on between ticks the motion clock advances by the true gap."""
    fast = [[-2.0, 2.0], [-10.0, 10.0], None]
    two = machine([axis("lift", limits=fast, between="carry_on"), axis("wrist"), axis("roller", "spin")])
    rig = started(checked(two, move("m", {"lift": 2.0}, limits=fast)), ticks=20)
    before = rig.points()[-1]
    rig.run(1, gap=ns(0.07))
    assert rig.points()[-1] - before == pytest.approx(0.14, abs=1e-9)


def test_one_holding_axis_clamps_its_whole_move() -> None:
    """R20: a move has one clock: an axis that carries on waits for the one that holds its order."""
    two = machine([axis("lift", between="carry_on"), axis("wrist"), axis("roller", "spin")])
    rig = started(checked(two, move("m", {"lift": 2.0, "wrist": 2.0})), ticks=30)
    before = rig.points()[-1]
    rig.run(1, gap=ns(0.07))
    assert rig.points()[-1] - before == pytest.approx(0.04, abs=1e-9)


@pytest.mark.parametrize(("gap", "late"), [(0.03, 0), (0.0301, 1), (0.04, 1)])
def test_a_gap_of_more_than_one_and_a_half_periods_counts_as_late(gap: float, late: int) -> None:
    """R20: gap > 1.5 P counts as a late tick."""
    rig = started(checked(machine(), wait("A", 1.0)), ticks=3)
    rig.run(1, gap=ns(gap))
    assert rig.runner.status().late_ticks == late
    assert len(rig.kinds("late")) == late


def test_missed_ticks_are_never_replayed() -> None:
    """R20: C28: after a gap of 70 ms the next call is one evaluation: an endless chain gets one step further a call."""
    rig = started(checked(machine(), repeat("loop", [wait("A", 0.001)])), ticks=3)
    rig.run(1, gap=ns(0.07))
    rig.run(3)
    assert rig.starts("A") == [0, 1, 2, 3, 4, 5, 6]


def test_a_gap_beyond_the_longest_faults_a_moving_run_with_the_stop_of_its_axis() -> None:
    """R20: gap > longest_gap: fault; the axis ramps down."""
    rig = started(checked(machine(), move("m", {"lift": 2.0})), ticks=30)
    rig.run(1, gap=ns(0.101))
    assert [event.tick for event in rig.kinds("fault")] == [30]
    assert rig.runner.status().fault is None
    rig.run(30)
    assert rig.outcome() == (55, "faulted")
    assert rig.orders[-1].axes["lift"].mode == "hold"


def test_the_longest_gap_itself_is_no_fault() -> None:
    """R20: exactly longest_gap is still taken."""
    rig = started(checked(machine(), move("m", {"lift": 2.0})), ticks=30)
    rig.run(1, gap=ns(0.1))
    assert rig.kinds("fault") == []


def test_a_long_gap_in_a_wait_is_no_fault() -> None:
    """R20: nothing moves, so nothing can have gone astray: only the elapsed time counts."""
    rig = started(checked(machine(), wait("A", 0.1), wait("B", 0.1, "A")), ticks=3)
    rig.run(1, gap=ns(5.0))
    assert rig.ends("A") == [(3, "done")]
    assert rig.kinds("fault") == []


@pytest.mark.parametrize("now", [40_000_000, 39_999_999, 0, -5])
def test_a_clock_that_does_not_advance_is_refused_before_anything_changes(now: int) -> None:
    """R19: C30: tick raises; requests stay queued, status and the next tick are as if it had not been called."""
    routine = checked(machine(), wait("A", 0.1), pulse("B", {"lamp": True}, 0.1, "A"))
    rig, twin = started(routine, ticks=3), started(routine, ticks=3)
    rig.runner.cancel()
    twin.runner.cancel()
    status = rig.runner.status()
    with pytest.raises(ClockError, match="nothing was changed"):
        rig.runner.tick(Readings(now, True, {}, {}))
    assert rig.runner.status() == status
    rig.run(3)
    twin.run(3)
    assert rig.orders == twin.orders


@pytest.mark.parametrize("now", [60e6, True, None, "60000000", float("nan")])
def test_a_time_that_is_no_whole_number_is_refused(now: object) -> None:
    """R17, R19: times are whole nanoseconds; anything else is a ClockError, with requests waiting or not."""
    rig = started(checked(machine(), wait("A", 0.1)), ticks=3)
    rig.runner.cancel()
    with pytest.raises(ClockError):
        rig.runner.tick(Readings(now, True, {}, {}))  # type: ignore[arg-type]
    rig.run(1)
    assert rig.outcome() == (3, "cancelled")


def test_the_elapsed_time_of_a_step_counts_from_its_own_activation() -> None:
    """R21: reset at each activation, frozen after the exit."""
    rig = started(
        checked(
            machine(),
            wait("A", 0.1),
            wait("B", 0.1, "A"),
            wait("C", until=["and", [">", "B.elapsed", 0.09], ["<", "A.elapsed", 0.11]]),
        ),
        ticks=11,
    )
    assert rig.ends("C") == [(10, "done")]


def test_the_elapsed_time_seen_by_conditions_is_that_of_the_snapshot() -> None:
    """R6, R21: a condition sees the time of this tick whatever the order of the steps in the file."""
    late = wait("W", until=[">=", "A.elapsed", 0.1])
    for steps in ([late, wait("A", 0.2)], [wait("A", 0.2), late]):
        rig = started(checked(machine(), *steps), ticks=8)
        assert rig.ends("W") == [(5, "done")]


def test_a_run_may_start_again_after_a_long_pause() -> None:
    """R17: nothing is summed up: after ten hours of ticks a wait still takes its ticks."""
    rig = Rig(checked(machine(), wait("A", 0.2)))
    rig.run(1)
    rig.run(1, gap=ns(36_000.0))
    rig.start()
    rig.run(12)
    assert rig.starts("A") == [2]
    assert rig.ends("A") == [(12, "done")]
