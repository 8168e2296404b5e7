"""The supervisor: keep-outs at every tick, whatever the steps want."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import pytest
from rig import AXES, JERKY, LIMITS, Rig, axis, checked, keep_out, machine, move, press, started, wait

from profiles import Limits
from sequencer.ports.readings import AxisReading

BEAM = ["holds", "beam"]
FAST = [[-1.8, 1.8], [-6.0, 6.0], 60.0]


def two(*keep_outs: Any, limits: Any = LIMITS, **changes: Any) -> Any:
    return machine(
        [axis("lift", limits=limits, **changes), axis("wrist", limits=limits, **changes), axis("roller", "spin")],
        keep_outs=list(keep_outs),
    )


POST = keep_out("post", [0, 0.5, 0.7], [1, 0.5, 3.0])
BAND = 0.01  # the tracking band of an axis without a following tolerance is its position tolerance [m]


def entered(rig: Rig, box: Any = POST) -> bool:
    """Whether the set-points of some tick lie inside a keep-out."""
    names = [rig.names[index] for index, _, _ in box["box"]]
    return any(
        all(low <= one.axes[name].position <= high for name, (_, low, high) in zip(names, box["box"], strict=True))
        for one in rig.orders
    )


@pytest.mark.parametrize("limits", [LIMITS, JERKY, FAST])
def test_a_move_stops_exactly_at_the_edge_of_a_keep_out(limits: Any) -> None:
    """R54: held at the edge of the box less the tracking band; the step's timeout runs on."""
    profile = "trapezoid" if limits is LIMITS else "s_curve"
    rig = Rig(checked(two(POST, limits=limits), move("m", {"lift": 1.5}, limits=limits, profile=profile, timeout=3.0)))
    rig.positions["wrist"] = 1.0
    rig.start()
    rig.run(160)
    assert max(rig.points()) == pytest.approx(0.5 - BAND, abs=1e-6)
    assert max(rig.points()) < 0.5 - BAND
    assert rig.ends("m") == [(150, "timeout")]
    assert not entered(rig)


def test_a_held_step_says_what_holds_it_since_when_and_whom_it_waits_for() -> None:
    """R54, R40: in the event and in the status."""
    rig = Rig(checked(two(POST), move("m", {"lift": 1.5})))
    rig.positions["wrist"] = 1.0
    rig.start()
    rig.run(100)
    (event,) = rig.kinds("hold")
    assert event.text == "lift is held by post, waiting for wrist"
    status = rig.runner.status()
    assert status.held == (("lift", "post"),)
    assert status.headline == "lift held by post"
    since = (99 - event.tick) * 0.02
    assert status.runs[0].steps[0].waits_for == f"held by post for {since:.3g} s, waiting for wrist"
    assert status.runs[0].steps[0].held_by == "post"


@pytest.mark.parametrize("limits", [LIMITS, JERKY])
def test_a_held_axis_goes_on_when_its_way_is_free(limits: Any) -> None:
    """R53, R54: planned anew to the same goal, without a jump."""
    profile = "trapezoid" if limits is LIMITS else "s_curve"
    rig = Rig(
        checked(
            two(POST, limits=limits),
            move("m", {"lift": 1.5}, limits=limits, profile=profile),
            move("away", {"wrist": 0.0}, once=BEAM, limits=limits, profile=profile),
        ),
        beam=lambda tick: tick >= 80,
    )
    rig.positions["wrist"] = 1.0
    rig.start()
    rig.run(260)
    assert len(rig.kinds("hold")) == len(rig.kinds("go")) == 1
    assert rig.points()[-1] == 1.5
    assert rig.outcome()[1] == "done"
    speeds = [one.axes["lift"].velocity for one in rig.orders]
    assert max(abs(b - a) for a, b in pairwise(speeds)) <= 0.04 + 1e-9
    assert not entered(rig)


