"""What a tick costs, as a multiple of a state machine written by hand for the one routine, in the same run."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from statistics import median
from time import perf_counter_ns
from typing import Any

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "run"))

from rig import axis, checked, keep_out, machine, move

from profiles import Limits, s_curve
from sequencer.ports.orders import AxisOrder, Orders
from sequencer.ports.readings import AxisReading, Readings
from sequencer.run import Runner

pytestmark = pytest.mark.bench

LIMITS = [[-1.5, 1.5], [-6.0, 6.0], 60.0]
GOALS = {"lift": 2.5, "wrist": 2.4, "arm": 2.3}
PERIOD = 20_000_000
MOST = 10.0
"""The runner may cost so many times the hand-written machine, which plans, samples, compares and orders, and nothing
else.
"""


def subject() -> Callable[[Readings], Orders]:
    """Three axes that move at once, four keep-outs to be missed at every tick, latencies of two ticks."""
    axes = [axis(name, limits=LIMITS, latency=[10_000_000, 40_000_000]) for name in GOALS]
    boxes = [
        keep_out("a", [0, -1.0, -0.5], [1, -2.0, -1.0]),
        keep_out("b", [0, -1.0, -0.5], [2, -2.0, -1.0]),
        keep_out("c", [1, -1.0, -0.5], [2, -2.0, -1.0]),
        keep_out("d", [0, -1.0, -0.5], [1, -2.0, -1.0], [2, -3.0, -2.0], when=["is", "piece", "lantern"]),
    ]
    on = machine(axes, keep_outs=boxes)
    goals: Any = {"lift": 2.5, "wrist": 2.4, "arm": 2.3}
    runner = Runner(checked(on, move("m", goals, limits=LIMITS, profile="s_curve")))
    runner.request("r")
    return runner.tick


class ByHand:
    """The same three moves by a class that knows nothing else."""

    def __init__(self) -> None:
        self.state = "idle"
        self.begun = 0
        self.plans: dict[str, Any] = {}

    def tick(self, readings: Readings) -> Orders:
        now = readings.now_ns
        orders = {}
        if self.state == "idle":
            limits = Limits((-1.5, 1.5), (-6.0, 6.0), 60.0)
            for name, goal in GOALS.items():
                self.plans[name] = s_curve(readings.axes[name].position or 0.0, goal, limits)
            self.begun, self.state = now, "moving"
        arrived = True
        for name, plan in self.plans.items():
            point = plan.at((now - self.begun) * 1e-9)
            orders[name] = AxisOrder("track", point.position, point.velocity, point.acceleration)
            measured = readings.axes[name].position
            if measured is None or abs(measured - GOALS[name]) > 0.01:
                arrived = False
        if arrived:
            self.state = "done"
        return Orders(now, orders, {"lamp": False, "horn": 0.0, "third": 0.0})


def one_run(tick: Callable[[Readings], Orders], ticks: int = 80) -> int:
    """The median time [ns] of a tick while the axes move."""
    places = dict.fromkeys(GOALS, 0.0)
    sensors = {"beam": False, "guard": True, "clear": True, "pressure": 1.0, "beam_count": 1.0, "piece": "none"}
    taken = []
    for number in range(ticks):
        axes = {name: AxisReading(place, 0.5, 1.0) for name, place in places.items()}
        readings = Readings(number * PERIOD, True, axes, sensors)
        began = perf_counter_ns()
        orders = tick(readings)
        taken.append(perf_counter_ns() - began)
        for name in places:
            places[name] = orders.axes[name].position
    return int(median(taken[10:]))


def test_a_tick_costs_a_small_multiple_of_a_state_machine_written_by_hand(benchmark: Any) -> None:
    """Both in turns, so that a busy machine slows both; the least of the medians counts."""
    pairs = [(one_run(subject()), one_run(ByHand().tick)) for _ in range(40)]
    runner, by_hand = min(first for first, _ in pairs), min(second for _, second in pairs)
    benchmark.extra_info.update(runner_us=runner / 1000.0, by_hand_us=by_hand / 1000.0, ratio=runner / by_hand)
    benchmark.pedantic(lambda: one_run(subject()), rounds=20)
    assert runner / by_hand < MOST, f"{runner / 1000.0:.1f} us against {by_hand / 1000.0:.1f} us by hand"
