"""Milestones and sub-tick time: SEMANTICS section J."""

from __future__ import annotations

import random
from math import radians
from typing import Any

import pytest
from rig import JERKY, LIMITS, Rig, axis, checked, flick, keep_out, machine, move, perform, pulse, put, started, wait

from profiles import Limits, State
from profiles import flick as flick_profile

BEAM = ["holds", "beam"]
WRIST = [[-7.0, 7.0], [-60.0, 60.0], 900.0]
THROUGH, SPEED, TO = radians(58.0), radians(380.0), radians(84.0)


def hand(**changes: Any) -> Any:
    return machine([axis("lift"), axis("wrist", "rotary", limits=WRIST, **changes), axis("roller", "spin")])


def thrown(start_degrees: float, **changes: Any) -> Rig:
    """A flick from an angle, with a release at its `through`, less a lead."""
    lead, ticks = changes.pop("lead", 0.03), changes.pop("ticks", 60)
    rig = Rig(
        checked(
            hand(),
            flick("f", THROUGH, SPEED, TO, limits=WRIST, **changes),
            pulse("let_go", {"roller": -6.0}, 0.14, passing={"step": "f", "lead": lead}),
        )
    )
    rig.positions["wrist"] = radians(start_degrees)
    rig.start()
    return rig.run(ticks)


def release_offset(rig: Rig) -> float:
    """How long [s] after its instant the release was commanded."""
    (event,) = rig.kinds("milestone")
    return float(dict(event.values)["late_by"])  # type: ignore[arg-type]


ANGLES = [-90.0 + 0.25 * n - 8.0 for n in range(65)]


def test_a_phased_flick_commands_the_release_at_the_same_instant_from_any_angle() -> None:
    """M3: from any start angle of +-8 degrees at 50 Hz the commanded release repeats to 0.01 ms."""
    offsets = [release_offset(thrown(angle)) for angle in ANGLES]
    assert max(offsets) - min(offsets) <= 1e-5
    assert max(abs(offset) for offset in offsets) <= 1e-5


def test_half_a_millisecond_of_tick_jitter_spreads_the_release_by_a_millisecond_at_most() -> None:
    """M3: ticks that come up to 0.5 ms early or late."""
    offsets = []
    for number, angle in enumerate(ANGLES):
        rig = thrown(angle, ticks=0)
        rig.jitter, rig.jitter_most = random.Random(number), 500_000
        offsets.append(release_offset(rig.run(60)))
    assert 1e-4 < max(offsets) - min(offsets) <= 1e-3


def test_an_unphased_flick_spreads_the_release_over_a_whole_tick() -> None:
    """M3: switched off, the same angles spread over a tick, each within half of one (M2)."""
    offsets = [release_offset(thrown(angle, phase=False)) for angle in ANGLES]
    assert max(offsets) - min(offsets) > 0.018
    assert max(abs(offset) for offset in offsets) <= 0.010 + 1e-9


def test_the_set_points_of_a_phased_flick_pass_the_place_on_the_tick_of_the_release() -> None:
    """M3, M1: with no lead the set-point of the release tick is the place itself, at the speed asked for."""
    for angle in ANGLES[::8]:
        rig = thrown(angle, lead=0.0)
        order = rig.orders[rig.starts("let_go")[0]].axes["wrist"]
        assert order.position == pytest.approx(THROUGH, abs=SPEED * 1e-5)
        assert order.velocity == pytest.approx(SPEED, rel=1e-3)


def test_phasing_delays_the_start_by_less_than_a_tick() -> None:
    """M3: the flick starts to move before the tick after its start, and never jumps."""
    for angle in ANGLES[::8]:
        rig = thrown(angle)
        start = rig.points("wrist")[0]
        assert rig.points("wrist")[1] != start or rig.points("wrist")[2] != start
        steps = [b - a for a, b in zip(rig.points("wrist"), rig.points("wrist")[1:], strict=False)]
        assert max(abs(step) for step in steps) <= 7.0 * 0.02 + 1e-9