def test_axes_go_in_the_order_of_the_file() -> None:
    """R54: of two that would meet in the box the first axis of the machine goes in full, the other waits for it."""
    box = keep_out("corner", [0, 0.4, 0.6], [1, 0.4, 0.6])
    rig = started(checked(two(box), move("m", {"lift": 1.0}), move("n", {"wrist": 1.0})), ticks=200)
    assert {event.step for event in rig.kinds("hold")} == {"n"}
    assert rig.points()[75] == pytest.approx(1.0, abs=1e-9)
    assert rig.outcome()[1] == "done"
    assert not entered(rig, box)


def test_a_group_is_held_and_goes_on_together(monkeypatch: pytest.MonkeyPatch) -> None:
    """R30, R53: together again after the interrupt: both arrive in one tick."""
    three = machine(
        [axis("lift"), axis("wrist"), axis("roller", "spin"), axis("arm")],
        keep_outs=[keep_out("post", [0, 0.5, 0.7], [3, 0.5, 3.0])],
    )
    monkeypatch.setitem(AXES, "arm", 3)
    rig = Rig(
        checked(
            three,
            move("m", {"lift": 1.5, "wrist": 0.5}, together=True),
            move("away", {"arm": 0.0}, once=BEAM),
        ),
        beam=lambda tick: tick >= 100,
    )
    rig.positions["arm"] = 1.0
    rig.start()
    rig.run(300)
    assert [event.text.split()[0] for event in rig.kinds("go")] == ["lift", "wrist"]
    lift, wrist = rig.points("lift"), rig.points("wrist")
    assert lift.index(1.5) == pytest.approx(wrist.index(0.5), abs=1)
    assert max(lift[:100]) < 0.5
    assert rig.outcome()[1] == "done"


@pytest.mark.parametrize("moment", range(20, 45, 3))
@pytest.mark.parametrize("limits", [LIMITS, FAST])
def test_a_box_that_begins_to_hold_with_the_machine_inside_lets_it_out_and_not_deeper(moment: int, limits: Any) -> None:
    """R54: `when` becomes true in mid-crossing: the axis brakes, and a later move out is let go."""
    box = keep_out("post", [0, 0.3, 1.2], [1, 0.5, 3.0], when=["is", "piece", "lantern"])
    profile = "trapezoid" if limits is LIMITS else "s_curve"
    rig = Rig(
        checked(
            two(box, limits=limits),
            move("m", {"lift": 2.5}, until=BEAM, limits=limits, profile=profile),
            move("out", {"lift": 0.0}, "m", limits=limits, profile=profile),
        ),
        piece=lambda tick: "lantern" if tick >= moment else "none",
        beam=lambda tick: tick >= 120,
    )
    rig.positions["wrist"] = 1.0
    rig.start()
    rig.run(300)
    speeds = [one.axes["lift"].velocity for one in rig.orders]
    most = (2.0 if limits is LIMITS else 6.0) * 0.02
    assert max(abs(b - a) for a, b in pairwise(speeds)) <= most + 1e-9
    assert not rig.kinds("fault")
    points = rig.points()
    now, speed = points[moment], speeds[moment]
    if rig.kinds("hold", "m") and not rig.kinds("go", "m"):
        # Held before or in the box: it stops as it can, with a jerk limit somewhat later than without.
        stood = points[119]
        assert stood - now <= speed * speed / (most / 0.02) + 0.25 * speed
        assert stood < 0.75
        assert points[-1] == pytest.approx(0.0, abs=1e-9)
    else:
        # It stops or would stop nearer to the far face: on and out is the way.
        assert points[min(rig.ends("m")[0][0], 119)] > 1.2
        assert now + speed * speed / (most / 0.02) + 0.25 * speed > 0.75


