"""Axes and motion: arrival, starts, retargets and goals (SEMANTICS R29 to R31, scenarios C52 to C55)."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import pytest
from motion_seen import largest_step, velocities
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
    started,
    wait,
)

from sequencer.ports.readings import AxisReading

BEAM = ["holds", "beam"]


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
