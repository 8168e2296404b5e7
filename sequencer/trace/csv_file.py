"""Traces as files of comma-separated values, read back exactly; a damaged file is refused with the line named."""

from __future__ import annotations

import csv
import io
import json
import os
from codecs import getincrementaldecoder
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import IO, Any

from sequencer.trace.csv_cells import cell_value, quick_rows
from sequencer.trace.rows import Measured, Ordered, PartsRead, Row, TraceEvent
from sequencer.trace.trace import FORMAT_VERSION, LABELS, Header, Trace, TraceError
from sequencer.trace.writer import SINCE_2, columns


def read_trace(path: str | os.PathLike[str], cut_end: bool = False) -> Trace:
    """Read a trace from a file, by its ending: .csv, .parquet or .mcap (the last two need the extra `logs`).

    Args:
        path: the file.
        cut_end: accept a .csv file whose last line is incomplete (the power went); that line is left out.

    Raises:
        TraceError: no trace, damaged, of a newer format, or no such file; the message names the line.
        MissingExtra: what reads such files is not installed.
    """
    ending = Path(path).suffix.lower()
    if ending == ".parquet":
        from sequencer.trace.parquet_file import read_parquet

        return read_parquet(path)
    if ending == ".mcap":
        from sequencer.trace.mcap_file import read_mcap

        return read_mcap(path)
    if ending != ".csv":
        raise TraceError(
            f"{path}: traces are read from .csv, .parquet and .mcap files, and this is '{ending or 'without ending'}'"
        )
    return read_csv(path, cut_end)


def trace_of_lines(path: str, lines: Iterator[list[str]]) -> Trace:
    """The trace that lines of cells make, those of the headings first; for other files that hold the same cells.

    Raises:
        TraceError: they make none; the message names the line.
    """
    return _Reader(path, _Counted(lines)).trace()


class _Counted:
    """Lines with the number of the last one, as the csv module's reader has it."""

    def __init__(self, lines: Iterator[list[str]]) -> None:
        self._lines = lines
        self.line_num = 0

    def __iter__(self) -> _Counted:
        return self

    def __next__(self) -> list[str]:
        self.line_num += 1
        return next(self._lines)


def read_csv(path: str | os.PathLike[str], cut_end: bool = False) -> Trace:
    """Read a trace that `write_csv` or a `TraceFile` wrote, exactly.

    Nothing in it is evaluated. It is read in blocks; a session of ten minutes with six axes takes about two seconds and
    150 MB.

    Args:
        path: the file.
        cut_end: accept a file whose last line is incomplete (the power went); that line is left out.

    Raises:
        TraceError: not such a file, damaged, of a newer format, or not there; the message names the line.
    """
    try:
        with Path(path).open("rb") as file:
            cut = _look_through(str(path), file)
            if cut and not cut_end:
                raise TraceError(
                    f"{path}:{cut}: the last line is cut off; read it with cut_end=True to use what stands before it"
                )
            file.seek(0)
            with io.TextIOWrapper(file, "utf-8", newline="\n") as text:
                return _Reader(str(path), csv.reader(_whole_lines(text), strict=True)).trace()
    except FileNotFoundError:
        raise TraceError(f"{path}: there is no such file") from None
    except OSError as error:
        raise TraceError(f"{path}: cannot be read: {error.strerror}") from None


LONGEST_LINE = 1 << 22
"""Most characters of one line; a tick of a hundred axes with many events takes 20,000."""
_BLOCK = 1024
"""Lines that are turned into rows together."""
_PIECE = 1 << 20


def _look_through(path: str, file: IO[bytes]) -> int:
    """Refuse what is not UTF-8 before anything is read; the number of the last line if it is cut off, else 0."""
    decoder = getincrementaldecoder("utf-8")()
    read = lines = 0
    last = b"\n"
    while piece := file.read(_PIECE):
        try:
            waiting = len(decoder.getstate()[0])
            decoder.decode(piece)
        except UnicodeDecodeError as error:
            place = read - waiting + error.start
            raise TraceError(f"{path}: byte {place} is not UTF-8 text; is this a trace?") from None
        read += len(piece)
        lines += piece.count(b"\n")
        last = piece[-1:]
    return 0 if last == b"\n" else lines + 1


