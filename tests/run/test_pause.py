"""Hold, resume and restart: SEMANTICS R35, R37, R53."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import pytest
from rig import JERKY, LIMITS, Rig, axis, checked, flick, machine, move, must_stay, press, pulse, put, started, wait

GUARD = ["holds", "guard"]
BEAM = ["holds", "beam"]


def held(rig: Rig, at: int, until: int) -> Rig:
    """Hold in tick `at`, resume in tick `until`."""
    rig.run(at - rig.count)
    rig.runner.hold()
    rig.run(until - at)
    rig.runner.resume()
    return rig


@pytest.mark.parametrize("hz", [50, 100, 200])
def test_a_pulse_is_at_rest_while_held_and_lasts_as_long_in_all(hz: int) -> None:
    """R35: C67: pulse 0.25 from tick 0; hold@5, resume@30: on 0-4, at rest 5-29, on 30-37, off@38 (at 50 Hz)."""
    on = machine(hz=hz)
    rig = held(started(checked(on, pulse("p", {"lamp": True, "roller": 3.0}, 0.25))), 5, 30)
    rig.run(40 * hz // 50)
    total = 13 if hz == 50 else 25 if hz == 100 else 50
    assert rig.output("lamp") == [True] * 5 + [False] * 25 + [True] * (total - 5) + [False] * (rig.count - 25 - total)
    assert [volts != 0.0 for volts in rig.volts()] == rig.output("lamp")


def test_waits_and_timeouts_stand_still_while_held() -> None:
    """R35: a wait of 0.2 s and a timeout of 0.3 s, held for 20 ticks, end 20 ticks later."""
    rig = held(
        started(checked(machine(), wait("A", 0.2), wait("B", until=BEAM, timeout=0.3, on_timeout="continue"))), 4, 24
    )
    rig.run(30)
    assert rig.ends("A") == [(30, "done")]
    assert rig.ends("B") == [(35, "timeout")]


def test_a_timed_start_waits_as_long_as_the_hold() -> None:
    """R35: `at` counts from the beginning without the hold."""
    rig = held(started(checked(machine(), wait("A", 1.0), pulse("p", {"lamp": True}, 0.1, at=0.4))), 5, 25)
    rig.run(40)
    assert rig.starts("p") == [40]


@pytest.mark.parametrize("limits", [LIMITS, JERKY])
@pytest.mark.parametrize("tick", [3, 20, 45, 70])
def test_a_held_move_brakes_and_goes_on_to_the_same_goal(limits: Any, tick: int) -> None:
    """R35, R53: it brakes along its stopping profile, stands, and is planned anew; no jump."""
    profile = "trapezoid" if limits is LIMITS else "s_curve"
    on = machine([axis("lift", limits=limits), axis("wrist"), axis("roller", "spin")])
    rig = held(started(checked(on, move("m", {"lift": 1.0}, limits=limits, profile=profile))), tick, tick + 60)
    rig.run(110)
    speeds = [one.axes["lift"].velocity for one in rig.orders]
    assert speeds[tick + 50] == 0.0
    assert rig.orders[tick + 50].axes["lift"].mode == "hold"
    assert max(abs(b - a) for a, b in pairwise(speeds)) <= 0.04 + 1e-9
    assert rig.points()[-1] == 1.0
    assert rig.outcome()[1] == "done"


def test_axes_that_move_together_go_on_together() -> None:
    """R35, R30: planned anew with one duration."""
    rig = held(started(checked(machine(), move("m", {"lift": 1.0, "wrist": 0.4}, together=True))), 20, 60)
    rig.run(100)
    assert rig.points("lift").index(1.0) == rig.points("wrist").index(0.4)
    assert rig.outcome()[1] == "done"


def test_a_held_press_holds_where_it_is_and_pushes_on() -> None:
    """R35, R46: no effort while held; the same effort after."""
    rig = held(started(checked(machine(), press("p", 8.0, 2.0, until=BEAM)), stuck=["wrist"]), 10, 20)
    rig.run(5)
    assert rig.modes("wrist")[9:11] == ["effort", "hold"]
    assert rig.modes("wrist")[19:21] == ["hold", "effort"]
    assert rig.orders[-1].axes["wrist"].current == 8.0


def test_a_flick_held_before_its_place_still_flicks_and_its_pulse_comes() -> None:
    """R35, M1: the milestone is computed anew."""
    rig = started(
        checked(
            machine(),
            flick("f", 1.0, 0.9, 1.6),
            pulse("p", {"lamp": True}, 0.1, passing={"step": "f"}),
        )
    )
    held(rig, 20, 70)
    rig.run(150)
    (begin,) = rig.starts("p")
    assert begin > 70
    assert rig.points("wrist")[begin] == pytest.approx(1.0, abs=1e-6)
    assert rig.outcome()[1] == "done"


def test_a_place_passed_while_braking_starts_its_pulse_on_resume() -> None:
    """R35, M4: it does not wait for a place that lies behind."""
    rig = started(
        checked(
            machine(),
            move("m", {"lift": 2.0}),
            pulse("p", {"lamp": True}, 0.1, passing={"step": "m", "at": 0.45}),
        )
    )
    held(rig, 31, 70)
    rig.run(140)
    assert rig.starts("p") == [70]


def test_a_flick_held_just_before_its_place_says_on_resume_that_its_pulse_never_comes() -> None:
    """M4, R35: the brake leads over the place, below the speed: nothing is let go there, the flick follows through, and
    what was to start is told as aborted at once, with the true reason.
    """
    for tick in range(30, 70):
        rig = started(
            checked(
                machine(),
                flick("f", 1.0, 0.9, 1.6),
                pulse("p", {"lamp": True}, 0.1, passing={"step": "f"}),
                put("then", {"horn": 1.0}, "p"),
            )
        )
        held(rig, tick, 120)
        rig.run(1)
        stood = rig.points("wrist")[118]
        if rig.starts("p") or stood <= 1.0:
            continue
        assert rig.kinds("end", "p")[0].tick == 120
        assert rig.kinds("end", "p")[0].text == "aborted: f was held, and passed its place without its speed"
        assert rig.starts("then") == [120]
        rig.run(100)
        assert rig.points("wrist")[-1] == pytest.approx(1.6)
        assert min(rig.points("wrist")[120:]) >= stood
        assert True not in rig.output("lamp")
        assert len(rig.kinds("end", "p")) == 1
        assert rig.outcome()[1] == "done"
        return
    raise AssertionError("no tick was found at which the brake leads over the place")


def test_resume_is_refused_while_an_axis_comes_to_rest_or_was_moved() -> None:
    """R35: the axes have not moved beyond tolerance."""
    rig = started(checked(machine(), move("m", {"lift": 2.0})), ticks=40)
    rig.runner.hold()
    rig.run(5)
    rig.runner.resume()
    rig.run(60)
    assert rig.refusals() == ["cannot go on: lift is still coming to rest"]
    stood = rig.positions["lift"]
    rig.positions["lift"] += 0.02
    rig.stuck.add("lift")
    rig.runner.resume()
    rig.run(1)
    assert rig.refusals()[-1] == "cannot go on: lift is 0.02 m away from where it was held; allowed are 0.01 m"
    assert rig.headline() == "r is held"
    rig.positions["lift"] = stood
    rig.stuck.clear()
    rig.runner.resume()
    rig.run(150)
    assert rig.outcome()[1] == "done"


def test_resume_asks_must_stay_gates_and_interlocks_again() -> None:
    """R35, R32: what must hold does, or it stays held; while it stands held, an open guard is no fault."""
    on = machine(must_stay=[must_stay("cover", ["holds", "clear"], [0])])
    rig = started(checked(on, move("m", {"lift": 2.0}, must_stay=GUARD, once=["not", BEAM])), ticks=20)
    rig.runner.hold()
    rig.run(40)
    for name, value, words in (
        ("guard", False, "m: must_stay does not hold: guard (guard false)"),
        ("beam", True, "m: its gate has closed: not (beam) (beam true)"),
        ("clear", False, "lift may not move: interlock cover: clear (clear false) does not hold"),
    ):
        before = rig.sensors[name]
        rig.sensors[name] = value
        rig.runner.resume()
        rig.run(2)
        assert rig.refusals()[-1] == f"cannot go on: {words}"
        rig.sensors[name] = before
    assert not rig.kinds("fault")
    rig.runner.resume()
    rig.run(140)
    assert rig.outcome()[1] == "done"


def test_must_stay_is_watched_until_a_held_axis_stands() -> None:
    """R35, R32: while it brakes, an open guard is a fault."""
    rig = started(checked(machine(), move("m", {"lift": 2.0}, must_stay=GUARD)), guard=lambda tick: tick < 42)
    rig.run(40)
    rig.runner.hold()
    rig.run(40)
    assert [event.tick for event in rig.kinds("fault")] == [42]
    assert rig.outcome() == (65, "faulted")


def test_stop_beats_hold_and_hold_beats_resume() -> None:
    """R35, R3: rank abort > stop > hold > resume in one tick."""
    rig = started(checked(machine(), wait("A", 9.0)), ticks=3)
    rig.runner.resume()
    rig.runner.hold()
    rig.run(1)
    assert rig.refusals() == ["a hold was asked for in the same tick"]
    assert rig.runner.status().runs[-1].state == "held"
    rig.runner.hold()
    rig.runner.cancel()
    rig.run(2)
    assert rig.outcome()[1] == "cancelled"
    rig.runner.resume()
    rig.run(1)
    assert rig.refusals()[-1] == "nothing is held"


@pytest.mark.parametrize("end", ["cancel", "abort", "disable"])
def test_a_held_run_can_be_ended(end: str) -> None:
    """R35, R34: what was held ends cancelled, its steps aborted though their time would have come meanwhile."""
    rig = started(checked(machine(), pulse("p", {"lamp": True}, 0.2), move("m", {"lift": 2.0})), ticks=5)
    rig.runner.hold()
    rig.run(40)
    if end == "disable":
        rig.enabled = False
    else:
        getattr(rig.runner, end)()
    rig.run(3)
    assert rig.outcome() == (45, "cancelled")
    assert rig.ends("p") == [(45, "aborted")]


def test_an_axis_that_the_supervisor_holds_stays_while_its_run_is_held() -> None:
    """R35, R54: the way becomes free during the hold: it waits for the resume."""
    from rig import keep_out

    on = machine(keep_outs=[keep_out("post", [0, 0.5, 0.7], [1, 0.5, 3.0], when=BEAM)])
    rig = Rig(checked(on, move("m", {"lift": 1.5})), beam=lambda tick: tick < 90)
    rig.positions["wrist"] = 1.0
    rig.start()
    held(rig, 80, 120)
    assert max(rig.points()) < 0.5
    rig.run(120)
    assert rig.points()[-1] == 1.5


def test_a_running_routine_is_not_started_again_and_restart_begins_anew() -> None:
    """R37: a start is refused; a restart cancels, waits for standstill and starts."""
    rig = started(checked(machine(), move("m", {"lift": 2.0})), ticks=40)
    rig.start()
    rig.run(1)
    assert rig.refusals() == ["r is already running"]
    rig.start(restart=True)
    rig.run(60)
    assert [outcome for _, outcome in rig.outcomes()] == ["cancelled"]
    (stopped, _) = rig.outcomes()[0]
    assert rig.starts("m") == [0, stopped + 1]
    assert stopped == 66


def test_a_restart_of_what_does_not_run_is_a_start() -> None:
    """R37."""
    rig = Rig(checked(machine(), wait("A", 0.1)))
    rig.start(restart=True)
    rig.run(10)
    assert rig.outcome() == (5, "done")


def test_a_cancel_while_a_restart_waits_forgets_it() -> None:
    """R37, R33: stop beats start."""
    rig = started(checked(machine(), move("m", {"lift": 2.0})), ticks=40)
    rig.start(restart=True)
    rig.run(5)
    rig.runner.cancel()
    rig.run(60)
    assert rig.starts("m") == [0]