def test_an_axis_held_on_its_way_out_of_a_keep_out_goes_on() -> None:
    """R54: inside one box and stopped in front of another it goes on, out of the first, once the second is gone."""
    around = keep_out("around", [0, 0.3, 1.4], [1, 0.5, 3.0], when=["is", "piece", "lantern"])
    inner = keep_out("inner", [0, 0.35, 0.45], [1, 0.5, 3.0], when=["not", ["holds", "clear"]])
    rig = Rig(
        checked(two(around, inner), move("out", {"lift": 0.0})),
        piece=lambda tick: "lantern" if tick >= 2 else "none",  # a routine is not started from inside
        clear=lambda tick: tick >= 80,
    )
    rig.positions |= {"lift": 0.7, "wrist": 1.0}
    rig.start()
    rig.run(80)
    assert rig.runner.status().held == (("lift", "inner"),)
    assert min(rig.points()) > 0.45
    rig.run(100)
    assert rig.points()[-1] == 0.0
    assert rig.outcome()[1] == "done"
    assert len(rig.kinds("hold")) == len(rig.kinds("go")) == 1


def test_an_unknown_condition_of_a_keep_out_counts_as_true() -> None:
    """R16: UNKNOWN never opens a way."""
    box = keep_out("post", [0, 0.5, 0.7], [1, 0.5, 3.0], when=["is", "piece", "lantern"])
    rig = Rig(checked(two(box), move("m", {"lift": 1.5}, timeout=3.0)), piece=None)
    rig.positions["wrist"] = 1.0
    rig.start()
    rig.run(160)
    assert not entered(rig, box)
    assert rig.ends("m")[0][1] == "timeout"


def test_a_condition_that_is_false_lets_pass() -> None:
    """R54: the box does not hold."""
    box = keep_out("post", [0, 0.5, 0.7], [1, 0.5, 3.0], when=["is", "piece", "lantern"])
    rig = Rig(checked(two(box), move("m", {"lift": 1.5})))
    rig.positions["wrist"] = 1.0
    rig.start()
    rig.run(160)
    assert rig.outcome()[1] == "done"


@pytest.mark.parametrize("delay", [0, 1, 4])
def test_set_points_in_flight_count(delay: int) -> None:
    """R54: the wrist leaves the box's range late by its latency; the lift, without latency, waits for what is in
    flight.
    """
    on = machine([axis("lift"), axis("wrist", latency=[0, 80_000_000]), axis("roller", "spin")], keep_outs=[POST])
    rig = Rig(checked(on, move("away", {"wrist": 0.0}), move("m", {"lift": 1.5})), delays={"wrist": delay})
    rig.positions["wrist"] = 1.0
    rig.start()
    inside = 0
    for _ in range(220):
        rig.run(1)
        inside += 0.5 <= rig.positions["lift"] <= 0.7 and rig.positions["wrist"] >= 0.5
    assert inside == 0
    assert rig.outcome()[1] == "done"


def test_the_way_to_stop_is_known_in_the_last_phase_of_an_s_curve() -> None:
    """R53: on the edge v = -a |a| / (2 J), where rounding may put the state beyond, it is that of the
    stopping profile.
    """
    from sequencer.run.stopping_way import way_to_stop

    limits = Limits(2.0, 6.0, 60.0)
    for n in range(1, 2000):
        acceleration = -0.003 * n
        low, high = way_to_stop(acceleration * acceleration / 120.0, acceleration, limits)
        assert low == pytest.approx(0.0, abs=1e-12)
        assert high == pytest.approx(-(acceleration**3) / (6.0 * 60.0**2), rel=1e-6, abs=1e-12)


@pytest.mark.parametrize("tick", range(14, 40, 2))
def test_a_cancel_in_mid_approach_stays_out(tick: int) -> None:
    """R33, R54: a brake never enters."""
    rig = Rig(checked(two(POST, limits=FAST), move("m", {"lift": 1.5}, limits=FAST, profile="s_curve")))
    rig.positions["wrist"] = 1.0
    rig.start()
    rig.run(tick)
    rig.runner.cancel()
    rig.run(40)
    assert not entered(rig)
    assert rig.modes()[-1] == "hold"
    assert rig.outcome()[1] == "cancelled"


