"""Traces as files of comma-separated values, written: one heading line with units, one line a tick.

Any spreadsheet or data-frame library opens such a file as it is. Numbers are written so that they read back to the
very same bits, missing values are empty, switches are true or false. What is no plain value stands as JSON in the last
columns: requests, events, and, in the first line only, what the trace is of.
"""

from __future__ import annotations

import csv
import json
import os
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from types import TracebackType
from typing import IO, TYPE_CHECKING, Any

from sequencer.trace.channels import channels
from sequencer.trace.recorder import Recorder
from sequencer.trace.rows import Row
from sequencer.trace.trace import Header, Trace, TraceError
from sequencer.whole_file import whole_file

if TYPE_CHECKING:
    from sequencer.ports.orders import Orders
    from sequencer.ports.readings import Readings

SINCE_2 = ("labels", "note")
"""What headers of format 1 do not say."""

WORD = re.compile(r"[A-Za-z_][A-Za-z0-9_]*\Z")
"""Texts that stand in a cell as they are; all others are written as JSON, in quotes."""


def write_trace(path: str | os.PathLike[str], trace: Trace) -> None:
    """Write a trace by the ending of its file: .csv, .parquet or .mcap (the last two need the extra `logs`).

    Raises:
        TraceError: another ending.
        MissingExtra: what writes such files is not installed.
        OSError: the file cannot be written.
    """
    ending = Path(path).suffix.lower()
    if ending == ".parquet":
        from sequencer.trace.parquet_file import write_parquet

        write_parquet(path, trace)
    elif ending == ".mcap":
        from sequencer.trace.mcap_file import write_mcap

        write_mcap(path, trace)
    elif ending == ".csv":
        write_csv(path, trace)
    else:
        raise TraceError(f"{path}: traces are written to .csv, .parquet and .mcap files, and this is '{ending}'")


def write_csv(path: str | os.PathLike[str], trace: Trace) -> None:
    """Write a trace; the file appears whole or not at all.

    Raises:
        OSError: the file cannot be written.
    """
    with whole_file(path, newline="") as file:
        writer = csv.writer(file)
        writer.writerow(columns(trace.header))
        writer.writerows(lines_of(trace.header, trace.rows, first=True))


def columns(header: Header) -> list[str]:
    """The heading line: names with units, such as ``lift.measured [m]``."""
    plain = [f"{channel.name} [{channel.unit}]" if channel.unit else channel.name for channel in channels(header)]
    parts = ["parts [JSON]"] if header.version > 1 else []
    return [*plain, *parts, "requests [JSON]", "events [JSON]", "about [JSON]"]


def about(header: Header) -> str:
    """The last cell of the first line: what the trace is of."""
    new = () if header.version > 1 else SINCE_2
    return _json({name: getattr(header, name) for name in header.__slots__ if name not in new})


class TraceFile:
    """A recorder that goes to a file: `record` each tick, `flush` when there is time, `close` at the end.

    `flush` belongs into idle time or another thread, for it waits for the disk.
    What was flushed is on the disk if the power goes; a file that is there already is not overwritten.

    Args:
        path: the file to make.
        machine: the machine's plain data.
        routines: the checked routines that may run.

    Raises:
        FileExistsError: there is a file of that name.
    """

    def __init__(self, path: str | os.PathLike[str], machine: Mapping[str, Any], routines: Sequence[Any] = ()) -> None:
        self._recorder = Recorder(machine, routines)
        self._file: IO[str] = Path(path).open("x", encoding="utf-8", newline="")  # noqa: SIM115 closed by close()
        self._writer = csv.writer(self._file)
        self._writer.writerow(columns(self._recorder.header))
        self._first = True

    @property
    def header(self) -> Header:
        return self._recorder.header

    def record(self, readings: Readings, orders: Orders, requests: tuple[tuple[Any, ...], ...] = ()) -> None:
        """Keep one tick; a few microseconds."""
        self._recorder.record(readings, orders, requests)

    def flush(self) -> None:
        """Write what was recorded since the last call and hand it to the disk."""
        rows = self._recorder.take()
        if rows:
            self._writer.writerows(lines_of(self.header, rows, self._first))
            self._first = False
        self._file.flush()
        os.fsync(self._file.fileno())

    def close(self) -> None:
        """Flush and close; calling it again does nothing."""
        if self._file.closed:
            return
        self.flush()
        if self._first:
            self._writer.writerows(lines_of(self.header, (), True))
        self._file.close()

    def __enter__(self) -> TraceFile:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, where: TracebackType | None
    ) -> None:
        self.close()


def lines_of(header: Header, rows: Iterable[Row], first: bool) -> Iterator[list[str]]:
    told = about(header) if first else ""
    with_parts = header.version > 1
    empty = [""] * (3 + 12 * len(header.axes) + 2 * len(header.sensors) + len(header.outputs) + 1 + with_parts)
    for row in rows:
        cells = [str(row.tick), str(row.now_ns), cell_text(row.enabled)]
        for measured, ordered in zip(row.measured, row.ordered, strict=True):
            cells += [""] * 6 if measured is None else map(cell_text, measured)
            cells += [""] * 6 if ordered is None else map(cell_text, ordered)
        for sensed in row.sensors:
            cells += ["", ""] if sensed is None else map(cell_text, sensed)
        cells += map(cell_text, row.outputs)
        cells.append(cell_text(row.battery))
        if with_parts:
            cells.append(_json(row.parts) if row.parts else "")
        yield [*cells, _json(row.requests) if row.requests else "", _json(row.events) if row.events else "", told]
        told = ""
    if told:
        # A trace without a tick still says what it is of.
        yield [*empty, "", "", told]


_TAKEN = {"true", "false", "inf", "nan"}


def cell_text(value: Any) -> str:
    """A value as it stands in a cell."""
    if value is None:
        return ""
    if value is True or value is False:
        return "true" if value else "false"
    if isinstance(value, str):
        return value if WORD.match(value) and value not in _TAKEN else json.dumps(value)
    return repr(value)


def _json(value: Any) -> str:
    return json.dumps(value, separators=(",", ":"))
