"""The supplied loop when gauges, actuators, sinks or the clock fail, when the program ends, and when it is stopped."""

from __future__ import annotations

import gc
import os
import signal
import threading
from itertools import pairwise
from typing import Any

import pytest
from rig import axis, checked, machine, move, wait
from world import World

from sequencer.errors import ClockError
from sequencer.ports.clock import MonotonicClock
from sequencer.ports.orders import Orders
from sequencer.ports.readings import Readings
from sequencer.run import Loop

PERIOD = 20_000_000


def test_gauges_that_give_no_readings_fault_the_run_and_the_loop_goes_on() -> None:
    """R36: a class may forget to return anything; the axes come to rest by their ramp."""
    world = World()
    reading = world.rig.reading
    world.rig.reading = lambda now: None if world.loop.ticks == 8 else reading(now)  # type: ignore[assignment, return-value]
    world.runner.request("r")
    world.loop.run(1.0)
    (fault,) = [event for event in world.events if event.kind == "fault"]
    assert fault.text == "the readings failed: TypeError: the gauges gave None; `read` must return Readings each time"
    assert world.loop.ticks > 45
    assert "off" not in {order.axes["lift"].mode for order in world.written[:-1]}


@pytest.mark.parametrize("tick", [0, 8])
def test_gauges_that_fail_neither_give_nor_take_the_permission_to_move(tick: int) -> None:
    """R29, R36: it stays what was read last; at the beginning it is not given."""
    world = World()
    reading = world.rig.reading

    def disabled(now_ns: int) -> Readings:
        found = reading(now_ns)
        found.enabled = False
        return found

    world.rig.reading = disabled  # type: ignore[method-assign]
    world.broken["read", tick] = OSError("the bus is gone")
    world.loop.run(0.4)
    assert not [event for event in world.events if event.kind == "enabled"]
    assert {order.axes["lift"].mode for order in world.written} == {"off"}


@pytest.mark.parametrize("error", [KeyboardInterrupt(), SystemExit(3)])
@pytest.mark.parametrize("part", ["read", "write"])
def test_an_exception_that_ends_the_program_is_a_clean_stop_first(part: str, error: BaseException) -> None:
    """R33, R36: the axes come to rest by their ramp, everything is off, and it goes on."""
    world = World(checked(machine(), move("m", {"lift": 2.0})))
    world.runner.request("r")
    world.broken[part, 40] = error
    with pytest.raises(type(error)) as found:
        world.loop.run(None)
    assert found.value is error
    assert "off" not in {orders.axes["lift"].mode for orders in world.written[:-1]}
    assert world.written[39].axes["lift"].velocity > 0.5
    assert world.written[-2].axes["lift"].velocity == 0.0
    assert {order.mode for order in world.written[-1].axes.values()} == {"off"}


def test_an_exception_that_ends_the_program_in_a_wait_is_a_clean_stop_first() -> None:
    """R33: most of the time a loop waits."""
    world = World(checked(machine(), move("m", {"lift": 2.0})))
    world.runner.request("r")
    sleep = world.clock.sleep_until

    def interrupted(time_ns: int) -> None:
        sleep(time_ns)
        if world.loop.ticks == 40:
            raise KeyboardInterrupt

    world.clock.sleep_until = interrupted  # type: ignore[method-assign]
    with pytest.raises(KeyboardInterrupt):
        world.loop.run(None)
    assert world.written[-2].axes["lift"].velocity == 0.0
    assert {order.mode for order in world.written[-1].axes.values()} == {"off"}


def test_a_sink_that_ends_the_program_is_a_clean_end() -> None:
    """R36: what a tick that was cut in two has left behind is not ordered."""

    class Ends:
        def record(self, readings: Readings, orders: Orders, requests: tuple[Any, ...] = ()) -> None:
            if world.loop.ticks == 8:
                raise SystemExit(3)

    world = World(checked(machine(), move("m", {"lift": 2.0})))
    world.runner._sink = Ends()
    world.runner.request("r")
    with pytest.raises(SystemExit):
        world.loop.run(None)
    assert {order.mode for order in world.written[8].axes.values()} == {"off"}
    assert {order.mode for order in world.written[-1].axes.values()} == {"off"}
    fault = next(event for event in world.events if event.kind == "fault")
    assert fault.text == "the tick was broken off: SystemExit: 3"


def test_a_loop_ends_in_time_though_its_clock_stands_still() -> None:
    """R19: everything is off all the while."""

    class Stands:
        def now(self) -> int:
            return 5

        def sleep_until(self, time_ns: int) -> None:
            assert world.loop.ticks < 1_000, "the loop does not end"

    world = World()
    world.loop = Loop(world.runner, world, world, Stands())
    world.runner.request("r")
    world.loop.run(0.5)
    assert 20 <= world.loop.ticks <= 30
    assert {order.mode for orders in world.written[1:] for order in orders.axes.values()} == {"off"}


