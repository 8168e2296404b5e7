"""A recording through the same and through changed routines."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import NamedTuple

import pytest

from sequencer import CheckedRoutine, Trace, TraceError, check, load_machine, load_routine, read_trace, rehearse
from sequencer.machine.machine import Machine
from sequencer.ports.readings import AxisReading, Parts, Readings
from sequencer.routine.steps import RehearsalSpec
from sequencer.run import Runner
from sequencer.trace import Recorder, write_csv
from sequencer.tune import Retrace, retrace

MACHINE = """\
machine: lantern hand
axes:
  lift:
    kind: linear
    travel: [0 m, 1.2 m]
    limits: {velocity: 1.5 m/s, acceleration: 6 m/s2, jerk: 90 m/s3}
    tolerance: {position: 8 mm, settle: 60 ms}
    latency: [20 ms, 40 ms]
  rollers: {kind: spin, limits: {velocity: 600 rad/s, acceleration: 6000 rad/s2}}
sensors:
  range_to_hook: {kind: number, unit: m}
presets:
  stow: {lift: 0 m}
"""

ROUTINE = """\
routine: hang
machine: machine.yaml
from: stow
defaults: {timeout: planned + 1 s}
parameters:
  height: {value: 0.8 m, range: [0.2 m, 1.1 m]}
