"""How activations and runs end: exactly once, whatever else happens in that tick."""

from __future__ import annotations

import pytest
from rig import (
    checked,
    machine,
    move,
    must_stay,
    pulse,
    put,
    repeat,
    started,
    wait,
)

from sequencer.ports.readings import AxisReading

BEAM = ["holds", "beam"]
GUARD = ["holds", "guard"]


@pytest.mark.parametrize("cause", ["must_stay", "interlock", "actuator"])
def test_a_step_done_in_the_tick_of_a_fault_keeps_done_and_no_successor_starts(cause: str) -> None:
    """R23: the run takes the higher outcome; the completed step keeps done."""
    guarded = machine(must_stay=[must_stay("cover", ["holds", "clear"], [0])])
    rig = started(
        checked(
            guarded,
            move("m", {"lift": 2.0}, must_stay=GUARD),
            wait("A", until=BEAM, timeout=5.0),
            wait("B", 0.1, "A"),
        ),
        beam=lambda tick: tick >= 10,
        guard=lambda tick: tick < 10 or cause != "must_stay",
        clear=lambda tick: tick < 10 or cause != "interlock",
    )
    if cause == "actuator":
        rig.readings["lift"] = lambda tick: AxisReading(rig.positions["lift"], 0.0, fault="hot" if tick >= 10 else None)
    rig.run(40)
    assert rig.ends("A") == [(10, "done")]
    assert rig.starts("B") == []
    assert rig.ends("m")[0][0] == 10
    assert rig.outcome()[1] == "faulted"


def test_a_step_done_in_the_tick_of_its_own_fault_keeps_done() -> None:
    """R23: the same for the step whose own must_stay trips."""
    rig = started(
        checked(machine(), wait("A", until=BEAM, must_stay=GUARD), wait("B", 0.1, "A")),
        beam=lambda tick: tick >= 5,
        guard=lambda tick: tick < 5,
        ticks=8,
    )
    assert rig.ends("A") == [(5, "done")]
    assert rig.starts("B") == []
    assert rig.outcome() == (5, "faulted")


def test_a_step_done_in_the_tick_of_a_sibling_timeout_keeps_done() -> None:
    """R23: B times out into a fault in the tick in which A is done; whatever their order in the file."""
    for steps in (
        [wait("A", 0.1), wait("B", until=BEAM, timeout=0.1), wait("C", 0.1, "A")],
        [wait("B", until=BEAM, timeout=0.1), wait("A", 0.1), wait("C", 0.1, "A")],
    ):
        rig = started(checked(machine(), *steps), ticks=8)
        assert rig.ends("A") == [(5, "done")]
        assert rig.ends("B") == [(5, "timeout")]
        assert rig.starts("C") == []
        assert rig.outcome() == (5, "faulted")


@pytest.mark.parametrize(("stop", "outcome"), [("cancel", "cancelled"), ("abort", "cancelled")])
def test_a_step_done_in_the_tick_of_a_stop_keeps_done(stop: str, outcome: str) -> None:
    """R23: abort and stop rank above completion: the run is cancelled, the step done, no successor starts."""
    rig = started(checked(machine(), wait("A", 0.1), wait("B", 0.1, "A")), ticks=5)
    getattr(rig.runner, stop)()
    rig.run(2)
    assert rig.ends("A") == [(5, "done")]
    assert rig.starts("B") == []
    assert rig.outcome() == (5, outcome)


def test_a_fault_outranks_a_stop_of_the_same_tick() -> None:
    """R23: fault > stop: asked to cancel in the tick of a tripped must_stay, the run ends faulted."""
    rig = started(checked(machine(), wait("A", 1.0, must_stay=GUARD)), guard=lambda tick: tick < 5, ticks=5)
    rig.runner.cancel()
    rig.run(2)
    assert rig.outcome() == (5, "faulted")


def test_a_timeout_in_the_tick_of_a_stop_is_an_abort() -> None:
    """R23: stop > timeout: the step ends aborted, the run cancelled."""
    rig = started(checked(machine(), wait("A", until=BEAM, timeout=0.1)), ticks=5)
    rig.runner.cancel()
    rig.run(2)
    assert rig.ends("A") == [(5, "aborted")]
    assert rig.outcome() == (5, "cancelled")


def test_the_last_step_done_in_the_tick_of_a_cancel_leaves_the_run_cancelled() -> None:
    """R23, R22: the run takes the higher outcome even where nothing was left to do."""
    rig = started(checked(machine(), wait("A", 0.1)), ticks=5)
    rig.runner.cancel()
    rig.run(2)
    assert rig.ends("A") == [(5, "done")]
    assert rig.outcome() == (5, "cancelled")


@pytest.mark.parametrize("tick", range(1, 14))
@pytest.mark.parametrize("stop", ["cancel", "abort", "disable"])
def test_every_activation_and_the_run_end_exactly_once_whenever_it_is_stopped(stop: str, tick: int) -> None:
    """R22: exactly one outcome per activation and run, and every output at rest, for a stop in any tick."""
    inside = [pulse("P", {"lamp": True, "roller": 4.0}, 0.04), put("S", {"horn": 3.0}, "P")]
    rig = started(
        checked(
            machine(),
            repeat("loop", inside, 2),
            move("m", {"lift": 0.05}),
            wait("w", 0.06),
            pulse("x", {"third": 1.0}, 0.1, {"any": ["w", "m"]}),
        ),
        ticks=tick,
    )
    if stop == "disable":
        rig.enabled = False
    else:
        getattr(rig.runner, stop)()
    rig.run(40)
    for name in ("P", "S", "loop", "m", "w", "x"):
        assert len(rig.starts(name)) == len(rig.ends(name)), name
    assert len(rig.outcomes()) == 1
    assert rig.outcome()[1] == ("done" if tick > 8 + 2 else "cancelled") or tick in (9, 10)
    last = rig.orders[-1]
    assert dict(last.outputs) == {"lamp": False, "horn": 0.0, "third": 0.0}
    assert last.axes["roller"].volts == 0.0


def test_an_outcome_never_changes_later() -> None:
    """R23: after a run was done a cancel changes nothing of it."""
    rig = started(checked(machine(), wait("A", 0.1)), ticks=7)
    rig.runner.cancel()
    rig.runner.abort()
    rig.run(3)
    assert rig.outcomes() == [(5, "done")]


def test_cancel_is_idempotent() -> None:
    """R34: C59: cancel in ticks 6 and 7 and once more after the end: exits ran once, status stays cancelled."""
    rig = started(checked(machine(), pulse("A", {"lamp": True}, 2.0), move("m", {"lift": 2.0})), ticks=6)
    rig.runner.cancel()
    rig.run(1)
    rig.runner.cancel()
    rig.run(30)
    rig.runner.cancel()
    rig.run(2)
    assert rig.ends("A") == [(6, "aborted")]
    assert rig.outcome()[1] == "cancelled"
    assert rig.runner.status().runs[-1].state == "cancelled"
