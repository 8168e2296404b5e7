"""The very edges of tolerances and times: on them, and by the least beyond.
SEMANTICS R14, R15, R17, R20, R31, R33, R42.

Numbers are powers of two where a sum must be exact.
"""

from __future__ import annotations

from math import nextafter
from typing import Any

import pytest
from rig import Rig, axis, checked, keep_out, machine, move, press, pulse, started, wait

from sequencer.errors import ClockError
from sequencer.ports.readings import AxisReading
from sequencer.run.definition import AxisDefinition

BEAM = ["holds", "beam"]
P = 20_000_000
TIGHT = 2.0**-7
"""A position tolerance [m]: 0.5 and this add without rounding."""


def arriving(position: float, speed: float, **tolerance: Any) -> list[tuple[int, str]]:
    """A move to 0.5 m, a second long, that reads so when its profile is over; how it ends within 0.4 s more."""
    tight = {"position": TIGHT, "speed": 0.25, **tolerance}
    on = machine([axis("lift", tolerance=tight), *machine()["axes"][1:]])
    rig = started(checked(on, move("m", {"lift": 0.5}, timeout=1.4, on_timeout="continue")))
    rig.readings["lift"] = lambda tick: (
        AxisReading(rig.positions["lift"], rig.speeds["lift"], 0.0) if tick < 50 else AxisReading(position, speed, 0.0)
    )
    rig.run(90)
    return rig.ends("m")


@pytest.mark.parametrize("sense", [1.0, -1.0])
def test_an_axis_at_the_edge_of_its_position_tolerance_has_arrived(sense: float) -> None:
    """R31: exactly 7.8125 mm away, on either side; the next number farther is too far."""
    edge = 0.5 + sense * TIGHT
    assert [outcome for _, outcome in arriving(edge, 0.0)] == ["done"]
    assert [outcome for _, outcome in arriving(nextafter(edge, sense * 9.0), 0.0)] == ["timeout"]


@pytest.mark.parametrize("sense", [1.0, -1.0])
def test_an_axis_at_the_edge_of_its_speed_tolerance_has_arrived(sense: float) -> None:
    """R31: exactly 0.25 m/s, in either direction; the next number faster is too fast."""
    assert [outcome for _, outcome in arriving(0.5, sense * 0.25)] == ["done"]
    assert [outcome for _, outcome in arriving(0.5, nextafter(sense * 0.25, sense * 9.0))] == ["timeout"]


@pytest.mark.parametrize(
    ("settle", "end"), [(0, 50), (5_000_000, 50), (5_000_001, 51), (25_000_000, 51), (25_000_001, 52), (65_000_000, 53)]
)
def test_a_quarter_of_a_period_is_given_to_the_settle_time(settle: int, end: int) -> None:
    """R31, R15, R17: credits of 0, 20, 40 ms, and 5 ms."""
    on = machine([axis("lift", tolerance={"settle": settle}), *machine()["axes"][1:]])
    rig = started(checked(on, move("m", {"lift": 0.5})), ticks=90)
    first = rig.ends("m")[0][0]
    assert first - started(checked(machine(), move("m", {"lift": 0.5})), ticks=90).ends("m")[0][0] == end - 50


@pytest.mark.parametrize(
    ("gap", "end"), [(P, 4), (19_999_999, 4), (20_000_001, 4), (90_000_000, 4), (5_000_000, 4), (4_999_999, 5)]
)
def test_a_late_sample_credits_a_period_and_an_early_one_what_it_took(gap: int, end: int) -> None:
    """R15: steady for 50 ms from tick 1: three credits, and a quarter of a period."""
    rig = started(checked(machine(), wait("A", until=BEAM, steady=0.05)), beam=lambda tick: tick >= 1)
    rig.run(2)
    rig.run(8, gap=gap)
    assert rig.ends("A") == [(end, "done")]


@pytest.mark.parametrize(("early", "end"), [(5_000_000, 5), (5_000_001, 6), (0, 5)])
def test_what_is_due_is_done_a_quarter_of_a_period_before_its_time(early: int, end: int) -> None:
    """R17: waits, pulses, timeouts and timed starts alike: 15 ms after the tick before, and a nanosecond earlier."""
    steps = [
        wait("A", 0.1),
        pulse("p", {"lamp": True}, 0.1),
        wait("T", until=BEAM, timeout=0.1, on_timeout="continue"),
        wait("at", 0.5, at=0.1),
    ]
    rig = started(checked(machine(), *steps), ticks=5).run(2, gap=P - early)
    assert [rig.ends(name)[0][0] for name in ("A", "p", "T")] == [end] * 3
    assert rig.starts("at") == [end]


@pytest.mark.parametrize(("late", "told"), [(29_999_999, 0), (30_000_000, 0), (30_000_001, 1)])
def test_a_tick_is_late_beyond_one_and_a_half_periods(late: int, told: int) -> None:
    """R20."""
    rig = started(checked(machine(), wait("A", 0.1)), ticks=3).run(2, gap=late)
    assert rig.runner.status().late_ticks == len(rig.kinds("late")) == told
    if told:
        assert rig.kinds("late")[0].text == "0.03 s since the tick before"


@pytest.mark.parametrize(("gap", "faulted"), [(100_000_000, False), (100_000_001, True)])
def test_a_gap_faults_what_moves_beyond_the_longest_one(gap: int, faulted: bool) -> None:
    """R20: five periods are still allowed."""
    rig = started(checked(machine(), move("m", {"lift": 2.0})), ticks=20).run(1, gap=gap)
    assert bool(rig.kinds("fault")) is faulted


