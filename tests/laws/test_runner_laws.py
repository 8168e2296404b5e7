"""Laws of the runner: whatever the routine, the readings and the requests."""

from __future__ import annotations

import hashlib
import os
import random
import subprocess
import sys
from itertools import pairwise
from pathlib import Path
from typing import Any, NamedTuple

from hypothesis import given, note, settings
from hypothesis import strategies as st

sys.path.insert(0, str(Path(__file__).parents[1] / "run"))

from rig import (
    JERKY,
    LIMITS,
    axis,
    checked,
    choose,
    flick,
    machine,
    move,
    perform,
    pulse,
    put,
    repeat,
    wait,
)

from sequencer.pack import CheckedRoutine
from sequencer.ports.orders import Event, Orders
from sequencer.ports.readings import AxisReading, Readings, Sensed
from sequencer.run import Runner

PERIOD = 20_000_000
BEAM: Any = ["holds", "beam"]
SEEDS = st.integers(min_value=0, max_value=2**32 - 1)
MACHINE = machine([axis("lift"), axis("wrist", limits=JERKY), axis("roller", "spin")])


def condition(draw: random.Random) -> Any:
    return draw.choice(
        [
            BEAM,
            ["not", BEAM],
            ["rising", BEAM],
            ["falling", BEAM],
            [">", "pressure", 0.5],
            ["not", [">", "pressure", 0.5]],
            ["and", BEAM, [">", "lift", 0.1]],
            ["or", ["is", "piece", "lantern"], [">", "wrist.ordered", 0.2]],
            ["known", "pressure"],
        ]
    )


class Drawn:
    """Draws steps with names that count up; every step has a timeout, so every run must end."""

    def __init__(self, draw: random.Random) -> None:
        self.draw = draw
        self.count = 0

    def name(self) -> str:
        self.count += 1
        return f"s{self.count}"

    def common(self) -> dict[str, Any]:
        draw = self.draw
        changes: dict[str, Any] = {
            "timeout": draw.choice([0.1, 0.3, 0.6]),
            "on_timeout": draw.choice(["fault", "continue", "continue", "cancel"]),
            "retry": draw.choice([0, 0, 0, 1]),
        }
        if draw.random() < 0.15:
            changes["once"] = condition(draw)
        if draw.random() < 0.1:
            changes["only_if"] = condition(draw)
        if draw.random() < 0.05:
            changes["must_stay"] = ["known", "beam"]
        return changes

    def leaf(self, after: Any, name: str | None = None) -> dict[str, Any]:
        draw, changes = self.draw, self.common()
        called = name or self.name()
        until = {"until": condition(draw)} if draw.random() < 0.3 else {}
        match draw.choice(["wait", "wait", "pulse", "set", "move", "move", "move", "flick"]):
            case "wait":
                return wait(called, draw.choice([None, 0.02, 0.1]), after, until=condition(draw), **changes)
            case "pulse":
                drives = draw.choice([{"lamp": True}, {"roller": 5.0}, {"roller": -2.0, "horn": 1.0}])
                return pulse(called, drives, draw.choice([0.02, 0.1, 0.2]), after, **until, **changes)
            case "set":
                return put(called, draw.choice([{"third": 1.0}, {"third": 2.0}]), after, **changes)
            case "flick":
                through, to = draw.choice([(0.3, 0.6), (-0.2, -0.5)])
                fast = 0.5 if to > through else -0.5
                return flick(called, through, fast, to, after, limits=JERKY, **until, **changes)
        goals = draw.choice([{"lift": 0.3}, {"wrist": -0.4}, {"lift": -0.2, "wrist": 0.3}, {"lift": 0.01}])
        limits = {"0": LIMITS, "1": JERKY}
        together = len(goals) > 1 and draw.random() < 0.5
        preempt = draw.random() < 0.7
        profile = draw.choice(["s_curve", "trapezoid"])
        changes |= {"together": together, "preempt": preempt, "profile": profile}
        return move(called, goals, after, limits=limits, **until, **changes)

    def steps(self, most: int, depth: int) -> list[dict[str, Any]]:
        draw = self.draw
        made: list[dict[str, Any]] = []
        names: list[str] = []
        for _ in range(draw.randint(1, most)):
            after: Any = draw.sample(names, draw.randint(0, min(2, len(names)))) if names else []
            what = draw.random()
            if depth > 0 and what < 0.25:
                made.append(self.block(after, depth))
            elif what < 0.35:
                made += self.join_any(after)
            elif what < 0.7 and made and made[-1]["kind"] in ("move", "flick"):
                made.append(self.dependent(made[-1]))
            else:
                made.append(self.leaf(after))
            names.append(made[-1]["name"])
        return made

    def dependent(self, watched: dict[str, Any]) -> dict[str, Any]:
        draw = self.draw
        place = {"step": watched["name"], "lead": draw.choice([0.0, 0.03, 0.5])}
        if watched["kind"] == "move":
            place |= {"at": draw.choice([0.05, 0.2, -0.1, 9.0]), "axis": draw.choice([None])}
        return pulse(self.name(), {"third": 3.0}, 0.06, passing=place, timeout=0.3)

    def join_any(self, after: Any) -> list[dict[str, Any]]:
        branches = [self.leaf(after) for _ in range(2)]
        names = [one["name"] for one in branches]
        joined = self.leaf({"any": names})
        joined["branches_are"] = [[name] for name in names]
        return [*branches, joined]

    def block(self, after: Any, depth: int) -> dict[str, Any]:
        draw, changes = self.draw, self.common()
        called = self.name()
        match draw.choice(["repeat", "perform", "choose"]):
            case "repeat":
                until = condition(draw) if draw.random() < 0.5 else None
                return repeat(called, self.steps(2, depth - 1), draw.choice([1, 2, 3]), after, until=until, **changes)
            case "perform":
                return perform(called, self.steps(3, depth - 1), after, **changes)
        branches = [(condition(draw), self.steps(2, depth - 1)) for _ in range(draw.randint(1, 2))]
        otherwise = draw.choice([None, [], self.steps(1, depth - 1)])
        return choose(called, branches, otherwise, after, **changes)