def _whole_lines(text: IO[str]) -> Iterator[str]:
    """Lines up to the last that is whole.

    Raises:
        csv.Error: a line is longer than any tick.
    """
    while line := text.readline(LONGEST_LINE):
        if len(line) == LONGEST_LINE:
            raise csv.Error(f"a line has more than {LONGEST_LINE} characters")
        if line.endswith("\n"):
            yield line


class _Reader:
    """Reads the text of one file; every complaint names the line."""

    def __init__(self, path: str, lines: Any) -> None:
        self.path = path
        self.lines = lines
        self.begun = 1
        self.json_cells: tuple[Callable[[str], tuple[Any, ...]], ...] = ()

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
        since_2 = (self.parts,) if header.version > 1 else ()
        self.json_cells = (*since_2, self.requests, self.events)
        rows: list[Row] = []
        for numbers, lines in self.blocks(first):
            rows += self.block(numbers, lines, header, len(expected), rows[-1] if rows else None)
        return Trace(header, tuple(rows))

    def blocks(self, first: list[str]) -> Iterator[tuple[list[int], list[list[str]]]]:
        """The lines in blocks, with their numbers; the first has only to say what the trace is of."""
        numbers, lines = ([self.begun], [first]) if any(first[:-1]) else ([], [])
        while (line := self.next_line()) is not None:
            numbers.append(self.begun)
            lines.append(line)
            if len(lines) == _BLOCK:
                yield numbers, lines
                numbers, lines = [], []
        if lines:
            yield numbers, lines

    def block(
        self, numbers: list[int], lines: list[list[str]], header: Header, width: int, before: Row | None
    ) -> list[Row]:
        """The rows of a block: all at once, or one by one where something is out of the ordinary."""
        plain = {len(line) for line in lines} == {width} and not any(
            line[-1] for line in (lines if before else lines[1:])
        )
        found = quick_rows(header, [line[:-1] for line in lines], self.json_cells) if plain else None
        if found is not None and (before is None or (found[0].tick > before.tick and found[0].now_ns > before.now_ns)):
            return found
        rows: list[Row] = []
        for number, line in zip(numbers, lines, strict=True):
            self.begun = number
            row = self.row(line, header, width, about_allowed=before is None)
            if before is not None and (row.tick <= before.tick or row.now_ns <= before.now_ns):
                raise self.wrong(
                    f"tick {row.tick} at {row.now_ns} ns does not come after tick {before.tick} at {before.now_ns} ns"
                )
            rows.append(row)
            before = row
        return rows

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
            known = [name for name in Header.__slots__ if version > 1 or name not in SINCE_2]
            given = {name: _tuples(data[name]) for name in known}
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
                value = cell_value(cell)
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
        told = [read(next(cells)) for read in self.json_cells]
        requests, events = told[-2:]
        parts = told[0] if len(told) == 3 else ()
        groups = tuple(measured), tuple(ordered), tuple(sensors)
        return Row(tick, now_ns, enabled, *groups, outputs, battery, requests, events, parts)

    def parts(self, cell: str) -> tuple[PartsRead, ...]:
        try:
            found = _tuples(json.loads(cell)) if cell else ()
            if not isinstance(found, tuple):
                raise ValueError("a list was expected")
            return tuple(_parts(item) for item in found)
        except (ValueError, TypeError, RecursionError) as error:
            raise self.wrong(f"the parts cannot be read: {error}") from None

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


def _parts(item: Any) -> PartsRead:
    parts = PartsRead(*item)
    numbers = isinstance(parts.encoders, tuple) and isinstance(parts.currents, tuple)
    if not (isinstance(parts.axis, str) and numbers and all(map(_is_number, (*parts.encoders, *parts.currents)))):
        raise ValueError("parts are the name of an axis and two lists of numbers")
    return parts


def _is_named_value(pair: Any) -> bool:
    named = isinstance(pair, tuple) and len(pair) == 2 and isinstance(pair[0], str)
    return named and not isinstance(pair[1], tuple | dict)


def _checked_header(header: Header) -> Header:
    if not isinstance(header.overlays, tuple):
        raise ValueError("the overlays must be a list of texts")
    texts = [header.machine, header.machine_hash, header.note, *header.overlays]
    labels = header.labels if isinstance(header.labels, tuple) else ("",)
    if not all(isinstance(row, tuple) and len(row) == 2 and _is_whole(row[0]) and row[1] in LABELS for row in labels):
        raise ValueError(f"labels are lists of a run's number and {' or '.join(LABELS)}")
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
