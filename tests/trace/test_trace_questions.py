"""What can be asked of a trace: runs, steps, series."""

from __future__ import annotations

import pytest

from sequencer.trace import Header, Measured, Row, RunRecord, StepRecord, Trace, TraceError, TraceEvent
from sequencer.trace.trace import Value


def trace(*events: tuple[int, str, str, str, str, tuple[tuple[str, Value], ...]], ticks: int = 20) -> Trace:
    header = Header("m", "", 20_000_000, (("lift", "linear"),), (("piece", ""),))
    start = 5_000_000_000
    rows = []
    for tick in range(ticks):
        now = start + 20_000_000 * tick
        happened = tuple(TraceEvent(tick, now, *rest) for at, *rest in events if at == tick)
        rows.append(
            Row(tick, now, True, (Measured(0.01 * tick, 0.5),), (None,), (("none", 0),), (), 12.0, (), happened)
        )
    return Trace(header, tuple(rows))


def test_a_run_is_found_with_its_outcome_and_cause() -> None:
    found = trace(
        (2, "run", "hang", "", "start", (("outcome", "a parameter of that name"),)),
        (9, "run", "hang", "", "faulted: near took longer than 3 s", (("outcome", "faulted"),)),
        (12, "run", "hang", "", "start", ()),
    )
    assert found.runs() == (
        RunRecord("hang", "faulted", "near took longer than 3 s", 0.04, 0.18),
        RunRecord("hang", None, None, 0.24, 0.38),
    )


def test_steps_belong_to_their_run_and_may_be_entered_twice() -> None:
    found = trace(
        (0, "run", "hang", "", "started", ()),
        (0, "start", "hang", "raise", "move", ()),
        (0, "start", "other", "raise", "", ()),
        (3, "end", "hang", "raise", "done", ()),
        (3, "start", "hang", "level", "move", ()),
        (5, "end", "hang", "level", "timeout: too slow", ()),
        (5, "start", "hang", "level", "move", ()),
        (7, "end", "hang", "level", "", (("outcome", "done"),)),
        (7, "end", "hang", "let_go", "aborted: level never passed", (("outcome", "aborted"),)),
        (6, "skip", "hang", "wave", "not (piece is lantern)", ()),
        (7, "end", "hang", "wave", "done", (("outcome", "done"),)),
        (7, "run", "hang", "", "done", (("outcome", "done"),)),
        (8, "run", "hang", "", "started", ()),
        (8, "start", "hang", "raise", "", ()),
    )
    first, second = found.runs()
    assert found.steps(first) == (
        StepRecord("raise", 0.0, 0.06, "done", "move"),
        StepRecord("level", 0.06, 0.1, "timeout", "move", "too slow"),
        StepRecord("level", 0.1, 0.14, "done", "move"),
        StepRecord("wave", 0.12, 0.14, "skipped", "", "not (piece is lantern)"),
        StepRecord("let_go", 0.14, 0.14, "aborted", "", "level never passed"),
    )
    assert found.steps("hang") == found.steps(second) == (StepRecord("raise", 0.16, 0.38, None, ""),)


def test_a_series_has_times_from_the_first_row_and_a_unit() -> None:
    found = trace(ticks=3).series("lift.measured")
    assert found == ("lift.measured", "m", (0.0, 0.02, 0.04), (0.0, 0.01, 0.02))
    assert trace(ticks=3).series("lift") == found
    assert trace(ticks=3).series("lift.ordered").values == (None, None, None)
    assert trace(ticks=3).series("piece").values == ("none",) * 3


def test_a_misspelt_series_or_run_gets_the_nearest_name() -> None:
    with pytest.raises(TraceError) as caught:
        trace().series("lift.mesured")
    assert str(caught.value) == "the trace has no 'lift.mesured'; did you mean 'lift.measured'?"
    with pytest.raises(TraceError, match="the trace has no run 'hang'; none is declared"):
        trace().steps("hang")


def test_a_trace_shows_itself_in_a_line() -> None:
    assert repr(trace()) == "<Trace of m: 20 ticks, 0.38 s, 0 runs>"
    assert (Trace(trace().header).duration, Trace(trace().header).runs()) == (0.0, ())
