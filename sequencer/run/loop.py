"""The supplied fixed-rate loop, for who has none: read, tick, write, and wait for the next period."""

from __future__ import annotations

import gc
import signal
import threading
from collections import deque
from collections.abc import Callable, Iterator, Mapping
from types import FrameType
from typing import Any, NoReturn

from sequencer.errors import ClockError
from sequencer.ports.actuators import Actuators, Clock, Gauges
from sequencer.ports.clock import MonotonicClock
from sequencer.ports.orders import AxisOrder, Orders
from sequencer.ports.readings import AxisReading, Readings
from sequencer.run.host import named
from sequencer.run.runner import Runner
from sequencer.run.sure_clock import SureClock

STOPPING = 3_000_000_000
"""How long [ns] the loop goes on after it was told to stop, for axes to come to rest; then everything is off."""

_MOST_TOLD = 100


class Loop:
    """Ticks a runner once a period of its machine, on a monotonic clock.

    The garbage collector runs in the idle part of a period only. A period that was missed is not made up for. Gauges
    or actuators that fail, or gauges that give no `Readings`, fault the runs and the loop goes on; SIGINT and SIGTERM
    cancel, wait for standstill and switch everything off, and so does an exception that shall end the program
    (KeyboardInterrupt, SystemExit), wherever in a tick it comes up, or a clock that fails: the system's goes on in its
    place until all axes stand. None of this is an emergency stop.

    Args:
        runner: what decides.
        actuators: take the orders.
        gauges: give the readings.
        clock: None: the system's monotonic clock.

    Attributes:
        ticks, late_ticks: how many so far.
        told: the last sentences about late ticks, each naming the part that was slow.
    """

    def __init__(self, runner: Runner, actuators: Actuators, gauges: Gauges, clock: Clock | None = None) -> None:
        self.runner = runner
        self.ticks = 0
        self.late_ticks = 0
        self.told: deque[str] = deque(maxlen=_MOST_TOLD)
        self._actuators = actuators
        self._gauges = gauges
        self._clock = SureClock(clock if clock is not None else MonotonicClock(), self._give_up)
        self._period: int = runner.machine["period"]
        self._spins = [axis["name"] for axis in runner.machine["axes"]]
        self._rest = {output["name"]: output["rest"] for output in runner.machine["outputs"]}
        self._stopping = threading.Event()
        self._failure: BaseException | None
        self._enabled = False
        self._last = 0
        self._taken: dict[str, int] = {}

    def stop(self) -> None:
        """Cancel what runs, wait for standstill, switch off and return from `run`; from any thread or signal."""
        self._stopping.set()

    def run(self, seconds: float | None = None, each_tick: Callable[[Orders], None] | None = None) -> None:
        """Tick until `stop`, a signal, or for `seconds` [s].

        Args:
            seconds: None: for ever. Where the clock stands still, as many ticks as fit into that time.
            each_tick: called after each write, for buttons and displays; must not block. If it raises, the loop comes
                to a clean stop and the exception goes on.

        Raises:
            RuntimeError: it has run before and was stopped; make a new loop.
        """
        if self._stopping.is_set() and self.ticks:
            raise RuntimeError("this loop was stopped and does not run again; make a new one for the same runner")
        collected = gc.isenabled()
        handlers = self._take_signals()
        gc.collect()
        # What is loaded by now stays; collections while moving need not look at it.
        gc.freeze()
        gc.disable()
        self._failure = None
        try:
            self._go(seconds, each_tick)
        finally:
            self._switch_off()
            for number, handler in handlers.items():
                signal.signal(number, handler)
            gc.unfreeze()
            if collected:
                gc.enable()
        if self._failure is not None:
            raise self._failure

    def _go(self, seconds: float | None, each_tick: Callable[[Orders], None] | None) -> None:
        clock = self._clock
        due = planned = clock.now()
        end = None if seconds is None else due + round(seconds * 1e9)
        last: int | None = None
        while last is None or due < last:
            begin = clock.now()
            self._judge(begin - planned)
            orders = self._tick(begin)
            if each_tick is not None and self._failure is None and orders is not None:
                called = clock.now()
                try:
                    each_tick(orders)
                except BaseException as error:
                    self._give_up(error)
                self._taken["each_tick"] = clock.now() - called
            # A clock that stands still would never reach the end; the times that ticks were due at do.
            over = end is not None and max(begin, due) + self._period >= end
            if last is None and (over or self._stopping.is_set()):
                self.runner.cancel()
                last = begin + STOPPING
            elif last is not None:
                if not any(run.state == "stopping" for run in self.runner.status().runs):
                    break
                # Somebody may still ask for motion; from the stop on nothing starts that is not stopped again.
                self.runner.cancel()
            self._collect(due)
            due += self._period
            planned = due
            if clock.now() >= due + self._period:
                due = clock.now()
            try:
                clock.sleep_until(due)
            except BaseException as error:
                self._give_up(error)

    def _give_up(self, error: BaseException) -> None:
        """Come to a clean stop; the first exception that asked for it goes on to the caller of `run`."""
        if self._failure is None:
            self._failure = error
        self._stopping.set()

    def _tick(self, begin: int) -> Orders | None:
        """Read, decide, write; the time that each took is kept for `told`."""
        clock = self._clock
        self._last = begin
        readings = self._read(begin)
        read = clock.now()
        orders: Orders | None = None
        try:
            orders = self.runner.tick(readings)
        except ClockError as error:
            self.runner.fail(f"the clock failed: {error}")
        except BaseException as error:
            # The tick may have been cut in two: nothing that it left behind is worth an order.
            self.runner.fail(f"the tick was broken off: {named(error)}")
            self._give_up(error)
        decided = clock.now()
        try:
            self._actuators.write(orders if orders is not None else self._all_off(begin))
        except BaseException as error:
            self.runner.fail(f"the actuators failed: {named(error)}")
            if not isinstance(error, Exception):
                self._give_up(error)
        self._taken = {"the gauges": read - begin, "the runner": decided - read, "the actuators": clock.now() - decided}
        self.ticks += 1
        return orders

    def _read(self, now: int) -> Readings:
        """The readings, or in their place the exception that says why there are none (R36)."""
        broken: BaseException
        try:
            # Whatever the Protocol promises, somebody's class may forget to return anything.
            found: object = self._gauges.read(now)
            if isinstance(found, Readings):
                self._enabled = found.enabled
                return found
            broken = TypeError(f"the gauges gave {found!r}; `read` must return Readings each time")
        except BaseException as error:
            broken = error
            if not isinstance(error, Exception):
                self._give_up(error)
        # Who cannot be asked has not given the permission to move; one that was given stays, to stop by a ramp.
        return Readings(now, self._enabled, _Broken(broken))

    def _judge(self, late: int) -> None:
        """Count a tick that came later than half a period, and say which part of the last one was slow."""
        if late <= self._period >> 1 or not self._taken:
            return
        self.late_ticks += 1
        part, taken = max(self._taken.items(), key=lambda item: item[1])
        if taken < late >> 1:
            part, taken = "the system, which woke the loop too late,", late
        sentence = (
            f"tick {self.ticks} came {late * 1e-6:.1f} ms late: {part} took {taken * 1e-6:.1f} ms "
            f"of a period of {self._period * 1e-6:g} ms"
        )
        self.told.append(sentence)
        self.runner.note("late tick", sentence)

    def _collect(self, due: int) -> None:
        """Collect garbage while there is time: the young generations each period, all only where half of it is left."""
        begin = self._clock.now()
        if begin - due > self._period >> 1:
            return
        gc.collect(1 if self.ticks % 64 else 2)
        self._taken["the garbage collection"] = self._clock.now() - begin

    def _all_off(self, now: int) -> Orders:
        return Orders(now, {name: AxisOrder("off") for name in self._spins}, dict(self._rest))

    def _switch_off(self) -> None:
        """The last orders: no drive, outputs at rest. If they cannot be written, the actuators drop out by themselves
        (R38).
        """
        try:
            now = self._clock.now()
        except Exception:
            now = self._last
        try:
            self._actuators.write(self._all_off(now))
        except Exception as error:
            self.told.append(f"the last orders could not be written: {named(error)}")

    def _take_signals(self) -> Mapping[int, Any]:
        """SIGINT and SIGTERM stop the loop; only the main thread may say so."""
        if threading.current_thread() is not threading.main_thread():
            return {}

        def stop(number: int, frame: FrameType | None) -> None:
            self.stop()

        return {number: signal.signal(number, stop) for number in (signal.SIGINT, signal.SIGTERM)}


class _Broken(Mapping[str, AxisReading]):
    """Readings that could not be read: whoever looks gets the exception, so that its cause is kept (R36)."""

    def __init__(self, error: BaseException) -> None:
        # What ends a program must not end a tick (which keeps exceptions of the kind Exception only).
        self._error = error if isinstance(error, Exception) else RuntimeError(named(error))

    def __getitem__(self, name: str) -> NoReturn:
        raise self._error

    def get(self, name: str, default: Any = None) -> NoReturn:
        raise self._error

    def __iter__(self) -> Iterator[str]:
        return iter(())

    def __len__(self) -> int:
        return 0
