"""Traces as MCAP files, an open container for recordings (https://mcap.dev).

Our layout is small: one channel with the topic `stepgraph/trace` and the encoding `json`; a message a tick, logged at
the tick's time, whose data is the list of the cells of its CSV line. The first message is the heading line; the header
stands in the last cell of the second. Needs the extra `logs`.
"""

from __future__ import annotations

import io
import json
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from sequencer.errors import MissingExtra
from sequencer.trace.csv_file import trace_of_lines
from sequencer.trace.trace import Trace, TraceError
from sequencer.trace.writer import columns, lines_of

TOPIC = "stepgraph/trace"
MOST_BYTES = 1 << 30
"""No more is unpacked, whatever the file says it holds [bytes]."""


def write_mcap(path: str | os.PathLike[str], trace: Trace) -> None:
    """Write a trace; the file appears whole or not at all.

    Raises:
        MissingExtra: mcap is not installed.
        OSError: the file cannot be written.
    """
    writer_of = _mcap("writing MCAP files", "writer").Writer
    part = Path(path).with_name(f".{Path(path).name}.{os.getpid()}.part")
    times = [max(row.now_ns, 0) for row in trace.rows] or [0]
    try:
        with part.open("wb") as file:
            writer = writer_of(file)
            writer.start(profile="", library="stepgraph")
            channel = writer.register_channel(topic=TOPIC, message_encoding="json", schema_id=0)
            lines = [columns(trace.header), *lines_of(trace.header, trace.rows, first=True)]
            for number, (time, line) in enumerate(zip([times[0], *times], lines, strict=True)):
                data = json.dumps(line, separators=(",", ":")).encode("utf-8")
                writer.add_message(channel_id=channel, log_time=time, publish_time=time, data=data, sequence=number)
            writer.finish()
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)


def read_mcap(path: str | os.PathLike[str]) -> Trace:
    """Read a trace that `write_mcap` wrote, exactly.

    Raises:
        MissingExtra: mcap is not installed.
        TraceError: not such a file, damaged, of a newer format, too large, or not there.
    """
    reader = _mcap("reading MCAP files", "reader")
    try:
        with _Bounded(Path(path).open("rb", buffering=0)) as file:
            _refuse_bombs(str(path), file)
            file.seek(0)
            return trace_of_lines(str(path), _lines(str(path), reader.make_reader(file, validate_crcs=True)))
    except FileNotFoundError:
        raise TraceError(f"{path}: there is no such file") from None
    except TraceError:
        raise
    except Exception as error:
        # Hostile bytes come out of the container's library and its decompressors as any exception.
        raise TraceError(f"{path}: cannot be read as MCAP: {str(error)[:200]}") from None


class _Bounded(io.BufferedReader):
    """A file of which nobody can ask for more than it has: lengths in a damaged one may be anything."""

    def read(self, size: int | None = -1, /) -> bytes:
        most = os.fstat(self.fileno()).st_size
        if size is not None and size > most:
            raise ValueError(f"a record claims {size} bytes of a file of {most}")
        return super().read(size)


def _refuse_bombs(path: str, file: _Bounded) -> None:
    """Look at what each chunk says it unpacks to, before any is unpacked."""
    from mcap.records import Chunk
    from mcap.stream_reader import StreamReader

    total = 0
    for record in StreamReader(file, emit_chunks=True).records:
        total += record.uncompressed_size if isinstance(record, Chunk) else 0
        if total > MOST_BYTES:
            raise TraceError(f"{path}: it unpacks to {total / 1e6:.0f} MB; at most {MOST_BYTES / 1e6:.0f} MB are read")


def _lines(path: str, reader: Any) -> Iterator[list[str]]:
    found = unpacked = 0
    for _, _, message in reader.iter_messages(topics=[TOPIC], log_time_order=False):
        unpacked += len(message.data)
        if unpacked > MOST_BYTES:
            raise TraceError(f"{path}: it unpacks to more than {MOST_BYTES / 1e6:.0f} MB; no more is read")
        line = json.loads(message.data)
        if not isinstance(line, list) or not all(isinstance(cell, str) for cell in line):
            raise TraceError(f"{path}: message {found + 1} is no list of cells")
        found += 1
        yield line
    if not found:
        raise TraceError(f"{path}: an MCAP file, but no trace; it has no messages on '{TOPIC}'")


def _mcap(what: str, module: str) -> Any:
    try:
        from importlib import import_module

        return import_module(f"mcap.{module}")
    except ImportError:
        raise MissingExtra(what, "logs") from None
