"""What can be asked of a trace: runs, steps, series."""

from __future__ import annotations

import pytest

from sequencer.trace import Header, Measured, PartsRead, Row, RunRecord, StepRecord, Trace, TraceError, TraceEvent
from sequencer.trace.rows import Value


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


def attempts(*notes: tuple[int, Value]) -> Trace:
    ran = [(at, "run", "hang", "", text, ()) for at, text in ((2, "start"), (5, "done"), (8, "start"), (11, "done"))]
    said = [(at, "note", "", "", "label", (("label", value),)) for at, value in notes]
    return trace(*ran, *said)


def test_a_note_from_the_robot_labels_the_run_that_began_last() -> None:
    found = attempts((1, "made"), (6, "missed"), (7, "made"), (12, "perhaps"), (13, True)).runs()
    assert [run.label for run in found] == ["made", None]


def test_a_person_may_label_a_run_afterwards_and_goes_before_the_note() -> None:
    found = attempts((6, "made"), (12, "made")).labelled({1: "missed"})
    assert [run.label for run in found.runs()] == ["missed", "made"]
    assert found.header.labels == ((1, "missed"),)
    assert [run.label for run in found.labelled({1: None}).runs()] == ["made", "made"]


def test_a_label_for_no_run_or_of_another_word_is_refused() -> None:
    with pytest.raises(TraceError, match=r"there is no run 3; the trace has 2, numbered from 1"):
        attempts().labelled({3: "made"})
    with pytest.raises(TraceError, match=r"there is no run 1; the trace has no runs"):
        trace().labelled({1: "made"})
    with pytest.raises(TraceError, match=r"'maid' is no label; did you mean 'made'\?"):
        attempts().labelled({1: "maid"})


def test_single_encoders_and_motors_are_series_of_their_own() -> None:
    plain = trace(ticks=3)
    parts = PartsRead("lift", (0.1, None), (3.0, 4.0))
    found = Trace(plain.header, (plain.rows[0], plain.rows[1]._replace(parts=(parts,)), plain.rows[2]))
    assert found.series("lift.current_2").values == (None, 4.0, None)
    assert found.series("lift.encoder_1").unit == "m"
    assert found.series("lift.encoder_2").values == (None, None, None)
    with pytest.raises(TraceError, match=r"did you mean 'lift.current_2'"):
        found.series("lift.current_3")


def test_a_series_can_be_cut_to_a_time() -> None:
    assert trace().series("lift", 0.05, 0.1).times == pytest.approx((0.06, 0.08, 0.1))
