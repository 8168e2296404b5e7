"""Who owns axes and outputs: claims, preempting, runs beside each other (SEMANTICS R28, scenarios C48 to C51)."""

from __future__ import annotations

import pytest
from motion_seen import largest_step, velocities
from rig import (
    Rig,
    axis,
    checked,
    machine,
    move,
    pulse,
    put,
    started,
    wait,
)

BEAM = ["holds", "beam"]


def test_a_preempting_move_takes_over_from_the_motion() -> None:
    """R28, R29: C48: lift 0 -> 1 (v 1, a 2), preempted in tick 20 by a move to 0.2: the old move is aborted@20, the new
    profile starts at x = 0.16 m, v = 0.8 m/s, overshoots 0.2 and returns; one order a tick.
    """
    rig = started(
        checked(machine(), move("old", {"lift": 1.0}), wait("w", 0.4), move("new", {"lift": 0.2}, "w", preempt=True)),
        ticks=120,
    )
    assert rig.ends("old") == [(20, "aborted")]
    order = rig.orders[20].axes["lift"]
    assert (order.position, order.velocity) == pytest.approx((0.16, 0.8), abs=1e-9)
    assert largest_step(velocities(rig)) <= 0.04 + 1e-9
    assert max(rig.points()) > 0.2
    assert rig.points()[-1] == 0.2
    assert rig.outcome()[1] == "done"


def test_a_claim_on_an_owned_axis_fails_the_claimer_before_anything_is_written() -> None:
    """R28: without preempt the claimer ends in error, and its other drives are never written."""
    rig = started(
        checked(
            machine(),
            move("m", {"lift": 1.0}),
            wait("w", 0.1),
            move("n", {"wrist": 1.0, "lift": 0.0}, "w"),
        ),
        ticks=40,
    )
    assert rig.ends("n") == [(5, "error")]
    assert set(rig.points("wrist")) == {0.0}
    assert "lift is in use by m" in rig.kinds("fault")[0].text
    assert rig.outcome()[1] == "faulted"


def test_a_claim_on_an_owned_output_fails_the_claimer() -> None:
    """R28: one owner per output."""
    rig = started(
        checked(machine(), pulse("p", {"lamp": True}, 1.0), wait("w", 0.1), put("s", {"lamp": False}, "w")), ticks=8
    )
    assert rig.ends("s") == [(5, "error")]
    assert "output lamp is in use by p" in rig.kinds("fault")[0].text


def test_two_claims_on_an_axis_in_one_tick_are_a_fault_even_with_preempt() -> None:
    """R28, R6, R22: neither sees the other and each must be active for a tick, so the later in the file fails."""
    rig = started(
        checked(machine(), move("m", {"lift": 1.0}), move("n", {"lift": 0.5}, preempt=True)),
        ticks=4,
    )
    assert "lift is taken by m in the same tick" in rig.kinds("fault")[0].text
    assert rig.outcome() == (0, "faulted")


def test_preempting_one_axis_of_a_move_stops_its_other_axes() -> None:
    """R28, R30: the move loses lift, so its wrist brakes too."""
    rig = started(
        checked(
            machine(),
            move("both", {"lift": 2.0, "wrist": 2.0}),
            wait("w", 0.6),
            move("new", {"lift": 0.5}, "w", preempt=True),
        ),
        ticks=150,
    )
    assert rig.ends("both") == [(30, "aborted")]
    wrist = velocities(rig, "wrist")
    assert wrist[30:56] == pytest.approx([1.0 - 0.04 * n for n in range(26)], abs=1e-9)
    assert largest_step(velocities(rig)) <= 0.04 + 1e-9
    assert rig.outcome()[1] == "done"


@pytest.mark.parametrize("moment", [5, 30, 44, 45, 52])
def test_a_run_may_take_over_the_axis_of_another(moment: int) -> None:
    """R28: a request with preempt: the other run is cancelled, the axis passes on from its motion, without a jump."""
    old = checked(machine(), move("m", {"lift": 1.0}), pulse("p", {"lamp": True}, 5.0), name="old")
    new = checked(machine(), move("n", {"lift": 0.3}), name="new")
    rig = started(old, new, ticks=moment)
    rig.start("new", preempt=True)
    rig.run(120)
    assert rig.outcome("old") == (moment, "cancelled")
    assert rig.output("lamp")[moment - 1 : moment + 1] == [True, False]
    assert largest_step(velocities(rig)) <= 0.04 + 1e-9
    assert rig.points()[-1] == pytest.approx(0.3, abs=1e-9)
    assert rig.outcome("new")[1] == "done"


@pytest.mark.parametrize("stop", ["off", "ramp_then_hold"])
def test_a_step_that_takes_several_axes_of_another_run_takes_them_all_in_motion(stop: str) -> None:
    """R28, R33: none is stopped first because the other run is cancelled, whatever its stop."""
    on = machine([axis("lift", stop=stop), axis("wrist", stop=stop), axis("roller", "spin")])
    old = checked(on, move("m", {"lift": 2.0, "wrist": 2.0}), name="old")
    new = checked(on, wait("w", 0.4), move("n", {"lift": 0.3, "wrist": 0.2}, "w", preempt=True), name="new")
    rig = started(old, new)
    rig.start("new")
    rig.run(200)
    for name in ("lift", "wrist"):
        assert largest_step(velocities(rig, name)) <= 0.04 + 1e-9
        assert rig.modes(name)[20] == "track"
    assert rig.outcome("old")[1] == "cancelled"
    assert rig.outcome("new")[1] == "done"


