"""Cells of trace files and the rows made of them: single cells strictly, whole blocks of lines column by column.

A block that is as a writer left it takes the quick way, in which nearly everything is done by the C parts of the
standard library. Where anything in it is out of the ordinary the quick way gives None, and the reader goes line by line
to accept it or to name the line.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator, Sequence
from itertools import repeat
from operator import lt
from typing import TYPE_CHECKING, Any

from sequencer.trace.rows import Measured, Ordered, Row
from sequencer.trace.writer import WORD

if TYPE_CHECKING:
    from sequencer.trace.trace import Header

_WHOLE = re.compile(r"-?[0-9]+\Z")
_NUMBER = re.compile(r"-?(?:[0-9]+(?:\.[0-9]+)?(?:e[+-]?[0-9]+)?|inf|nan)\Z")
_FEW = 16
"""Columns with no more different cells than one in so many lines are read cell by cell, each once."""

_Types = frozenset[type]
_NUMBERS: _Types = frozenset({float, int, type(None)})
_WHOLES: _Types = frozenset({int, type(None)})
_SWITCHES: _Types = frozenset({bool, type(None)})
_TEXTS: _Types = frozenset({str, type(None)})
_WHOLE_ALWAYS: _Types = frozenset({int})
_SWITCH_ALWAYS: _Types = frozenset({bool})


def cell_value(cell: str) -> Any:
    """The value that a cell was written for.

    Raises:
        ValueError: it is none.
        RecursionError: it is nested too deeply.
    """
    if not cell:
        return None
    if cell in ("true", "false"):
        return cell == "true"
    if _WHOLE.match(cell):
        return int(cell)
    if _NUMBER.match(cell):
        return float(cell)
    if WORD.match(cell):
        return cell
    value = json.loads(cell)
    if not isinstance(value, str):
        raise ValueError(f"'{cell[:40]}' is no value")
    return value


def quick_rows(
    header: Header, lines: Sequence[Sequence[str]], json_cells: Sequence[Callable[[str], tuple[Any, ...]]]
) -> list[Row] | None:
    """The rows of lines that are all of the right width, or None where one of them needs a closer look.

    Args:
        header: what the trace is of.
        lines: the cells of each line.
        json_cells: how to read the columns behind the battery: parts (from format 2 on), requests and events.
    """
    columns = iter(list(zip(*lines, strict=True)))
    try:
        return _rows(header, columns, json_cells)
    except (_Odd, ValueError, RecursionError):
        return None


class _Odd(Exception):
    """Something in a block is not as a writer leaves it."""


def _rows(
    header: Header, columns: Iterator[tuple[str, ...]], json_cells: Sequence[Callable[[str], tuple[Any, ...]]]
) -> list[Row]:
    ticks, nows = _column(columns, _WHOLE_ALWAYS), _column(columns, _WHOLE_ALWAYS)
    enabled = _column(columns, _SWITCH_ALWAYS)
    if not (all(map(lt, ticks, ticks[1:])) and all(map(lt, nows, nows[1:]))):
        raise _Odd
    measured: list[list[Measured | None]] = []
    ordered: list[list[Ordered | None]] = []
    for _ in header.axes:
        parts = [_column(columns, _NUMBERS) for _ in range(3)]
        zeroed, ages, faults = _column(columns, _SWITCHES), _column(columns, _WHOLES), _column(columns, _TEXTS)
        measured.append(_made(Measured, [*parts, zeroed, ages, faults], zeroed, ages))
        modes = _column(columns, _TEXTS)
        numbers = [_column(columns, _NUMBERS) for _ in range(5)]
        ordered.append(_made(Ordered, [modes, *numbers], modes, *numbers))
    sensors: list[list[Any]] = []
    for _ in header.sensors:
        values, ages = _column(columns), _column(columns, _WHOLES)
        if None not in ages:
            sensors.append(list(zip(values, ages, strict=True)))
            continue
        if any(age is None and value is not None for value, age in zip(values, ages, strict=True)):
            raise _Odd
        sensors.append([None if age is None else (value, age) for value, age in zip(values, ages, strict=True)])
    outputs = [_column(columns) for _ in header.outputs]
    battery = _column(columns, _NUMBERS)
    told = [[read(cell) if cell else () for cell in next(columns)] for read in json_cells]
    requests, events = told[-2:]
    more = told[0] if len(told) == 3 else repeat(())
    grouped = [_across(columns) for columns in (measured, ordered, sensors, outputs)]
    return list(map(Row, ticks, nows, enabled, *grouped, battery, requests, events, more))


def _across(columns: Sequence[list[Any]]) -> Any:
    """One tuple a row."""
    return zip(*columns, strict=True) if columns else repeat(())


def _made(make: Any, columns: list[list[Any]], *together: list[Any]) -> list[Any]:
    """One tuple a row from its columns; None where those that are there together are missing together."""
    if not any(None in column for column in together):
        return list(map(make, *columns))
    missing = [cells.count(None) for cells in zip(*together, strict=True)]
    if not {0, len(together)}.issuperset(missing):
        raise _Odd
    return [None if gone else make(*cells) for gone, cells in zip(missing, zip(*columns, strict=True), strict=True)]


def _column(columns: Iterator[tuple[str, ...]], types: _Types | None = None) -> list[Any]:
    """The values of the next column, which must be of these types."""
    cells = next(columns)
    different = set(cells)
    if len(different) * _FEW <= len(cells) or len(different) == 1:
        value_of = {cell: cell_value(cell) for cell in different}
        values = [value_of[cell] for cell in cells]
    else:
        values = _numbers(cells, "" in different)
    if types is not None and not types.issuperset(map(type, values)):
        raise _Odd
    return values


def _numbers(cells: tuple[str, ...], some_empty: bool) -> list[Any]:
    """A column that is read as one list of JSON, which every finite number is written in; else cell by cell."""
    text = ",".join([cell or "null" for cell in cells] if some_empty else cells)
    plain = text.count(",") == len(cells) - 1 and not any(mark in text for mark in '"[{NIE \t\r\n')
    try:
        if plain:
            values: list[Any] = json.loads(f"[{text}]")
            return values
    except ValueError:
        pass
    return list(map(cell_value, cells))