@pytest.mark.parametrize(
    ("part", "why"), [("now", "raises"), ("sleep_until", "raises"), ("now", "says nothing"), ("now", "exits")]
)
def test_axes_come_to_rest_by_a_ramp_though_the_clock_is_gone(part: str, why: str) -> None:
    """R33, R38: the system's clock stands in until they do; the last orders are off."""
    world = World()
    world.runner.request("r")
    good = getattr(world.clock, part)

    def gone(*given: int) -> Any:
        if world.loop.ticks < 18:
            return good(*given)
        if why == "raises":
            raise OSError("no clock")
        if why == "exits":
            raise SystemExit("no clock")
        return None

    setattr(world.clock, part, gone)
    kinds = {"raises": OSError, "exits": SystemExit, "says nothing": ClockError}
    with pytest.raises(kinds[why], match=r"no clock|the clock says None"):
        world.loop.run(2.0)
    speeds = [orders.axes["lift"].velocity for orders in world.written[17:-1]]
    fastest = speeds.index(max(speeds))
    assert speeds[0] > 0.1
    assert fastest < 5 < len(speeds)  # what accelerates goes on to do so while its jerk lasts
    assert all(after <= before for before, after in pairwise(speeds[fastest:]))
    assert speeds[-1] == 0.0
    assert {order.mode for order in world.written[-1].axes.values()} == {"off"}
    assert [run.state for run in world.runner.status().runs] == ["cancelled"]
    assert all(before < after for before, after in pairwise(orders.now_ns for orders in world.written))


def test_a_loop_that_was_stopped_says_that_it_does_not_run_again() -> None:
    """It would end at once, and nobody would know why."""
    world = World()
    world.loop.run(None, world.at(4, world.loop.stop))
    with pytest.raises(RuntimeError, match="this loop was stopped and does not run again"):
        world.loop.run(1.0)


def test_a_clock_that_never_worked_is_a_clean_end_as_well() -> None:
    """R38: there is no tick to tell the time of."""
    world = World()

    def gone() -> int:
        raise OSError("no clock")

    world.clock.now = gone  # type: ignore[method-assign]
    with pytest.raises(OSError, match="no clock"):
        world.loop.run(1.0)
    assert [(orders.now_ns, {order.mode for order in orders.axes.values()}) for orders in world.written] == [
        (0, {"off"})
    ]


def test_last_orders_that_can_not_be_written_are_told() -> None:
    """R38: the actuators drop out by themselves."""
    world, broken = World(), World()
    world.loop.run(0.2)
    broken.broken["write", world.loop.ticks] = OSError("the bus is gone")
    broken.loop.run(0.2)
    assert list(world.loop.told) == []
    assert list(broken.loop.told) == ["the last orders could not be written: OSError: the bus is gone"]


def test_a_loop_that_was_stopped_ends_three_seconds_later_whatever_still_moves() -> None:
    """R33, R38: in the tick that is due then, at the latest."""
    weak = [[-1.0, 1.0], [-0.1, 0.1], None]
    on = machine([axis("lift", limits=weak), *machine()["axes"][1:]])
    world = World(checked(on, move("m", {"lift": 2.9}, limits=weak)))
    world.runner.request("r")
    world.loop.run(None, world.at(200, world.loop.stop))
    assert world.loop.ticks == 200 + 150
    assert {order.mode for order in world.written[-2].axes.values()} >= {"track"}
    assert {order.mode for order in world.written[-1].axes.values()} == {"off"}


def test_a_collection_of_garbage_that_takes_long_is_told_by_its_name(monkeypatch: pytest.MonkeyPatch) -> None:
    """R20: it is not the system that woke the loop too late."""
    world = World()

    def collect(generation: int = 2) -> int:
        world.clock.spend(45_000_000 if world.loop.ticks == 8 else 0)
        return 0

    monkeypatch.setattr(gc, "collect", collect)
    world.loop.run(0.4)
    assert list(world.loop.told) == [
        "tick 8 came 25.0 ms late: the garbage collection took 45.0 ms of a period of 20 ms"
    ]


def test_gauges_that_fail_fault_the_run_and_the_loop_goes_on() -> None:
    """R36: the exception is the cause; the next reading is taken."""
    world = World()
    world.broken["read", 8] = OSError("the bus is gone")
    world.runner.request("r")
    world.loop.run(1.0)
    (fault,) = [event for event in world.events if event.kind == "fault"]
    assert fault.text == "the readings failed: OSError: the bus is gone"
    assert world.loop.ticks > 45


def test_actuators_that_fail_fault_the_run_and_orders_go_on() -> None:
    """R36: C70: the next orders are the stop."""
    world = World()
    world.broken["write", 8] = OSError("the bus is gone")
    world.runner.request("r")
    world.loop.run(1.0)
    (fault,) = [event for event in world.events if event.kind == "fault"]
    assert (fault.tick, fault.text) == (9, "the actuators failed: OSError: the bus is gone")
    assert world.runner.status().fault == fault.text


