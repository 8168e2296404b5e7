"""The supplied loop: its beat, late ticks, how it is stopped."""

from __future__ import annotations

from itertools import pairwise

import pytest
from rig import checked, machine, move
from world import World

PERIOD = 20_000_000


def test_a_loop_ticks_once_a_period_for_as_long_as_it_is_told() -> None:
    """R20: on its clock, without drift."""
    world = World()
    world.loop.run(1.0)
    steps = {b - a for a, b in zip(world.times, world.times[1:], strict=False)}
    assert steps == {PERIOD}
    assert 50 <= world.loop.ticks <= 51
    assert world.loop.late_ticks == 0


@pytest.mark.parametrize(("part", "name"), [("read", "the gauges"), ("write", "the actuators")])
def test_a_late_tick_is_counted_and_told_by_its_slow_part(part: str, name: str) -> None:
    """R20: one sentence, in the trace too; missed periods are not made up for."""
    world = World()
    world.slow[part, 10] = 55_000_000
    world.loop.run(1.0)
    assert world.loop.late_ticks == 1
    (told,) = world.loop.told
    assert told == f"tick 11 came 35.0 ms late: {name} took 55.0 ms of a period of 20 ms"
    assert [dict(event.values)["late tick"] for event in world.events if event.kind == "note"] == [told]
    gaps = [b - a for a, b in zip(world.times, world.times[1:], strict=False)]
    assert sorted(gaps)[-2:] == [PERIOD, 55_000_000]


@pytest.mark.parametrize(("late", "next_gap"), [(39_999_999, 1), (40_000_000, PERIOD), (40_000_001, PERIOD)])
def test_a_tick_that_comes_a_whole_period_late_is_followed_by_one_a_period_later(late: int, next_gap: int) -> None:
    """R19, R20: never by one at the same time; before that the next comes at its own time."""
    world = World()
    world.slow["read", 10] = late
    world.runner.request("r")
    world.loop.run(0.8)
    gaps = [b - a for a, b in pairwise(world.times)]
    assert gaps[10:13] == [late, next_gap, PERIOD]
    assert not [event for event in world.events if event.kind == "fault"]


@pytest.mark.parametrize(("late", "told"), [(10_000_000, 0), (10_000_001, 1)])
def test_a_tick_is_told_late_beyond_half_a_period(late: int, told: int) -> None:
    """R20: and names the part that took at least half of that."""
    world = World()
    world.slow["write", 10] = PERIOD + late
    world.loop.run(0.6)
    assert world.loop.late_ticks == len(world.loop.told) == told


@pytest.mark.parametrize(
    ("slow", "part"),
    [
        (0, "the system, which woke the loop too late, took 30.0 ms"),
        (14_999_999, "the system, which woke the loop too late, took 30.0 ms"),
        (15_000_000, "the actuators took 15.0 ms"),
    ],
)
def test_a_loop_that_was_woken_too_late_says_so(slow: int, part: str) -> None:
    """R20: nobody in the program took half as long."""
    world = World()
    world.slow["write", 4] = slow
    sleep = world.clock.sleep_until

    def oversleep(time_ns: int) -> None:
        sleep(time_ns + (30_000_000 if world.loop.ticks == 5 else 0))

    world.clock.sleep_until = oversleep  # type: ignore[method-assign]
    world.loop.run(0.4)
    assert world.loop.told[0].startswith(f"tick 5 came 30.0 ms late: {part}")


def test_the_last_hundred_late_ticks_are_told() -> None:
    """R20: and all are counted."""
    world = World()
    world.slow |= {("write", tick): PERIOD + 15_000_000 for tick in range(130)}
    world.loop.run(5.0)
    assert world.loop.late_ticks > 110
    assert len(world.loop.told) == 100


def test_a_slow_each_tick_is_told_by_its_name() -> None:
    """R20: neither the system nor a part that was quick."""
    world = World()
    world.loop.run(0.4, world.at(5, lambda: world.clock.spend(55_000_000)))
    assert list(world.loop.told) == ["tick 6 came 35.0 ms late: each_tick took 55.0 ms of a period of 20 ms"]


def test_stop_cancels_waits_for_standstill_and_switches_off() -> None:
    """R33: from any thread; the last orders are off, with every output at rest."""
    world = World(checked(machine(), move("m", {"lift": 2.0})))
    world.runner.request("r")
    world.loop.run(None, world.at(40, world.loop.stop))
    assert 60 <= world.loop.ticks <= 70
    assert {order.mode for order in world.written[-1].axes.values()} == {"off"}
    assert world.written[-2].axes["lift"].velocity == 0.0
    assert dict(world.written[-1].outputs) == {"lamp": False, "horn": 0.0, "third": 0.0}