@pytest.mark.parametrize("tick", range(10, 30, 2))
def test_a_jerk_limited_move_never_lengthens_the_stop_of_one_without(tick: int) -> None:
    """R54, R53: a trapezoid headed for the edge is retargeted by an S-curve: what it occupies may not grow into the
    box.
    """
    sure = [[-1.8, 1.8], [-6.0, 6.0], 20.0]
    jerkless = [[-1.8, 1.8], [-6.0, 6.0], None]
    on = machine([axis("lift", limits=sure), axis("wrist", limits=sure), axis("roller", "spin")], keep_outs=[POST])
    rig = Rig(
        checked(
            on,
            move("m", {"lift": 0.48}, limits=jerkless, until=BEAM),
            move("n", {"lift": 1.5}, "m", limits=sure, profile="s_curve", timeout=1.0, on_timeout="continue"),
        ),
        beam=lambda now: now >= tick,
    )
    rig.positions["wrist"] = 1.0
    rig.start()
    rig.run(100)
    assert not entered(rig)


def test_axes_that_wait_for_each_other_are_named() -> None:
    """R54: each is held by a keep-out that only the other could free, and says so in the status; the timeouts
    end it.
    """
    first = keep_out("first", [0, 0.4, 0.6], [1, -1.0, 0.36])
    second = keep_out("second", [0, -1.0, 0.45], [1, 0.35, 0.6])
    rig = started(
        checked(two(first, second), move("m", {"lift": 1.0}, timeout=3.0), move("n", {"wrist": 1.0}, timeout=3.0)),
        ticks=100,
    )
    assert rig.runner.status().stuck == ("lift", "wrist")
    rig.run(60)
    assert rig.outcome() == (150, "faulted")
    assert not entered(rig, first)
    assert not entered(rig, second)


def test_an_axis_that_waits_for_one_on_its_way_is_not_stuck() -> None:
    """R54: the other's goal lies outside, so the way gets free."""
    box = keep_out("corner", [0, 0.4, 0.6], [1, 0.4, 0.6])
    rig = started(checked(two(box), move("m", {"lift": 1.0}), move("n", {"wrist": 1.0})), ticks=30)
    assert rig.runner.status().held == (("wrist", "corner"),)
    assert rig.runner.status().stuck == ()


def test_a_press_waits_until_its_whole_way_is_free() -> None:
    """R46, R54: effort cannot be shortened, so it begins when nothing blocks it up to its bound; one hold, one go."""
    rig = Rig(
        checked(
            two(POST),
            press("p", 14.0, 1.0, axis="lift", until=[">", "lift", 0.9]),
            move("away", {"wrist": 0.0}, once=BEAM),
        ),
        beam=lambda tick: tick >= 20,
    )
    rig.positions["wrist"] = 1.0
    rig.start()
    rig.run(150)
    begun = rig.modes().index("effort")
    assert begun > 20
    assert len(rig.kinds("hold")) == len(rig.kinds("go")) == 1
    assert rig.outcome()[1] == "done"


def test_others_wait_for_the_whole_way_of_a_press() -> None:
    """R46, R54: while the lift presses towards 1.0 the wrist may not enter the box's range."""
    rig = Rig(
        checked(
            two(POST),
            press("p", 14.0, 1.0, axis="lift", until=BEAM),
            wait("w", 0.1),
            move("n", {"wrist": 1.0}, "w", timeout=1.0, on_timeout="continue"),
        ),
        beam=lambda tick: tick >= 80,
    )
    rig.readings["lift"] = AxisReading(0.2, 0.0, 14.0)
    rig.start()
    rig.run(100)
    assert rig.ends("n")[0][1] == "timeout"
    assert max(rig.points("wrist")) < 0.5
    assert "n" in {event.step for event in rig.kinds("hold")}


def test_a_not_zeroed_axis_blocks_what_it_may_be_in_the_way_of() -> None:
    """R42: it counts as anywhere in its travel."""
    rig = Rig(checked(two(POST), move("m", {"lift": 1.5}, timeout=3.0)))
    rig.readings["wrist"] = AxisReading(0.0, 0.0, zeroed=False)
    rig.start()
    rig.run(160)
    assert not any(0.5 <= point <= 0.7 for point in rig.points())
    assert rig.ends("m") == [(150, "timeout")]


