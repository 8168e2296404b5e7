"""Figures of a tick: processor time of this thread, the garbage collector frozen, the noise floor told beside them."""

from __future__ import annotations

import gc
import resource
import sys
from collections.abc import Iterator
from pathlib import Path
from statistics import median
from time import thread_time_ns
from typing import Any, NamedTuple

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "run"))

import rig
from rig import axis, checked, keep_out, machine, move, pulse, wait

from sequencer.ports.orders import Orders
from sequencer.ports.readings import AxisReading, Readings
from sequencer.run import Runner

pytestmark = pytest.mark.bench

PERIOD = 20_000_000
LIMITS = [[-1.5, 1.5], [-6.0, 6.0], 60.0]
NAMES = {"lift": 0, "wrist": 1, "arm": 2, "slide": 3}
SENSORS = {"beam": False, "guard": True, "clear": True, "pressure": 1.0, "beam_count": 1.0, "piece": "none"}
FOUR_AXES, THREE_AXES = 35.0, 20.0
"""Most that the median of a tick may take [us], on the machine that the figures were promised for."""
WORST = 8.0
"""Most that the 99.9th percentile may be of the median."""
LONG = 1.1
"""Most that a routine of 1,000 steps may cost of one of 10."""
GROWTH = 64
"""Most that the process may grow by from 100,000 ticks to 1,000,000 [KiB]."""


class Figure(NamedTuple):
    """[us]"""

    median: float
    worst: float


@pytest.fixture(autouse=True)
def four_axes(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(rig, "AXES", NAMES)


@pytest.fixture(autouse=True)
def frozen() -> Iterator[None]:
    gc.collect()
    gc.freeze()
    gc.disable()
    yield
    gc.enable()
    gc.unfreeze()


def subject(axes: int, keep_outs: int, steps: int) -> Runner:
    """All axes move for a second and a half, other steps wait, hold outputs, or come much later."""
    names = list(NAMES)[:axes]
    boxes = [
        keep_out(
            f"k{n}", [n % axes, -1.0, -0.5], [(n + 1) % axes, -2.0, -1.0], when=["is", "piece", "x"] if n == 3 else None
        )
        for n in range(keep_outs)
    ]
    on = machine([axis(name, limits=LIMITS, latency=[10_000_000, 40_000_000]) for name in names], keep_outs=boxes)
    made: list[Any] = [
        move(f"m{n}", {name: 2.5 - 0.1 * n}, limits=LIMITS, profile="s_curve") for n, name in enumerate(names)
    ]
    if steps >= 10:
        made += [wait(f"w{n}", until=[">", "pressure", 100.0 + n], timeout=50.0) for n in range(3)]
        made += [wait("edge", until=["rising", ["holds", "beam"]], timeout=50.0), pulse("lamp", {"lamp": True}, 30.0)]
        made += [pulse("horn", {"horn": 1.0}, 30.0, once=["<", "lift", 9.0])]
    for number in range(len(made), steps):
        made.append(wait(f"x{number}", 9.0, [made[-1]["name"]]))
    runner = Runner(checked(on, *made))
    runner.request("r")
    return runner


def times(runner: Runner, names: list[str]) -> list[int]:
    places = dict.fromkeys(names, 0.0)
    taken = []
    for number in range(90):
        axes = {name: AxisReading(place, 0.5, 1.0) for name, place in places.items()}
        readings = Readings(number * PERIOD, True, axes, SENSORS)
        begin = thread_time_ns()
        orders = runner.tick(readings)
        taken.append(thread_time_ns() - begin)
        for name in names:
            places[name] = orders.axes[name].position
    return taken[10:]


def figure(axes: int, keep_outs: int, steps: int, rounds: int = 60) -> Figure:
    """The best median of the rounds, and the 99.9th percentile of all their ticks."""
    names = list(NAMES)[:axes]
    found = [times(subject(axes, keep_outs, steps), names) for _ in range(rounds)]
    everything = sorted(one for taken in found for one in taken)
    return Figure(min(median(taken) for taken in found) / 1e3, everything[int(0.999 * len(everything))] / 1e3)


def noise() -> Figure:
    """The same for a loop of additions that takes about as long."""
    found = []
    for _ in range(5_000):
        begin = thread_time_ns()
        total = 0
        for number in range(700):
            total += number
        found.append(thread_time_ns() - begin)
    found.sort()
    return Figure(median(found) / 1e3, found[int(0.999 * len(found))] / 1e3)


def told(benchmark: Any, **figures: Figure) -> None:
    floor = noise()
    for name, one in {**figures, "noise_floor": floor}.items():
        benchmark.extra_info[name] = f"median {one.median:.1f} us, 99.9 % {one.worst:.1f} us"
        print(f"{name}: {benchmark.extra_info[name]}")
    benchmark.pedantic(lambda: None)


def test_four_axes_ten_steps_and_twelve_keep_outs(benchmark: Any) -> None:
    found = figure(4, 12, 10)
    told(benchmark, four_axes=found)
    assert found.median <= FOUR_AXES
    assert found.worst <= WORST * found.median


def test_three_axes_and_four_keep_outs(benchmark: Any) -> None:
    found = figure(3, 4, 3)
    told(benchmark, three_axes=found)
    assert found.median <= THREE_AXES


def test_a_thousand_steps_cost_what_ten_do(benchmark: Any) -> None:
    ten, thousand = figure(4, 12, 10), figure(4, 12, 1_000)
    told(benchmark, ten_steps=ten, thousand_steps=thousand)
    assert thousand.median <= LONG * ten.median


class LastTick:
    """A sink that looks at everything and keeps nothing."""

    count = 0

    def record(self, readings: Readings, orders: Orders, requests: tuple[Any, ...]) -> None:
        self.count += len(orders.events) + len(requests) + len(readings.axes)


def test_memory_does_not_grow_from_a_hundred_thousand_ticks_to_a_million(benchmark: Any) -> None:
    """Runs of a routine again and again, with a sink."""
    on = machine([axis("lift"), axis("wrist"), axis("roller", "spin")])
    runner = Runner(checked(on, move("m", {"lift": 0.1}), pulse("p", {"lamp": True}, 0.1), wait("w", 0.4)), LastTick())
    place = 0.0
    sizes = []
    for number in range(1_000_001):
        if number % 40 == 0:
            runner.request("r")
        axes = {
            "lift": AxisReading(place, 0.0, 0.0),
            "wrist": AxisReading(0.0, 0.0, 0.0),
            "roller": AxisReading(None, 0.0, 0.0),
        }
        place = runner.tick(Readings(number * PERIOD, True, axes, SENSORS)).axes["lift"].position
        if number in (100_000, 1_000_000):
            gc.collect()
            sizes.append(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)
    benchmark.extra_info["growth_kib"] = sizes[1] - sizes[0]
    benchmark.pedantic(lambda: None)
    assert sizes[1] - sizes[0] <= GROWTH
