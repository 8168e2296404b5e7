"""Permission to move: SEMANTICS R41."""

from __future__ import annotations

import pytest
from rig import Rig, axis, checked, machine, move, pulse, put, repeat, started, wait

from sequencer.ports.readings import AxisReading


@pytest.mark.parametrize("tick", range(1, 60, 4))
def test_disabled_everything_is_off_and_runs_end_cancelled(tick: int) -> None:
    """R41: in any tick: orders are off, outputs at rest, the run is cancelled "disabled", set-points follow what is
    measured.
    """
    rig = started(
        checked(
            machine(),
            repeat("loop", [pulse("p", {"lamp": True, "roller": 3.0}, 0.06), put("s", {"horn": 1.0}, "p")]),
            move("m", {"lift": 2.0}),
            move("n", {"wrist": 0.1}, until=["known", "beam"], blind=0.5),
        ),
        ticks=tick,
    )
    rig.enabled = False
    rig.run(1)
    rig.positions["lift"] = 0.9
    rig.run(3)
    assert rig.outcome() == (tick, "cancelled")
    assert "disabled" in rig.events[-1].text or any("disabled" in event.text for event in rig.kinds("run"))
    for one in rig.orders[tick:]:
        assert {order.mode for order in one.axes.values()} == {"off"}
        assert dict(one.outputs) == {"lamp": False, "horn": 0.0, "third": 0.0}
    assert rig.runner.status().headline == "disabled"
    rig.enabled = True
    rig.run(10)
    assert rig.modes()[-10:] == ["hold"] * 10
    assert rig.points()[-10:] == [0.9] * 10
    assert len(rig.outcomes()) == 1


def test_nothing_moves_after_enabling_until_a_new_request() -> None:
    """R41: a request made while disabled is refused and not kept."""
    rig = Rig(checked(machine(), move("m", {"lift": 1.0})))
    rig.enabled = False
    rig.run(2)
    rig.start()
    rig.run(2)
    rig.enabled = True
    rig.run(10)
    assert rig.refusals() == ["the machine is not enabled"]
    assert set(rig.points()) == {0.0}
    rig.start()
    rig.run(2)
    assert rig.points()[-1] > 0.0


def test_a_request_in_the_tick_of_disabling_is_refused() -> None:
    """R41."""
    rig = Rig(checked(machine(), move("m", {"lift": 1.0})))
    rig.run(2)
    rig.start()
    rig.enabled = False
    rig.run(2)
    assert rig.refusals() == ["the machine is not enabled"]


def test_an_axis_whose_rest_is_not_hold_is_not_held_after_enabling() -> None:
    """R41, R43: each axis does what its rest says."""
    rest = [{"mode": "brake", "voltage": 0.0, "when": None}]
    rig = Rig(checked(machine([axis("lift", rest=rest), axis("wrist"), axis("roller", "spin")]), wait("A", 1.0)))
    rig.run(3)
    assert set(rig.modes("lift")) == {"brake"}
    assert set(rig.modes("wrist")) == {"hold"}


def test_an_axis_that_is_not_measured_at_enabling_stays_off_until_it_is() -> None:
    """R41, R29: where it is, is not known, so there is no place to hold."""
    rig = Rig(checked(machine(), wait("A", 1.0)))
    rig.positions["lift"] = 0.7
    rig.readings["lift"] = lambda tick: AxisReading(0.7, 0.0) if tick >= 3 else AxisReading(None)
    rig.run(5)
    assert rig.modes() == ["off"] * 3 + ["hold"] * 2
    assert rig.points()[3:] == [0.7, 0.7]


def test_a_fault_still_needs_its_reset_after_disabling() -> None:
    """R41, R32: enabling acknowledges nothing."""
    rig = started(
        checked(machine(), wait("A", 1.0, must_stay=["holds", "guard"])), guard=lambda tick: tick != 3, ticks=6
    )
    rig.enabled = False
    rig.run(2)
    rig.enabled = True
    rig.run(1)
    rig.start()
    rig.run(1)
    assert "reset first" in rig.refusals()[0]


def test_a_stopping_run_that_is_disabled_ends_with_its_own_outcome() -> None:
    """R41, R23: faulted stays faulted."""
    rig = started(
        checked(machine(), move("m", {"lift": 2.0}, must_stay=["holds", "guard"])), guard=lambda tick: tick < 40
    )
    rig.run(45)
    rig.enabled = False
    rig.run(2)
    assert rig.outcome() == (45, "faulted")


def test_the_trace_runs_on_while_disabled() -> None:
    """R41: every tick gives orders for every axis and output."""
    rig = Rig(checked(machine(), wait("A", 1.0)))
    rig.enabled = False
    rig.run(5)
    for one in rig.orders:
        assert list(one.axes) == ["lift", "wrist", "roller"]
        assert list(one.outputs) == ["lamp", "horn", "third"]
