"""Axes and motion: SEMANTICS R28 to R31, scenarios C48 to C55."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import pytest
from rig import (
    JERKY,
    LIMITS,
    Rig,
    axis,
    checked,
    keep_out,
    machine,
    move,
    number_parameter,
    press,
    pulse,
    put,
    started,
    wait,
)

from sequencer.ports.readings import AxisReading

BEAM = ["holds", "beam"]


def velocities(rig: Rig, name: str = "lift") -> list[float]:
    return [one.axes[name].velocity for one in rig.orders]


def largest_step(values: list[float]) -> float:
    return max(abs(b - a) for a, b in pairwise(values))


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


def test_a_zero_length_move_is_done_after_one_tick() -> None:
    """R31: C49: lift at 0.5, move to 0.5, settle 0: active 0, done@1; set-point 0.5 and velocity 0 throughout."""
    for profile, limits in (("trapezoid", LIMITS), ("s_curve", JERKY)):
        rig = Rig(checked(machine(), move("m", {"lift": 0.5}, profile=profile, limits=limits)))
        rig.positions["lift"] = 0.5
        rig.start()
        rig.run(3)
        assert rig.span("m") == (0, 0, "done")
        assert rig.points() == [0.5] * 3
        assert velocities(rig) == [0.0] * 3


def test_a_move_is_done_when_error_and_speed_are_within_tolerance_for_the_settle_time() -> None:
    """R31: settle 60 ms: done three ticks after the first sample within tolerance; a sample outside restarts it."""
    settled = {"settle": 60_000_000, "position": 0.01, "speed": 0.2}
    on = machine([axis("lift", tolerance=settled), axis("wrist"), axis("roller", "spin")])
    rig = Rig(checked(on, move("m", {"lift": 0.5})))
    rig.start()
    place = {3: 0.495, 4: 0.515}
    rig.positions["lift"] = 0.5
    rig.readings["lift"] = lambda tick: AxisReading(place.get(tick, 0.5), 0.0)
    rig.run(10)
    assert rig.ends("m") == [(8, "done")]


@pytest.mark.parametrize("reading", [AxisReading(0.52, 0.0), AxisReading(0.5, 0.3), AxisReading(0.48, 0.0)])
def test_a_move_outside_its_tolerance_is_not_done(reading: AxisReading) -> None:
    """R31: position off by 0.02 m, or speed 0.3 m/s: it waits, until its timeout."""
    strict = {"position": 0.01, "speed": 0.2}
    on = machine([axis("lift", tolerance=strict), axis("wrist"), axis("roller", "spin")])
    rig = Rig(checked(on, move("m", {"lift": 0.5}, timeout=0.4)))
    rig.positions["lift"] = 0.5
    rig.run(1)
    rig.start()
    rig.readings["lift"] = lambda tick: reading
    rig.run(25)
    assert rig.ends("m") == [(21, "timeout")]


def test_axes_of_a_move_run_unsynchronised_unless_together() -> None:
    """R30: a short way ends first; the move is done with its last axis."""
    rig = started(checked(machine(), move("m", {"lift": 1.0, "wrist": 0.1})), ticks=90)
    wrist = velocities(rig, "wrist")
    assert wrist[30] == 0.0
    assert rig.ends("m") == [(75, "done")]


def test_axes_of_a_move_together_share_one_duration() -> None:
    """R30: C51: lift 1.0 m (v 1, a 2: 1.5 s) and wrist 90 deg (v 180, a 720 deg: 0.75 s alone) end together
    at 1.5 s.
    """
    from math import pi

    turn = [[-pi, pi], [-4.0 * pi, 4.0 * pi], None]
    on = machine([axis("lift"), axis("wrist", "rotary", limits=turn), axis("roller", "spin")])
    rig = started(
        checked(on, move("m", {"lift": 1.0, "wrist": pi / 2.0}, limits={"0": LIMITS, "1": turn}, together=True)),
        ticks=90,
    )
    assert rig.ends("m") == [(75, "done")]
    assert velocities(rig, "wrist")[74] != 0.0
    assert velocities(rig, "lift")[74] != 0.0
    assert rig.points("wrist")[75] == pytest.approx(pi / 2.0)
    assert rig.points("lift")[75] == pytest.approx(1.0)


@pytest.mark.parametrize("together", [False, True])
def test_one_axis_that_fails_stops_all_of_its_move_in_that_tick(together: bool) -> None:
    """R30: C52: the wrist's following error exceeds its limit in tick 30: both axes begin their stop in tick 30."""
    close = {"following": 0.05}
    on = machine([axis("lift", tolerance=close), axis("wrist", tolerance=close), axis("roller", "spin")])
    rig = started(checked(on, move("m", {"lift": 2.0, "wrist": 2.0}, together=together)), ticks=30)
    rig.readings["wrist"] = AxisReading(rig.positions["wrist"] - 0.06, 0.0)
    rig.run(60)
    assert [event.tick for event in rig.kinds("fault") if event.run] == [30]
    assert "wrist is" in rig.kinds("fault")[0].text
    for name in ("lift", "wrist"):
        assert velocities(rig, name)[30:56] == pytest.approx([1.0 - 0.04 * n for n in range(26)], abs=1e-9)
    assert rig.outcome() == (55, "faulted")


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"readings": {"wrist": AxisReading(0.0, 0.0, zeroed=False)}}, "wrist is not zeroed"),
        (
            {"readings": {"wrist": AxisReading(None)}},
            "the position of wrist is unknown (wrist is missing since tick 0)",
        ),
        ({"goal": 3.5}, "wrist to 3.5 m is outside its travel, -3 m to 3 m"),
        ({"guard": False}, "wrist may not move: interlock cover: guard (guard false) does not hold"),
    ],
)
def test_a_move_starts_on_all_axes_or_on_none(changes: dict[str, Any], words: str) -> None:
    """R30: not zeroed, not measured, out of travel or not permitted: the other axis does not move either."""
    from rig import must_stay

    on = machine(must_stay=[must_stay("cover", ["holds", "guard"], [1])])
    rig = Rig(
        checked(on, move("m", {"lift": 1.0, "wrist": changes.get("goal", 1.0)})), guard=changes.get("guard", True)
    )
    rig.readings.update(changes.get("readings", {}))
    rig.start()
    rig.run(3)
    assert set(rig.points("lift")) == {0.0}
    if words == "wrist is not zeroed":
        assert rig.refusals() == [words]
        return
    assert words in rig.kinds("fault")[0].text
    assert rig.outcome() == (0, "faulted")


