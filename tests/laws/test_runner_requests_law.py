"""Laws of requests: whatever is asked for, at any tick, in any order, and wherever the machine is disabled."""

from __future__ import annotations

import random
import sys
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

sys.path.insert(0, str(Path(__file__).parents[1] / "run"))
sys.path.insert(0, str(Path(__file__).parent))

from rig import JERKY, Rig, axis, checked, keep_out, machine, move
from test_runner_laws import Drawn

from sequencer import check, load_machine, load_routine
from sequencer.pack import CheckedRoutine
from sequencer.plant import Plant
from sequencer.ports.readings import AxisReading
from sequencer.run import Runner

SEEDS = st.integers(min_value=0, max_value=2**32 - 1)
DEMO = Path(__file__).parents[2] / "demos" / "lantern"
ZERO = {"speed": -0.2, "until": ["holds", "beam"], "then": 0.0, "once": None}


class Session(RuleBasedStateMachine):
    """A runner among people who press any button at any time, with readings that fail now and then."""

    @initialize(seed=SEEDS)
    def begin(self, seed: int) -> None:
        draw = random.Random(seed)
        on = machine(
            [axis("lift", zero=ZERO, limits=JERKY), axis("wrist", limits=JERKY), axis("roller", "spin")],
            keep_outs=[keep_out("box", [0, 0.25, 0.35], [1, 0.1, 0.6], when=["is", "piece", "lantern"])],
        )
        way_out = dict(checked(on, move("out", {"lift": 0.0, "wrist": 0.0}, limits=JERKY)).routine)
        routines = [
            checked(on, *Drawn(draw).steps(4, 2), name=name, on_cancel=way_out if name == "a" else None)
            for name in "ab"
        ]
        self.rig = Rig(*routines, piece=lambda tick: "lantern" if tick // 23 % 2 else "none")
        self.open: set[str] = set()
        self.seen = 0
        self.tick(1)

    @rule(name=st.sampled_from("ab"), preempt=st.booleans(), restart=st.booleans(), speed=st.sampled_from([1.0, 0.5]))
    def start(self, name: str, preempt: bool, restart: bool, speed: float) -> None:
        self.rig.start(name, preempt=preempt, restart=restart, speed=speed)

    @rule(what=st.sampled_from(["hold", "hold", "resume", "resume", "resume", "cancel", "reset", "reset", "abort"]))
    def press(self, what: str) -> None:
        getattr(self.rig.runner, what)()

    @rule(name=st.sampled_from(["lift", "wrist", "roller"]), speed=st.sampled_from([0.0, 0.1, -0.1, 0.8, -0.8]))
    def jog(self, name: str, speed: float) -> None:
        self.rig.runner.jog(name, speed)

    @rule()
    def zero(self) -> None:
        self.rig.runner.zero("lift")

    @rule(value=st.sampled_from([True, False, None]))
    def assume(self, value: bool | None) -> None:
        self.rig.runner.assume("beam", value)

    @rule()
    def fail(self) -> None:
        self.rig.runner.fail("the bus is gone")

    @rule(count=st.integers(1, 12))
    def tick(self, count: int) -> None:
        self.rig.run(count)

    @rule(gap=st.integers(1_000_000, 130_000_000))
    def late(self, gap: int) -> None:
        self.rig.run(1, gap=gap)

    @rule()
    def disable(self) -> None:
        self.rig.enabled = False
        self.rig.run(2)
        self.rig.enabled = True

    @rule(name=st.sampled_from(["lift", "wrist"]))
    def lose_a_reading(self, name: str) -> None:
        self.rig.readings[name] = None
        self.rig.run(1)
        del self.rig.readings[name]

    @rule(name=st.sampled_from(["lift", "wrist"]))
    def push(self, name: str) -> None:
        self.rig.positions[name] += 0.02

    @rule()
    def break_the_gauges(self) -> None:
        def broken(tick: int) -> AxisReading:
            raise OSError("no reading")

        reading = self.rig.reading

        class Failing(dict[str, Any]):
            def get(self, name: str, default: Any = None) -> Any:
                raise OSError("no reading")

        def failing(now: int) -> Any:
            found = reading(now)
            found.axes = Failing()
            return found

        self.rig.reading = failing  # type: ignore[method-assign]
        self.rig.run(1)
        self.rig.reading = reading  # type: ignore[method-assign]

    @invariant()
    def every_run_has_one_outcome_and_nothing_breaks_inside(self) -> None:
        rig = self.rig
        for event in rig.events[self.seen :]:
            assert "inside the runner" not in event.text, event
            if event.kind == "run" and event.text == "start":
                assert event.run not in self.open
                self.open.add(event.run)
            elif event.kind == "run":
                self.open.remove(event.run)
        self.seen = len(rig.events)
        assert self.open == {run.name for run in rig.runner._host.runs}
        if not self.open:
            assert dict(rig.orders[-1].outputs) == {"lamp": False, "horn": 0.0, "third": 0.0}
        rig.runner.allowed()

    @invariant()
    def set_points_never_jump(self) -> None:
        for (before, then), (after, now) in pairwise(zip(self.rig.orders[-14:], self.rig.times[-14:], strict=True)):
            for name in ("lift", "wrist"):
                one, two, gap = before.axes[name], after.axes[name], (now - then) * 1e-9
                if {one.mode, two.mode} <= {"track", "hold"}:
                    assert abs(two.position - one.position) <= 1.25 * gap + 1e-6
                    assert abs(two.velocity - one.velocity) <= 2.0 * gap + 1e-6


class TestSession(Session.TestCase):  # type: ignore[misc, name-defined]
    """R22, R27, R29, R35, R36, R37, R42, R44: random sessions."""

    settings = settings(max_examples=60, stateful_step_count=30, deadline=None)


# Every demo routine, disabled at every tick.


@cache
def demo() -> tuple[CheckedRoutine, ...]:
    names = ("hang_ridge", "pick_up", "drop", "to_stow")
    return tuple(check(load_routine(DEMO / f"{name}.routine.yaml")) for name in names)


def disabled_at(checked_routine: CheckedRoutine, tick: int) -> bool:
    """Disable in one tick, enable again; whether the run was still under way then."""
    found = load_machine(DEMO / "machine.yaml")
    start = found.presets[str(checked_routine.routine["from"])].positions
    plant = Plant(found, start={name: place for name, place in start.items() if found.axes[name].travel}, seed=1)
    runner = Runner(checked_routine)
    runner.request(checked_routine.name)
    moved_at = 0
    active = False
    rest: dict[str, Any] = {}
    for number in range(tick + 40):
        readings = plant.readings(number * found.period)
        readings.enabled = not tick <= number < tick + 5
        readings.sensors = {**readings.sensors, "range_to_hook": 0.29 if number < 110 else 0.7}
        orders = runner.tick(readings)
        if number == tick - 1:
            active = runner.status().runs[-1].state != "done"
        if tick <= number < tick + 5:
            assert {order.mode for order in orders.axes.values()} == {"off"}
        elif number == tick + 5:
            rest = {name: order.position for name, order in orders.axes.items()}
        elif number > tick + 5:
            for name, order in orders.axes.items():
                assert order.mode in ("hold", "effort")
                assert order.position == rest[name]
        if number >= tick:
            assert orders.outputs == {"lamp": "dark", "chassis_may_leave": False}
        plant.apply(orders)
        plant.advance(found.period)
        moved_at = number
    assert moved_at == tick + 39
    return active


def every(step: int) -> None:
    for routine in demo():
        tick = 1 + step // 2
        while disabled_at(routine, tick):
            tick += step


def test_disabled_at_any_tick_of_any_demo_routine_nothing_moves_unasked() -> None:
    """R41: every 24th tick; every one of them in the slow test below."""
    every(24)


@pytest.mark.slow
def test_disabled_at_every_tick_of_every_demo_routine_nothing_moves_unasked() -> None:
    """R41."""
    every(1)