def test_a_flick_that_starts_in_motion_is_not_delayed() -> None:
    """M3, R29: waiting would be a jump for a moving axis, so only a flick from rest is phased."""
    rig = Rig(
        checked(
            hand(),
            move("m", {"wrist": 0.4}, limits=WRIST, profile="s_curve", until=BEAM),
            flick("f", 1.4, 5.0, 1.9, "m", limits=WRIST),
            pulse("let_go", {"roller": -6.0}, 0.14, passing={"step": "f"}),
        ),
        beam=lambda tick: tick >= 8,
    )
    rig.positions["wrist"] = -0.6
    rig.start()
    rig.run(60)
    assert rig.ends("m") == [(8, "done")]
    assert rig.orders[8].axes["wrist"].velocity > 0.5
    speeds = [one.axes["wrist"].velocity for one in rig.orders]
    points = rig.points("wrist")
    for tick in range(1, 40):
        mean = (speeds[tick] + speeds[tick - 1]) / 2.0
        assert points[tick] - points[tick - 1] == pytest.approx(mean * 0.02, abs=0.5 * 60.0 * 0.0004 / 4.0)
    assert rig.ends("let_go")[0][1] == "done"
    assert abs(release_offset(rig)) <= 0.010 + 1e-9


@pytest.mark.parametrize("hz", [50, 100, 200])
def test_the_pulse_is_active_in_the_tick_nearest_to_the_instant(hz: int) -> None:
    """M2: not in the first tick after it; what remains, at most P/2, is recorded."""
    period = 1.0 / hz
    for place in [0.1 + 0.0137 * n for n in range(30)]:
        rig = Rig(
            checked(
                machine(hz=hz),
                move("m", {"lift": 1.0}),
                pulse("p", {"lamp": True}, 0.1, passing={"step": "m", "at": place}),
            )
        )
        rig.start()
        rig.run(2 * hz)
        # v^2 = 2 a x up to 0.25 m, then 1 m/s.
        instant = (place) ** 0.5 if place <= 0.25 else 0.5 + (place - 0.25)
        (start,) = rig.starts("p")
        assert abs(start * period - instant) <= period / 2.0 + 1e-9
        assert release_offset(rig) == pytest.approx(start * period - instant, abs=1e-9)


def test_lead_and_lag_move_the_instant() -> None:
    """M2: less its lead, plus its lag."""
    for lead, lag, tick in ((0.0, 0.0, 40), (0.2, 0.0, 30), (0.0, 0.1, 45), (0.1, 0.04, 37)):
        rig = started(
            checked(
                machine(),
                move("m", {"lift": 2.0}),
                pulse("p", {"lamp": True}, 0.1, passing={"step": "m", "at": 0.55, "lead": lead, "lag": lag}),
            ),
            ticks=60,
        )
        assert rig.starts("p") == [tick]


def test_a_milestone_may_name_one_axis_of_a_move() -> None:
    """M1: the instant is that of the named axis' profile."""
    rig = started(
        checked(
            machine(),
            move("m", {"lift": 2.0, "wrist": 0.5}),
            pulse("p", {"lamp": True}, 0.1, passing={"step": "m", "at": 0.16, "axis": "wrist"}),
            put("s", {"horn": 1.0}, passing={"step": "m", "at": 0.75, "axis": "lift"}),
        ),
        ticks=60,
    )
    assert rig.starts("p") == [20]
    assert rig.starts("s") == [50]


def test_a_milestone_is_computed_not_noticed() -> None:
    """M1: the measured lift follows 60 ms late, and the pulse is on the set-points' instant all the same."""
    rig = Rig(
        checked(
            machine(), move("m", {"lift": 2.0}), pulse("p", {"lamp": True}, 0.1, passing={"step": "m", "at": 0.55})
        ),
        delays={"lift": 3},
    )
    rig.start()
    rig.run(60)
    assert rig.starts("p") == [40]


