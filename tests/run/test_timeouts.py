"""Timeouts: what counts in their tick, and what is done at them."""

from __future__ import annotations

import pytest
from rig import (
    checked,
    choose,
    machine,
    move,
    put,
    started,
    wait,
)

BEAM = ["holds", "beam"]
RATES = pytest.mark.parametrize("hz", [50, 100, 200])


@RATES
def test_completion_beats_the_timeout_of_the_same_tick(hz: int) -> None:
    """R23: C35: timeout 0.1, beam true from tick 5: done@5, on_timeout is not run."""
    end = hz // 10
    rig = started(
        checked(machine(hz=hz), wait("A", until=BEAM, timeout=0.1)), beam=lambda tick: tick >= end, ticks=end + 2
    )
    assert rig.ends("A") == [(end, "done")]
    assert rig.outcome() == (end, "done")


@RATES
def test_one_tick_too_late_is_a_timeout(hz: int) -> None:
    """R23: C36: beam true from tick 6: timeout@5; the truth in tick 6 changes nothing."""
    end = hz // 10
    rig = started(
        checked(machine(hz=hz), wait("A", until=BEAM, timeout=0.1)), beam=lambda tick: tick >= end + 1, ticks=end + 3
    )
    assert rig.ends("A") == [(end, "timeout")]
    assert rig.outcome() == (end, "faulted")


def test_a_timeout_faults_unless_something_else_is_written() -> None:
    """R24: on timeout: fault, with the step and the condition in the cause."""
    rig = started(checked(machine(), wait("A", until=BEAM, timeout=0.1)), ticks=7)
    assert rig.runner.status().fault == "A not done after 0.1 s: waiting for beam (beam false)"


@pytest.mark.parametrize(("on_timeout", "outcome"), [("cancel", "cancelled"), ("continue", "done")])
def test_what_is_written_is_done_at_a_timeout(on_timeout: str, outcome: str) -> None:
    """R24: `cancel` ends the run cancelled, without a fault; `continue` goes on, and the step's timed_out is true."""
    seen = choose("c", [(["holds", "A.timed_out"], [put("yes", {"horn": 1.0})])], [put("no", {"horn": 2.0})], "A")
    rig = started(checked(machine(), wait("A", until=BEAM, timeout=0.1, on_timeout=on_timeout), seen), ticks=9)
    assert rig.ends("A") == [(5, "timeout")]
    assert rig.outcome()[1] == outcome
    assert rig.runner.status().fault is None
    assert rig.starts("yes") == ([5] if outcome == "done" else [])


def test_a_timeout_may_name_a_routine_that_runs_after_standstill() -> None:
    """R24: the named routine is started when the cancelled run has ended."""
    first = checked(machine(), move("m", {"lift": 2.0}), wait("A", until=BEAM, timeout=0.8, on_timeout="home"))
    rig = started(first, checked(machine(), move("back", {"lift": 0.0}), name="home"), ticks=140)
    assert rig.outcome("r") == (65, "cancelled")
    assert rig.starts("back") == [66]
    assert rig.outcome("home")[1] == "done"
    assert rig.points()[-1] == 0.0


@pytest.mark.parametrize("stop", ["cancel", "abort"])
def test_a_stop_forgets_the_routine_that_a_timeout_named(stop: str) -> None:
    """R24, R33: stop beats start: what was to follow a timeout does not start after a cancel or abort."""
    first = checked(machine(), move("m", {"lift": 2.0}), wait("A", until=BEAM, timeout=0.8, on_timeout="home"))
    rig = started(first, checked(machine(), move("back", {"lift": 0.0}), name="home"), ticks=45)
    getattr(rig.runner, stop)()
    rig.run(60)
    assert rig.starts("back") == []


def test_a_timeout_naming_an_unknown_routine_is_told() -> None:
    """R24, R40: a routine that is not in the pack cannot follow; it is refused by name."""
    rig = started(checked(machine(), wait("A", until=BEAM, timeout=0.1, on_timeout="hoem")), ticks=9)
    assert rig.outcome() == (5, "cancelled")
    assert any("hoem" in event.text or "hoem" in event.run for event in rig.kinds("refused"))


def test_a_wait_without_timeout_waits() -> None:
    """R24: an explicit none."""
    rig = started(checked(machine(), wait("A", until=BEAM)), beam=lambda tick: tick >= 900, ticks=902)
    assert rig.ends("A") == [(900, "done")]
