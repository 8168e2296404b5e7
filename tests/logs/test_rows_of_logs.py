"""Rows that are kept as columns are the rows that they would be one by one."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from sequencer.logs import load_mapping, read_log
from sequencer.logs.rows import BLOCK
from sequencer.trace import Measured, Ordered, Row, Trace, read_trace, write_trace

MAPPING = """\
log: bench
time: {column: t, unit: s}
columns:
  lift.measured: {column: height, unit: mm}
  lift.ordered: {column: wanted, unit: mm}
  lift.volts: {column: drive, unit: V}
  arm.current: {column: amps, unit: A}
  range: {column: gap, unit: mm}
  battery: {column: bus, unit: V}
"""


@pytest.fixture
def trace(tmp_path: Path) -> Trace:
    chance = np.random.default_rng(1)
    lines = ["t,height,wanted,drive,amps,gap,bus"]
    for number in range(BLOCK + 300):
        height = 500.0 + 300.0 * np.sin(0.03 * number) + chance.normal(0.0, 0.1)
        cells = [0.02 * number, height, height + 2.0, np.cos(0.03 * number), number % 7, 400.0 + number % 5, 12.0]
        lines.append(
            ",".join("nan" if number == 7 and place == 4 else f"{cell:.4f}" for place, cell in enumerate(cells))
        )
    (tmp_path / "log.csv").write_text("\n".join(lines))
    (tmp_path / "map.yaml").write_text(MAPPING)
    return read_log(tmp_path / "log.csv", load_mapping(tmp_path / "map.yaml")).trace


def test_a_row_is_made_of_its_cells(trace: Trace) -> None:
    row = trace.rows[7]
    assert isinstance(row, Row)
    assert (row.tick, row.now_ns, row.enabled, row.battery) == (7, 140_000_000, True, 12.0)
    lift, arm = row.measured
    assert lift == Measured(pytest.approx(0.5 + 0.3 * np.sin(0.21), abs=1e-3), None, None)
    assert arm == Measured(None, None, None)
    ordered = row.ordered[0]
    assert isinstance(ordered, Ordered)
    assert (ordered.mode, ordered.volts) == ("track", pytest.approx(np.cos(0.21), abs=1e-4))
    assert (row.ordered[1], row.sensors) == (None, ((pytest.approx(0.402), 0),))


def test_places_slices_and_iteration_agree(trace: Trace) -> None:
    rows = tuple(trace.rows)
    assert len(rows) == len(trace.rows) == BLOCK + 300
    assert trace.rows[-1] == rows[-1] == trace.rows[BLOCK + 299]
    assert trace.rows[BLOCK - 3 : BLOCK + 3] == rows[BLOCK - 3 : BLOCK + 3]
    assert trace.rows[5:1:-2] == rows[5:1:-2]
    assert trace.rows[10:5] == ()
    assert trace.between(1.0, 1.1) == rows[50:56]
    with pytest.raises(IndexError, match="row 9000 of 4396"):
        trace.rows[9000]


def test_a_trace_of_columns_equals_one_of_rows_and_is_written_alike(trace: Trace, tmp_path: Path) -> None:
    plain = Trace(trace.header, tuple(trace.rows))
    assert trace == plain
    assert plain == trace
    assert trace.rows != tuple(trace.rows)[1:]
    write_trace(tmp_path / "trace.csv", trace)
    assert read_trace(tmp_path / "trace.csv") == trace