def test_a_milestone_follows_the_motion_through_a_late_tick() -> None:
    """M1, R20: the motion clock gained 40 ms of the 70 ms gap, so the milestone is 30 ms later."""
    rig = started(
        checked(
            machine(), move("m", {"lift": 2.0}), pulse("p", {"lamp": True}, 0.1, passing={"step": "m", "at": 0.55})
        ),
        ticks=30,
    )
    rig.run(1, gap=70_000_000)
    rig.run(30)
    (event,) = rig.kinds("milestone")
    assert rig.times[event.tick] == 830_000_000
    assert release_offset(rig) == pytest.approx(0.0, abs=1e-9)


def test_a_lead_longer_than_the_run_up_fires_at_once_and_says_by_how_much() -> None:
    """M4: in the tick of the start itself."""
    rig = started(
        checked(
            machine(),
            wait("w", 0.1),
            move("m", {"lift": 2.0}, "w"),
            pulse("p", {"lamp": True}, 0.1, passing={"step": "m", "at": 0.04, "lead": 0.5}),
        ),
        ticks=20,
    )
    assert rig.starts("m") == rig.starts("p") == [5]
    (event,) = rig.kinds("milestone")
    assert "the lead is 0.3 s longer than the run-up" in event.text
    assert release_offset(rig) == pytest.approx(0.3)


def test_a_milestone_near_the_start_fires_in_the_tick_of_the_start() -> None:
    """M2: 5 ms after the start is nearer to its tick than to the next."""
    rig = started(
        checked(
            machine(),
            move("m", {"lift": 2.0}),
            pulse("p", {"lamp": True}, 0.1, passing={"step": "m", "at": 0.000025}),
        ),
        ticks=3,
    )
    assert rig.starts("p") == [0]


def test_a_gated_move_has_its_milestones_from_its_gate() -> None:
    """M1, R32: the instant is counted on the motion clock, which runs from the gate."""
    rig = started(
        checked(
            machine(),
            move("m", {"lift": 2.0}, once=BEAM),
            pulse("p", {"lamp": True}, 0.1, passing={"step": "m", "at": 0.16}),
            pulse("q", {"horn": 1.0}, 0.1, passing={"step": "m", "at": 0.16, "lead": 1.0}),
        ),
        beam=lambda tick: tick >= 13,
        ticks=60,
    )
    assert rig.starts("p") == [33]
    assert rig.starts("q") == [13]


@pytest.mark.parametrize("end", ["until", "timeout", "preempt", "skip", "join"])
def test_a_milestone_that_will_never_be_passed_ends_its_dependent_and_never_hangs(end: str) -> None:
    """M4: the dependent ends aborted with the reason, in the tick of the interrupt; what follows goes on."""
    changes: dict[str, Any] = {}
    more: list[Any] = []
    if end == "until":
        changes["until"] = BEAM
    if end == "timeout":
        changes.update(timeout=0.2, on_timeout="continue")
    if end == "skip":
        changes["only_if"] = BEAM
    if end == "preempt":
        more = [wait("w", 0.2), move("n", {"lift": 0.0}, "w", preempt=True)]
    if end == "join":
        more = [wait("w", 0.2), wait("j", 0.02, {"any": ["w", "m"]}, branches_are=[["w"], ["m"]])]
    rig = started(
        checked(
            machine(),
            move("m", {"lift": 2.0}, **changes),
            pulse("p", {"lamp": True}, 0.1, passing={"step": "m", "at": 1.9}),
            pulse("with_p", {"third": 1.0}, 0.1, with_="p"),
            pulse("then", {"horn": 1.0}, 0.1, "p"),
            *more,
        ),
        beam=lambda tick: tick >= 10,
        ticks=120,
    )
    tick = 1 if end == "skip" else 10
    assert rig.ends("p") == [(tick, "aborted")]
    assert rig.starts("p") == rig.starts("with_p") == []
    assert "m ended without passing its place" in rig.kinds("end", "p")[0].text
    assert True not in rig.output("lamp")
    assert rig.starts("then") == [tick]
    assert rig.outcome()[1] == "done"


