"""The columns of a log as numbers: read in blocks, strictly, with nothing evaluated."""

from __future__ import annotations

import csv
import re
from array import array
from collections.abc import Iterator
from pathlib import Path
from typing import IO

import numpy as np
from numpy.typing import NDArray

from sequencer.errors import did_you_mean
from sequencer.logs.mapping import Mapping
from sequencer.logs.remark import LogRefused, Remark
from sequencer.trace.trace import TraceError

Array = NDArray[np.float64]

MOST_BYTES = 1 << 29
"""Larger files are refused, not begun [bytes]."""
LONGEST_LINE = 1 << 20
"""Most characters of one line."""
_BLOCK = 4096
_PLAIN = re.compile(r"[-+0-9.eE|]*\Z")
_NUMBER = re.compile(r"[-+]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][-+]?[0-9]+)?\Z")
_NOTHING = frozenset({"", "nan", "null", "none", "na", "n/a", "inf", "-inf", "+inf", "infinity", "-infinity"})
_COMMA = re.compile(r"[-+]?[0-9]+,[0-9]+\Z")


def read_columns(path: Path, mapping: Mapping) -> tuple[Array, dict[str, Array]]:
    """Stamps [s] and quantities [SI] of a log, each of shape (n,); what is no number is nan.

    Raises:
        LogRefused: a column is missing, cells are no numbers, or the file is too large.
        TraceError: no such file, not text, or lines that cannot be split.
    """
    try:
        size = path.stat().st_size
        if size > MOST_BYTES:
            words = f"the file has {size / 1e6:.0f} MB; at most {MOST_BYTES / 1e6:.0f} MB are read, so cut it first"
            raise LogRefused(str(path), [Remark("F18", "", words, "refused")])
        with path.open(encoding="utf-8-sig", newline="") as file:
            return _read(str(path), file, mapping)
    except FileNotFoundError:
        raise TraceError(f"{path}: there is no such file") from None
    except UnicodeDecodeError as error:
        raise TraceError(f"{path}: byte {error.start} of a piece is not UTF-8 text; is this a log?") from None
    except csv.Error as error:
        raise TraceError(f"{path}: cannot be split into cells: {error}") from None
    except OSError as error:
        raise TraceError(f"{path}: cannot be read: {error.strerror}") from None


def _read(path: str, file: IO[str], mapping: Mapping) -> tuple[Array, dict[str, Array]]:
    head = file.readline(LONGEST_LINE)
    if not head.strip():
        raise TraceError(f"{path}: the log is empty; its first line must be the headings of its columns")
    separator = mapping.separator or max(",;\t", key=head.count)
    headings = [heading.strip() for heading in next(csv.reader([head], delimiter=separator))]
    sources = {"": mapping.time, **mapping.columns}
    missing = [
        Remark("F16", name, f"there is no column '{source.column}'; {did_you_mean(source.column, headings)}", "refused")
        for name, source in sources.items()
        if source.column not in headings
    ]
    if missing:
        raise LogRefused(path, missing)
    places = {name: headings.index(source.column) for name, source in sources.items()}
    found = {name: array("d") for name in sources}
    number = 2
    for lines in _blocks(csv.reader(_lines(file), delimiter=separator)):
        short = next((at for at, line in enumerate(lines) if len(line) != len(headings)), None)
        if short is not None:
            raise TraceError(
                f"{path}:{number + short}: {len(lines[short])} cells, where the headings have {len(headings)}"
            )
        columns = list(zip(*lines, strict=True))
        for name, place in places.items():
            found[name].extend(_numbers(columns[place], mapping.decimal, path, number, name, headings[place]))
        number += len(lines)
    arrays = {name: np.array(values) * sources[name].factor for name, values in found.items()}
    return arrays.pop(""), arrays


def _lines(file: IO[str]) -> Iterator[str]:
    while line := file.readline(LONGEST_LINE):
        if len(line) == LONGEST_LINE:
            raise csv.Error(f"a line has more than {LONGEST_LINE} characters")
        yield line


def _blocks(reader: Iterator[list[str]]) -> Iterator[list[list[str]]]:
    block: list[list[str]] = []
    for line in reader:
        if line:
            block.append(line)
        if len(block) == _BLOCK:
            yield block
            block = []
    if block:
        yield block


def _numbers(cells: tuple[str, ...], decimal: str, path: str, first: int, name: str, heading: str) -> list[float]:
    text = "|".join(cells)
    if decimal == ",":
        if "." in text:
            at = next(index for index, cell in enumerate(cells) if "." in cell)
            words = f"line {first + at}, column '{heading}' has '{cells[at][:40]}', and decimals come after ','"
            raise LogRefused(path, [Remark("F17", name, words, "refused")])
        cells = tuple(text.replace(",", ".").split("|"))
        text = "|".join(cells)
    if _PLAIN.match(text) and "" not in cells:
        try:
            return list(map(float, cells))
        except ValueError:
            pass
    return [_number(cell.strip(), path, first + at, name, heading) for at, cell in enumerate(cells)]


def _number(cell: str, path: str, line: int, name: str, heading: str) -> float:
    if _NUMBER.match(cell):
        return float(cell)
    if cell.lower() in _NOTHING:
        return float("nan")
    where = f"line {line}, column '{heading}' has '{cell[:40]}'"
    if _COMMA.match(cell):
        words = f"{where}; if that is a decimal comma, write decimal: ',' into the mapping"
        raise LogRefused(path, [Remark("F17", name, words, "refused")])
    raise TraceError(f"{path}: {where}, which is no number")
