"""The named quantities of a trace, in the order of the columns of its files."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING, Any, NamedTuple

from sequencer.trace.rows import Row

if TYPE_CHECKING:
    from sequencer.trace.trace import Header


class Channel(NamedTuple):
    """A named quantity of a trace: its unit ("" for switches, words and JSON) and how to take it from a row."""

    name: str
    unit: str
    take: Callable[[Row], Any]


def channels(header: Header) -> list[Channel]:
    """Every quantity of a trace in the order of its columns."""
    found = [
        Channel("tick", "", lambda row: row.tick),
        Channel("time", "ns", lambda row: row.now_ns),
        Channel("enabled", "", lambda row: row.enabled),
    ]
    for index, (axis, kind) in enumerate(header.axes):
        length = "m" if kind == "linear" else "rad"
        quantities = (
            ("measured", length),
            ("speed", f"{length}/s"),
            ("current", "A"),
            ("zeroed", ""),
            ("age", "ns"),
            ("fault", ""),
        )
        for place, (quantity, unit) in enumerate(quantities):
            found.append(Channel(f"{axis}.{quantity}", unit, _part("measured", index, place)))
        quantities = (
            ("mode", ""),
            ("ordered", length),
            ("ordered_speed", f"{length}/s"),
            ("ordered_acceleration", f"{length}/s2"),
            ("volts", "V"),
            ("ordered_current", "A"),
        )
        for place, (quantity, unit) in enumerate(quantities):
            found.append(Channel(f"{axis}.{quantity}", unit, _part("ordered", index, place)))
    for index, (sensor, unit) in enumerate(header.sensors):
        found.append(Channel(sensor, unit, _part("sensors", index, 0)))
        found.append(Channel(f"{sensor}.age", "ns", _part("sensors", index, 1)))
    for index, (output, unit) in enumerate(header.outputs):
        found.append(Channel(output, unit, lambda row, index=index: row.outputs[index]))  # type: ignore[misc]
    found.append(Channel("battery", "V", lambda row: row.battery))
    return found


def channels_of_parts(header: Header, rows: Iterable[Row]) -> list[Channel]:
    """Single encoders and motors, numbered from 1 as they were told: ``lift.encoder_1``, ``lift.current_2``."""
    kinds = dict(header.axes)
    most: dict[tuple[str, int], int] = {}
    for row in rows:
        for parts in row.parts:
            for place in (1, 2):
                key = parts.axis, place
                most[key] = max(most.get(key, 0), len(parts[place]))
    found = []
    for (axis, place), count in most.items():
        unit = "A" if place == 2 else "m" if kinds.get(axis) == "linear" else "rad"
        word = "encoder" if place == 1 else "current"
        found += [Channel(f"{axis}.{word}_{n + 1}", unit, _single(axis, place, n)) for n in range(count)]
    return found


def _part(group: str, index: int, place: int) -> Callable[[Row], Any]:
    column = Row._fields.index(group)

    def take(row: tuple[Any, ...]) -> Any:
        item = row[column][index]
        return None if item is None else item[place]

    return take


def _single(axis: str, place: int, number: int) -> Callable[[Row], Any]:
    def take(row: Row) -> Any:
        for parts in row.parts:
            if parts.axis == axis and number < len(parts[place]):
                return parts[place][number]
        return None

    return take