def test_a_not_zeroed_axis_refuses_a_move_and_counts_as_anywhere() -> None:
    """R42: a not zeroed axis accepts no move, and a gate on it stays closed; zeroed again, both are as before."""
    rig = Rig(
        checked(machine(), move("m", {"lift": 1.0}, once=["<", "wrist", 2.0], timeout=1.0)),
    )
    rig.readings["wrist"] = lambda tick: AxisReading(0.0, 0.0, zeroed=tick >= 6)
    rig.start()
    rig.run(10)
    points = rig.points()
    assert points[:7] == [0.0] * 7
    assert points[9] > 0.0


def test_a_moving_axis_that_loses_its_zero_faults_its_run() -> None:
    """R42: lost zero stops the axis."""
    rig = started(checked(machine(), move("m", {"lift": 2.0})), ticks=30)
    rig.readings["lift"] = lambda tick: AxisReading(rig.positions["lift"], 0.0, zeroed=False)
    rig.run(40)
    assert rig.kinds("fault")[0].text == "lift has lost its zero"
    assert rig.outcome() == (55, "faulted")


def test_an_unpowered_axis_starts_from_where_it_is_measured() -> None:
    """R29: C55: lift idle and unpowered, pushed by hand from 0.50 to 0.47, then moved to 1.0: the first set-point is
    0.47.
    """
    rest = [{"mode": "off", "voltage": 0.0, "when": None}]
    on = machine([axis("lift", rest=rest), axis("wrist"), axis("roller", "spin")])
    rig = Rig(checked(on, move("m", {"lift": 1.0})))
    rig.positions["lift"] = 0.5
    rig.run(3)
    rig.positions["lift"] = 0.485
    rig.run(1)
    rig.positions["lift"] = 0.47
    rig.run(1)
    rig.start()
    rig.run(90)
    assert rig.points()[5] == 0.47
    assert rig.points()[6] == pytest.approx(0.47 + 0.0004)
    assert rig.outcome()[1] == "done"


def test_a_powered_axis_starts_from_its_committed_set_point() -> None:
    """R29: held at 0.5 and measured 5 mm lower: the first set-point is 0.5, no jump."""
    rig = Rig(checked(machine(), move("m", {"lift": 1.0})))
    rig.positions["lift"] = 0.5
    rig.run(3)
    rig.readings["lift"] = AxisReading(0.495, 0.0)
    rig.start()
    rig.run(1)
    assert rig.points()[-1] == 0.5