def test_an_axis_taken_over_and_not_yet_moved_brakes() -> None:
    """R28, R53: the new run first waits; meanwhile the axis it took brakes and rests, it does not go on to the old
    goal.
    """
    old = checked(machine(), move("m", {"lift": 2.0}), name="old")
    new = checked(machine(), wait("w", 1.0), move("n", {"lift": 0.3}, "w"), name="new")
    rig = started(old, new, ticks=30)
    rig.start("new", preempt=True)
    rig.run(45)
    assert velocities(rig)[30:56] == pytest.approx([1.0 - 0.04 * n for n in range(26)], abs=1e-9)
    rig.run(100)
    assert rig.points()[-1] == pytest.approx(0.3, abs=1e-9)
    assert rig.outcome("new")[1] == "done"


def test_only_the_axes_in_common_are_handed_over() -> None:
    """R28: the rest of the cancelled run stops by its own stop."""
    old = checked(machine(), move("m", {"lift": 2.0, "wrist": 2.0}), name="old")
    new = checked(machine(), move("n", {"lift": 1.5}), name="new")
    rig = started(old, new, ticks=30)
    rig.start("new", preempt=True)
    rig.run(120)
    assert velocities(rig, "wrist")[30:56] == pytest.approx([1.0 - 0.04 * n for n in range(26)], abs=1e-9)
    assert rig.outcome("old") == (55, "cancelled")
    assert rig.outcome("new")[1] == "done"
    assert rig.points()[-1] == pytest.approx(1.5, abs=1e-9)


def test_a_request_whose_axes_are_in_use_is_refused() -> None:
    """R28: refused by name, and the running one is undisturbed."""
    old = checked(machine(), move("m", {"lift": 1.0}), name="old")
    new = checked(machine(), move("n", {"lift": 0.3}), name="new")
    rig = started(old, new, ticks=10)
    rig.start("new")
    rig.run(100)
    assert rig.refusals() == ["lift is in use by old"]
    assert rig.outcome("old")[1] == "done"
    assert rig.points()[-1] == pytest.approx(1.0, abs=1e-9)


@pytest.mark.parametrize("kind", ["axis", "output"])
def test_a_request_is_refused_for_what_a_running_routine_will_use_later(kind: str) -> None:
    """R28: runs side by side are each as if alone, so what a running routine is yet to use is taken already."""
    later = move("m", {"lift": 1.0}, "w") if kind == "axis" else pulse("m", {"lamp": True}, 0.1, "w")
    same = move("n", {"lift": 0.3}) if kind == "axis" else put("n", {"lamp": True})
    old, new = checked(machine(), wait("w", 0.2), later, name="old"), checked(machine(), same, name="new")
    rig = started(old, new, ticks=3)
    rig.start("new")
    rig.run(100)
    assert rig.refusals() == ["lift is in use by old" if kind == "axis" else "output lamp is in use by old"]
    assert rig.outcome("old")[1] == "done"


def test_runs_on_different_axes_are_each_as_if_alone() -> None:
    """R1, R28: side by side they give the orders that each gives alone."""
    a = checked(machine(), move("m", {"lift": 1.0}), pulse("p", {"lamp": True}, 0.1, "m"), name="a")
    b = checked(machine(), move("n", {"wrist": -1.0}), put("s", {"horn": 2.0}, "n"), wait("w", 0.3, "s"), name="b")
    both = Rig(a, b)
    both.start("a")
    both.run(7)
    both.start("b")
    both.run(120)
    alone_a, alone_b = Rig(a, b), Rig(a, b)
    alone_a.start("a")
    alone_a.run(127)
    alone_b.run(7)
    alone_b.start("b")
    alone_b.run(120)
    for together, one, other in zip(both.orders, alone_a.orders, alone_b.orders, strict=True):
        assert together.axes["lift"] == one.axes["lift"]
        assert together.axes["wrist"] == other.axes["wrist"]
        assert together.outputs["lamp"] == one.outputs["lamp"]
        assert together.outputs["horn"] == other.outputs["horn"]
    assert both.outcome("a")[1] == both.outcome("b")[1] == "done"


def test_a_fault_of_one_run_leaves_another_alone() -> None:
    """R13, R28: only the steps of its own run are interrupted."""
    a = checked(machine(), wait("t", until=BEAM, timeout=0.1), name="a")
    b = checked(machine(), move("n", {"wrist": 1.0}), name="b")
    rig = Rig(a, b)
    rig.start("a")
    rig.start("b")
    rig.run(100)
    assert rig.outcome("a") == (5, "faulted")
    assert rig.outcome("b")[1] == "done"


def test_steps_of_the_same_name_in_two_runs_are_told_apart() -> None:
    """R28: preempting inside one run does not touch the other run, whose step bears the same name."""
    a = checked(machine(), move("go", {"wrist": 2.0}), name="a")
    b = checked(
        machine(), move("old", {"lift": 2.0}), wait("w", 0.2), move("go", {"lift": 0.5}, "w", preempt=True), name="b"
    )
    rig = Rig(a, b)
    rig.start("a")
    rig.start("b")
    rig.run(200)
    assert rig.outcome("a")[1] == rig.outcome("b")[1] == "done"
    assert rig.ends("old") == [(10, "aborted")]
