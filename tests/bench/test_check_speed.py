"""How the time of a check grows with the routine."""

from __future__ import annotations

from math import radians
from time import perf_counter

import pytest

from profiles import Limits
from sequencer.check import examine
from sequencer.machine.axis import Axis, Tolerance
from sequencer.machine.condition import parse_condition
from sequencer.machine.interlock import KeepOut
from sequencer.machine.machine import Machine, Preset
from sequencer.routine.routine import Routine
from sequencer.routine.steps import At, Move, Step, Timeout, With

MOST_RATIO = 13.0
"""A routine of ten times the steps may take this many times as long."""

MOST_SECONDS = 2.0
"""A check of 1,000 steps may take this long [s]."""


def long_routine(steps: int) -> Routine:
    axes = {
        "lift": Axis("lift", "linear", Limits(1.5, 8.0, 90.0), (0.0, 1.2), tolerance=Tolerance(0.008, following=0.05)),
        "wrist": Axis("wrist", "rotary", Limits(7.0, 40.0, 700.0), (-1.7, 2.1), tolerance=Tolerance(0.03)),
    }
    tuck = KeepOut("tuck", (("lift", (0.0, 0.2)), ("wrist", (radians(-95.0), radians(-40.0)))))
    presets = {"carry": Preset("carry", {"lift": 0.1, "wrist": 1.5})}
    machine = Machine("hand", axes, presets=presets, interlocks=(tuck,))
    gate = parse_condition("lift > 0.3 m", machine.vocabulary())
    made: list[Step] = []
    for index in range(steps // 4):
        made += [
            Step(f"up{index}", Move((("lift", At(1.0)),))),
            Step(f"tuck{index}", Move((("wrist", At(-1.0)),)), With(f"up{index}"), once=gate),
            Step(f"out{index}", Move((("wrist", At(1.5)),))),
            Step(f"down{index}", Move((("lift", At(0.1)),))),
        ]
    return Routine("long", machine, tuple(made), "carry", default_timeout=Timeout("planned", 600_000_000))


def least_time(routine: Routine) -> float:
    times = []
    for _ in range(5):
        begin = perf_counter()
        assert examine(routine).verdict == "clear"
        times.append(perf_counter() - begin)
    return min(times)


@pytest.mark.bench
def test_the_time_of_a_check_grows_about_as_the_number_of_steps() -> None:
    short, long = least_time(long_routine(100)), least_time(long_routine(1000))
    assert long < MOST_SECONDS
    assert long / short < MOST_RATIO
