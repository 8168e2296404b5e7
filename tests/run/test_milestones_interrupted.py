"""Milestones of motions that are held, stopped, abandoned or never get there."""

from __future__ import annotations

from typing import Any

import pytest
from rig import JERKY, LIMITS, Rig, axis, checked, flick, keep_out, machine, move, perform, pulse, started, wait

from profiles import Limits, State
from profiles import flick as flick_profile

BEAM = ["holds", "beam"]


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
