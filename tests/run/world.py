"""An ideal robot around the supplied loop, on a virtual clock."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from rig import Rig, checked, machine, move

from sequencer.ports.clock import VirtualClock
from sequencer.ports.orders import Orders
from sequencer.ports.readings import Readings
from sequencer.run import Loop, Runner


class World:
    """An ideal robot on a virtual clock; `slow` [ns] by (part, tick) is what reading or writing takes."""

    def __init__(self, *routines: Any) -> None:
        self.rig = Rig(*(routines or [checked(machine(), move("m", {"lift": 1.0}))]))
        self.runner: Runner = self.rig.runner
        self.clock = VirtualClock(1_000)
        self.slow: dict[tuple[str, int], int] = {}
        self.broken: dict[tuple[str, int], BaseException] = {}
        self.written: list[Orders] = []
        self.times: list[int] = []
        self.loop = Loop(self.runner, self, self, self.clock)

    def read(self, now_ns: int) -> Readings:
        self._part("read")
        self.times.append(now_ns)
        return self.rig.reading(now_ns)

    def write(self, orders: Orders) -> None:
        self.written.append(orders)
        self.rig.count += 1
        for name in self.rig.names:
            self.rig._follow(name, orders.axes[name])
        self._part("write")

    def _part(self, part: str) -> None:
        tick = self.loop.ticks
        self.clock.spend(self.slow.get((part, tick), 0))
        if (part, tick) in self.broken:
            raise self.broken[part, tick]

    def at(self, tick: int, act: Callable[[], object]) -> Callable[[Orders], None]:
        def each(orders: Orders) -> None:
            if self.loop.ticks - 1 == tick:
                act()

        return each

    @property
    def events(self) -> list[Any]:
        return [event for orders in self.written for event in orders.events]
