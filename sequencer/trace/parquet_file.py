"""Traces as Parquet files: the columns of the CSV file under the same headings, typed, and the header as metadata.

A column of one kind of value is stored as such, so that any data-frame library reads it; one of several kinds stands as
the text of its cells, and the metadata `stepgraph.cells` names it. Needs the extra `logs`.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from sequencer.errors import MissingExtra
from sequencer.trace.csv_cells import cell_value
from sequencer.trace.csv_file import trace_of_lines
from sequencer.trace.trace import Trace, TraceError
from sequencer.trace.writer import about, cell_text, columns, lines_of

MOST_BYTES = 1 << 30
"""No more is unpacked, whatever the file says it holds [bytes]."""
_JSON = (" [JSON]",)


def write_parquet(path: str | os.PathLike[str], trace: Trace) -> None:
    """Write a trace; the file appears whole or not at all.

    Raises:
        MissingExtra: pyarrow is not installed.
        OSError: the file cannot be written.
    """
    arrow, parquet = _arrow("writing Parquet files")
    headings = columns(trace.header)[:-1]
    lines = [line[:-1] for line in lines_of(trace.header, trace.rows, first=False)]
    cells = list(zip(*lines, strict=True)) if lines else [()] * len(headings)
    arrays, as_cells = [], []
    for heading, column in zip(headings, cells, strict=True):
        values = None if heading.endswith(_JSON) else _plain(column)
        if values is None:
            as_cells.append(heading)
            arrays.append(arrow.array([cell or None for cell in column], arrow.string()))
        else:
            arrays.append(arrow.array(values))
    metadata = {"stepgraph": about(trace.header), "stepgraph.cells": json.dumps(as_cells)}
    table = arrow.Table.from_arrays(
        arrays, schema=arrow.schema(list(map(arrow.field, headings, [a.type for a in arrays])), metadata=metadata)
    )
    part = Path(path).with_name(f".{Path(path).name}.{os.getpid()}.part")
    try:
        parquet.write_table(table, part, compression="zstd")
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)


def _plain(column: tuple[str, ...]) -> list[Any] | None:
    """The values of a column of one kind; None where there are several, or whole numbers beyond 64 bits."""
    values = [cell_value(cell) for cell in column]
    kinds = {type(value) for value in values if value is not None}
    if len(kinds) > 1 or not kinds:
        return None
    if kinds == {int} and any(value is not None and not -(1 << 63) <= value < 1 << 63 for value in values):
        return None
    return values


def read_parquet(path: str | os.PathLike[str]) -> Trace:
    """Read a trace that `write_parquet` wrote, exactly.

    Raises:
        MissingExtra: pyarrow is not installed.
        TraceError: not such a file, damaged, of a newer format, too large once unpacked, or not there.
    """
    arrow, parquet = _arrow("reading Parquet files")
    try:
        with parquet.ParquetFile(path) as file:
            size = sum(
                file.metadata.row_group(number).total_byte_size for number in range(file.metadata.num_row_groups)
            )
            if size > MOST_BYTES:
                raise TraceError(
                    f"{path}: it unpacks to {size / 1e6:.0f} MB; at most {MOST_BYTES / 1e6:.0f} MB are read"
                )
            metadata = file.schema_arrow.metadata or {}
            if b"stepgraph" not in metadata:
                raise TraceError(f"{path}: a Parquet file, but no trace; its metadata has no 'stepgraph'")
            as_cells = set(json.loads(metadata.get(b"stepgraph.cells", b"[]")))
            lines = _lines(file, metadata[b"stepgraph"].decode("utf-8"), as_cells)
            return trace_of_lines(str(path), lines)
    except FileNotFoundError:
        raise TraceError(f"{path}: there is no such file") from None
    except (arrow.ArrowException, ValueError, TypeError, OSError) as error:
        if isinstance(error, TraceError):
            raise
        raise TraceError(f"{path}: cannot be read as Parquet: {str(error)[:200]}") from None


def _lines(file: Any, header: str, as_cells: set[str]) -> Iterator[list[str]]:
    """Heading and lines as those of the CSV file."""
    headings = list(file.schema_arrow.names)
    yield [*headings, "about [JSON]"]
    told = header
    for batch in file.iter_batches(batch_size=4096):
        columns_of_batch = [
            list(map(_text if heading in as_cells else cell_text, column.to_pylist()))
            for heading, column in zip(headings, batch.columns, strict=True)
        ]
        for cells in zip(*columns_of_batch, strict=True):
            yield [*cells, told]
            told = ""
    if told:
        yield [*[""] * len(headings), told]


def _text(value: Any) -> str:
    if value is not None and not isinstance(value, str):
        raise ValueError("a column of texts holds something else")
    return value or ""


def _arrow(what: str) -> tuple[Any, Any]:
    try:
        import pyarrow
        import pyarrow.parquet
    except ImportError:
        raise MissingExtra(what, "logs") from None
    return pyarrow, pyarrow.parquet
