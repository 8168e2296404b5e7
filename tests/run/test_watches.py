"""What is watched while axes move or stand: SEMANTICS R33, R45, R48."""

from __future__ import annotations

from typing import Any

import pytest
from rig import Rig, axis, checked, machine, move, press, pulse, started, wait

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
    words = "lift is 0.07 m away from where it was to stand after its stop; allowed are 0.05 m; it is off"
    assert rig.runner.status().fault == words
    rig.start()
    rig.run(1)
    assert "reset first" in rig.refusals()[-1]


# What is no evidence, and what is.


def lagging(current: Any, place: Any, behind: str = "wait", **changes: Any) -> Rig:
    """The lift is ordered away at 1 m/s; from tick 12 on it reads `place(ticks since, where it was)` and draws
    `current(ticks since)`.
    """
    on = machine([axis("lift", tolerance={**WAITS, "behind": behind}, **changes), *machine()["axes"][1:]])
    rig = started(checked(on, move("m", {"lift": 1.0})), ticks=12)
    begin, tick = rig.positions["lift"], rig.count
    rig.readings["lift"] = lambda now: AxisReading(place(now - tick, begin), 0.0, current(now - tick))
    return rig.run(40)


def first_fault(rig: Rig) -> str:
    return next(event.text for event in rig.kinds("fault") if event.run)


def test_a_frozen_reading_is_a_lie_only_while_current_flows_all_the_time() -> None:
    """R48, R45: 10 A are a quarter of 40 A; with less, or none for a tick, it is a stall and the zero is kept."""
    for current, lies in (
        (lambda n: 10.1, True),
        (lambda n: -10.1, True),
        (lambda n: 9.9, False),
        (lambda n: 0.0 if n == 4 else 20.0, False),
        (lambda n: None, False),
    ):
        rig = lagging(current, lambda n, begin: begin, most_current=40.0)
        assert ("its reading has not changed for" in first_fault(rig)) is lies
        assert ("lift is stalled: " in first_fault(rig)) is not lies
        assert bool(rig.runner.status().not_zeroed) is lies


@pytest.mark.parametrize(
    ("current", "words"),
    [
        (lambda n: 40.0, "it stands still under 40 A, its greatest current, since 0.06 s; it is off"),
        (lambda n: -38.1, "it stands still under 38.1 A, its greatest current, since 0.06 s; it is off"),
        (lambda n: 10.0 + 3.0 * n, "it stands still for 0.06 s while its current rises from 19 to 28 A; it is off"),
    ],
)
def test_an_axis_that_is_driven_hard_and_stands_is_jammed_and_keeps_its_zero(current: Any, words: str) -> None:
    """R45, R48: at 95 % of its greatest current, or while it rises by more than 10 % of that; whichever way it
    is driven.
    """
    rig = lagging(current, lambda n, begin: begin, most_current=40.0)
    assert first_fault(rig).startswith("lift is stalled: ")
    assert first_fault(rig).endswith(words)
    assert not rig.runner.status().not_zeroed
    assert not rig.kinds("zero lost")
    fault = next(event for event in rig.kinds("fault") if event.run)
    assert rig.modes()[fault.tick] == "off"


@pytest.mark.parametrize(
    "current", [lambda n: 35.0 - 2.0 * n, lambda n: 12.0, lambda n: 37.9, lambda n: 12.0 + n, lambda n: (39, 20)[n > 4]]
)
def test_a_reading_that_stays_while_the_current_is_that_of_a_moving_axis_is_frozen(current: Any) -> None:
    """R48: it falls back, as one does whose motor turns, or it is even, below its limit."""
    rig = lagging(current, lambda n, begin: begin, most_current=40.0)
    assert first_fault(rig).startswith("lift: its reading has not changed for")
    assert rig.runner.status().not_zeroed[0][0] == "lift"