def routine(seed: int, name: str) -> CheckedRoutine:
    return checked(MACHINE, *Drawn(random.Random(f"{seed}{name}")).steps(5, 2), name=name)


class Told(NamedTuple):
    times: list[int]
    enabled: list[bool]
    orders: list[Orders]
    events: list[Event]


def episode(seed: int, ticks: int, calm_from: int) -> Told:
    """Runs two random routines under random readings and requests; from tick `calm_from` on nothing disturbs."""
    draw = random.Random(seed)
    routines = [routine(seed, "a"), routine(seed, "b")]
    runner = Runner(routines)
    positions = {"lift": 0.0, "wrist": 0.0}
    beam, pressure, piece = False, 0.0, "none"
    now = draw.randint(0, 10**12)
    disturbed = draw.random() < 0.7
    told = Told([], [], [], [])
    for tick in range(ticks):
        calm = tick >= calm_from
        rough = disturbed and not calm
        now += PERIOD if calm or draw.random() > 0.04 else draw.randint(1, 130_000_000)
        if not calm and draw.random() < 0.12:
            match draw.choice([*["start", "reset"] * 4, "preempt", "cancel", "abort"]):
                case "start" | "preempt" as how:
                    runner.request(draw.choice("ab"), speed=draw.choice([1.0, 0.6]), preempt=how == "preempt")
                case "cancel":
                    runner.cancel()
                case "abort":
                    runner.abort()
                case "reset":
                    runner.reset()
        if draw.random() < 0.15:
            beam = not beam
        if draw.random() < 0.1:
            pressure, piece = draw.choice([0.0, 1.0]), draw.choice(["none", "lantern"])
        sensors: dict[str, Any] = {
            "beam": beam,
            "pressure": pressure,
            "piece": Sensed(piece, draw.randint(0, 300_000_000)),
        }
        axes: dict[str, Any] = {"roller": AxisReading(None, 0.0, 0.0)}
        for name, place in positions.items():
            axes[name] = AxisReading(place + draw.uniform(-0.002, 0.002), None if draw.random() < 0.2 else 0.0, 0.0)
        if rough and draw.random() < 0.03:
            axes[draw.choice(["lift", "wrist"])] = draw.choice(
                [None, AxisReading(float("nan")), AxisReading(0.0, age=10**9), AxisReading(1e300), AxisReading("x")]  # type: ignore[arg-type]
            )
        if rough and draw.random() < 0.05:
            sensors[draw.choice(["beam", "pressure", "piece"])] = draw.choice([None, float("inf"), "?", 10**400, []])
        enabled = not (rough and draw.random() < 0.01)
        orders = runner.tick(Readings(now, enabled, axes, sensors))
        runner.status()
        for name in positions:
            if orders.axes[name].mode in ("track", "hold"):
                positions[name] = orders.axes[name].position
        told.times.append(now)
        told.enabled.append(enabled)
        told.orders.append(orders)
        told.events.extend(orders.events)
    return told


def digest(told: Told) -> str:
    return hashlib.sha256(repr(told).encode()).hexdigest()


