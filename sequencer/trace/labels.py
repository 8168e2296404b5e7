"""Labels of attempts, written into the file of a trace."""

from __future__ import annotations

import os
from collections.abc import Mapping

from sequencer.trace.csv_file import read_trace
from sequencer.trace.trace import Trace
from sequencer.trace.writer import write_trace


def relabel(path: str | os.PathLike[str], labels: Mapping[int, str | None]) -> Trace:
    """Write into a trace's file what became of its runs; everything else in it stays as it was.

    Args:
        path: the file.
        labels: made or missed by number of run from 1; None takes a label away.

    Raises:
        TraceError: no trace, no run of that number, or another word.
        OSError: the file cannot be written.
    """
    trace = read_trace(path).labelled(labels)
    write_trace(path, trace)
    return trace
