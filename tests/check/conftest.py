"""A made-up machine that hangs lanterns, its presets, and a shorthand for conditions on it."""

from __future__ import annotations

import sys
from collections.abc import Callable
from math import radians
from pathlib import Path
from typing import Any

import pytest

from profiles import Limits
from sequencer.check import Examination, examine
from sequencer.machine.axis import Axis, RestCase, Tolerance
from sequencer.machine.condition import Condition, parse_condition
from sequencer.machine.interlock import Interlock, KeepOut
from sequencer.machine.machine import Machine, Preset
from sequencer.machine.sensor import Output, Sensor
from sequencer.routine.routine import Routine
from sequencer.routine.steps import Step, Timeout
from sequencer.units import LENGTH

# Makes what several files here share importable, whatever the import mode.
sys.path.insert(0, str(Path(__file__).parent))

MakeMachine = Callable[..., Machine]
Say = Callable[[str], Condition]

LIFT = Axis(
    "lift",
    "linear",
    Limits((-1.5, 1.7), (-8.0, 6.0), 90.0),
    (0.0, 1.18),
    tolerance=Tolerance(0.008, 60_000_000, 0.05, "wait"),
)
WRIST = Axis(
    "wrist",
    "rotary",
    Limits(radians(400.0), radians(2400.0), radians(40000.0)),
    (radians(-95.0), radians(120.0)),
    tolerance=Tolerance(radians(2.0), 60_000_000, radians(6.0), "wait"),
)
ROLLERS = Axis("rollers", "spin", Limits(600.0, 6000.0), rest=(RestCase("voltage", 0.0),))
SENSORS = {
    "piece": Sensor("piece", "one_of", values=("none", "lantern", "float")),
    "range_to_hook": Sensor("range_to_hook", "number", LENGTH),
    "hook_height": Sensor("hook_height", "number", LENGTH),
    "cover_closed": Sensor("cover_closed", "switch"),
}
PRESETS = {
    name: Preset(name, {"lift": lift, "wrist": radians(wrist)})
    for name, lift, wrist in [
        ("stow", 0.0, 100.0),
        ("carry", 0.1, 90.0),
        ("ridge", 1.1, 20.0),
        ("eaves", 0.8, 10.0),
        ("pond", 0.05, -60.0),
        ("high_tuck", 0.6, -60.0),
    ]
}
LOW_TUCK = KeepOut(
    "low_tuck",
    (("lift", (0.0, 0.2)), ("wrist", (radians(-95.0), radians(-40.0)))),
    "the hand meets the bumper",
)


def lantern_hand(*interlocks: Interlock, **changes: Any) -> Machine:
    parts: dict[str, Any] = {
        "axes": {"lift": LIFT, "wrist": WRIST, "rollers": ROLLERS},
        "sensors": SENSORS,
        "outputs": {
            "lamp": Output("lamp", "one_of", "dark", values=("dark", "steady")),
            "may_leave": Output("may_leave", "switch", False),
        },
        "presets": PRESETS,
        "interlocks": interlocks,
    }
    return Machine("lantern hand", **{**parts, **changes})


@pytest.fixture
def hand() -> Machine:
    """The machine with one keep-out: the hand may not be tucked down while the lift is low."""
    return lantern_hand(LOW_TUCK)


@pytest.fixture
def make_machine() -> MakeMachine:
    """The machine with other interlocks or parts."""
    return lantern_hand


@pytest.fixture
def say(hand: Machine) -> Say:
    """A condition on the machine; any bare word may stand for a quantity, and a step is called `near`."""
    vocabulary = Routine("r", hand, ()).vocabulary()
    return lambda text: parse_condition(text, vocabulary, words=lambda *_: True)


@pytest.fixture
def examined() -> Callable[..., Examination]:
    """Examine a routine of the given steps; `start` is a preset, further fields are those of `Routine`."""

    def examine_steps(machine: Machine, *steps: Step, start: str = "carry", **fields: Any) -> Examination:
        settings: dict[str, Any] = {"default_timeout": Timeout("planned", 500_000_000), **fields}
        return examine(Routine("r", machine, steps, start, **settings))

    return examine_steps


@pytest.fixture
def said() -> Callable[[Examination, str], list[str]]:
    """What the findings of one rule say: severity, step, message and hint."""

    def findings_of(examination: Examination, rule: str) -> list[str]:
        return [
            f"{one.severity}: {one.step}: {one.message} | {one.hint}"
            for one in examination.findings
            if one.rule == rule
        ]

    return findings_of