def test_an_idle_axis_is_under_the_same_supervisor() -> None:
    """R43: between runs an unpowered axis that is pushed into the box's range blocks the others from then on."""
    rest = [{"mode": "off", "voltage": 0.0, "when": None}]
    on = machine([axis("lift"), axis("wrist", rest=rest), axis("roller", "spin")], keep_outs=[POST])
    rig = started(checked(on, move("m", {"lift": 1.5}, timeout=3.0)), ticks=15)
    rig.positions["wrist"] = 1.0
    rig.run(150)
    assert max(rig.points()) < 0.5
    assert rig.ends("m") == [(150, "timeout")]


@pytest.mark.parametrize("gap", [0.04, 0.07, 0.1])
@pytest.mark.parametrize("between", ["hold", "carry_on"])
def test_late_ticks_near_an_edge_stay_out(gap: float, between: str) -> None:
    """R20, R54: whatever the motion clock gains, the committed set-points stay outside."""
    for tick in range(20, 60, 3):
        rig = Rig(checked(two(POST, between=between), move("m", {"lift": 1.5})))
        rig.positions["wrist"] = 1.0
        rig.start()
        rig.run(tick)
        rig.run(1, gap=round(gap * 1e9))
        rig.run(60)
        assert not entered(rig)
        assert max(rig.points()) == pytest.approx(0.5 - BAND, abs=1e-6)


def test_a_flick_that_cannot_go_on_faults_and_does_not_raise() -> None:
    """R36, R54: planned anew from where it was held it would leave the travel: the run faults with the
    planner's words.
    """
    from rig import flick

    on = machine(
        [axis("lift"), axis("wrist", travel=[0.0, 1.0]), axis("roller", "spin")],
        keep_outs=[keep_out("post", [1, 0.11, 0.2], [0, 0.5, 3.0])],
    )
    rig = Rig(
        checked(on, flick("f", 0.3, 0.75, 0.9), move("away", {"lift": 0.0}, once=BEAM)),
        beam=lambda tick: tick >= 60,
    )
    rig.positions["lift"] = 1.0
    rig.start()
    rig.run(200)
    assert rig.kinds("hold", "f")
    assert rig.outcome()[1] in ("done", "faulted")


def test_the_stop_of_the_supervisor_uses_what_the_machine_is_sure_of() -> None:
    """R54: with a weaker sure deceleration than planned the axis brakes earlier, and still stays out."""
    weak = [[-1.0, 1.0], [-1.0, 1.0], None]
    on = machine([axis("lift", sure=weak), axis("wrist"), axis("roller", "spin")], keep_outs=[POST])
    rig = Rig(checked(on, move("m", {"lift": 1.5}, timeout=4.0)))
    rig.positions["wrist"] = 1.0
    rig.start()
    rig.run(210)
    assert not entered(rig)
    speeds = [one.axes["lift"].velocity for one in rig.orders]
    slowing = [a - b for a, b in pairwise(speeds) if a > b >= 0.0]
    assert rig.kinds("hold")[0].tick <= 21
    assert max(slowing) <= 0.04 + 1e-9


def test_a_routine_from_anywhere_is_not_started_from_inside_a_keep_out() -> None:
    """R51: "from anywhere" is certified outside every keep-out only; from inside there is jogging."""
    around = keep_out("around", [0, 0.3, 1.4], [1, 0.5, 3.0])
    rig = Rig(checked(two(around), move("out", {"lift": 0.0})))
    rig.positions |= {"lift": 0.7, "wrist": 1.0}
    rig.start()
    rig.run(3)
    (refused,) = rig.kinds("refused")
    assert refused.text == "the machine stands in around; jog it out first"
    assert rig.positions["lift"] == 0.7
