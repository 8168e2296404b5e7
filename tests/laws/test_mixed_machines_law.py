"""Laws of machines of every kind of step: nothing breaks inside, no axis jumps."""

from __future__ import annotations

import random
import sys
from itertools import pairwise
from pathlib import Path
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

sys.path.insert(0, str(Path(__file__).parents[1] / "run"))

from rig import (
    JERKY,
    LIMITS,
    Rig,
    axis,
    checked,
    flick,
    keep_out,
    machine,
    move,
    must_stay,
    press,
    pulse,
)

from sequencer.pack import CheckedRoutine

BEAM: Any = ["holds", "beam"]
SEEDS = st.integers(min_value=0, max_value=2**32 - 1)


def mixed_machine(draw: random.Random) -> dict[str, Any]:
    following = {"following": draw.choice([None, 0.05]), "behind": draw.choice(["wait", "fault"])}
    lift = axis(
        "lift",
        limits=draw.choice([LIMITS, JERKY]),
        latency=[0, draw.choice([0, 40_000_000])],
        stop=draw.choice(["off", "ramp_then_off", "ramp_then_hold"]),
        rest=[{"mode": draw.choice(["hold", "brake", "off"]), "voltage": 0.0, "when": None}],
        between=draw.choice(["hold", "carry_on"]),
        tolerance=following,
    )
    cover = must_stay("cover", ["holds", "guard"], [0], draw.choice([None, "off", "ramp_then_hold"]))
    return machine(
        [lift, axis("wrist", limits=draw.choice([LIMITS, JERKY])), axis("roller", "spin")],
        keep_outs=[
            keep_out("sometimes", [0, 0.3, 0.5], [1, -0.1, 0.3], when=draw.choice([None, ["is", "piece", "lantern"]])),
            keep_out("always", [0, -0.2, 0.1], [1, 0.4, 0.7]),
        ],
        must_stay=[cover] if draw.random() < 0.5 else [],
    )


def mixed_routine(draw: random.Random, on: dict[str, Any], name: str) -> CheckedRoutine:
    steps: list[dict[str, Any]] = []
    for number in range(draw.randint(2, 5)):
        called = f"m{number}"
        after: Any = [f"m{number - 1}"] if number and draw.random() < 0.8 else []
        how = draw.choice([LIMITS, JERKY])
        keys: dict[str, Any] = {
            "timeout": draw.choice([0.2, 0.8, 2.0]),
            "on_timeout": draw.choice(["continue", "continue", "fault", "cancel"]),
            "preempt": draw.random() < 0.5,
        }
        if draw.random() < 0.4:
            keys["until"] = draw.choice([BEAM, [">", "lift", 0.2]])
        if draw.random() < 0.2:
            keys["once"] = draw.choice([BEAM, ["<", "lift", 0.3], [">", "wrist", 0.1]])
        where, place = draw.choice(["lift", "wrist"]), draw.uniform(-0.5, 1.0)
        match draw.choice(["move", "move", "both", "press", "flick"]):
            case "move":
                steps.append(move(called, {where: place}, after, limits=how, **keys))
            case "both":
                goals = {"lift": place, "wrist": draw.uniform(-0.5, 1.0)}
                steps.append(move(called, goals, after, limits=how, together=draw.random() < 0.7, **keys))
            case "press":
                steps.append(press(called, draw.uniform(1.0, 20.0), place, after, axis=where, **keys))
            case "flick":
                through, fast = draw.uniform(-0.3, 0.6), draw.choice([-1.0, 1.0]) * draw.uniform(0.2, 1.0)
                steps.append(flick(called, through, fast, place, after, axis=where, limits=how, **keys))
                lead = draw.choice([0.0, 0.03])
                steps.append(pulse(f"{called}p", {"roller": 3.0}, 0.1, passing={"step": called, "lead": lead}))
    return checked(on, *steps, name=name)


@settings(max_examples=80, deadline=None)
@given(SEEDS)
def test_nothing_breaks_inside_and_no_axis_jumps_whatever_is_pressed_held_or_stopped(seed: int) -> None:
    """R36, R29: the same with presses, interlocks, keep-outs that come and go, and all kinds of stop and rest; no
    velocity passes its limit, whatever takes an axis over in whatever motion.
    """
    draw = random.Random(seed)
    on = mixed_machine(draw)
    rig = Rig(
        mixed_routine(draw, on, "a"),
        mixed_routine(draw, on, "b"),
        delays={"lift": draw.choice([0, 2])},
        beam=lambda tick: random.Random(seed * 7919 + tick // 7).random() < 0.3,
        guard=lambda tick: random.Random(seed * 31 + tick // 50).random() < 0.95,
        piece=lambda tick: "lantern" if random.Random(seed + tick // 40).random() < 0.5 else "none",
    )
    for _ in range(160):
        match draw.choice([*["none"] * 50, *["start"] * 3, *["reset"] * 4, "cancel", "abort"]):
            case "start":
                rig.start(draw.choice("ab"), preempt=draw.random() < 0.5, speed=draw.choice([1.0, 0.4]))
            case "cancel":
                rig.runner.cancel()
            case "abort":
                rig.runner.abort()
            case "reset":
                rig.runner.reset()
        rig.enabled = draw.random() > 0.004
        rig.run(1, gap=None if draw.random() > 0.03 else draw.randint(1_000_000, 110_000_000))
    for event in rig.events:
        assert "inside the runner" not in event.text
        assert "nothing is active" not in event.text
    for name in ("lift", "wrist"):
        for (before, then), (after, now) in pairwise(zip(rig.orders, rig.times, strict=True)):
            one, two, gap = before.axes[name], after.axes[name], (now - then) * 1e-9
            if {one.mode, two.mode} <= {"track", "hold"}:
                assert abs(two.position - one.position) <= 1.0 * gap + 1e-6
                assert abs(two.velocity) <= 1.0 + 1e-9
                assert abs(two.velocity - one.velocity) <= 2.0 * gap + 1e-6
