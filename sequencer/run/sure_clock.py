"""A clock that goes on when the given one breaks, so that axes still come to rest by a ramp."""

from __future__ import annotations

from collections.abc import Callable

from sequencer.errors import ClockError
from sequencer.ports.actuators import Clock
from sequencer.ports.clock import MonotonicClock


class SureClock:
    """The given clock until it raises or gives what is no time; from then on the system's, going on from its last time.

    A clock that has never told the time raises: nothing moves yet that would have to come to rest.

    Args:
        given: the clock.
        failed: told once, with what was raised.
    """

    def __init__(self, given: Clock, failed: Callable[[BaseException], None]) -> None:
        self._clock = given
        self._failed = failed
        self._ahead = 0
        self._last: int | None = None

    def now(self) -> int:
        """Time [ns].

        Raises:
            ClockError: no time has ever been told, and the given clock tells none.
            BaseException: likewise, what it raises.
        """
        try:
            found: object = self._clock.now()
            if type(found) is not int:
                raise ClockError(f"the clock says {found!r}; it must be a whole number of nanoseconds")
        except BaseException as error:
            self._replace(error)
            found = self._clock.now()
        self._last = found + self._ahead
        return self._last

    def sleep_until(self, time_ns: int) -> None:
        """Return at `time_ns` [ns], or at once if that has passed."""
        try:
            self._clock.sleep_until(time_ns - self._ahead)
        except BaseException as error:
            self._replace(error)
            self._clock.sleep_until(time_ns - self._ahead)

    def _replace(self, error: BaseException) -> None:
        """Raises what the clock has raised if nothing can stand in for it."""
        if self._last is None or isinstance(self._clock, MonotonicClock):
            raise error
        self._clock = MonotonicClock()
        self._ahead = self._last - self._clock.now()
        self._failed(error)