@settings(max_examples=150, deadline=None)
@given(SEEDS)
def test_every_activation_and_every_run_has_exactly_one_outcome_and_every_run_ends(seed: int) -> None:
    """R22, R9, R24: never two, never none: once nothing disturbs, each run ends within its timeouts, never by a hang or
    an
    error inside the runner.
    """
    told = episode(seed, 900, 100)
    note(told.events)
    open_steps: dict[tuple[str, str], tuple[int, str]] = {}
    running: set[str] = set()
    for event in told.events:
        assert "inside the runner" not in event.text
        assert "nothing is active" not in event.text
        key = (event.run, event.step)
        if event.kind in ("start", "skip"):
            assert key not in open_steps
            assert event.run in running
            open_steps[key] = (event.tick, event.text)
        elif event.kind == "end":
            outcome = dict(event.values)["outcome"]
            assert outcome in ("done", "timeout", "aborted", "error")
            begun = open_steps.pop(key, None)
            if begun is None:
                assert outcome == "aborted"  # a dependent whose milestone never came has not begun
            elif outcome in ("done", "timeout"):
                tick, kind = begun
                assert event.tick > tick or kind in ("choose", "repeat", "perform")  # blocks take no ticks (R9)
        elif event.kind == "run" and event.text == "start":
            assert event.run not in running
            running.add(event.run)
        elif event.kind == "run":
            running.remove(event.run)
            assert not [key for key in open_steps if key[0] == event.run]
    assert not running
    assert not open_steps


@settings(max_examples=60, deadline=None)
@given(SEEDS)
def test_every_tick_orders_every_axis_and_output_once_and_rests_after_the_end(seed: int) -> None:
    """R3, R27: one order each, in the order of the machine; with no run left every output is at rest, every
    axis too.
    """
    told = episode(seed, 500, 100)
    open_runs = 0
    for orders in told.orders:
        for event in orders.events:
            if event.kind == "run":
                open_runs += 1 if event.text == "start" else -1
        assert list(orders.axes) == ["lift", "wrist", "roller"]
        assert list(orders.outputs) == ["lamp", "horn", "third"]
        if open_runs == 0:
            assert dict(orders.outputs) == {"lamp": False, "horn": 0.0, "third": 0.0}
            assert orders.axes["roller"].volts == 0.0
            assert {orders.axes["lift"].mode, orders.axes["wrist"].mode} <= {"hold", "off"}


@settings(max_examples=60, deadline=None)
@given(SEEDS)
def test_an_axis_or_output_never_has_two_owners(seed: int) -> None:
    """R28: told from the trace alone: of the steps that are active after a tick, no two claim the same axis
    or output.
    """
    told = episode(seed, 400, 100)
    claims: dict[tuple[str, str], set[str]] = {}
    for name in "ab":
        for step in routine(seed, name).routine["steps"]:
            owned = {f"axis {goal[0]}" for goal in step.get("goals", [])}
            owned |= {f"axis {step['axis']}"} if step["kind"] == "flick" else set()
            owned |= {f"{drive[0]} {drive[1]}" for drive in step.get("drives", [])}
            claims[name, step["name"]] = owned
    active: set[tuple[str, str]] = set()
    for orders in told.orders:
        for event in orders.events:
            if event.kind == "start":
                active.add((event.run, event.step))
            elif event.kind == "end":
                active.discard((event.run, event.step))
        owned = [claim for key in sorted(active) for claim in claims[key]]
        assert len(owned) == len(set(owned))


@settings(max_examples=60, deadline=None)
@given(SEEDS)
def test_set_points_never_jump(seed: int) -> None:
    """R29: between two ticks in which an axis is driven, position and velocity change no more than its limits allow."""
    told = episode(seed, 400, 100)
    for name, fastest, hardest in (("lift", 1.0, 2.0), ("wrist", 1.0, 2.0)):
        for (before, then), (after, now) in pairwise(zip(told.orders, told.times, strict=True)):
            one, two = before.axes[name], after.axes[name]
            if {one.mode, two.mode} <= {"track", "hold"}:
                gained = min(now - then, 2 * PERIOD) * 1e-9
                assert abs(two.position - one.position) <= fastest * gained + 1e-6
                assert abs(two.velocity - one.velocity) <= hardest * gained + 1e-6


@settings(max_examples=40, deadline=None)
@given(SEEDS)
def test_the_same_readings_and_requests_give_the_same_bytes(seed: int) -> None:
    """R2: all orders and events, byte for byte."""
    assert repr(episode(seed, 200, 150)) == repr(episode(seed, 200, 150))


REPLAY = """
import sys
sys.path.insert(0, {folder!r})
import test_runner_laws as laws
print(*(laws.digest(laws.episode(seed, 200, 150)) for seed in range(25)))
"""


def test_another_process_with_another_hash_seed_gives_the_same_bytes() -> None:
    """R2: no order of hashes and no address shows in the trace."""
    found = subprocess.run(
        [sys.executable, "-c", REPLAY.format(folder=str(Path(__file__).parent))],
        env={**os.environ, "PYTHONHASHSEED": "20011", "PYTHONPATH": str(Path(__file__).parents[2])},
        capture_output=True,
        text=True,
        check=True,
    )
    assert found.stdout.split() == [digest(episode(seed, 200, 150)) for seed in range(25)]
