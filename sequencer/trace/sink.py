"""A trace that goes to disk in a process of its own: `python -m sequencer.trace.sink PATH` writes what comes by pipe.

The tick serialises one row and writes it to the pipe without ever waiting. What is in the pipe reaches the file though
the robot's own process is killed; a disk that is full or slow costs rows, which are counted, and no time.
"""

from __future__ import annotations

import io
import json
import os
import pickle
import signal
import subprocess
import sys
import time
from collections import deque
from collections.abc import Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

from sequencer.trace.recorder import Recorder, portable

if TYPE_CHECKING:
    from sequencer.ports.orders import Orders
    from sequencer.ports.readings import Readings

PIPE_SIZE = 1 << 20
"""Bytes that the pipe is asked to hold: about ten seconds of a machine of four axes at 50 Hz."""

MOST_WAITING = 64
"""Rows that wait in the tick's own process when the pipe is full; more are dropped, the oldest stay."""

SYNC_EVERY = 25
"""Batches of rows between two requests to the disk to keep them through a loss of power."""

PUSH_EVERY = 0.005
"""How long [s] `close` waits before it tries again to put rows into a full pipe."""


class ChildSink:
    """A runner's sink. `record` costs the tick some ten microseconds; `close` waits for the child.

    Args:
        path: the file to make, of comma-separated values; one that is there already is not overwritten.
        machine: the machine's plain data.
        routines: the checked routines that may run.

    Attributes:
        dropped: rows that found the pipe full, or its other end gone.

    Raises:
        FileExistsError: there is a file of that name.
        FileNotFoundError: the folder is not there.
        OSError: the file cannot be made.
    """

    def __init__(self, path: str | os.PathLike[str], machine: Mapping[str, Any], routines: Sequence[Any] = ()) -> None:
        self._path = Path(path)
        _make(self._path)
        self.dropped = 0
        self._sent = 0
        self._closed: dict[str, int] | None = None
        self._recorder = Recorder(machine, routines)
        self._waiting: deque[memoryview] = deque()
        self._child = subprocess.Popen(
            [sys.executable, "-m", "sequencer.trace.sink", os.fspath(self._path)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            start_new_session=True,
            env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
        )
        assert self._child.stdin is not None  # asked for above
        self._pipe = self._child.stdin.fileno()
        _enlarge(self._pipe)
        self._child.stdin.write(_frame(self._recorder.header))
        self._child.stdin.flush()
        os.set_blocking(self._pipe, False)

    def record(self, readings: Readings, orders: Orders, requests: tuple[tuple[Any, ...], ...] = ()) -> None:
        """Send one tick on its way; never waits."""
        self._recorder.record(readings, orders, requests)
        for kept in self._recorder.raw():
            # After `close` the pipe's number may belong to another file.
            if self._closed is not None or len(self._waiting) >= MOST_WAITING:
                self.dropped += 1
                continue
            try:
                self._waiting.append(memoryview(_frame(portable(kept))))
            except Exception:  # what is read may be of any class, and one that cannot even be told costs its row
                self.dropped += 1
        self._push()

    def close(self, patience: float = 10.0) -> dict[str, int]:
        """Write what waits, end the child and say what became of the rows, which add up to those recorded: `written`,
        `lost` (by the disk, or by a child that was killed), `dropped` (on the way to the child), and `unknown`
        (with a child that was left behind).

        Args:
            patience: how long all of this may take [s]; a child that takes longer is left behind to finish alone.
        """
        if self._closed is not None:
            return {**self._closed, "dropped": self.dropped}
        stdin, stdout = self._child.stdin, self._child.stdout
        assert stdin is not None  # asked for
        assert stdout is not None
        end = time.monotonic() + patience
        self._push()
        while self._waiting and time.monotonic() < end:
            time.sleep(PUSH_EVERY)
            self._push()
        self.dropped += len(self._waiting)
        self._waiting.clear()
        self._closed = {"written": 0, "lost": 0, "unknown": self._sent}
        try:
            stdin.close()
            self._child.wait(max(0.0, end - time.monotonic()))
            self._closed = self._counted(stdout.read())
        except subprocess.TimeoutExpired:
            pass
        finally:
            stdout.close()
        return {**self._closed, "dropped": self.dropped}

    def _counted(self, said: bytes) -> dict[str, int]:
        """What the child said of its rows at its end; where it was killed before, what its file says."""
        try:
            found = json.loads(said)
            written, lost = int(found["written"]), int(found["lost"])
        except (ValueError, KeyError, TypeError):
            written = min(_rows_in(self._path), self._sent)
            lost = self._sent - written
        return {"written": written, "lost": lost, "unknown": 0}

    def _push(self) -> None:
        """Write as much as the pipe takes."""
        waiting = self._waiting
        while waiting:
            try:
                sent = os.write(self._pipe, waiting[0])
            except BlockingIOError:
                return
            except OSError:
                # The child is gone: what waits and what comes is lost, and counted.
                self.dropped += len(waiting)
                waiting.clear()
                return
            if sent < len(waiting[0]):
                waiting[0] = waiting[0][sent:]
            else:
                waiting.popleft()
                self._sent += 1


def _make(path: Path) -> None:
    """Make the empty file here, where whoever asks for it hears that it cannot be made."""
    try:
        path.open("x").close()
    except FileExistsError:
        raise FileExistsError(f"{path} is there already; a trace is never written over") from None
    except FileNotFoundError:
        raise FileNotFoundError(f"the folder {path.parent} is not there; make it before a trace goes into it") from None


def _rows_in(path: Path) -> int:
    """Whole rows after the heading."""
    try:
        with path.open("rb") as file:
            return max(0, sum(line.endswith(b"\n") for line in file) - 1)
    except OSError:
        return 0


def _frame(item: object) -> bytes:
    body = pickle.dumps(item, 5)
    return len(body).to_bytes(4, "little") + body


def _enlarge(pipe: int) -> None:
    """Ask for a larger pipe where the system knows how."""
    try:
        import fcntl

        fcntl.fcntl(pipe, fcntl.F_SETPIPE_SZ, PIPE_SIZE)
    except (ImportError, AttributeError, OSError):
        return


class RowFile:
    """A file, made before, of whole rows: a row that the disk does not take is cut off again and counted."""

    def __init__(self, path: str) -> None:
        self.written = 0
        self.lost = 0
        self._file = os.open(path, os.O_WRONLY)
        self._good = 0

    def put(self, line: bytes, counts: bool = True) -> bool:
        """Write one line, or nothing of it."""
        done = 0
        try:
            while done < len(line):
                done += os.write(self._file, line[done:])
        except OSError:
            self.lost += counts
            os.ftruncate(self._file, self._good)
            os.lseek(self._file, self._good, os.SEEK_SET)
            return False
        self._good += len(line)
        self.written += counts
        return True

    def sync(self) -> None:
        try:
            os.fsync(self._file)
        except OSError:
            return

    def close(self) -> None:
        self.sync()
        os.close(self._file)


def _write_rows(stream: IO[bytes], path: str) -> RowFile:
    """Write frames as they come, until the pipe ends."""
    from sequencer.trace.writer import columns, lines_of

    first = _next_frame(stream)
    if first is None:
        raise SystemExit(0)
    recorder = Recorder.for_header(first)
    file = RowFile(path)
    heading = _csv([columns(recorder.header)])
    headed = file.put(heading.encode(), counts=False)
    told = False
    count = 0
    while (kept := _next_frame(stream)) is not None:
        text = _csv(lines_of(recorder.header, recorder.rows([kept]), not told))
        # A heading that found the disk full comes with the first row that does not.
        if file.put((text if headed else heading + text).encode()):
            headed = told = True
        count += 1
        if count % SYNC_EVERY == 0:
            file.sync()
    file.close()
    return file


def _csv(rows: Any) -> str:
    import csv

    text = io.StringIO(newline="")
    csv.writer(text).writerows(rows)
    return text.getvalue()


def _next_frame(stream: IO[bytes]) -> Any:
    """The next object, or None at the end; one that was cut short by the end is no object."""
    size = stream.read(4)
    if len(size) < 4:
        return None
    length = int.from_bytes(size, "little")
    body = stream.read(length)
    return pickle.loads(body) if len(body) == length else None


def main() -> None:
    """Write the rows on standard input to the file that is named, and count them on standard output."""
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, signal.SIG_IGN)
    file = _write_rows(sys.stdin.buffer, sys.argv[1])
    with suppress(BrokenPipeError):  # whoever asked did not wait for the answer
        os.write(sys.stdout.fileno(), json.dumps({"written": file.written, "lost": file.lost}).encode())


if __name__ == "__main__":
    main()
