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

from rig import JERKY, Rig, axis, checked, keep_out, machine, move, must_stay, press, pulse, repeat, wait
from test_runner_laws import Drawn

from sequencer import check, load_machine, load_routine
from sequencer.pack import CheckedRoutine
from sequencer.plant import Plant
from sequencer.ports.orders import Orders
from sequencer.run import Runner

SEEDS = st.integers(min_value=0, max_value=2**32 - 1)
DEMO = Path(__file__).parents[2] / "demos" / "lantern"
ZERO = {"speed": -0.2, "until": ["holds", "beam"], "then": 0.0, "once": None}


SLOW = [[-0.4, 0.3], [-1.5, 1.0], 20.0]
CALM = 2_500
"""Ticks [1] in which every run must be over once nobody presses a button; a zeroing of the whole travel takes longest.
"""


class Wider(Drawn):
    """Draws presses, slower limits of a step, and steps that start with another or at a time as well."""

    def leaf(self, after: Any, name: str | None = None) -> dict[str, Any]:
        draw = self.draw
        how = draw.random()
        if how < 0.12:
            bound = draw.choice([-0.6, 0.2, 0.7])
            until = {"until": ["holds", "beam"]} if draw.random() < 0.6 else {}
            where = draw.choice(["lift", "wrist"])
            return press(name or self.name(), 6.0, bound, after, axis=where, **until, **self.common())
        if how < 0.3:
            goals = draw.choice([{"lift": 0.5}, {"wrist": 0.3}, {"lift": -0.3, "wrist": -0.4}])
            changes = self.common() | {"preempt": draw.random() < 0.7, "together": draw.random() < 0.5}
            made = move(name or self.name(), goals, after, limits={"0": SLOW, "1": SLOW}, profile="s_curve", **changes)
        else:
            made = super().leaf(after, name)
            if made["kind"] == "pulse" and any(drive[0] == "axis" for drive in made["drives"]):
                made["preempt"] = draw.random() < 0.5
                for drive in made["drives"]:
                    if drive[0] == "axis" and draw.random() < 0.5:
                        drive[2] = "speed"
        if how < 0.4 and name is None and not isinstance(after, dict) and not after:
            made["at"] = draw.choice([0.0, 0.05, 0.3])
        return made

    def dependent(self, watched: dict[str, Any]) -> dict[str, Any]:
        if self.draw.random() < 0.3:
            return pulse(self.name(), {"third": 3.0}, 0.06, with_=watched["name"], timeout=0.3)
        return super().dependent(watched)


def any_machine(draw: random.Random) -> dict[str, Any]:
    """Two axes with every kind of stop, rest, latency and following, a spin, a box that comes and goes, perhaps an
    interlock, of the spin as well.
    """
    axes = [
        axis(
            name,
            limits=JERKY,
            latency=[0, draw.choice([0, 30_000_000])],
            stop=draw.choice(["off", "ramp_then_off", "ramp_then_hold", "ramp_then_hold"]),
            rest=[{"mode": draw.choice(["hold", "hold", "brake", "off"]), "voltage": 0.0, "when": None}],
            between=draw.choice(["hold", "hold", "carry_on"]),
            tolerance={"following": draw.choice([None, 0.2]), "behind": draw.choice(["wait", "fault"])},
            **({"zero": ZERO} if name == "lift" else {}),
        )
        for name in ("lift", "wrist")
    ]
    return machine(
        [*axes, axis("roller", "spin", stop=draw.choice(["off", "ramp_then_off"]))],
        keep_outs=[keep_out("box", [0, 0.25, 0.35], [1, 0.1, 0.6], when=["is", "piece", "lantern"])],
        must_stay=[must_stay("cover", ["holds", "guard"], draw.choice([[1], [1, 2], [2]]))]
        if draw.random() < 0.6
        else [],
        outputs=[*machine()["outputs"], {"name": "fourth", "kind": "switch", "rest": False}],
    )


