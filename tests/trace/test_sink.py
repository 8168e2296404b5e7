"""A trace that goes to disk in a child process: what is lost, and what is not."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from sequencer.ports.orders import Orders
from sequencer.ports.readings import Readings
from sequencer.trace import ChildSink, Recorder, read_csv
from sequencer.trace import sink as sink_module

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


STRANGE = """
import enum, sys, threading
sys.path[:0] = [{root!r}, {rig!r}]
from rig import Rig, checked, machine, wait
from sequencer.trace import ChildSink
from sequencer.run import Runner
class Piece(str, enum.Enum):
    LANTERN = "lantern"
class Untold:
    def __str__(self):
        raise ValueError("no words")
routine = checked(machine(), wait("w", 1.0))
sink = ChildSink(sys.argv[1], routine.machine, [routine])
rig = Rig(routine)
rig.runner = Runner(routine, sink)
read = {{5: Piece.LANTERN, 9: threading.Lock(), 12: Untold()}}
rig.sensors["piece"] = lambda tick: read.get(tick, "none")
rig.run(20)
print(sink.close())
"""


def test_what_is_read_may_be_of_a_class_that_the_child_does_not_know(tmp_path: Path) -> None:
    """It is written as what it is worth; what cannot even be told costs its own row."""
    path = tmp_path / "trace.csv"
    root = Path(__file__).parents[2]
    code = STRANGE.format(root=str(root), rig=str(root / "tests" / "run"))
    found = subprocess.run([sys.executable, "-c", code, str(path)], capture_output=True, text=True)
    assert found.stdout.strip() == "{'written': 19, 'lost': 0, 'unknown': 0, 'dropped': 1}", found.stderr
    trace = read_csv(path)
    assert [row.tick for row in trace.rows] == [tick for tick in range(20) if tick != 12]
    piece = [name for name, _ in trace.header.sensors].index("piece")
    assert trace.rows[5].sensors[piece][0] == "lantern"


def test_a_closed_sink_holds_every_tick_with_its_events(tmp_path: Path) -> None:
    path = tmp_path / "trace.csv"
    assert play(path, "close", 120).strip() == "{'written': 120, 'lost': 0, 'unknown': 0, 'dropped': 0}"
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
    path = tmp_path / "trace.csv"
    path.write_text("mine")
    with pytest.raises(FileExistsError, match="is there already; a trace is never written over"):
        ChildSink(path, {"name": "x"})
    assert path.read_text() == "mine"


MACHINE = {"name": "rig", "period": 20_000_000, "axes": [], "sensors": [], "outputs": []}


@pytest.fixture
def sink(tmp_path: Path) -> Iterator[ChildSink]:
    made = ChildSink(tmp_path / "trace.csv", MACHINE)
    yield made
    made._child.kill()
    made._child.wait()


def record(sink: ChildSink, ticks: range) -> None:
    for tick in ticks:
        sink.record(Readings(tick, True), Orders(tick, {}, {}))


def wait_for_rows(path: Path, lines: int) -> None:
    for _ in range(200):
        if path.read_bytes().count(b"\n") >= lines:
            return
        time.sleep(0.05)
    raise AssertionError(f"{path} never held {lines} lines")


def test_a_folder_that_is_not_there_is_told_at_once(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError, match="no is not there; make it before a trace goes into it"):
        ChildSink(tmp_path / "no" / "trace.csv", MACHINE)


def test_closing_does_not_wait_longer_for_a_child_that_stands_than_its_patience(sink: ChildSink) -> None:
    """And says that nobody knows of the rows that are in the pipe."""
    wait_for_rows(sink._path, 1)
    os.kill(sink._child.pid, signal.SIGSTOP)
    count = 0
    while sink.dropped < 10:
        record(sink, range(count, count + 100))
        count += 100
    counted = sink.close(0.2)
    assert counted["unknown"] > 0
    assert counted["written"] == counted["lost"] == 0
    assert counted["unknown"] + counted["dropped"] == count


def test_rows_that_a_killed_child_had_are_counted_as_lost(sink: ChildSink) -> None:
    record(sink, range(20))
    wait_for_rows(sink._path, 21)
    os.kill(sink._child.pid, signal.SIGSTOP)
    record(sink, range(20, 50))
    sink._child.kill()
    sink._child.wait()
    record(sink, range(50, 60))
    assert sink.close() == {"written": 20, "lost": 30, "unknown": 0, "dropped": 10}
    assert [row.tick for row in read_csv(sink._path).rows] == list(range(20))


def test_what_is_recorded_after_closing_is_counted_and_goes_nowhere(sink: ChildSink, tmp_path: Path) -> None:
    """The number of the pipe may have become that of another file."""
    record(sink, range(5))
    assert sink.close() == {"written": 5, "lost": 0, "unknown": 0, "dropped": 0}
    other = os.open(tmp_path / "other", os.O_WRONLY | os.O_CREAT)
    record(sink, range(3))
    os.close(other)
    assert (tmp_path / "other").read_bytes() == b""
    assert sink.close() == {"written": 5, "lost": 0, "unknown": 0, "dropped": 3}


def test_a_heading_that_found_the_disk_full_comes_with_the_first_row_that_does_not(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from io import BytesIO

    from sequencer.trace.recorder import Recorder

    recorder = Recorder(MACHINE, ())
    for tick in range(6):
        recorder.record(Readings(tick, True), Orders(tick, {}, {}))
    stream = BytesIO(b"".join(map(sink_module._frame, [recorder.header, *recorder.raw()])))
    path = tmp_path / "trace.csv"
    path.touch()
    tries = iter(range(100))
    write = os.write

    def full(file: int, data: bytes) -> int:
        if next(tries) < 4:
            raise OSError(28, "No space left on device")
        return write(file, data)

    monkeypatch.setattr(sink_module.os, "write", full)
    file = sink_module._write_rows(stream, str(path))
    monkeypatch.undo()
    assert (file.written, file.lost) == (3, 3)
    assert [row.tick for row in read_csv(path).rows] == [3, 4, 5]


def test_a_child_that_ends_after_its_parent_has_left_says_nothing(tmp_path: Path) -> None:
    """It was left behind by a `close` without patience: nobody reads its count any more, and that is no error."""
    path = tmp_path / "trace.csv"
    path.touch()
    child = subprocess.Popen(
        [sys.executable, "-m", "sequencer.trace.sink", str(path)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        cwd=Path(__file__).parents[2],
    )
    assert child.stdin
    assert child.stdout
    assert child.stderr
    child.stdin.write(
        sink_module._frame(
            Recorder({"name": "x", "axes": [], "sensors": [], "outputs": [], "period": 20_000_000}).header
        )
    )
    child.stdout.close()
    child.stdin.close()
    assert child.wait(30) == 0
    assert child.stderr.read() == b""
    child.stderr.close()
    assert path.read_text().startswith("tick,")
