"""Takes down every tick, quickly: the tick only keeps references; rows are made when they are asked for."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Mapping, Sequence
from itertools import count
from math import isfinite
from typing import TYPE_CHECKING, Any

from sequencer.trace.rows import Measured, Ordered, PartsRead, Row, TraceEvent, Value
from sequencer.trace.trace import Header, Trace

if TYPE_CHECKING:
    from sequencer.ports.orders import Orders
    from sequencer.ports.readings import Readings

_NOTHING: tuple[Any, ...] = ()
_PLAIN = frozenset((bool, int, float, str, type(None)))
_DEFAULT: tuple[Any, ...] = tuple(Measured())
"""An axis reading of which nothing is known."""


class Recorder:
    """Records what the runner read, was asked and ordered; nothing is formatted while the robot moves.

    `record` copies the values of the mappings it is given, so a caller may use the same dictionaries again next tick.
    One thread may `take` while another records. In memory a row of four axes takes about 2 kB, so that
    50 Hz make 6 MB a minute; `take` the rows, or use a `TraceFile`, where sessions are long.

    Args:
        machine: the machine's plain data, as in a checked routine.
        routines: the checked routines that may run, for names, hashes and waivers in the header.
    """

    def __init__(self, machine: Mapping[str, Any], routines: Sequence[Any] = ()) -> None:
        self._begin(Header.from_machine_data(machine, routines))

    @classmethod
    def for_header(cls, header: Header) -> Recorder:
        """A recorder of what another process records under this header."""
        made = cls.__new__(cls)
        made._begin(header)
        return made

    def _begin(self, header: Header) -> None:
        self.header = header
        self._axes = tuple(name for name, _ in self.header.axes)
        self._sensors = tuple(name for name, _ in self.header.sensors)
        self._outputs = tuple(name for name, _ in self.header.outputs)
        self._kept: deque[tuple[Any, ...]] = deque()
        self._numbers = count()
        self._shift = 0

    def record(self, readings: Readings, orders: Orders, requests: tuple[tuple[Any, ...], ...] = _NOTHING) -> None:
        """Keep one tick; a few microseconds."""
        axes = self._axes
        self._kept.append(
            (
                next(self._numbers),
                readings.now_ns,
                readings.enabled,
                tuple(map(readings.axes.get, axes)),
                tuple(map(orders.axes.get, axes)),
                tuple(map(readings.sensors.get, self._sensors)),
                tuple(map(orders.outputs.get, self._outputs)),
                readings.battery,
                requests,
                orders.events,
                tuple(readings.parts.items()) if readings.parts else _NOTHING,
            )
        )

    def __len__(self) -> int:
        """How many ticks are kept and not yet taken."""
        return len(self._kept)

    def raw(self) -> list[tuple[Any, ...]]:
        """What was recorded since the last call, as it was given; `rows` makes rows of it, in whatever process."""
        kept = []
        while self._kept:
            kept.append(self._kept.popleft())
        return kept

    def rows(self, raw: Iterable[tuple[Any, ...]]) -> tuple[Row, ...]:
        """Rows of what another recorder's `raw` gave."""
        return self._rows(raw)

    def take(self) -> tuple[Row, ...]:
        """The rows since the last call, oldest first; they are no longer kept here."""
        kept = []
        try:
            while True:
                kept.append(self._kept.popleft())
        except IndexError:
            return self._rows(kept)

    def trace(self) -> Trace:
        """All that is kept, as a trace; it stays kept."""
        return Trace(self.header, self._rows(list(self._kept)))

    def _rows(self, kept: Iterable[tuple[Any, ...]]) -> tuple[Row, ...]:
        kept = tuple(kept)
        # The runner numbers its ticks in its events; a recorder that was attached later follows it.
        for number, *_, events, _ in kept:
            if events:
                self._shift = events[0].tick - number
                break
        return tuple(_row(item, self._shift) for item in kept)


