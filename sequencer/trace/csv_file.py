"""Traces as files of comma-separated values, read back exactly; a damaged file is refused with the line named."""

from __future__ import annotations

import csv
import io
import json
import os
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

from sequencer.trace.trace import FORMAT_VERSION, Header, Measured, Ordered, Row, Trace, TraceError, TraceEvent
from sequencer.trace.writer import WORD, columns


def read_trace(path: str | os.PathLike[str], cut_end: bool = False) -> Trace:
    """Read a trace from a file, by its ending: .csv.

    Args:
        path: the file.
        cut_end: accept a file whose last line is incomplete (the power went); that line is left out.

    Raises:
        TraceError: no trace, damaged, of a newer format, or no such file; the message names the line.
    """
    if Path(path).suffix.lower() != ".csv":
        raise TraceError(
            f"{path}: traces are read from .csv files, and this is '{Path(path).suffix or 'without ending'}'"
        )
    return read_csv(path, cut_end)


def read_csv(path: str | os.PathLike[str], cut_end: bool = False) -> Trace:
    """Read a trace that `write_csv` or a `TraceFile` wrote, exactly.

    Args:
        path: the file.
        cut_end: accept a file whose last line is incomplete (the power went); that line is left out.

    Raises:
        TraceError: not such a file, damaged, of a newer format, or not there; the message names the line.
    """
    try:
        text = Path(path).read_bytes().decode("utf-8")
    except FileNotFoundError:
        raise TraceError(f"{path}: there is no such file") from None
    except UnicodeDecodeError as error:
        raise TraceError(f"{path}: byte {error.start} is not UTF-8 text; is this a trace?") from None
    except OSError as error:
        raise TraceError(f"{path}: cannot be read: {error.strerror}") from None
    if not text.endswith("\n"):
        if not cut_end:
            raise TraceError(
                f"{path}:{text.count(chr(10)) + 1}: the last line is cut off; "
                "read it with cut_end=True to use what stands before it"
            )
        text = text[: text.rfind("\n") + 1]
    return _Reader(str(path), text).trace()


_WHOLE = re.compile(r"-?[0-9]+\Z")
_NUMBER = re.compile(r"-?(?:[0-9]+(?:\.[0-9]+)?(?:e[+-]?[0-9]+)?|inf|nan)\Z")


def _value(cell: str) -> Any:
    """The value that a cell was written for."""
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