@pytest.mark.parametrize("limits", [LIMITS, JERKY])
def test_set_points_never_jump_through_a_chain_of_retargets(limits: Any) -> None:
    """R29: moves that end by a condition in mid-motion, one after the other."""
    profile = "trapezoid" if limits is LIMITS else "s_curve"
    goals = [1.0, -1.0, 2.0, 0.0]
    steps = [
        move(
            f"m{n}",
            {"lift": goal},
            [f"m{n - 1}"] if n else [],
            limits=limits,
            profile=profile,
            until=["or", BEAM, ["not", BEAM]] if n < 3 else None,
            blind=0.1 + 0.17 * n,
        )
        for n, goal in enumerate(goals)
    ]
    rig = started(
        checked(machine([axis("lift", limits=limits), axis("wrist"), axis("roller", "spin")]), *steps), ticks=250
    )
    points, speeds = rig.points(), velocities(rig)
    assert largest_step(points) <= 1.0 * 0.02 + 1e-9
    assert largest_step(speeds) <= 2.0 * 0.02 + 1e-9
    if limits is JERKY:
        assert largest_step([one.axes["lift"].acceleration for one in rig.orders]) <= 20.0 * 0.02 + 1e-9
    assert points[-1] == 0.0
    assert rig.outcome()[1] == "done"


@pytest.mark.parametrize("instant", [0.15, 0.3, 0.5, 0.8, 0.95])
@pytest.mark.parametrize("together", [False, True])
def test_a_step_with_smaller_limits_brakes_the_motion_it_takes_over_with_those_in_force(
    instant: float, together: bool
) -> None:
    """R28, R53: with its own, far smaller jerk the axis would pass its velocity limit and run metres beyond the goal of
    the old move; so it comes to rest as it was going to, and goes on from there.
    """
    gentle = [[-1.0, 1.0], [-0.5, 0.5], 1.0]
    rig = started(
        checked(
            machine([axis("lift", limits=JERKY), axis("wrist", limits=JERKY), axis("roller", "spin")]),
            move("old", {"lift": 1.0}, limits=JERKY, profile="s_curve"),
            wait("w", instant),
            move(
                "new",
                {"lift": 0.9, "wrist": 0.2},
                "w",
                limits={"0": gentle, "1": gentle},
                profile="s_curve",
                preempt=True,
                together=together,
            ),
        ),
        ticks=400,
    )
    assert max(map(abs, velocities(rig))) <= 1.0 + 1e-9
    assert max(rig.points()) <= 1.0 + 1e-9
    assert largest_step([one.axes["lift"].acceleration for one in rig.orders]) <= 20.0 * 0.02 + 1e-9
    assert rig.points()[-1] == 0.9
    assert rig.outcome()[1] == "done"
    if together:
        last = {max(k for k, (b, a) in enumerate(pairwise(rig.points(name))) if a != b) for name in ("lift", "wrist")}
        assert len(last) == 1


@pytest.mark.parametrize("ticks", [20, 24, 25, 26])
def test_a_trapezoid_of_an_axis_with_a_jerk_limit_brakes_without_one(ticks: int) -> None:
    """R53: its acceleration jumps; a brake that may not do so would first pass the velocity limit, by a^2 / (2 J)."""
    on = machine([axis("lift", limits=JERKY), axis("wrist"), axis("roller", "spin")])
    rig = started(checked(on, move("m", {"lift": 2.0}, limits=JERKY, profile="trapezoid")), ticks=ticks)
    assert velocities(rig)[-1] == pytest.approx(min(0.04 * (ticks - 1), 1.0))
    rig.runner.cancel()
    rig.run(60)
    assert max(velocities(rig)) <= 1.0 + 1e-9
    assert rig.points()[-1] < 2.0
    assert rig.outcome()[1] == "cancelled"