def portable(kept: tuple[Any, ...]) -> tuple[Any, ...]:
    """One tick of `raw` for another process, which may not know the classes of what was read or asked."""
    number, now_ns, enabled, measured, ordered, sensors, outputs, battery, requests, events, parts = kept
    if not (_PLAIN.issuperset(map(type, sensors)) and type(battery) in _PLAIN):
        sensors, battery = tuple(None if one is None else _sensed(one) for one in sensors), _number(battery)
    if not all(reading is None or _PLAIN.issuperset(map(type, reading)) for reading in measured):
        measured = tuple(None if reading is None else tuple(_measured(reading)) for reading in measured)
    if requests:
        requests = _plain(requests)
    if events:
        events = tuple(
            event._replace(values=tuple((name, _plain(value)) for name, value in event.values)) for event in events
        )
    if parts:
        parts = tuple((str(axis), _plain(read)) for axis, read in parts)
    return number, now_ns, enabled is True, measured, ordered, sensors, outputs, battery, requests, events, parts


def _row(kept: tuple[Any, ...], shift: int) -> Row:
    number, now_ns, enabled, measured, ordered, sensors, outputs, battery, requests, events, parts = kept
    return Row(
        number + shift,
        now_ns,
        bool(enabled),
        tuple(None if reading is None else _measured(reading) for reading in measured),
        tuple(None if order is None else _ordered(order) for order in ordered),
        tuple(None if sensed is None else _sensed(sensed) for sensed in sensors),
        tuple(_plain(value) for value in outputs),
        _number(battery),
        _plain(requests),
        tuple(_event(event) for event in events),
        tuple(_parts(axis, read) for axis, read in parts),
    )


def _parts(axis: Any, read: Any) -> PartsRead:
    """Parts of an axis. What is of another type than parts counted as not told in the tick, and does here."""
    encoders, currents = read if isinstance(read, tuple) and len(read) == 2 else ((), ())
    return PartsRead(str(axis), _numbers(encoders), _numbers(currents))


def _numbers(values: Any) -> tuple[float | int | None, ...]:
    return tuple(map(_number, values)) if isinstance(values, tuple | list) else ()


def _measured(reading: Any) -> Measured:
    """A reading of an axis. What is of another type than a reading counted as missing in the tick, and does here."""
    given: tuple[Any, ...] = reading if isinstance(reading, tuple) and 1 <= len(reading) <= len(_DEFAULT) else ()
    position, speed, current, zeroed, age, fault = (*given, *_DEFAULT[len(given) :])
    said = fault if fault is None else str(fault)
    return Measured(_number(position), _number(speed), _number(current), bool(zeroed), _age(age), said)


def _ordered(order: Any) -> Ordered:
    mode, *numbers = order
    return Ordered(str(mode), *map(_plain, numbers))


def _event(event: Any) -> TraceEvent:
    *plain, values = event
    return TraceEvent(*plain)._replace(values=tuple((str(name), _plain(value)) for name, value in values))


def _sensed(sensed: Any) -> tuple[Value, int]:
    value, age = sensed if isinstance(sensed, tuple) and len(sensed) == 2 else (sensed, 0)
    value = _plain(value)
    return value if value is None or isinstance(value, bool | int | float | str) else str(value), _age(age)


def _number(value: Any) -> float | int | None:
    """The value if it is a number (a switch is none), else None."""
    value = _plain(value)
    return value if isinstance(value, int | float) and not isinstance(value, bool) else None


def _age(value: Any) -> int:
    """Whole nanoseconds; 0 for what is no number."""
    number = _number(value)
    return round(number) if number is not None and isfinite(number) else 0


def _plain(value: Any) -> Any:
    """The value in Python's own types: sequences as tuples, array scalars as numbers, anything else as text."""
    if value is None or type(value) in (bool, int, float, str):
        return value
    if isinstance(value, float):
        return float(value)
    if isinstance(value, str):
        return str.__str__(value)  # a class of the user's may call itself something else
    if isinstance(value, int):
        return int(value)
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, tuple | list):
        return tuple(_plain(item) for item in value)
    item = getattr(value, "item", None)
    return _plain(item()) if callable(item) else str(value)