def test_a_place_that_stays_while_its_speed_is_read_is_frozen_however_hard_it_is_driven() -> None:
    """R48: the speed comes from elsewhere and tells that it turns."""
    on = machine([axis("lift", tolerance={**WAITS, "speed": 0.05}, most_current=40.0), *machine()["axes"][1:]])
    rig = started(checked(on, move("m", {"lift": 1.0})), ticks=12)
    rig.readings["lift"] = AxisReading(rig.positions["lift"], 0.4, 40.0)
    rig.run(40)
    assert first_fault(rig) == "lift: its reading has not changed for 0.06 s under at least 40 A"


def test_a_jam_that_gives_by_less_than_counts_as_progress_is_a_jam() -> None:
    """R45: a tenth of the position tolerance, 1 mm: a chain stretches, a place is read with some noise."""
    rig = lagging(lambda n: 40.0, lambda n, begin: begin + 0.0004 * (n % 2), most_current=40.0)
    assert "it stands still under 40 A" in first_fault(rig)


def test_without_a_current_a_stall_says_that_it_cannot_tell_a_jam_from_a_frozen_reading() -> None:
    """R45, R48: the zero is kept, as nothing shows that the reading lies; a place that does move says nothing of it."""
    rig = lagging(lambda n: None, lambda n, begin: begin, most_current=40.0)
    assert first_fault(rig).endswith(
        "; its current is not read: whether it is jammed or its reading is frozen cannot be told"
    )
    assert not rig.runner.status().not_zeroed
    rig = lagging(lambda n: 39.0, lambda n, begin: begin)
    assert first_fault(rig).endswith(
        "; its greatest current is not known: whether it is jammed or its reading is frozen cannot be told"
    )
    rig = lagging(lambda n: None, lambda n, begin: begin + 0.0002 * (n % 2), most_current=40.0)
    assert "cannot be told" not in first_fault(rig)


def test_an_axis_whose_greatest_current_is_not_known_is_stalled_and_no_liar() -> None:
    """R48: there is no evidence."""
    assert "lift is stalled: " in first_fault(lagging(lambda n: 39.0, lambda n, begin: begin))


@pytest.mark.parametrize(
    ("current", "creep", "lies"), [(38.1, 0.05, True), (37.9, 0.05, False), (38.1, 0.9, False), (-38.1, 0.05, True)]
)
def test_a_saturated_effort_is_evidence_only_while_the_error_grows(current: float, creep: float, lies: bool) -> None:
    """R48: 38 A are 95 % of 40 A."""
    rig = lagging(
        lambda n: current,
        lambda n, begin: begin + 0.02 * creep * n - (0.06 if creep > 0.5 else 0.0),
        behind="fault",
        most_current=40.0,
    )
    assert ("its effort is saturated" in first_fault(rig)) is lies
    assert ("away from its set-point; allowed are 0.05" in first_fault(rig)) is not lies


def test_the_evidence_is_told_with_its_numbers() -> None:
    """R48: how far, how long, and what was drawn at least."""
    rig = lagging(lambda n: 12.0 + n, lambda n, begin: begin, most_current=40.0)
    assert first_fault(rig) == "lift: its reading has not changed for 0.06 s under at least 15 A"
    rig = lagging(lambda n: 0.0, lambda n, begin: begin - 0.02 * n)
    assert first_fault(rig) == "lift: it moves against its order: 0.06 m the wrong way in 0.06 s"


@pytest.mark.parametrize("sense", [1.0, -1.0])
def test_progress_is_progress_in_either_direction(sense: float) -> None:
    """R45: a tenth of the position tolerance, 1 mm, in the time of a stall."""
    for creep, stalled in ((0.0006, False), (0.0002, True)):
        on = on_lift()
        rig = started(checked(on, move("m", {"lift": sense})), ticks=12)
        begin, tick = rig.positions["lift"], rig.count
        at = {"is": begin}

        def read(now: int, at: dict[str, float] = at, creep: float = creep, tick: int = tick) -> AxisReading:
            at["is"] += sense * (creep if now - tick > 1 else 0.0)
            return AxisReading(at["is"], 0.0, 0.0)

        rig.readings["lift"] = read
        rig.run(14)
        assert bool([event for event in rig.kinds("fault") if "stalled" in event.text]) is stalled