def test_an_axis_taken_while_it_is_held_at_rest_forgets_the_goal_of_its_old_move() -> None:
    """R28, R54: the old move must not go on once the way is free and the new owner still waits at its gate."""
    on = machine(keep_outs=[keep_out("shelf", [0, 0.3, 0.5], [1, -0.1, 0.5])])
    old = checked(on, move("up", {"lift": 1.0}), name="old")
    new = checked(on, move("down", {"lift": 0.1}, once=BEAM, preempt=True), name="new")
    aside = checked(on, move("aside", {"wrist": 0.9}), name="aside")
    rig = Rig(old, new, aside, beam=lambda tick: tick >= 200)
    rig.start("old")
    rig.run(60)
    place = rig.points()[-1]
    assert place < 0.3
    rig.start("new", preempt=True)
    rig.run(5)
    rig.start("aside")
    rig.run(120)
    assert rig.points("wrist")[-1] == 0.9
    assert set(rig.points()[60:]) == {place}
    rig.run(100)
    assert rig.points()[-1] == 0.1


@pytest.mark.parametrize(
    ("goal", "end"),
    [(["by", 0.25], 0.75), (["at", ["parameter", "h"]], 0.9), (["at", ["preset", "spot", "lift"]], 0.6)],
)
def test_goals_by_distance_parameter_and_preset(goal: Any, end: float) -> None:
    """R25: each kind of goal leads where it says."""
    spot = {"name": "spot", "kind": "preset", "value": "ridge", "choices": ["ridge"]}
    on = machine(presets={"ridge": [[0, 0.6]]})
    rig = Rig(checked(on, move("m", {"lift": goal}), parameters=[number_parameter("h", 0.9), spot]))
    rig.positions["lift"] = 0.5
    rig.start()
    rig.run(80)
    assert rig.points()[-1] == pytest.approx(end, abs=1e-12)


@pytest.mark.parametrize(
    ("value", "words"),
    [
        (2.0, "pressure reads 2 m, outside 0 m to 1 m; lift was not moved"),
        (None, "the goal of lift is read from pressure, which is unknown (pressure is missing since tick 0)"),
    ],
)
def test_a_read_goal_outside_its_range_moves_nothing(value: Any, words: str) -> None:
    """R16, R30: a reading that cannot be a goal is an error before anything moves."""
    rig = started(checked(machine(), move("m", {"lift": ["reading", "pressure", 0.0, 1.0]})), pressure=value, ticks=3)
    assert set(rig.points()) == {0.0}
    assert words in rig.kinds("fault")[0].text


def test_a_goal_per_word_of_a_sensor() -> None:
    """R25: the sensor's word at activation picks the goal; an unforeseen word moves nothing."""
    goal = ["per", "piece", {"lantern": 0.5, "float": 0.2}]
    rig = started(checked(machine(), move("m", {"lift": goal})), piece="float", ticks=60)
    assert rig.points()[-1] == 0.2
    rig = started(checked(machine(), move("m", {"lift": goal})), ticks=3)
    assert "piece is none; the move knows lantern, float" in rig.kinds("fault")[0].text


# Following.


def lagging(behind: str, delays: int, following: float = 0.05) -> Rig:
    on = machine(
        [axis("lift", tolerance={"following": following, "behind": behind}), axis("wrist"), axis("roller", "spin")]
    )
    rig = Rig(checked(on, move("m", {"lift": 1.0, "wrist": 1.0}, together=True)), delays={"lift": delays})
    rig.start()
    return rig


def test_behind_fault_faults_at_once() -> None:
    """R45: the measured lift is more than its tolerance behind."""
    rig = lagging("fault", 5).run(60)
    fault = rig.kinds("fault")[0]
    assert "away from its set-point; allowed are 0.05" in fault.text
    assert fault.tick < 40


def test_behind_wait_slows_the_clock_of_the_whole_group() -> None:
    """R45, R30: both axes advance as far as the following error allows, and arrive together, later."""
    rig = lagging("wait", 4).run(150)
    assert rig.kinds("fault") == []
    assert rig.ends("m")[0][1] == "done"
    assert rig.ends("m")[0][0] > 77
    assert rig.points("lift") == pytest.approx(rig.points("wrist"), abs=1e-9)
    assert max(velocities(rig)) <= 1.0 + 1e-9


def test_the_clock_of_a_stop_never_waits() -> None:
    """R45, R53: a stop is never made by slowing a clock: behind or not, the ramp takes its half second."""
    rig = lagging("wait", 4, following=0.07).run(45)
    speed = velocities(rig)[-1]
    rig.runner.cancel()
    rig.run(40)
    slowing = [b - a for a, b in pairwise(velocities(rig)[46:])]
    assert speed > 0.8
    assert all(step == pytest.approx(-0.04, abs=1e-6) for step in slowing[:18])