def test_a_place_that_the_move_does_not_reach_ends_the_dependent_with_it() -> None:
    """M4: never on the profile: aborted when the move is done."""
    rig = started(
        checked(machine(), move("m", {"lift": 0.5}), pulse("p", {"lamp": True}, 0.1, passing={"step": "m", "at": 1.9})),
        ticks=80,
    )
    assert rig.ends("p") == [(rig.ends("m")[0][0], "aborted")]
    assert rig.outcome()[1] == "done"


def test_a_milestone_reached_in_the_tick_of_the_interrupt_counts() -> None:
    """M2, M4: the instant is nearest to the tick in which `until` ends the move: the dependent starts."""
    rig = started(
        checked(
            machine(),
            move("m", {"lift": 2.0}, until=BEAM),
            pulse("p", {"lamp": True}, 0.1, passing={"step": "m", "at": 0.16}),
        ),
        beam=lambda tick: tick >= 20,
        ticks=60,
    )
    assert rig.ends("m") == [(20, "done")]
    assert rig.starts("p") == [20]


def test_a_milestone_inside_a_block_is_counted_once_a_passage() -> None:
    """M4: a dependent inside a perform that is interrupted by the block's timeout does not count twice."""
    inside = [
        move("m", {"lift": 2.0}),
        pulse("p", {"lamp": True}, 0.1, passing={"step": "m", "at": 1.9}),
        wait("after", 0.1, "p"),
    ]
    rig = started(
        checked(machine(), perform("b", inside, timeout=0.4, on_timeout="continue"), wait("z", 0.1, "b")), ticks=80
    )
    assert rig.span("z") == (20, 24, "done")
    assert rig.outcome()[1] == "done"


def test_a_held_move_passes_its_milestone_when_it_goes_on() -> None:
    """M1, R54: held by a keep-out and let go, the instant is computed anew from the committed motion."""
    on = machine(keep_outs=[keep_out("post", [0, 0.5, 0.7], [1, 0.5, 3.0])])
    rig = Rig(
        checked(
            on,
            move("m", {"lift": 1.5}),
            move("away", {"wrist": 0.0}, once=BEAM),
            pulse("p", {"lamp": True}, 0.1, passing={"step": "m", "at": 1.0}),
        ),
        beam=lambda tick: tick >= 100,
    )
    rig.positions["wrist"] = 1.0
    rig.start()
    rig.run(260)
    assert rig.kinds("hold")
    assert rig.kinds("go")
    (start,) = rig.starts("p")
    assert rig.points()[start] == pytest.approx(1.0, abs=0.5 * 0.02)
    assert start > 100
    assert rig.outcome()[1] == "done"


def test_a_place_passed_while_braking_for_a_keep_out_counts() -> None:
    """M1: the milestone follows the committed motion, the stopping profile included."""
    on = machine(keep_outs=[keep_out("post", [0, 0.5, 0.7], [1, 0.5, 3.0])])
    rig = Rig(
        checked(
            on,
            move("m", {"lift": 1.5}, timeout=3.0),
            pulse("p", {"lamp": True}, 0.1, passing={"step": "m", "at": 0.45}),
        )
    )
    rig.positions["wrist"] = 1.0
    rig.start()
    rig.run(140)
    (start,) = rig.starts("p")
    assert rig.points()[start] == pytest.approx(0.45, abs=0.02)
    assert max(rig.points()) < 0.5


def test_a_flick_without_a_jerk_limit_runs_as_planned() -> None:
    """M1: the set-points are those of the profile itself."""
    rig = started(checked(machine(), flick("f", 0.5, 0.8, 0.9, limits=LIMITS, phase=False)), ticks=90)
    plan = flick_profile(State(0.0), State(0.5, 0.8), State(0.9), Limits(1.0, 2.0))
    for tick, point in enumerate(rig.points("wrist")[:60]):
        assert point == pytest.approx(plan.at(0.02 * tick).position, abs=1e-9)
    assert rig.outcome()[1] == "done"