def test_what_was_behind_and_caught_up_counts_from_anew() -> None:
    """R45: half of the tolerance or less is not behind; the time of a stall begins with the next lag."""
    rig = started(checked(on_lift(), move("m", {"lift": 1.5})), ticks=12)
    lag = {**dict.fromkeys((12, 13, 16, 17), 0.055), **dict.fromkeys((14, 15), 0.024)}
    at: dict[int, float] = {}

    def read(now: int) -> AxisReading:
        at[now] = rig.orders[-1].axes["lift"].position - lag.get(now, 0.0)
        return AxisReading(at[now], 0.0, 0.0)

    rig.readings["lift"] = read
    rig.run(100)
    assert not rig.kinds("fault")
    assert rig.outcome()[1] == "done"


def test_a_gap_beyond_the_longest_faults_what_pushes_or_turns_and_not_what_grips_at_rest() -> None:
    """R20, R46: its actuators have dropped it by then (R38), and would start it anew by themselves."""
    rig = started(checked(machine(), press("p", 5.0, 2.0, until=["holds", "beam"])), ticks=5).run(1, gap=101_000_000)
    assert first_fault(rig) == "no tick for 0.101 s while moving"
    rig = started(checked(machine(), pulse("p", {"roller": 5.0}, 1.0)), ticks=5).run(1, gap=101_000_000)
    assert first_fault(rig) == "no tick for 0.101 s while moving"
    assert rig.volts()[-1] == 0.0
    on = machine(
        [axis("lift"), axis("wrist"), axis("roller", "spin", rest=[{"mode": "voltage", "voltage": 1.2, "when": None}])]
    )
    rig = started(checked(on, pulse("p", {"roller": 5.0}, 0.1), wait("w", 1.0, "p")), ticks=20).run(1, gap=101_000_000)
    assert rig.volts()[-1] == 1.2
    assert not rig.kinds("fault")


def test_a_speed_at_a_longest_gap_is_told_for_runs_that_move_alone() -> None:
    """R20: of two runs only the one that moves is faulted."""
    on = machine()
    rig = Rig(checked(on, move("m", {"lift": 1.0})), checked(on, move("n", {"wrist": 0.01}), wait("w", 2.0), name="s"))
    rig.start()
    rig.start("s")
    rig.run(20)
    rig.run(1, gap=101_000_000)
    assert [event.run for event in rig.kinds("fault")] == ["r"]


def test_a_moving_axis_that_carries_on_may_be_a_tick_ahead_of_its_set_point() -> None:
    """R45, R52: within that it is not behind; upwards and downwards. One that holds may not."""
    for sense in (1.0, -1.0):
        for between, away in (("carry_on", 0.0), ("hold", 0.019)):
            on = machine([axis("lift", between=between, tolerance=WAITS), *machine()["axes"][1:]])
            rig = started(checked(on, move("m", {"lift": 2.0 * sense})), ticks=40)
            rig.readings["lift"] = AxisReading(rig.orders[-1].axes["lift"].position + sense * 0.019, sense, 0.0)
            rig.run(1)
            found = rig.runner._host.values["lift.error"]
            assert found == pytest.approx(sense * away, abs=1e-9)


def test_a_standstill_watch_ends_with_the_next_move() -> None:
    """R33: what moves the axis on order is no fault."""
    rig = started(checked(on_lift(), move("m", {"lift": 2.0})), ticks=40)
    rig.runner.cancel()
    rig.run(40)
    rig.start()
    rig.run(120)
    assert not rig.kinds("fault")
    assert rig.outcomes()[-1][1] == "done"