def test_a_start_outside_the_region_is_refused_with_how_far_it_is_off() -> None:
    """R51: by how much each axis is off and from what, what would bring it there, and nothing moves."""
    rig = Rig(
        checked(machine(), move("m", {"lift": 1.0}), **{"from": "stow", "region": [[0, -0.01, 0.01], [1, -0.01, 0.01]]})
    )
    rig.positions["wrist"] = 0.05
    rig.start()
    rig.run(2)
    assert rig.refusals() == [
        "wrist is at 0.05 m, 0.04 m outside the start region of 'stow'; jog it there, or run a routine that ends there"
    ]


# Press.


def test_a_press_orders_effort_and_keeps_it_until_the_run_ends() -> None:
    """R46: effort towards a bound at a limited speed; it ends by its condition, the effort stays, then the
    axis holds.
    """
    rig = started(
        checked(machine(), press("p", 14.0, 0.5, until=BEAM), wait("w", 0.1, "p")),
        beam=lambda tick: tick >= 10,
        stuck=["wrist"],
        ticks=20,
    )
    assert rig.modes("wrist")[:15] == ["effort"] * 15
    order = rig.orders[3].axes["wrist"]
    assert (order.position, order.velocity, order.current) == (0.5, 1.0, 14.0)
    assert rig.ends("p") == [(10, "done")]
    assert rig.outcome() == (15, "done")
    assert rig.modes("wrist")[15:] == ["hold"] * 5
    assert rig.points("wrist")[15] == pytest.approx(rig.positions["wrist"], abs=0.021)


def test_the_direction_of_a_press_follows_from_its_bound() -> None:
    """R46: towards a lower place the current and the speed are negative."""
    rig = started(checked(machine(), press("p", 14.0, -0.5, until=BEAM)), ticks=2)
    order = rig.orders[-1].axes["wrist"]
    assert (order.velocity, order.current) == (-1.0, -14.0)


def test_a_press_times_out() -> None:
    """R46: it ends by its condition or its timeout; following error is not judged."""
    close = {"following": 0.01}
    on = machine([axis("lift"), axis("wrist", tolerance=close), axis("roller", "spin")])
    rig = started(checked(on, press("p", 14.0, 0.5, until=BEAM, timeout=0.2, on_timeout="continue")), ticks=14)
    assert rig.kinds("fault") == []
    assert rig.ends("p") == [(10, "timeout")]


def test_a_move_after_a_press_starts_from_the_measured_position() -> None:
    """R46, R29: after contact the set-point is re-based."""
    rig = Rig(checked(machine(), press("p", 14.0, 0.5, until=BEAM), move("m", {"wrist": -0.5}, "p")))
    rig.sensors["beam"] = lambda tick: tick >= 5
    rig.readings["wrist"] = lambda tick: (
        AxisReading(0.03, 0.0) if tick < 6 else AxisReading(rig.points("wrist")[-1], 0.0)
    )
    rig.start()
    rig.run(90)
    assert rig.points("wrist")[5] == 0.03
    assert rig.outcome()[1] == "done"


def test_a_press_on_a_moving_axis_begins_when_it_stands() -> None:
    """R46, R53: the interrupted move brakes along its stopping profile; effort is ordered from its end on."""
    rig = started(
        checked(
            machine(),
            move("m", {"wrist": 2.0}, until=BEAM),
            press("p", 14.0, 2.5, "m", until=[">", "wrist", 2.3]),
        ),
        beam=lambda tick: tick >= 40,
        ticks=75,
    )
    assert rig.starts("p") == [40]
    assert velocities(rig, "wrist")[40:65] == pytest.approx([1.0 - 0.04 * n for n in range(25)], abs=1e-9)
    assert rig.modes("wrist").index("effort") == 66


@pytest.mark.parametrize("stop", ["cancel", "abort"])
def test_a_stopped_press_drops_its_effort(stop: str) -> None:
    """R46, R33: the stop takes the effort away in that tick."""
    rig = started(checked(machine(), press("p", 14.0, 0.5, until=BEAM)), ticks=5, stuck=["wrist"])
    getattr(rig.runner, stop)()
    rig.run(1)
    assert rig.modes("wrist")[-1] == ("hold" if stop == "cancel" else "off")
    assert rig.orders[-1].axes["wrist"].current == 0.0
    assert rig.outcome() == (5, "cancelled")
