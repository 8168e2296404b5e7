"""What a machine is like in each run of a spread: everything that varies, drawn from the seed and the run's number."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np

from sequencer.machine.machine import Machine
from sequencer.machine.variation import Varied, varied_machine
from sequencer.plant import (
    EncoderNoisy,
    EncoderOffset,
    Fault,
    SensorDropping,
    SensorLate,
    SensorNoisy,
    SensorOffset,
)


class Draw(NamedTuple):
    """One run's machine: the seed of its plant, and the value [SI] of each quantity that varies, in order."""

    seed: int
    values: tuple[float, ...]


def draw(varied: tuple[Varied, ...], seed: int, run: int) -> Draw:
    """What varies in a run; the same for the same seed and run, whatever is drawn for the others.

    Args:
        varied: the quantities.
        seed: of the spread.
        run: number of the run, from 0 on.
    """
    chance = np.random.Generator(np.random.PCG64(np.random.SeedSequence(seed, spawn_key=(run,))))
    plant = int(chance.integers(2**32))
    shares = chance.random(len(varied)).tolist()
    return Draw(plant, tuple(one.low + share * (one.high - one.low) for one, share in zip(varied, shares, strict=True)))


class DrawnMachine(NamedTuple):
    """A machine as drawn, where its axes start [m or rad], and what does not read true on it."""

    machine: Machine
    start: Mapping[str, float]
    faults: tuple[Fault, ...]


def drawn_machine(machine: Machine, start: Mapping[str, float], values: Mapping[Varied, float]) -> DrawnMachine:
    """The machine of a run.

    Args:
        machine: as declared.
        start: where the rehearsal starts [m or rad], by axis; an axis begins no farther than the ends of its travel.
        values: what was drawn [SI].
    """
    begin = dict(start)
    faults: list[Fault] = []
    built: dict[Varied, float] = {}
    for varied, value in values.items():
        fault = _fault(varied, value)
        if varied.quantity == "start" and varied.kind == "axis":
            low, high = machine.axes[varied.of].travel or (value, value)
            begin[varied.of] = min(max(begin.get(varied.of, min(max(0.0, low), high)) + value, low), high)
        elif fault is None:
            built[varied] = value
        elif value != 0.0:
            faults.append(fault)
    return DrawnMachine(varied_machine(machine, built), begin, tuple(faults))


def _fault(varied: Varied, value: float) -> Fault | None:
    """What is read wrongly, where that is what varies."""
    name = varied.of
    if varied.kind == "axis":
        of_axis: dict[str, Fault] = {"reading": EncoderOffset(name, value), "noise": EncoderNoisy(name, value)}
        return of_axis.get(varied.quantity)
    if varied.kind == "sensor":
        of_sensor: dict[str, Fault] = {
            "offset": SensorOffset(name, value),
            "noise": SensorNoisy(name, value),
            "late": SensorLate(name, value),
            "missing": SensorDropping(name, value),
        }
        return of_sensor[varied.quantity]
    return None
