"""The law of pushes: whatever ends one, in whatever motion, no axis is let in where the machine really is.

The lift is a mass: it takes orders after its delay, keeps to the last until then, and changes its speed no faster than
its motors can, which is a little more than its limits say, or it could not catch up with anything.
SEMANTICS R46, R53, R54.
"""

from __future__ import annotations

import random
import sys
from math import copysign, sqrt
from pathlib import Path
from typing import Any

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "run"))

from rig import axis, checked, keep_out, machine, move, press, wait

from sequencer.ports.orders import AxisOrder
from sequencer.ports.readings import AxisReading, Readings
from sequencer.run import Runner
from sequencer.run.motion import Motion

PERIOD = 20_000_000
FAST, HARD = 1.0, 2.0
"""Limits of the lift [m/s, m/s^2]."""
SPARE = 1.0
"""What its motors have above them to catch up with [m/s^2]."""
EPISODES = 120


class Mass:
    """Goes to what was ordered `delay` [ns] ago, as fast as it may and can."""

    def __init__(self, delay: int, place: float) -> None:
        self.delay, self.place, self.speed = delay, place, 0.0
        self.orders: list[tuple[int, AxisOrder]] = []
        self.since, self.order = 0, AxisOrder("hold", place)

    def take(self, now: int, order: AxisOrder) -> None:
        self.orders.append((now + self.delay, order))

    def step(self, now: int, dt: float) -> None:
        while self.orders and self.orders[0][0] <= now:
            self.since, self.order = self.orders.pop(0)
        order = self.order
        away = order.position - self.place
        if order.mode in ("off", "brake"):
            wanted = 0.0
        elif order.mode == "effort":
            wanted = copysign(min(abs(order.velocity), sqrt(2.0 * HARD * abs(away))), away)
        else:
            gone = (now - self.since) * 1e-9
            away += order.velocity * gone if order.mode == "track" else 0.0
            wanted = order.velocity + copysign(min(FAST, sqrt(SPARE * abs(away)), abs(away) / 0.02), away)
        change = wanted - self.speed
        self.speed += copysign(min(abs(change), (HARD + SPARE) * dt), change)
        self.place += self.speed * dt


class Pair:
    """A lift that presses beside a wrist that is quick and exact; a box that both must not be in together."""

    def __init__(self, seed: int) -> None:
        draw = self.draw = random.Random(seed)
        delay = draw.choice([0, 20_000_000, draw.randint(0, 80_000_000), 80_000_000])
        bound, self.edge = draw.uniform(0.3, 0.85), draw.uniform(0.3, 0.9)
        limits = [[-FAST, FAST], [-HARD, HARD], None]
        quick = [[-2.0, 2.0], [-draw.choice([2.0, 8.0, 20.0])] * 2, None]
        quick[1] = [quick[1][0], -quick[1][0]]
        lift = axis("lift", limits=limits, latency=[0, delay], tolerance={"position": 0.01, "following": None})
        wrist = axis("wrist", limits=quick, tolerance={"position": 0.001})
        box = keep_out("box", [0, -0.2, self.edge], [1, 0.3, 2.0])
        on = machine([lift, wrist, axis("roller", "spin")], keep_outs=[box])
        sense = draw.choice([1.0, -1.0])
        begin = draw.uniform(-0.1, 0.1) if sense > 0.0 else draw.uniform(0.9, 1.2)
        goal = bound if sense > 0.0 else begin - bound
        until = ["<" if sense < 0.0 else ">", "lift", begin + sense * draw.uniform(0.02, 0.9 * abs(goal - begin))]
        end: dict[str, Any] = {"until": until, "timeout": 2.0, "on_timeout": "continue"}
        first = press("p", 6.0, goal, axis="lift", **end)
        back = move("back", {"lift": draw.uniform(-0.2, 1.3)}, "p", limits={"0": limits})
        follower = back if draw.random() < 0.7 else wait("back", 0.5, "p")
        routines = [
            checked(on, first, follower, name="p"),
            checked(on, move("w", {"wrist": 1.0}, limits={"1": quick}), name="w"),
            checked(on, move("w", {"wrist": 0.0}, limits={"1": quick}), name="out"),
            checked(on, move("m", {"lift": draw.uniform(-0.2, 1.3)}, limits={"0": limits}), name="m"),
        ]
        self.runner = Runner(routines)
        self.lift = Mass(delay, begin)
        self.wrist = 0.0 if begin < self.edge + 0.1 else draw.choice([0.0, 0.6])
        self.now = 0
        self.inside = 0.0
        self.pushed = False

    def tick(self) -> None:
        axes = {
            "lift": AxisReading(self.lift.place, self.lift.speed, 0.0),
            "wrist": AxisReading(self.wrist, 0.0, 0.0),
            "roller": AxisReading(None, 0.0, 0.0),
        }
        orders = self.runner.tick(Readings(self.now, True, axes, {"beam": False, "guard": True, "piece": "none"}))
        for event in orders.events:
            assert "inside the runner" not in event.text, event.text
        self.pushed = self.pushed or (orders.axes["lift"].mode == "effort" and abs(self.lift.speed) > 0.3)
        self.lift.take(self.now, orders.axes["lift"])
        if orders.axes["wrist"].mode in ("track", "hold"):
            self.wrist = orders.axes["wrist"].position
        for _ in range(20):
            self.now += PERIOD // 20
            self.lift.step(self.now, PERIOD / 20 * 1e-9)
            if self.wrist > 0.3 and -0.2 < self.lift.place < self.edge:
                self.inside = max(self.inside, min(self.wrist - 0.3, self.edge - self.lift.place))

    def play(self, ticks: int = 200) -> None:
        draw = self.draw
        self.tick()
        self.runner.request("p")
        when = draw.randint(2, 50)
        for number in range(ticks):
            if number == when:
                self.runner.request(draw.choice(["w", "w", "out"]), preempt=True)
            if draw.random() < 0.02:
                self.runner.request(draw.choice("pwm"), preempt=True)
            if draw.random() < 0.01:
                getattr(self.runner, draw.choice(["hold", "resume", "cancel"]))()
            self.tick()


def played(seed: int) -> Pair:
    pair = Pair(seed)
    pair.play()
    return pair


def test_no_axis_gets_in_where_a_push_still_goes() -> None:
    """R46, R53: the tracking band of the lift is what its set-points do not say."""
    pairs = [played(seed) for seed in range(EPISODES)]
    assert max(pair.inside for pair in pairs) <= 0.01
    assert sum(pair.pushed for pair in pairs) > EPISODES // 2


def test_a_push_that_counts_as_ended_at_once_does_let_one_in(monkeypatch: pytest.MonkeyPatch) -> None:
    """For comparison; it must be seen to fail."""

    def at_once(motion: Motion) -> None:
        motion.mode = "hold"
        motion.occupy_what_is_known()

    monkeypatch.setattr(Motion, "end_push", at_once)
    assert max(played(seed).inside for seed in range(EPISODES)) > 0.02


@pytest.mark.slow
def test_no_axis_gets_in_where_a_push_still_goes_in_ten_thousand_episodes() -> None:
    """R46, R53."""
    assert max(played(seed).inside for seed in range(EPISODES, 10_000)) <= 0.01
