"""A preset in conflict is marked in the picture of its machine, with words."""

from __future__ import annotations

from dataclasses import replace
from math import radians

import pytest

from profiles import Limits
from sequencer.machine.axis import Axis, Mount, Tolerance
from sequencer.machine.body import Body, Clearance
from sequencer.machine.interlock import KeepOut
from sequencer.machine.machine import Machine, Preset
from sequencer.report.draw import machine_svg


def block(x: float, y: float) -> tuple[tuple[float, float], ...]:
    return ((x, y), (x + 0.1, y), (x + 0.1, y + 0.1), (x, y + 0.1))


@pytest.fixture
def lifter() -> Machine:
    """A block on a lift under another one, 0.4 m above it."""
    up = Axis("up", "linear", Limits(1.0, 4.0), (0.0, 1.0), Mount("frame", (0.0, 0.0), radians(90.0)), Tolerance(0.005))
    return Machine(
        "lifter",
        {"up": up},
        bodies={"load": Body("load", "up", (block(0.0, 0.0),)), "roof": Body("roof", "frame", (block(0.0, 0.5),))},
        clearances=(Clearance(("load", "roof"), 0.01),),
        presets={"low": Preset("low", {"up": 0.1}), "high": Preset("high", {"up": 0.42})},
    )


def test_the_panel_of_a_preset_in_conflict_is_red_and_says_why(lifter: Machine) -> None:
    drawn = machine_svg(lifter)
    assert drawn.count('class="bad"') == 1
    assert "load and roof overlap by 20 mm" in drawn
    presets = {**lifter.presets, "high": Preset("high", {"up": 0.3})}
    assert 'class="bad"' not in machine_svg(replace(lifter, presets=presets))


def test_the_panel_of_a_preset_in_a_keep_out_is_red_and_says_why(lifter: Machine) -> None:
    boxed = replace(lifter, interlocks=(KeepOut("attic", (("up", (0.05, 0.2)),)),))
    drawn = machine_svg(boxed)
    assert drawn.count('class="bad"') == 2
    assert "in the keep-out attic" in drawn
