"""The made-up logs of the demo are what its script makes, and hold what the README says of them."""

from __future__ import annotations

import runpy
from pathlib import Path

import pytest

from sequencer import read_trace
from sequencer.tune import why

DEMO = Path(__file__).parents[2] / "demos/lantern"


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("logs")
    runpy.run_path(str(DEMO / "make_attempts.py"))["main"](folder)
    return folder


def test_the_logs_are_those_that_the_script_makes(made: Path) -> None:
    """Readings, decisions and labels; hashes and last digits may differ between versions and machines."""
    for path in sorted((DEMO / "logs").glob("*.csv")):
        kept, again = read_trace(path), read_trace(made / path.name)
        assert [run[:3] + run[5:] for run in kept.runs()] == [run[:3] + run[5:] for run in again.runs()]
        assert len(kept.rows) == len(again.rows)
        for one, other in zip(kept.rows, again.rows, strict=True):
            for read, found in zip(one.measured, other.measured, strict=True):
                if read is not None and read.position is not None:
                    assert found is not None
                    assert found.position == pytest.approx(read.position, abs=2e-3)


def test_there_are_24_attempts_both_made_and_missed_and_said_to_be_made_up() -> None:
    traces = [read_trace(path) for path in sorted((DEMO / "logs").glob("*.csv"))]
    labels = [run.label for trace in traces for run in trace.runs()]
    assert len(labels) == 24
    assert min(labels.count("made"), labels.count("missed")) >= 8
    assert None not in labels
    assert all(trace.header.note.startswith("made up on the simulated machine with seed 7") for trace in traces)
    assert sum(path.stat().st_size for path in (DEMO / "logs").glob("*.csv")) < 2_000_000


def test_the_third_run_never_came_near_enough() -> None:
    (account,) = why(read_trace(DEMO / "logs/attempts_1.csv"), 3)
    assert "range_to_hook came no nearer than 0.34 m" in str(account)
    assert "0.04 m short" in str(account)
