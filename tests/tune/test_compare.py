"""Two runs beside each other."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from sequencer import Trace, TraceError, read_trace
from sequencer.trace import Row
from sequencer.tune import compare

LOGS = Path(__file__).parents[2] / "demos/lantern/logs"


@pytest.fixture(scope="module")
def trace() -> Trace:
    return read_trace(LOGS / "attempts_1.csv")


def test_a_run_compared_with_itself_is_the_same_in_every_step(trace: Trace) -> None:
    found = compare(trace, trace, 1, 1)
    assert found.steps == ()
    assert found.same == ("raise", "level", "near", "lean_on", "flick", "let_go", "away", "leave", "retreat")


def test_the_step_that_decided_tells_what_was_longer_and_nearer(trace: Trace) -> None:
    """The third run of the made-up log stays at 0.34 m, where 0.27 m was reached in the first."""
    found = compare(trace, trace, 1, 3)
    near = next(step for step in found.steps if step.name == "near")
    assert (near.changes[0].what, near.changes[0].by) == ("longer", "2.92 s")
    text = str(near)
    assert "ended otherwise (timeout, in the good run done)" in text
    assert "range_to_hook at its lowest is higher by 0.07 m (0.34 m, in the good run 0.27 m)" in text
    assert [step.name for step in found.steps if step.only_in == "good"] == [
        "lean_on",
        "flick",
        "let_go",
        "away",
        "leave",
        "retreat",
    ]


def test_a_change_of_one_quantity_in_one_step_is_told_there_and_nowhere_else(trace: Trace) -> None:
    index = [name for name, _ in trace.header.axes].index("lift")
    (step,) = [step for step in trace.steps(trace.runs()[0]) if step.name == "retreat"]

    def heavier(row: Row) -> Row:
        # The tick in which it starts is the last of the step before as well.
        inside = step.start < trace.seconds(row.now_ns) <= step.end
        measured = list(row.measured)
        read = measured[index]
        if not inside or read is None or read.current is None:
            return row
        measured[index] = read._replace(current=read.current + 15.0)
        return row._replace(measured=tuple(measured))

    found = compare(trace, replace(trace, rows=tuple(map(heavier, trace.rows))), 1, 1)
    (changed,) = found.steps
    assert changed.name == "retreat"
    assert {change.quantity for change in changed.changes} == {"lift.current"}
    assert {change.by for change in changed.changes} == {"15 A"}


def test_the_last_run_that_was_done_is_the_good_one_by_itself(trace: Trace) -> None:
    found = compare(trace, trace)
    assert (found.good_outcome, found.bad_outcome) == ("done", "cancelled")


def test_runs_that_are_not_there_or_not_alike_are_refused(trace: Trace) -> None:
    with pytest.raises(TraceError, match="there is no run 9 in the bad recording; it has 3, numbered from 1"):
        compare(trace, trace, 1, 9)
    with pytest.raises(TraceError, match="the good recording has no runs"):
        compare(Trace(trace.header), trace)


def test_a_changed_machine_or_routine_is_said_first(trace: Trace) -> None:
    header = replace(trace.header, machine_hash="0", routines=(("hang_ridge", "0"),))
    notes = compare(trace, replace(trace, header=header), 1, 1).notes
    assert notes[0].startswith("the recordings are of two machines")
    assert notes[1] == "routine hang_ridge was changed between the recordings"
