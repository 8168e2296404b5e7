"""What happened: the record of a session, tick by tick, in memory and as a file that any spreadsheet opens.

Standard library alone, for the robot writes traces too.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from sequencer.trace.csv_file import read_csv, read_trace
    from sequencer.trace.labels import relabel
    from sequencer.trace.recorder import Recorder
    from sequencer.trace.rows import Measured, Ordered, PartsRead, Row, TraceEvent
    from sequencer.trace.sink import ChildSink
    from sequencer.trace.trace import (
        Header,
        RunRecord,
        Series,
        StepRecord,
        Trace,
        TraceError,
    )
    from sequencer.trace.writer import TraceFile, write_csv, write_trace

__all__ = [
    "ChildSink",
    "Header",
    "Measured",
    "Ordered",
    "PartsRead",
    "Recorder",
    "Row",
    "RunRecord",
    "Series",
    "StepRecord",
    "Trace",
    "TraceError",
    "TraceEvent",
    "TraceFile",
    "read_csv",
    "read_trace",
    "relabel",
    "write_csv",
    "write_trace",
]

_HOMES = {
    "ChildSink": "sink",
    "Measured": "rows",
    "Ordered": "rows",
    "PartsRead": "rows",
    "Recorder": "recorder",
    "Row": "rows",
    "TraceEvent": "rows",
    "TraceFile": "writer",
    "read_csv": "csv_file",
    "read_trace": "csv_file",
    "relabel": "labels",
    "write_csv": "writer",
    "write_trace": "writer",
}


def __getattr__(name: str) -> Any:
    if name not in __all__:
        raise AttributeError(f"module 'sequencer.trace' has no attribute '{name}'")
    return getattr(import_module(f"sequencer.trace.{_HOMES.get(name, 'trace')}"), name)


def __dir__() -> list[str]:
    return __all__