@pytest.mark.parametrize(("between", "advances"), [("hold", 40_000_000), ("carry_on", 70_000_000)])
def test_the_motion_clock_advances_by_two_periods_at_most_where_orders_are_held(between: str, advances: int) -> None:
    """R20: at 1 m/s, a gap of 70 ms: 40 mm, or 70 where the actuator carries on; 39 ms are 39 either way."""
    on = machine([axis("lift", between=between), *machine()["axes"][1:]])
    for sense in (1.0, -1.0):
        rig = started(checked(on, move("m", {"lift": 2.5 * sense})), ticks=40).run(1, gap=70_000_000)
        assert rig.points()[-1] - rig.points()[-2] == pytest.approx(sense * advances * 1e-9)
        rig.run(1, gap=39_000_000)
        assert rig.points()[-1] - rig.points()[-2] == pytest.approx(sense * 0.039)


def test_a_jog_is_let_go_of_or_not_asked_for_any_more_beyond_the_longest_gap() -> None:
    """R44: asked for in tick 0 alone: it lasts for five periods and ends in the next tick, with its reason."""
    rig = Rig(checked(machine(), wait("A", 1.0)))
    rig.runner.jog("lift", 0.5)
    rig.run(10)
    assert rig.ends("jog") == [(6, "done")]
    assert rig.kinds("end", "jog")[0].text == "done: not asked for any more"
    rig = Rig(checked(machine(), wait("A", 1.0)))
    rig.runner.jog("lift", 0.5)
    rig.run(3)
    rig.runner.jog("lift", 0.0)
    rig.run(2)
    assert (rig.kinds("end", "jog")[0].tick, rig.kinds("end", "jog")[0].text) == (3, "done: let go")


@pytest.mark.parametrize(
    ("settle", "latency", "stall"), [(0, 0, 60), (61, 0, 61), (59, 0, 60), (0, 30, 90), (100, 30, 100), (80, 30, 90)]
)
def test_a_stall_lasts_as_long_as_the_settle_time_or_the_latency_and_three_periods(
    settle: int, latency: int, stall: int
) -> None:
    """R45: whichever is longer [ms]."""
    ms = 1_000_000
    data = axis("lift", tolerance={"settle": settle * ms}, latency=[0, latency * ms])
    assert AxisDefinition(0, data, P, 5 * P).stall == stall * ms


def test_an_axis_of_unequal_limits_is_as_fast_as_its_faster_direction() -> None:
    """R42: for what a reading may jump by."""
    for low, high, fastest in ((-2.0, 1.0, 2.0), (-1.0, 3.0, 3.0)):
        data = axis("lift", limits=[[low, high], [-2.0, 2.0], None])
        assert AxisDefinition(0, data, P, 5 * P).fastest == fastest


def test_a_ramp_is_cut_off_after_its_deadline_and_not_at_it() -> None:
    """R33."""
    on = machine([axis("lift", stop="ramp_then_off"), *machine()["axes"][1:]])
    rig = started(checked(on, move("m", {"lift": 2.0})), ticks=40)
    rig.runner.cancel()
    rig.run(1)
    rig.runner._host.motions[0].deadline = 45 * P
    rig.run(5)
    assert rig.modes()[-1] == "track"
    rig.run(1)
    assert rig.modes()[-1] == "off"


@pytest.mark.parametrize(("settle", "latency"), [(0, 0), (100_000_000, 0), (100_000_000, 60_000_000)])
def test_a_lag_that_lasts_beyond_the_end_of_the_move_counts_from_the_instant(settle: int, latency: int) -> None:
    """M1, M2: 1 m in 1.5 s, the goal is passed at tick 75; 0.3 s later is tick 90, settled or not."""
    on = machine([axis("lift", tolerance={"settle": settle}, latency=[0, latency]), *machine()["axes"][1:]])
    steps = [move("m", {"lift": 1.0}), pulse("p", {"lamp": True}, 0.1, passing={"step": "m", "at": 1.0, "lag": 0.3})]
    rig = started(checked(on, *steps), ticks=110)
    assert rig.ends("m") == [(75 + settle // P, "done")]
    assert rig.starts("p") == [90]
    assert rig.outcome() == (95, "done")


@pytest.mark.parametrize(("first", "second", "taken"), [(5, 5, False), (5, 4, False), (5, 6, True), (-7, -7, False)])
def test_the_second_tick_comes_after_the_first_as_well(first: int, second: int, taken: bool) -> None:
    """R19: the first may be at any time."""
    rig = Rig(checked(machine(), wait("A", 1.0)))
    rig.runner.tick(rig.reading(first))
    if taken:
        rig.runner.tick(rig.reading(second))
        return
    with pytest.raises(ClockError, match="nothing was changed"):
        rig.runner.tick(rig.reading(second))


@pytest.mark.parametrize("hold", [False, True])
def test_a_press_that_is_held_occupies_where_it_stands_and_not_its_way(hold: bool) -> None:
    """R35, R46: another axis may go where it was to push."""
    on = machine(keep_outs=[keep_out("post", [0, 0.5, 1.0], [1, 1.0, 2.0])])
    rig = started(checked(on, press("p", 5.0, 1.4, until=BEAM), wait("w", 9.0)), ticks=5, stuck=["wrist"])
    if hold:
        rig.runner.hold()
        rig.run(1)
        motion = rig.runner._host.motions[1]
        assert motion.occupied_high == pytest.approx(rig.positions["wrist"], abs=0.05)
    else:
        assert rig.runner._host.motions[1].occupied_high == 1.4
