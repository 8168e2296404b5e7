"""What a robot offers the runner: Protocols that its own classes fit without inheriting anything."""

from __future__ import annotations

from collections.abc import Collection
from math import isfinite
from typing import Protocol, get_args

from sequencer.errors import did_you_mean
from sequencer.ports.orders import Mode, Orders
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


def check_orders(orders: Orders, axes: Collection[str]) -> None:
    """See that orders can be passed on: for known axes, in known modes, all numbers finite. For use in `write`.

    Raises:
        ValueError: what is wrong with the first order that is.
    """
    for name, order in orders.axes.items():
        if name not in axes:
            raise ValueError(f"an order for unknown axis '{name}'; {did_you_mean(name, axes)}")
        mode, *numbers = order
        if mode not in _MODES:
            raise ValueError(f"an order for {name} has the unknown mode '{mode}'; {did_you_mean(mode, _MODES)}")
        if not all(isfinite(number) for number in numbers):
            raise ValueError(f"an order for {name} is not finite: {order}")


_MODES = get_args(Mode)
