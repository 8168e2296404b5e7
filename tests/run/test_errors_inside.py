"""What a tick leaves behind that fails inside, and what is told of it. SEMANTICS R22, R33, R36."""

from __future__ import annotations

from typing import Any

import pytest
from rig import Rig, checked, machine, move, pulse, put, repeat, started, wait

from sequencer.run import supervisor

BEAM = ["holds", "beam"]
CAUSE = "error inside the runner: ZeroDivisionError: by hand"


def broken(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> Rig:
    """One tick whose supervisor fails."""

    def fail(*given: Any) -> None:
        raise ZeroDivisionError("by hand")

    with monkeypatch.context() as patch:
        patch.setattr(supervisor.Supervisor, "commit", fail)
        rig.run(1)
    return rig


def moving(**changes: Any) -> Rig:
    inside = [wait("A", 9.0), pulse("p", {"lamp": True}, 9.0, at=0.06)]
    steps = [move("m", {"lift": 2.0}), repeat("loop", inside, 1, timeout=9.0), put("s", {"horn": 0.5})]
    return started(checked(machine(), *steps, **changes), checked(machine(), wait("w", 1.0), name="other"), ticks=10)


def test_an_error_inside_ends_every_step_and_every_run_in_its_tick(monkeypatch: pytest.MonkeyPatch) -> None:
    """R36, R22: the fault is told first, then each step that was active, the newest first, then the run."""
    rig = moving()
    rig.start("other")
    rig.run(1)
    rig.events.clear()
    broken(rig, monkeypatch)
    told = [(event.tick, event.kind, event.run, event.step, event.text, event.values) for event in rig.events]
    over = f"aborted: {CAUSE}", (("outcome", "aborted"),)
    ended = f"faulted: {CAUSE}", (("outcome", "faulted"),)
    assert told == [
        (11, "fault", "", "", CAUSE, ()),
        (11, "end", "r", "p", *over),
        (11, "end", "r", "A", *over),
        (11, "end", "r", "loop", *over),
        (11, "end", "r", "m", *over),
        (11, "run", "r", "", *ended),
        (11, "end", "other", "w", *over),
        (11, "run", "other", "", *ended),
    ]
    assert [(run.name, run.state, run.cause) for run in rig.runner.status().runs] == [
        ("r", "faulted", CAUSE),
        ("other", "faulted", CAUSE),
    ]
    assert rig.runner.status().runs[-1].steps == ()


def test_after_an_error_inside_everything_is_off_until_a_reset(monkeypatch: pytest.MonkeyPatch) -> None:
    """R36, R33: outputs at rest and axes off in that tick; no rest holds them before somebody has looked."""
    rig = broken(moving(), monkeypatch)
    assert rig.orders[-1].outputs == {"lamp": False, "horn": 0.0, "third": 0.0}
    assert {order.mode for order in rig.orders[-1].axes.values()} == {"off"}
    rig.run(5)
    assert rig.modes()[-5:] == ["off"] * 5
    assert rig.runner.status().fault == CAUSE
    rig.start("other")
    rig.run(1)
    assert rig.refusals() == [f"reset first; the last fault: {CAUSE}"]
    rig.runner.reset()
    rig.run(1)
    assert rig.modes()[-1] == "hold"


def test_what_was_owned_when_a_tick_failed_is_free_after_a_reset(monkeypatch: pytest.MonkeyPatch) -> None:
    """R36, R28: axes and outputs; timed starts of the old run come no more."""
    rig = broken(moving(), monkeypatch)
    rig.runner.reset()
    rig.run(1)
    rig.start()
    rig.run(10)
    assert rig.starts("p") == [3, 15]
    assert rig.outcomes() == [(10, "faulted")]
    assert rig.output("lamp")[-1] is True
    assert rig.modes()[-1] == "track"


def test_requests_that_wait_for_a_standstill_are_forgotten_when_a_tick_fails(monkeypatch: pytest.MonkeyPatch) -> None:
    """R36, R37: nobody may be surprised by a restart after the reset."""
    rig = moving()
    rig.start(restart=True)
    rig.run(2)
    broken(rig, monkeypatch)
    rig.runner.reset()
    rig.run(40)
    assert [event.text for event in rig.kinds("run", "r")] == ["start", f"faulted: {CAUSE}"]


def test_the_runs_that_a_failed_tick_ended_are_kept_with_the_seven_before(monkeypatch: pytest.MonkeyPatch) -> None:
    """R22: the last eight."""
    names = [f"q{number}" for number in range(9)]
    rig = Rig(*(checked(machine(), wait("A", 0.02), name=name) for name in names), checked(machine(), wait("B", 9.0)))
    for name in names:
        rig.start(name)
        rig.run(3)
    rig.start("r")
    rig.run(2)
    broken(rig, monkeypatch)
    assert [run.name for run in rig.runner._host.ended] == [*names[2:], "r"]


def test_a_failing_source_of_readings_faults_every_run_and_what_they_do_afterwards_stays_away() -> None:
    """R36, R47: a machine fault: the axes stop and stay."""
    after = {"on_fault": {**checked(machine(), put("s", {"horn": 1.0})).routine, "name": "on_fault"}}
    rig = started(checked(machine(), move("m", {"lift": 2.0}), **after), ticks=20)

    class Torn(dict[str, Any]):
        def get(self, *given: Any) -> Any:
            raise OSError("the bus is gone")

    reading = rig.reading

    def torn(now: int) -> Any:
        found = reading(now)
        if rig.count == 20:
            found.axes = Torn()
        return found

    rig.reading = torn  # type: ignore[method-assign]
    rig.run(1)
    assert rig.runner._host.values["lift"] is None
    assert rig.runner._host.snapshot.reason("lift") == "lift is not read since tick 20"
    rig.run(60)
    (fault,) = rig.kinds("fault")
    assert (fault.tick, fault.run, fault.text) == (20, "r", "the readings failed: OSError: the bus is gone")
    assert rig.outcome()[1] == "faulted"
    assert 1.0 not in rig.output("horn")


def test_a_zero_that_is_lost_is_told_once_and_one_lost_later_is_told_then() -> None:
    """R42, R40."""
    rig = started(checked(machine(), wait("A", 9.0)), ticks=5)
    rig.positions["lift"] += 0.5
    rig.run(3)
    rig.positions["wrist"] += 0.5
    rig.run(3)
    assert [(event.tick, event.text) for event in rig.kinds("zero lost")] == [
        (5, "lift: its reading jumped by 0.5 m in 0.02 s"),
        (8, "wrist: its reading jumped by 0.5 m in 0.02 s"),
    ]


def test_enabling_and_disabling_are_told_when_they_change() -> None:
    """R41, R40: once each; a machine that was never enabled is not told to be disabled."""
    rig = Rig(checked(machine(), wait("A", 9.0)))
    rig.enabled = lambda tick: 2 <= tick < 5 or tick >= 8
    rig.run(12)
    assert [(event.tick, event.kind) for event in rig.events] == [(2, "enabled"), (5, "disabled"), (8, "enabled")]