def test_actuators_that_fail_while_nothing_runs_need_a_reset() -> None:
    """R36."""
    world = World()
    world.broken["write", 3] = OSError("gone")
    world.loop.run(0.4, world.at(10, lambda: world.runner.request("r")))
    assert any(event.kind == "refused" and "reset first" in event.text for event in world.events)


def test_a_clock_that_stands_becomes_a_safe_stop() -> None:
    """R19: C30: the tick is refused, everything is ordered off, and the run faults at the next one."""
    world = World()
    world.runner.request("r")
    now = world.rig.reading

    def stands(now_ns: int) -> Readings:
        return now(now_ns if world.loop.ticks != 8 else world.times[-2])

    world.rig.reading = stands  # type: ignore[method-assign]
    world.loop.run(1.0)
    assert {order.mode for order in world.written[8].axes.values()} == {"off"}
    assert "the clock failed" in next(event.text for event in world.events if event.kind == "fault")


def test_what_is_asked_for_after_a_stop_comes_to_rest_as_well() -> None:
    """R33: a button that is still pressed starts nothing that would be cut off in mid-move."""
    on = machine()
    world = World(checked(on, move("m", {"lift": 2.0}), name="a"), checked(on, move("n", {"wrist": 2.0}), name="b"))
    world.runner.request("a")

    def each(_: Orders) -> None:
        if len(world.written) == 30:
            world.loop.stop()
        if len(world.written) >= 33:
            world.runner.jog("wrist", 1.0)
        if len(world.written) == 34:
            world.runner.request("b")

    world.loop.run(None, each)
    speeds = {name: world.written[-2].axes[name].velocity for name in ("lift", "wrist")}
    assert speeds == {"lift": 0.0, "wrist": 0.0}
    assert {order.mode for order in world.written[-1].axes.values()} == {"off"}


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_is_a_clean_stop(number: int) -> None:
    """R33: and the handlers of before are back afterwards."""
    before = signal.getsignal(number)
    world = World(checked(machine(), wait("A", 9.0)))
    world.runner.request("r")
    world.loop.run(None, world.at(5, lambda: os.kill(os.getpid(), number)))
    assert {order.mode for order in world.written[-1].axes.values()} == {"off"}
    assert signal.getsignal(number) is before


def test_an_exception_of_the_caller_is_a_clean_stop_and_goes_on() -> None:
    """R36."""
    world = World(checked(machine(), move("m", {"lift": 2.0})))
    world.runner.request("r")

    def fail() -> None:
        raise KeyError("button")

    with pytest.raises(KeyError, match="button"):
        world.loop.run(None, world.at(40, fail))
    assert world.written[-2].axes["lift"].velocity == 0.0
    assert {order.mode for order in world.written[-1].axes.values()} == {"off"}


def test_a_loop_may_run_in_another_thread_and_leaves_the_collector_as_it_was() -> None:
    """R20: the garbage collector is off while ticks run, on again after."""
    world = World()
    seen: list[bool] = []
    thread = threading.Thread(target=lambda: world.loop.run(0.2, lambda orders: seen.append(gc.isenabled())))
    thread.start()
    thread.join()
    assert True not in seen
    assert gc.isenabled()
    assert gc.get_freeze_count() == 0


def test_the_first_tick_is_late_after_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    """R20: there is no tick before it that could have been slow."""
    world = World()
    now = world.clock.now
    calls = []

    def slow() -> int:
        calls.append(now())
        if len(calls) == 1:
            world.clock.spend(PERIOD)
        return calls[-1]

    monkeypatch.setattr(world.clock, "now", slow)
    world.loop.run(0.1)
    assert calls[1] - calls[0] == PERIOD
    assert (world.loop.late_ticks, list(world.loop.told)) == (0, [])


def test_garbage_is_collected_in_the_idle_part_of_each_period_all_of_it_each_64th(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """R20: the young generations, and each 64th period all; none where less than half of the period is left."""
    asked: list[tuple[int, int]] = []
    world = World()
    monkeypatch.setattr(gc, "collect", lambda generation=2: asked.append((world.loop.ticks, generation)) or 0)
    world.slow["write", 69] = PERIOD // 2
    world.slow["write", 79] = PERIOD // 2 + 1
    world.loop.run(2.0)
    ticks = [tick for tick in range(1, world.loop.ticks) if tick != 80]
    assert asked[0] == (0, 2)
    assert [one for one in asked if 0 < one[0] < world.loop.ticks] == [(tick, 1 if tick != 64 else 2) for tick in ticks]


def test_the_system_clock_waits_until_its_time() -> None:
    """A wait never ends early, and one for a time that has passed returns."""
    clock = MonotonicClock()
    begin = clock.now()
    clock.sleep_until(begin - 5)
    clock.sleep_until(begin + 3_000_000)
    assert clock.now() >= begin + 3_000_000