class _Reader:
    """Reads the text of one file; every complaint names the line."""

    def __init__(self, path: str, text: str) -> None:
        self.path = path
        self.lines = csv.reader(io.StringIO(text, newline=""), strict=True)
        self.begun = 1

    def trace(self) -> Trace:
        headings = self.next_line()
        if headings is None:
            raise self.wrong("the file is empty; a trace begins with a line of headings")
        if headings[:1] != ["tick"]:
            found = headings[0] if headings else ""
            hint = "; it was saved with ';' between the columns, save it with ','" if found.startswith("tick;") else ""
            raise self.wrong(f"a trace begins with the heading 'tick', found '{found[:40]}'{hint}")
        first = self.next_line()
        if first is None:
            raise self.wrong("the line after the headings is missing; it says what the trace is of")
        header = self.header(first[-1] if first else "")
        expected = columns(header)
        if headings != expected:
            self.begun = 1
            raise self.wrong(_difference(headings, expected))
        rows: list[Row] = []
        line: list[str] | None = first if any(first[:-1]) else self.next_line()
        while line is not None:
            row = self.row(line, header, len(expected), about_allowed=not rows)
            if rows and (row.tick <= rows[-1].tick or row.now_ns <= rows[-1].now_ns):
                raise self.wrong(
                    f"tick {row.tick} at {row.now_ns} ns does not come after "
                    f"tick {rows[-1].tick} at {rows[-1].now_ns} ns"
                )
            rows.append(row)
            line = self.next_line()
        return Trace(header, tuple(rows))

    def next_line(self) -> list[str] | None:
        self.begun = self.lines.line_num + 1
        try:
            return next(self.lines, None)
        except csv.Error as error:
            raise self.wrong(f"cannot be split into cells: {error}") from None

    def header(self, cell: str) -> Header:
        try:
            data = json.loads(cell)
            version = data["version"]
            if not isinstance(version, int):
                raise ValueError("the version is no whole number")
            if version > FORMAT_VERSION:
                raise self.wrong(
                    f"the trace has format {version}, and this stepgraph reads up to {FORMAT_VERSION}; update stepgraph"
                )
            given = {name: _tuples(data[name]) for name in Header.__slots__}
            return _checked_header(Header(**given))
        except TraceError:
            raise
        except (ValueError, KeyError, TypeError, RecursionError) as error:
            what = f"'{error.args[0]}' is missing" if isinstance(error, KeyError) else str(error)
            raise self.wrong(f"the last cell must say what the trace is of, as JSON: {what}") from None

    def row(self, line: list[str], header: Header, width: int, about_allowed: bool) -> Row:
        if len(line) != width:
            raise self.wrong(f"{len(line)} cells, where the headings have {width}")
        if line[-1] and not about_allowed:
            raise self.wrong("only the first line after the headings says what the trace is of")
        cells = iter(line)
        at = 0

        def take(check: Callable[[Any], bool], what: str) -> Any:
            nonlocal at
            at += 1
            cell = next(cells)
            try:
                value = _value(cell)
            except (ValueError, RecursionError):
                value = Ellipsis
            if value is Ellipsis or not check(value):
                raise self.wrong(f"column '{columns(header)[at - 1]}' has '{cell[:40]}', which is not {what}")
            return value

        def number() -> Any:
            return take(_is_number, "a number")

        tick, now_ns = take(_is_whole, "a whole number"), take(_is_whole, "a whole number")
        enabled = take(_is_switch, "true or false")
        measured: list[Measured | None] = []
        ordered: list[Ordered | None] = []
        for _ in header.axes:
            position, speed, current = number(), number(), number()
            zeroed = take(lambda value: value is None or _is_switch(value), "true or false")
            age = take(lambda value: value is None or _is_whole(value), "a whole number")
            fault = take(lambda value: value is None or isinstance(value, str), "text")
            if (zeroed is None) != (age is None):
                raise self.wrong("an axis has 'zeroed' without 'age', or the other way round")
            measured.append(None if age is None else Measured(position, speed, current, zeroed, age, fault))
            mode = take(lambda value: value is None or isinstance(value, str), "a word")
            numbers = [number() for _ in range(5)]
            if (mode is None) != (None in numbers):
                raise self.wrong("an axis has a mode without its numbers, or the other way round")
            ordered.append(None if mode is None else Ordered(mode, *numbers))
        sensors: list[tuple[Any, int] | None] = []
        for _ in header.sensors:
            value = take(lambda _: True, "a value")
            age = take(lambda value: value is None or _is_whole(value), "a whole number")
            if age is None and value is not None:
                raise self.wrong("a sensor has a value without an age")
            sensors.append(None if age is None else (value, age))
        outputs = tuple(take(lambda _: True, "a value") for _ in header.outputs)
        battery = number()
        requests = self.requests(next(cells))
        return Row(
            tick,
            now_ns,
            enabled,
            tuple(measured),
            tuple(ordered),
            tuple(sensors),
            outputs,
            battery,
            requests,
            self.events(next(cells)),
        )

    def requests(self, cell: str) -> tuple[tuple[Any, ...], ...]:
        try:
            found = _tuples(json.loads(cell)) if cell else ()
            if not isinstance(found, tuple) or not all(isinstance(item, tuple) for item in found):
                raise ValueError("a list of lists was expected")
            return found
        except (ValueError, RecursionError) as error:
            raise self.wrong(f"the requests cannot be read: {error}") from None

    def events(self, cell: str) -> tuple[TraceEvent, ...]:
        try:
            found = _tuples(json.loads(cell)) if cell else ()
            if not isinstance(found, tuple):
                raise ValueError("a list was expected")
            return tuple(_event(item) for item in found)
        except (ValueError, TypeError, RecursionError) as error:
            raise self.wrong(f"the events cannot be read: {error}") from None

    def wrong(self, what: str) -> TraceError:
        return TraceError(f"{self.path}:{self.begun}: {what}")


def _difference(found: list[str], expected: list[str]) -> str:
    for place, (have, want) in enumerate(zip(found, expected, strict=False)):
        if have != want:
            return (
                f"column {place + 1} is headed '{have[:60]}', where '{want}' belongs; "
                "the columns of a trace are not rearranged"
            )
    return f"{len(found)} headings, where {len(expected)} belong"


def _is_number(value: Any) -> bool:
    return value is None or (isinstance(value, int | float) and not isinstance(value, bool))


def _is_whole(value: Any) -> bool:
    return isinstance(value, int) and not isinstance(value, bool)


def _is_switch(value: Any) -> bool:
    return value is True or value is False


def _tuples(value: Any) -> Any:
    if isinstance(value, list):
        return tuple(_tuples(item) for item in value)
    if isinstance(value, dict):
        return {key: _tuples(item) for key, item in value.items()}
    return value


def _event(item: Any) -> TraceEvent:
    event = TraceEvent(*item)
    if not (_is_whole(event.tick) and _is_whole(event.now_ns) and all(isinstance(text, str) for text in event[2:6])):
        raise ValueError("an event is tick, time and four texts")
    if not isinstance(event.values, tuple) or not all(_is_named_value(pair) for pair in event.values):
        raise ValueError("the values of an event are names with plain values")
    return event


def _is_named_value(pair: Any) -> bool:
    named = isinstance(pair, tuple) and len(pair) == 2 and isinstance(pair[0], str)
    return named and not isinstance(pair[1], tuple | dict)


def _checked_header(header: Header) -> Header:
    if not isinstance(header.overlays, tuple):
        raise ValueError("the overlays must be a list of texts")
    texts = [header.machine, header.machine_hash, *header.overlays]
    for rows, width in (
        (header.axes, 2),
        (header.sensors, 2),
        (header.outputs, 2),
        (header.routines, 2),
        (header.waived, 4),
    ):
        for row in rows if isinstance(rows, tuple) else [rows]:
            if not isinstance(row, tuple) or len(row) != width:
                raise ValueError(f"lists of {width} texts were expected")
            texts += row
    if not all(isinstance(text, str) for text in texts) or not _is_whole(header.period):
        raise ValueError("names must be texts and the period whole nanoseconds")
    return header