steps:
- raise: {move: {lift: height}}
- near: {wait: range_to_hook < 0.3 m, timeout: 3 s, on_timeout: cancel}
- let_go: {pulse: {rollers: 6 V}, for: 100 ms}
- lower: {move: stow}
rehearsals:
- comes: {gauges: {range_to_hook: [[0 s, 0.9 m], [2 s, 0.1 m], [4 s, 0.1 m]]}}
- stays: {gauges: {range_to_hook: 0.6 m}}
"""


class Bench(NamedTuple):
    folder: Path
    machine: Machine
    checked: CheckedRoutine
    specs: tuple[RehearsalSpec, ...]

    def recording(self, number: int = 0) -> Trace:
        done = rehearse(self.checked, machine=self.machine, spec=self.specs[number])
        return done.trace

    def changed(self, old: str, new: str, machine: tuple[str, str] | None = None) -> CheckedRoutine:
        assert old in ROUTINE
        if machine is not None:
            assert machine[0] in MACHINE
            (self.folder / "machine.yaml").write_text(MACHINE.replace(*machine))
        (self.folder / "changed.routine.yaml").write_text(ROUTINE.replace(old, new))
        return check(load_routine(self.folder / "changed.routine.yaml"))


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    (tmp_path / "machine.yaml").write_text(MACHINE)
    (tmp_path / "hang.routine.yaml").write_text(ROUTINE)
    routine = load_routine(tmp_path / "hang.routine.yaml")
    return Bench(tmp_path, load_machine(tmp_path / "machine.yaml"), check(routine), routine.rehearsals)


@pytest.mark.parametrize("number", [0, 1])
def test_the_same_routine_gives_the_same_orders_and_decisions(bench: Bench, number: int) -> None:
    recording = bench.recording(number)
    found = retrace(recording, bench.checked)
    assert found.identical
    assert found.notes == ()
    assert found.told_until is None
    assert found.trace == recording


def test_the_same_is_told_of_a_file(bench: Bench) -> None:
    write_csv(bench.folder / "match.csv", bench.recording())
    assert retrace(read_trace(bench.folder / "match.csv"), bench.checked).identical


def test_the_first_decision_that_differs_comes_first_with_both_sides(bench: Bench) -> None:
    found = retrace(bench.recording(), bench.changed("range_to_hook < 0.3 m", "range_to_hook < 0.5 m"))
    first = found.differences[0]
    assert (first.kind, first.run, first.step) == ("end", "hang", "near")
    assert first.recorded is not None
    assert first.recorded.startswith("'done: range_to_hook < 0.3")
    assert first.now is not None
    assert first.now.startswith("'done: range_to_hook < 0.5")
    assert 0.99 <= first.time <= 1.05  # the gauge passes 0.5 m after 1 s
    assert [one.time for one in found.differences] == sorted(one.time for one in found.differences)
    assert not found.identical


def test_the_recording_tells_until_an_axis_would_have_moved_otherwise(bench: Bench) -> None:
    """The lift goes 0.6 m instead of 0.8 m: orders part in mid-move, and the earliest motion comes 20 ms later."""
    found = retrace(bench.recording(), bench.changed("value: 0.8 m", "value: 0.6 m"))
    assert found.identical  # the recorded request names the value of its day
    found = retrace(bench.recording(), bench.changed("move: {lift: height}", "move: {lift: 0.6 m}"))
    assert found.departure is not None
    time = float(found.departure.split(" s:")[0])
    ordered = [(row.now_ns * 1e-9, row.ordered[0].position) for row in found.trace.rows if row.ordered[0]]
    assert found.told_until == pytest.approx(time + 0.02, abs=0.01)
    assert 0.1 < time < 1.0
    assert max(place for _, place in ordered) <= 0.6 + 1e-9
    assert all(one.time > found.told_until for one in found.differences if one not in found.certain)
    assert "can no longer tell" in str(found)


def test_a_decision_beyond_what_the_recording_tells_is_no_finding(bench: Bench) -> None:
    """A slower lift arrives later in the retrace, but the recorded lift did not: the end of `raise` is a guess."""
    found = retrace(
        bench.recording(), bench.changed("move: {lift: height}", "move: {lift: height}, limits: {velocity: 0.5 m/s}")
    )
    assert found.differences
    assert found.certain == ()
    assert "guesses, and not shown" in str(found)
    data = found.as_json()
    assert all(one["told"] is False for one in data["differences"])


def test_an_output_that_differs_ends_what_is_told_at_once(bench: Bench) -> None:
    found = retrace(bench.recording(), bench.changed("pulse: {rollers: 6 V}", "pulse: {rollers: 5 V}"))
    assert found.departure is not None
    assert "ordered volts was 6, now 5" in found.departure
    assert found.differences == ()
    assert not found.identical


def test_a_request_that_is_refused_now_is_said(bench: Bench) -> None:
    narrower = bench.changed("value: 0.8 m, range: [0.2 m, 1.1 m]", "value: 0.9 m, range: [0.85 m, 1.1 m]")
    found = retrace(bench.recording(), narrower)
    assert any("'request' is refused now" in note and "0.8" in note for note in found.notes)
    assert any(one.kind == "run" and one.now is None for one in found.differences)


def test_what_a_hostile_trace_asks_for_is_refused_and_never_called(bench: Bench) -> None:
    recording = bench.recording()
    rows = list(recording.rows)
    rows[5] = rows[5]._replace(requests=(("__init__", 1), ("request", "hang", {"height": "x"}), ("tick", 3)))
    found = retrace(Trace(recording.header, tuple(rows)), bench.checked)
    assert len([note for note in found.notes if "refused now" in note]) == 3


def test_another_machine_is_said_and_a_stranger_is_refused(bench: Bench) -> None:
    changed = bench.changed("hang", "hang", machine=("acceleration: 6 m/s2", "acceleration: 5 m/s2"))
    found = retrace(bench.recording(), changed)
    assert any(note.startswith("the machine has changed since") for note in found.notes)
    recording = bench.recording()
    stranger = Trace(replace(recording.header, axes=(("arm", "linear"), ("brush", "spin"))), recording.rows)
    with pytest.raises(TraceError, match="has none of these axes"):
        retrace(stranger, bench.checked)


def test_an_empty_trace_is_refused(bench: Bench) -> None:
    with pytest.raises(TraceError, match="no ticks"):
        retrace(Trace(bench.recording().header, ()), bench.checked)


def test_a_routine_that_is_not_given_is_named(bench: Bench) -> None:
    other = bench.changed("routine: hang", "routine: hand")
    found: Retrace = retrace(bench.recording(), other)
    assert any("routine hang was recorded and is not given; did you mean 'hand'" in note for note in found.notes)


def test_what_single_motors_drew_is_run_again_too(bench: Bench, tmp_path: Path) -> None:
    """A motor that does not push faults its axis; without what it drew, the fault could not come again."""
    text = MACHINE.replace(
        "    latency: [20 ms, 40 ms]\n",
        "    latency: [20 ms, 40 ms]\n    actuators:\n"
        "      left: {motor: one, ratio: 7, travel_per_turn: 132 mm, winding_limit: 40 A}\n"
        "      right: {motor: one, ratio: 7, travel_per_turn: 132 mm, winding_limit: 40 A}\n"
        "    load: {mass: 3 kg}\n",
    ).replace(
        "axes:\n",
        "motors:\n  one: {rated_voltage: 12 V, stall_torque: 2.7 N.m, stall_current: 132 A, no_load_speed: 5450 rpm}\n"
        "axes:\n",
        1,
    )
    (tmp_path / "machine.yaml").write_text(text)
    checked = check(load_routine(tmp_path / "hang.routine.yaml"))
    recorder = Recorder(checked.machine, [checked])
    runner = Runner(checked, recorder)
    runner.request("hang")
    place = 0.0
    for tick in range(60):
        axes = {"lift": AxisReading(place, None, 40.0), "rollers": AxisReading(None, 0.0, 0.0)}
        told = {"lift": Parts((place, place), (40.0, 0.1))} if tick > 10 else {}
        orders = runner.tick(Readings(tick * 20_000_000, True, axes, {"range_to_hook": 0.6}, 12.0, told))
        place = orders.axes["lift"].position
    trace = recorder.trace()
    assert "one of them does not push" in (trace.runs()[0].cause or "")
    assert retrace(trace, checked).identical
    blind = Trace(trace.header, tuple(row._replace(parts=()) for row in trace.rows))
    assert not retrace(blind, checked).identical
