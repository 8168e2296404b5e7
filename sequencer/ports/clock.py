"""Clocks: the machine's own, and one that only goes on when it is waited for."""

from __future__ import annotations

import time


class MonotonicClock:
    """The system's monotonic clock [ns]."""

    def now(self) -> int:
        return time.monotonic_ns()

    def sleep_until(self, time_ns: int) -> None:
        left = time_ns - time.monotonic_ns()
        if left > 0:
            time.sleep(left * 1e-9)


class VirtualClock:
    """A clock for tests: waiting costs nothing; `spend` [ns] stands for work.

    Args:
        start: its first time [ns].
    """

    def __init__(self, start: int = 0) -> None:
        self.time = start

    def now(self) -> int:
        return self.time

    def sleep_until(self, time_ns: int) -> None:
        self.time = max(self.time, time_ns)

    def spend(self, duration: int) -> None:
        self.time += duration