def claims_of(routines: list[CheckedRoutine]) -> dict[tuple[str, str], set[str]]:
    """What each step owns while it is active: axes, and outputs that it drives."""
    claims: dict[tuple[str, str], set[str]] = {}
    for one in routines:
        for step in one.routine["steps"]:
            owned = {f"axis {goal[0]}" for goal in step.get("goals", [])}
            owned |= {f"axis {step['axis']}"} if step["kind"] in ("flick", "press") else set()
            owned |= {f"{drive[0]} {drive[1]}" for drive in step.get("drives", [])}
            claims[one.name, step["name"]] = owned
    return claims


class Failing(dict[str, Any]):
    """What cannot be read."""

    def get(self, name: str, default: Any = None) -> Any:
        raise OSError("no reading")


class Watched(Rig):
    """Looks at the spin after every tick: it turns only while a step that acts says so, and its interlock permits it
    (R26, R27, R32, R35).
    """

    def tick(self, gap: int | None = None) -> Orders:
        orders = super().tick(gap)
        order, host = orders.axes["roller"], self.runner._host
        if order.volts != 0.0 or order.velocity != 0.0:
            acting = [
                activation
                for run in host.runs
                if run.state == "running"
                for activation in run.active
                if activation.energised is not None and host.motions[2] in activation.motions
            ]
            assert [one.step.kind in ("pulse", "jog") for one in acting] == [True], order
            assert all(host.values["guard"] for data in self.machine["must_stay"] if 2 in data["axes"]), order
        return orders