def test_a_jerk_limited_flick_may_be_interrupted_and_gone_on_past_its_place() -> None:
    """R53, M4: held behind its `through`, it goes on to its goal, not back to pass again."""
    on = machine(
        [axis("lift"), axis("wrist", limits=JERKY), axis("roller", "spin")],
        keep_outs=[keep_out("post", [1, 0.62, 0.7], [0, 0.5, 3.0])],
    )
    rig = Rig(
        checked(
            on,
            flick("f", 0.4, 0.4, 0.9, limits=JERKY),
            pulse("p", {"lamp": True}, 0.1, passing={"step": "f"}),
            move("away", {"lift": 0.0}, once=BEAM),
        ),
        beam=lambda tick: tick >= 120,
    )
    rig.positions["lift"] = 1.0
    rig.start()
    rig.run(300)
    assert rig.kinds("hold", "f")
    points = rig.points("wrist")
    held = rig.kinds("hold", "f")[0].tick
    assert min(points[held:]) >= points[held] - 1e-9
    assert len(rig.starts("p")) == 1
    assert rig.outcome()[1] == "done"


def test_a_flick_held_beyond_its_place_says_when_it_goes_on_that_its_pulse_never_comes() -> None:
    """M4, R54: stopped at the edge of a keep-out that it had to pass its place for."""
    on = machine(keep_outs=[keep_out("post", [1, 1.02, 1.5], [0, 0.5, 3.0])])
    rig = Rig(
        checked(
            on,
            flick("f", 1.0, 0.9, 1.9),
            pulse("p", {"lamp": True}, 0.1, passing={"step": "f"}),
            move("away", {"lift": 0.0}, at=2.5),
        )
    )
    rig.positions["lift"] = 1.0
    rig.start()
    rig.run(250)
    assert 1.0 < rig.points("wrist")[120] < 1.02
    assert rig.kinds("hold", "f")
    (ended,) = rig.kinds("end", "p")
    (goes_on,) = rig.kinds("go", "f")
    assert ended.tick == goes_on.tick
    assert ended.text == "aborted: f was held, and passed its place without its speed"
    assert rig.points("wrist")[-1] == pytest.approx(1.9)
    assert rig.outcome()[1] == "done"


@pytest.mark.parametrize("lag", [0.02, 0.1, 0.25, 0.6])
def test_a_lag_may_last_beyond_the_end_of_the_step_that_passes(lag: float) -> None:
    """M1, M4: only a place that was never passed ends a dependent aborted; a long lag is waited for."""
    rig = Rig(
        checked(
            hand(),
            flick("f", THROUGH, SPEED, TO, limits=WRIST),
            pulse("let_go", {"roller": -6.0}, 0.14, passing={"step": "f", "lag": lag}),
        )
    )
    rig.positions["wrist"] = radians(-30.0)
    rig.start()
    rig.run(120)
    instant = flick_profile(State(radians(-30.0)), State(THROUGH, SPEED), TO, Limits(*WRIST[:2], WRIST[2])).marks[
        "through"
    ]
    (began,) = [event for event in rig.kinds("start") if event.step == "let_go"]
    assert began.now_ns * 1e-9 == pytest.approx(instant + lag, abs=0.0405)
    assert [end.text.split(":")[0] for end in rig.kinds("end") if end.step == "let_go"] == ["done"]
    assert rig.outcome()[1] == "done"


def test_what_starts_where_an_abandoned_step_would_pass_is_abandoned_too() -> None:
    """M4: it never hangs, however far down the milestones follow each other."""
    rig = started(
        checked(
            machine(),
            move("m", {"lift": 2.0}, timeout=0.2, on_timeout="continue"),
            pulse("p", {"lamp": True}, 0.1, passing={"step": "m", "at": 1.9}),
            move("d", {"wrist": 1.0}, with_="p"),
            pulse("v", {"horn": True}, 0.1, passing={"step": "d", "at": 0.5}),
            wait("last", 0.1, ["m", "p", "d", "v"]),
        )
    )
    rig.run(60)
    tick = rig.ends("m")[0][0]
    assert [rig.ends(name) for name in ("p", "d", "v")] == [[(tick, "aborted")]] * 3
    assert rig.outcome()[1] == "done"
