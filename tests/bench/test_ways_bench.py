"""How long the runner takes to tell the way back: processor time of this thread beside the period of a tick."""

from __future__ import annotations

import gc
from pathlib import Path
from random import Random
from time import thread_time_ns

import pytest

from sequencer import check, load_machine
from sequencer.check.routes import certain
from sequencer.ports.readings import AxisReading, Readings
from sequencer.routine import RoutineBuilder
from sequencer.routine.builder import move
from sequencer.run import Runner

pytestmark = pytest.mark.bench

CASE = Path(__file__).parents[1] / "cases" / "ordering" / "machine.yaml"
STARTS = 300
MEDIAN, WORST = 0.05, 0.25
"""Share of a tick that the median and the 99th percentile of the answers may take [1]."""


@pytest.mark.parametrize("clear", [True, False], ids=["clear", "in conflict"])
def test_a_way_back_is_told_well_within_a_tick(clear: bool) -> None:
    """R47: three axes, 240 boxes; the answer from measured places, with all that the supervisor is asked for it, or
    that there is none and the directions to jog."""
    machine = load_machine(CASE)
    builder = RoutineBuilder("home", machine, start="anywhere", timeout="planned + 1 s")
    builder.step("back", move("stow"), route="clear")
    checked = check(builder.build())
    source, free = Random(1), certain(machine)
    taken: list[int] = []
    found = 0
    gc.collect()
    gc.disable()
    try:
        while len(taken) < STARTS:
            place = [source.uniform(*(axis.travel or (0.0, 0.0))) for axis in machine.axes.values()]
            if free(place, place) is not clear:
                continue
            runner = Runner(checked)
            axes = {name: AxisReading(at, 0.0, 0.0) for name, at in zip(machine.axes, place, strict=True)}
            runner.tick(Readings(0, True, axes))
            runner.tick(Readings(machine.period, True, axes))
            begin = thread_time_ns()
            answer = runner.way_to("stow")
            taken.append(thread_time_ns() - begin)
            found += answer.found
    finally:
        gc.enable()
    taken.sort()
    median, worst = taken[STARTS // 2], taken[int(0.99 * STARTS)]
    print(f"{found} of {STARTS} starts; {median / 1e3:.0f} us, 99 % {worst / 1e3:.0f} us")
    assert found >= 0.99 * STARTS if clear else found == 0
    assert median <= MEDIAN * machine.period
    assert worst <= WORST * machine.period
