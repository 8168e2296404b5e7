"""What reading and retracing a long log cost, as multiples of a bare pass over the same file by the csv module."""

from __future__ import annotations

import csv
import tracemalloc
from dataclasses import replace
from pathlib import Path
from time import process_time

import pytest

from sequencer import Trace, check, load_routine, read_trace, retrace
from sequencer.trace import write_csv
from sequencer.tune import why

pytestmark = pytest.mark.bench

DEMO = Path(__file__).parents[2] / "demos/lantern"
COPIES = 6
READING = 25.0
"""Reading may cost so many times a bare pass: every cell becomes a checked value, every line a row."""
RETRACING = 45.0
"""A session may be decided again in so many times a bare pass over its file."""
WHY = 1.0
"""The accounts of all its runs may take no longer than a bare pass."""
MEMORY = 10.0
"""Rows may take so many times the size of their file [1]: 40 MB stay below 500 MB."""


@pytest.fixture(scope="module")
def log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo's attempts one after the other, as one session."""
    traces = [read_trace(path) for path in sorted((DEMO / "logs").glob("*.csv"))] * COPIES
    rows = []
    now = tick = 0
    for trace in traces:
        first = trace.rows[0]
        for row in trace.rows:
            stamp, number = now + row.now_ns - first.now_ns, tick + row.tick - first.tick
            events = tuple(event._replace(tick=number, now_ns=stamp) for event in row.events)
            rows.append(row._replace(tick=number, now_ns=stamp, events=events))
        now, tick = rows[-1].now_ns + 20_000_000, rows[-1].tick + 1
    path = tmp_path_factory.mktemp("log") / "long.csv"
    write_csv(path, Trace(replace(traces[0].header), tuple(rows)))
    return path


def bare(path: Path) -> float:
    began = process_time()
    with path.open(newline="", encoding="utf-8") as file:
        for _ in csv.reader(file):
            pass
    return process_time() - began


def test_a_log_is_read_and_accounted_for_in_few_bare_passes(log: Path) -> None:
    passes = min(bare(log) for _ in range(5))
    taken = []
    for _ in range(3):
        began = process_time()
        trace = read_trace(log)
        taken.append(process_time() - began)
    began = process_time()
    accounts = why(trace)
    accounted = process_time() - began
    print(f"{log.stat().st_size / 1e6:.1f} MB: bare {passes:.3f} s, read {min(taken):.3f} s, why {accounted:.3f} s")
    assert len(accounts) == 24 * COPIES
    assert min(taken) < READING * passes
    assert accounted < WHY * passes


def test_a_session_is_decided_again_in_few_bare_passes(log: Path) -> None:
    passes = min(bare(log) for _ in range(5))
    trace = read_trace(DEMO / "logs/attempts_2.csv")
    checked = check(load_routine(DEMO / "hang_ridge.routine.yaml"))
    began = process_time()
    retrace(trace, checked)
    taken = process_time() - began
    share = (DEMO / "logs/attempts_2.csv").stat().st_size / log.stat().st_size
    print(f"bare {passes * share:.4f} s, retrace of {len(trace.rows)} ticks {taken:.3f} s")
    assert taken < RETRACING * passes * share


def test_rows_take_a_small_multiple_of_their_file(log: Path) -> None:
    tracemalloc.start()
    trace = read_trace(log)
    _, most = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    print(f"{log.stat().st_size / 1e6:.1f} MB, {len(trace.rows)} rows: at most {most / 1e6:.0f} MB")
    assert most < MEMORY * log.stat().st_size


FOREIGN = 20.0
"""A log of another program with few columns may be read in so many bare passes."""
FOREIGN_MEMORY = 8.0
"""And take so many times the size of its file [1]: 40 MB stay below 500 MB with what the program itself needs."""


def test_a_narrow_log_of_another_program_is_read_in_little_memory(tmp_path: Path) -> None:
    """600,000 lines of three numbers, 15 MB."""
    from math import sin

    from sequencer.logs import load_mapping, read_log

    path = tmp_path / "narrow.csv"
    with path.open("w") as file:
        file.write("t,height,volts\n")
        for number in range(600_000):
            height = 500.0 + 300.0 * sin(0.02 * number)
            file.write(f"{0.02 * number:.3f},{height:.3f},{sin(0.013 * number):.4f}\n")
    (tmp_path / "map.yaml").write_text(
        "log: bench\ntime: {column: t, unit: s}\ncolumns:\n"
        "  lift.measured: {column: height, unit: mm}\n  lift.volts: {column: volts, unit: V}\n"
    )
    passes = min(bare(path) for _ in range(3))
    mapping = load_mapping(tmp_path / "map.yaml")
    began = process_time()
    read_log(path, mapping)
    taken = process_time() - began
    tracemalloc.start()
    log = read_log(path, mapping)
    _, most = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    size = path.stat().st_size
    print(f"{size / 1e6:.1f} MB: bare {passes:.3f} s, read {taken:.3f} s, at most {most / 1e6:.0f} MB")
    assert len(log.trace.rows) == 600_000
    assert taken < FOREIGN * passes
    assert most < FOREIGN_MEMORY * size
