"""Why runs of a recording ended as they did."""

from __future__ import annotations

from pathlib import Path

import pytest

from sequencer import CheckedRoutine, Trace, TraceError, check, load_machine, load_routine, rehearse
from sequencer.routine.steps import RehearsalSpec
from sequencer.trace import Row
from sequencer.tune import Account, why

MACHINE = """\
machine: lantern hand
axes:
  wrist:
    kind: rotary
    travel: [-90 deg, 120 deg]
    limits: {velocity: 300 deg/s, acceleration: 2000 deg/s2, jerk: 40000 deg/s3}
    tolerance: {position: 1 deg, settle: 60 ms}
sensors:
  range_to_hook: {kind: number, unit: m}
  count: {kind: number}
  beam: {kind: switch}
presets:
  stow: {wrist: 100 deg}
"""

ROUTINE = """\
routine: hang
machine: machine.yaml
from: stow
defaults: {timeout: planned + 1 s}
steps:
- turn: {move: {wrist: 20 deg}}
- near: {wait: CONDITION, timeout: 2 s, on_timeout: cancel}
- back: {move: stow}
rehearsals:
- one: {gauges: {range_to_hook: [[0 s, 0.9 m], [1.4 s, 0.34 m], [3 s, 0.6 m]], count: 2, beam: false}}
"""


def recording(folder: Path, condition: str) -> Trace:
    (folder / "machine.yaml").write_text(MACHINE)
    (folder / "hang.routine.yaml").write_text(ROUTINE.replace("CONDITION", condition))
    routine = load_routine(folder / "hang.routine.yaml")
    checked: CheckedRoutine = check(routine)
    spec: RehearsalSpec = routine.rehearsals[0]
    return rehearse(checked, machine=load_machine(folder / "machine.yaml"), spec=spec).trace


def account(folder: Path, condition: str) -> Account:
    (found,) = why(recording(folder, condition))
    return found


def test_a_wait_that_timed_out_says_how_near_its_value_came(tmp_path: Path) -> None:
    """The script comes down to 0.34 m at 1.4 s and goes away again: 40 mm short of 0.30 m."""
    found = account(tmp_path, "range_to_hook < 0.30 m")
    assert (found.outcome, found.step, found.failed) == ("cancelled", "near", True)
    (near,) = found.near
    assert near.condition == "range_to_hook < 0.3 m"
    assert near.at == pytest.approx(1.4, abs=0.021)
    assert near.short is not None
    assert float(near.short.split()[0]) == pytest.approx(0.04, abs=0.008)
    assert "range_to_hook came no nearer than 0.34" in str(found)


def test_an_upper_limit_is_told_from_below_and_in_degrees(tmp_path: Path) -> None:
    found = account(tmp_path, "wrist > 60 deg")
    (near,) = found.near
    assert near.condition == "wrist > 60 deg"
    assert near.short is not None
    assert near.short.endswith(" deg")
    assert float(near.short.split()[0]) == pytest.approx(40.0, abs=1.0)


def test_each_comparison_of_a_condition_is_told_by_itself(tmp_path: Path) -> None:
    found = account(tmp_path, "range_to_hook < 0.5 m and count > 3")
    hook, count = found.near
    assert hook.short is None
    assert "was true at" in str(hook)
    assert (count.condition.split()[0], count.nearest, count.short) == ("count", "2", "1")


def test_a_value_that_was_never_known_is_said(tmp_path: Path) -> None:
    trace = recording(tmp_path, "range_to_hook < 0.30 m")
    index = [name for name, _ in trace.header.sensors].index("range_to_hook")

    def blind(row: Row) -> Row:
        sensors = list(row.sensors)
        sensors[index] = None
        return row._replace(sensors=tuple(sensors))

    (found,) = why(Trace(trace.header, tuple(map(blind, trace.rows))))
    assert "range_to_hook was never known" in str(found)


def test_a_condition_without_a_number_gives_the_cause_alone(tmp_path: Path) -> None:
    found = account(tmp_path, "beam")
    assert found.near == ()
    assert "near not done after 2 s: waiting for beam (beam false)" in str(found)


def test_a_run_that_is_done_or_cut_off_is_said_to_be(tmp_path: Path) -> None:
    trace = recording(tmp_path, "range_to_hook < 0.5 m")
    (found,) = why(trace)
    assert not found.failed
    assert "done after" in str(found)
    (cut,) = why(Trace(trace.header, trace.rows[:40]))
    assert cut.outcome is None
    assert "the recording ends before the run does" in str(cut)


def test_a_run_that_is_not_there_is_refused(tmp_path: Path) -> None:
    trace = recording(tmp_path, "beam")
    with pytest.raises(TraceError, match="there is no run 2; the trace has 1"):
        why(trace, 2)
    with pytest.raises(TraceError, match="no runs"):
        why(Trace(trace.header, ()))


def test_the_lowest_battery_and_late_ticks_stand_beside_a_failure(tmp_path: Path) -> None:
    trace = recording(tmp_path, "beam")
    rows = [row._replace(battery=12.0 - 0.01 * (row.tick % 50)) for row in trace.rows]
    (found,) = why(Trace(trace.header, tuple(rows)))
    assert found.lowest_battery == pytest.approx(11.51)
    assert "[battery at least 11.5 V]" in str(found)
