"""What a robot offers the runner: Protocols that its own classes fit without inheriting anything."""

from __future__ import annotations

from typing import Protocol

from sequencer.ports.orders import Orders
from sequencer.ports.readings import Readings


class Actuators(Protocol):
    """Takes orders. It drops its outputs by itself when none come for the machine's `longest_gap` (R38)."""

    def write(self, orders: Orders) -> None:
        """Pass the orders on to the motor controllers; must not block."""


class Gauges(Protocol):
    """Gives readings, each source asked once a tick."""

    def read(self, now_ns: int) -> Readings:
        """The readings at `now_ns` [ns]."""


class Clock(Protocol):
    """Monotonic time."""

    def now(self) -> int:
        """Time [ns]; never goes back."""

    def sleep_until(self, time_ns: int) -> None:
        """Return at `time_ns` [ns] or at once if that has passed."""