class Session(RuleBasedStateMachine):
    """A runner among people who press any button at any time, with readings that fail now and then.

    Routines a and b share everything; c keeps to an output of its own, so that it runs beside them.
    """

    @initialize(seed=SEEDS)
    def begin(self, seed: int) -> None:
        draw = random.Random(seed)
        on = any_machine(draw)
        way_out = dict(checked(on, move("out", {"lift": 0.0, "wrist": 0.0}, limits=JERKY)).routine)
        routines = [
            checked(on, *Wider(draw).steps(4, 2), name=name, on_cancel=way_out if name == "a" else None)
            for name in "ab"
        ]
        beside = repeat("loop", [pulse("x", {"fourth": True}, 0.06), wait("y", 0.1, "x")], 5)
        routines.append(checked(on, beside, name="c"))
        self.claims = claims_of(routines)
        self.rig = Watched(
            *routines,
            piece=lambda tick: "lantern" if tick // 23 % 2 else "none",
            beam=lambda tick: tick // 11 % 3 == 1,
            guard=lambda tick: tick % 97 < 93,
        )
        self.open: set[str] = set()
        self.active: dict[tuple[str, str], tuple[int, str]] = {}
        self.seen = 0
        self.tick(1)

    @rule(
        name=st.sampled_from("abc"),
        preempt=st.booleans(),
        restart=st.booleans(),
        speed=st.sampled_from([1.0, 1.0, 0.5]),
        then=st.integers(1, 60),
    )
    def start(self, name: str, preempt: bool, restart: bool, speed: float, then: int) -> None:
        self.rig.runner.reset()
        self.rig.start(name, preempt=preempt, restart=restart, speed=speed)
        self.rig.run(then)

    @rule(first=st.sampled_from(["ab", "ba", "ac", "bc"]), apart=st.integers(0, 12), then=st.integers(1, 60))
    def start_two(self, first: str, apart: int, then: int) -> None:
        self.rig.runner.reset()
        self.rig.start(first[0])
        self.rig.run(apart)
        self.rig.start(first[1], preempt=apart % 2 == 0)
        self.rig.run(then)

    @rule(apart=st.integers(0, 40), then=st.integers(1, 40))
    def hold_and_resume(self, apart: int, then: int) -> None:
        self.rig.runner.hold()
        self.rig.run(apart)
        self.rig.runner.resume()
        self.rig.run(then)

    @rule(what=st.sampled_from(["hold", "resume", "cancel", "abort"]), then=st.integers(0, 20))
    def press(self, what: str, then: int) -> None:
        getattr(self.rig.runner, what)()
        self.rig.run(then)

    @rule(
        name=st.sampled_from(["lift", "wrist", "roller"]),
        speed=st.sampled_from([0.0, 0.1, -0.1, 0.8, -0.8]),
        times=st.integers(1, 8),
    )
    def jog(self, name: str, speed: float, times: int) -> None:
        self.rig.runner.reset()
        for _ in range(times):
            self.rig.runner.jog(name, speed)
            self.rig.run(3)

    @rule(then=st.integers(0, 60))
    def zero(self, then: int) -> None:
        self.rig.runner.zero("lift")
        self.rig.run(then)

    @rule(value=st.sampled_from([True, False, None]))
    def assume(self, value: bool | None) -> None:
        self.rig.runner.assume("beam", value)

    @rule(count=st.integers(1, 80))
    def tick(self, count: int) -> None:
        self.rig.run(count)

    @rule(
        how=st.sampled_from(["fail", "disable", "lift is lost", "wrist is lost", "lift is pushed", "gauges break"]),
        gap=st.integers(1_000_000, 130_000_000),
    )
    def disturb(self, how: str, gap: int) -> None:
        """A reading, a switch or the bus fails for a tick, which may be late as well."""
        rig = self.rig
        name = how.split()[0]
        match how.split()[-1]:
            case "fail":
                rig.runner.fail("the bus is gone")
            case "disable":
                rig.enabled = False
            case "lost":
                rig.readings[name] = None
            case "pushed":
                rig.positions[name] += 0.02
        if how == "gauges break":
            reading = rig.reading

            def failing(now: int) -> Any:
                found = reading(now)
                found.axes = Failing()
                return found

            rig.reading = failing  # type: ignore[method-assign]
        rig.run(1, gap=gap)
        rig.enabled = True
        rig.readings.clear()
        vars(rig).pop("reading", None)

    @rule(name=st.sampled_from(["lift", "wrist"]), then=st.integers(1, 30))
    def lose(self, name: str, then: int) -> None:
        """A reading is gone until it is found again; others may go meanwhile."""
        self.rig.readings[name] = None
        self.rig.run(then)

    @rule()
    def find(self) -> None:
        self.rig.readings.clear()

    @rule(on=st.booleans(), then=st.integers(1, 30))
    def permit(self, on: bool, then: int) -> None:
        self.rig.enabled = on
        self.rig.run(then)

    @rule(
        what=st.sampled_from(["hold", "cancel", "abort", "fail", "disable"]),
        also=st.sampled_from(["", "request", "reset", "resume"]),
        before=st.integers(0, 12),
        gap=st.integers(1_000_000, 130_000_000),
    )
    def stop_and_watch(self, what: str, also: str, before: int, gap: int) -> None:
        """R33, R35, R41: after a stop, a hold, a disable or a failure nothing moves until a new request, whatever was
        asked for in the same tick or a little before.
        """
        rig = self.rig
        if before:
            rig.runner.cancel()  # so that what follows a cancel may be about to start
            rig.run(before)
        if also:
            getattr(rig.runner, also)(*(("a",) if also == "request" else ()))
        match what:
            case "disable":
                rig.enabled = False
            case "fail":
                rig.runner.fail("the bus is gone")
            case _:
                getattr(rig.runner, what)()
        rig.run(1, gap=gap)
        if what == "cancel":
            rig.runner.cancel()  # the way out is part of the first
        rig.run(3)
        rig.enabled = True
        rig.run(70)
        rest = rig.orders[-1].axes
        rig.run(20)
        for orders in rig.orders[-20:]:
            for name in ("lift", "wrist"):
                order = orders.axes[name]
                assert order.mode in ("hold", "brake", "off"), (what, also, order)
                if order.mode == rest[name].mode == "hold":
                    assert order.position == rest[name].position
            assert orders.axes["roller"].volts == orders.axes["roller"].velocity == 0.0

    @rule(gap=st.integers(1_000_000, 130_000_000))
    def late(self, gap: int) -> None:
        self.rig.run(1, gap=gap)

    @invariant()
    def every_activation_and_every_run_has_one_outcome_and_nothing_breaks_inside(self) -> None:
        rig = self.rig
        for event in rig.events[self.seen :]:
            assert "inside the runner" not in event.text, event
            assert "nothing is active" not in event.text, event
            key = (event.run, event.step)
            if event.kind == "run" and event.text == "start":
                assert event.run not in self.open
                self.open.add(event.run)
            elif event.kind == "run":
                self.open.remove(event.run)
                assert not [key for key in self.active if key[0] == event.run]
            elif event.kind in ("start", "skip"):
                assert key not in self.active
                assert event.run in self.open
                self.active[key] = (event.tick, "skip" if event.kind == "skip" else event.text)
            elif event.kind == "end":
                outcome = dict(event.values)["outcome"]
                assert outcome in ("done", "timeout", "aborted", "error")
                begun = self.active.pop(key, None)
                if begun is None:
                    assert outcome == "aborted"  # a dependent whose milestone never came has not begun
                elif outcome in ("done", "timeout"):
                    assert event.tick > begun[0] or begun[1] in ("choose", "repeat", "perform")
        self.seen = len(rig.events)
        assert self.open == {run.name for run in rig.runner._host.runs}
        rig.runner.allowed()

    @invariant()
    def nothing_has_two_owners(self) -> None:
        acting = sorted(key for key, (_, kind) in self.active.items() if kind != "skip")
        owned = [claim for key in acting for claim in self.claims.get(key, ())]
        assert len(owned) == len(set(owned))

    @invariant()
    def every_tick_orders_all_once_and_what_nobody_runs_is_at_rest(self) -> None:
        orders = self.rig.orders[-1]
        assert list(orders.axes) == ["lift", "wrist", "roller"]
        assert list(orders.outputs) == ["lamp", "horn", "third", "fourth"]
        if not self.open:
            assert dict(orders.outputs) == {"lamp": False, "horn": 0.0, "third": 0.0, "fourth": False}
            assert orders.axes["roller"].volts == orders.axes["roller"].velocity == 0.0
            assert {orders.axes["lift"].mode, orders.axes["wrist"].mode} <= {"hold", "brake", "off"}
        elif "c" not in self.open:
            assert orders.outputs["fourth"] is False
        status = self.rig.runner.status()
        assert len(status.headline) <= 40

    def teardown(self) -> None:
        """Never a hang: once nobody presses a button, every run ends by itself."""
        if not hasattr(self, "rig"):
            return
        self.rig.enabled = True
        self.rig.readings.clear()
        for _ in range(CALM):
            self.rig.runner.resume()
            self.rig.run(1)
            if not self.rig.runner._host.runs and not self.rig.runner._host.waiting:
                break
        self.every_activation_and_every_run_has_one_outcome_and_nothing_breaks_inside()
        assert not self.open
        assert not self.active

    @invariant()
    def set_points_never_jump(self) -> None:
        for (before, then), (after, now) in pairwise(zip(self.rig.orders[-90:], self.rig.times[-90:], strict=True)):
            for name in ("lift", "wrist"):
                one, two, gap = before.axes[name], after.axes[name], (now - then) * 1e-9
                if {one.mode, two.mode} <= {"track", "hold"}:
                    assert abs(two.position - one.position) <= 1.25 * gap + 1e-6
                    assert abs(two.velocity - one.velocity) <= 2.0 * gap + 1e-6


class TestSession(Session.TestCase):  # type: ignore[misc, name-defined]
    """R22, R27, R28, R29, R35, R36, R37, R42, R44: random sessions."""

    settings = settings(max_examples=60, stateful_step_count=30, deadline=None)


@pytest.mark.parametrize("seed", range(60))
def test_no_spin_turns_unasked_whoever_took_it_over_held_or_jogged_it(seed: int) -> None:
    """R26, R27, R32, R35, R44: sessions that do little else."""
    draw = random.Random(seed)
    session = Session()
    session.begin(seed)
    for _ in range(30):
        match draw.choice(["start"] * 5 + ["hold", "press", "jog", "tick", "tick"]):
            case "start":
                session.start(draw.choice("abc"), draw.random() < 0.5, draw.random() < 0.3, 1.0, draw.randint(1, 60))
            case "hold":
                session.hold_and_resume(draw.randint(0, 40), draw.randint(1, 40))
            case "press":
                session.press(draw.choice(["hold", "resume", "cancel", "abort"]), draw.randint(0, 20))
            case "jog":
                session.jog("roller", draw.choice([0.1, -0.8]), draw.randint(1, 8))
            case "tick":
                session.tick(draw.randint(1, 80))


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
