"""Two slides with one box that they keep out of, and short ways to write steps on them."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from random_world import OUTPUTS, VOCABULARY, machine_with

from sequencer.check import Examination, examine
from sequencer.machine.condition import Condition, parse_condition
from sequencer.machine.machine import Machine, Preset
from sequencer.machine.sensor import Output
from sequencer.routine.routine import Routine
from sequencer.routine.steps import At, Move, Step, Timeout

IN_THE_WAY = ((0.37, 0.47), (0.0, 0.2))
"""From 0.37 to 0.47 m along, while across is below 0.2 m; the tracking bands are 0.02 m."""

SOON = Timeout("fixed", 5_000_000_000)


def crossing(box: tuple[tuple[float, float], tuple[float, float]] = IN_THE_WAY) -> Machine:
    """The machine, with a preset on either side of the box's height."""
    presets = {name: Preset(name, {"along": 0.0, "across": across}) for name, across in (("low", 0.0), ("high", 1.0))}
    return replace(machine_with(box), presets=presets, outputs={**OUTPUTS, "lamp": Output("lamp", "switch", False)})


def to(name: str, axis: str, place: float, **fields: Any) -> Step:
    return Step(name, Move(((axis, At(place)),)), **fields)


def condition(text: str) -> Condition:
    return parse_condition(text, VOCABULARY)


def crossed(*steps: Step, start: str = "low", machine: Machine | None = None) -> Examination:
    machine = crossing() if machine is None else machine
    return examine(Routine("cross", machine, steps, start, default_timeout=Timeout("none")))


def verdict(*steps: Step, start: str = "low", machine: Machine | None = None) -> str:
    """Only boxes, travel and starts may refuse: what else is wrong with the steps is a mistake of the test."""
    found = crossed(*steps, start=start, machine=machine)
    refused = {one.rule for one in found.findings if one.severity in ("error", "undecided")}
    assert refused <= {"keep_out", "clearance", "travel"}, found.findings
    return found.verdict
