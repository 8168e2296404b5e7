"""A trace that goes to disk in a child process: what is lost, and what is not."""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path

import pytest

from sequencer.trace import read_csv

CODE = """
import os, resource, signal, sys
sys.path[:0] = [{root!r}, {rig!r}]
from rig import Rig, checked, machine, move
from sequencer.trace import ChildSink
from sequencer.run import Runner
path, how, ticks = sys.argv[1], sys.argv[2], int(sys.argv[3])
if how == "full":
    resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, 20_000))
    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
routine = checked(machine(), move("m", {{"lift": 1.0}}))
sink = ChildSink(path, routine.machine, [routine])
rig = Rig(routine)
rig.runner = Runner(routine, sink)
rig.start()
rig.run(ticks)
if how == "kill":
    os.kill(os.getpid(), signal.SIGKILL)
print(sink.close())
"""


def play(path: Path, how: str, ticks: int) -> str:
    root = Path(__file__).parents[2]
    code = CODE.format(root=str(root), rig=str(root / "tests" / "run"))
    found = subprocess.run([sys.executable, "-c", code, str(path), how, str(ticks)], capture_output=True, text=True)
    assert found.returncode == (-9 if how == "kill" else 0), found.stderr
    return found.stdout


def test_a_closed_sink_holds_every_tick_with_its_events(tmp_path: Path) -> None:
    path = tmp_path / "trace.csv"
    assert play(path, "close", 120).strip() == "{'written': 120, 'lost': 0, 'dropped': 0}"
    trace = read_csv(path)
    assert [row.tick for row in trace.rows] == list(range(120))
    assert [run.outcome for run in trace.runs()] == ["done"]


def test_no_row_in_the_pipe_is_lost_when_the_parent_is_killed(tmp_path: Path) -> None:
    path = tmp_path / "trace.csv"
    play(path, "kill", 300)
    for _ in range(100):
        if path.exists() and path.read_text().count("\n") == 301:
            break
        time.sleep(0.1)
    assert [row.tick for row in read_csv(path).rows] == list(range(300))


def test_a_full_disk_costs_counted_rows_and_leaves_whole_ones(tmp_path: Path) -> None:
    path = tmp_path / "trace.csv"
    counted = eval(play(path, "full", 400))
    assert counted["lost"] > 0
    assert counted["written"] + counted["lost"] == 400
    assert len(read_csv(path).rows) == counted["written"]


def test_a_trace_that_is_there_is_never_written_over(tmp_path: Path) -> None:
    from sequencer.trace import ChildSink

    path = tmp_path / "trace.csv"
    path.write_text("mine")
    with pytest.raises(FileExistsError, match="is there already; a trace is never written over"):
        ChildSink(path, {"name": "x"})
    assert path.read_text() == "mine"
