"""What an axis does downwards is what it does upwards, to the last bit: the same runs with every place, speed and box
turned round give the orders turned round. SEMANTICS R2, R20, R45, R46, R54, M1.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from rig import Rig, axis, checked, flick, keep_out, machine, move, press, pulse, started, wait

from sequencer.ports.readings import AxisReading

BEAM, CLEAR = ["holds", "beam"], ["holds", "clear"]
WAITS = {"following": 0.05, "behind": "wait", "settle": 60_000_000}
JERKY: Any = [[-0.9, 0.9], [-2.3, 2.3], 17.0]


def lift(sense: float, **changes: Any) -> Any:
    boxes = changes.pop("boxes", [])
    turned = [
        keep_out(name, [0, *sorted((sense * low, sense * high))], [1, -1.0, 1.0], when=w)
        for name, low, high, w in boxes
    ]
    return machine([axis("lift", **changes), *machine()["axes"][1:]], keep_outs=turned)


def slow_follower(rig: Rig, speed: float, jammed_from: int = 10**9) -> None:
    place = {"is": 0.0}

    def read(tick: int) -> AxisReading:
        if rig.orders and tick < jammed_from:
            away = rig.orders[-1].axes["lift"].position - place["is"]
            place["is"] += max(-speed * 0.02, min(speed * 0.02, away))
        return AxisReading(place["is"], 0.0, 0.0)

    rig.readings["lift"] = read


def waited_for(sense: float) -> Rig:
    rig = started(checked(lift(sense, tolerance=WAITS), move("m", {"lift": 1.0 * sense})))
    slow_follower(rig, 0.3)
    return rig.run(250)


def stalled(sense: float) -> Rig:
    rig = started(checked(lift(sense, tolerance=WAITS), move("m", {"lift": 1.0 * sense})))
    slow_follower(rig, 0.9, jammed_from=30)
    return rig.run(90)


def jammed_at_once(sense: float) -> Rig:
    tolerance = {**WAITS, "behind": "fault"}
    rig = started(checked(lift(sense, tolerance=tolerance), move("m", {"lift": 1.0 * sense})))
    slow_follower(rig, 0.9, jammed_from=20)
    return rig.run(60)


def led_astray(sense: float) -> Rig:
    on = lift(sense, tolerance={**WAITS, "position": 0.004, "behind": "fault"})
    rig = started(checked(on, move("m", {"lift": 2.0 * sense})), ticks=30)
    stood = rig.positions["lift"]
    rig.readings["lift"] = lambda tick: AxisReading(stood - sense * 0.006 * (tick - 30), 0.0, 0.0)
    return rig.run(20)


def held_and_freed(sense: float) -> Rig:
    boxes = [("post", 0.4, 0.6, CLEAR), ("far", 1.1, 1.3, BEAM)]
    on = lift(sense, limits=JERKY, boxes=boxes, latency=[0, 40_000_000])
    steps = [
        move("m", {"lift": 1.7 * sense}, limits=JERKY, profile="s_curve"),
        pulse("p", {"lamp": True}, 0.1, passing={"step": "m", "at": 0.9 * sense, "lead": 0.013}),
    ]
    rig = started(checked(on, *steps), clear=lambda tick: tick < 80, beam=lambda tick: tick < 170)
    return rig.run(60).run(1, gap=70_000_000).run(220)


def carried_on(sense: float) -> Rig:
    on = lift(sense, between="carry_on", boxes=[("post", 0.7, 2.0, None)], tolerance={"following": 0.03})
    rig = started(checked(on, move("m", {"lift": 1.5 * sense})), ticks=20)
    for _ in range(10):
        rig.run(1, gap=65_000_000)
    return rig.run(60)


def flicked(sense: float) -> Rig:
    on = lift(sense)
    steps = [
        flick("f", 0.41 * sense, 0.57, 0.9 * sense, axis="lift"),
        pulse("p", {"lamp": True}, 0.1, passing={"step": "f", "lead": 0.021}),
        move("n", {"lift": -0.2 * sense}, "f"),
    ]
    rig = started(checked(on, *steps), ticks=25)
    rig.runner.hold()
    rig.run(40)
    rig.runner.resume()
    return rig.run(150)


def pressed(sense: float) -> Rig:
    on = lift(sense, boxes=[("post", 0.7, 1.2, CLEAR)])
    steps = [press("p", 6.0, 1.0 * sense, axis="lift", until=BEAM), wait("w", 9.0)]
    rig = started(checked(on, *steps), beam=lambda tick: tick >= 30, clear=lambda tick: tick < 5 or 45 <= tick < 60)
    rig.run(20)
    rig.stuck.add("lift")
    rig.run(20)
    rig.runner.hold()
    rig.run(10)
    rig.runner.resume()
    rig.run(10)
    rig.runner.resume()
    return rig.run(10)


def jogged(sense: float) -> Rig:
    rig = Rig(checked(lift(sense, boxes=[("post", 0.5, 0.7, None)]), wait("A", 1.0)))
    for speed in [0.8] * 60 + [-0.3] * 30 + [0.0]:
        rig.runner.jog("lift", speed * sense)
        rig.run(1)
    return rig.run(20)


RUNS = (waited_for, stalled, jammed_at_once, led_astray, held_and_freed, carried_on, flicked, pressed, jogged)


@pytest.mark.parametrize("run", RUNS, ids=lambda run: run.__name__)
def test_a_run_turned_round_gives_the_orders_turned_round(run: Callable[[float], Rig]) -> None:
    """R2: modes, positions, speeds, accelerations, efforts; and the same happens in the same ticks."""
    up, down = run(1.0), run(-1.0)
    for one, other in zip(up.orders, down.orders, strict=True):
        first, second = one.axes["lift"], other.axes["lift"]
        assert first.mode == second.mode
        for name in ("position", "velocity", "acceleration", "current"):
            assert getattr(first, name) == -getattr(second, name)
        assert one.outputs == other.outputs
    told = [[(event.tick, event.kind, event.run, event.step) for event in rig.events] for rig in (up, down)]
    assert told[0] == told[1]


def test_the_runs_that_are_turned_round_show_what_they_are_for() -> None:
    """R45, R54, R46, M1: waits, stalls, holds, presses and jogs; else turning them round would say nothing."""
    assert waited_for(-1.0).outcome() == (waited_for(-1.0).outcome()[0], "done")
    assert waited_for(-1.0).outcome()[0] > 160
    assert "lift is stalled: " in stalled(-1.0).kinds("fault")[0].text
    assert "away from its set-point" in jammed_at_once(-1.0).kinds("fault")[0].text
    assert "it moves against its order: " in led_astray(-1.0).kinds("fault")[0].text
    assert [event.text for event in held_and_freed(-1.0).kinds("hold")] == [
        "lift is held by post, waiting for wrist",
        "lift is held by far, waiting for wrist",
    ]
    assert len(held_and_freed(-1.0).starts("p")) == 1
    assert len(carried_on(-1.0).kinds("late")) == 10
    assert carried_on(-1.0).points()[-1] > -0.7
    assert flicked(-1.0).outcome()[1] == "done"
    assert pressed(-1.0).refusals() == ["cannot go on: lift may not push on: post is in its way"]
    assert jogged(-1.0).kinds("hold")[0].text == "lift is held by post, waiting for wrist"
