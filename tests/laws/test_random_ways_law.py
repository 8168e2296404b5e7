"""The law of ways on random machines: two axes among random posts and keep-outs, from random places, held at random."""

from __future__ import annotations

from math import pi
from random import Random

import pytest

from profiles import Limits
from sequencer import rehearse
from sequencer.check import examine
from sequencer.machine.axis import Axis, Mount, Tolerance
from sequencer.machine.body import Body
from sequencer.machine.interlock import KeepOut
from sequencer.machine.machine import Machine
from sequencer.routine import RoutineBuilder
from sequencer.routine.builder import move
from sequencer.routine.steps import Button

STARTS = 5
TICK = 20_000_000


@pytest.fixture(autouse=True)
def own_cache(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path_factory.mktemp("cache")))


def square(x: float, y: float, half: float) -> tuple[tuple[tuple[float, float], ...], ...]:
    return (((x - half, y - half), (x + half, y - half), (x + half, y + half), (x - half, y + half)),)


def machine_of(source: Random) -> Machine:
    """Two crossed slides with a tip, or a slide with an arm that turns on it; up to five posts, up to two keep-outs."""
    turns = source.random() < 0.5
    arm = (((0.0, -0.03), (0.3, -0.03), (0.3, 0.03), (0.0, 0.03)),)
    bodies = [Body("tip", "across", arm if turns else square(0.0, 0.0, 0.03))]
    for number in range(source.randint(1, 5)):
        post = square(source.uniform(0.1, 0.9), source.uniform(0.1, 0.9), source.uniform(0.02, 0.2))
        bodies.append(Body(f"post{number}", "frame", post))
    axes = {}
    mounts = {"along": Mount(), "across": Mount("along", (0.0, 0.5)) if turns else Mount("along", direction=0.5 * pi)}
    for name, mount in mounts.items():
        rotary = turns and name == "across"
        axes[name] = Axis(
            name,
            "rotary" if rotary else "linear",
            Limits(source.choice([1.0, 3.0]), source.choice([2.0, 8.0]), source.choice([None, 30.0, 200.0])),
            (-2.0, 2.5) if rotary else (0.0, 1.0),
            mount,
            Tolerance(0.004, TICK, following=source.choice([0.01, 0.03])),
            latency=(0, source.choice([0, TICK, 2 * TICK])),
            between=source.choice(["hold", "carry_on"]),
        )
    rules = []
    for number in range(source.randint(0, 2)):
        box = []
        for axis in axes.values():
            low, high = axis.travel or (0.0, 0.0)
            begin = source.uniform(low, high - 0.2 * (high - low))
            box.append((axis.name, (begin, begin + source.uniform(0.05, 0.3) * (high - low))))
        rules.append(KeepOut(f"rule{number}", tuple(box)))
    return Machine("random", axes, bodies={body.name: body for body in bodies}, interlocks=tuple(rules))


def holds(source: Random) -> list[tuple[float, Button]]:
    pressed: list[tuple[float, Button]] = []
    now = 0.0
    for _ in range(source.randint(0, 4)):
        now += source.uniform(0.05, 0.5)
        pressed.append((now, "hold"))
        now += source.uniform(0.05, 0.6)
        pressed += [(now + later, "resume") for later in (0.0, 0.25, 0.5, 0.9)]
        now += 0.9
    return pressed


def ways_of(seed: int) -> int:
    """How many starts of a random machine arrived: each keeps all margins, or does not move and says why."""
    source = Random(seed)
    machine = machine_of(source)
    goal = {
        name: f"{source.uniform(*(axis.travel or (0.0, 0.0))):.4f} {'rad' if axis.kind == 'rotary' else 'm'}"
        for name, axis in machine.axes.items()
    }
    builder = RoutineBuilder("go", machine, start="anywhere", timeout="planned + 30 s")
    builder.step("go", move(**goal), route="clear")
    checked = examine(builder.build()).checked
    if checked is None:
        return 0
    arrived = 0
    unhurried = all(axis.between == "hold" for axis in machine.axes.values())
    for number in range(STARTS):
        place = [source.uniform(*(axis.travel or (0.0, 0.0))) for axis in machine.axes.values()]
        start = dict(zip(machine.axes, place, strict=True))
        played = rehearse(checked, machine=machine, start=start, pressed=holds(source), seed=number)
        if played.outcome != "done":
            assert (played.cause or "").startswith("refused: no way to "), (seed, number, played.cause)
            assert list(played.trace.events("start")) == []
            continue
        arrived += 1
        assert played.clearance is None or not played.clearance.too_near, (seed, number, start)
        assert all(one.least > 0.0 for one in played.keep_outs), (seed, number, start)
        held = [event.text for event in played.trace.events("hold") if event.text != "held by request"]
        assert not unhurried or held == [], (seed, number, held)
    return arrived


def test_on_random_machines_ways_arrive_and_touch_nothing() -> None:
    """R47."""
    assert sum(ways_of(seed) for seed in range(6)) > 5


@pytest.mark.slow
def test_on_100_random_machines_ways_arrive_and_touch_nothing() -> None:
    """R47."""
    assert sum(ways_of(seed) for seed in range(100, 200)) > 150
