"""What the runner gives back each tick."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal, NamedTuple

from sequencer.ports.readings import SensorValue

Mode = Literal["track", "effort", "hold", "brake", "off"]


class AxisOrder(NamedTuple):
    """What one axis shall do until the next orders.

    track: follow `position` [m or rad] with `velocity` and `acceleration`; a spin follows `velocity` [rad/s]; `volts`
    is feedforward. effort: a spin is driven with `volts` open loop; another axis pushes with `current` [A, sum of its
    actuators, signed], no farther than `position` and no faster than `velocity`. hold: keep `position` (the actuator's
    own loop, `volts` as feedforward). brake: windings shorted. off: no drive.
    """

    mode: Mode
    position: float = 0.0
    velocity: float = 0.0
    acceleration: float = 0.0
    volts: float = 0.0
    current: float = 0.0


class Event(NamedTuple):
    """Something that happened in a tick: `kind` is start, end, gate, skip, milestone, request, refused, hold, go, late,
    fault, run, note and others.

    `run` and `step` name what it happened to ("" where it concerns the host); `text` says it in words, `values` holds
    what caused it.
    """

    tick: int
    now_ns: int
    kind: str
    run: str = ""
    step: str = ""
    text: str = ""
    values: tuple[tuple[str, SensorValue | None], ...] = ()


@dataclass(slots=True)
class Orders:
    """The orders of one tick: for every axis and every output exactly one; `now_ns` is the time they are for."""

    now_ns: int
    axes: Mapping[str, AxisOrder]
    outputs: Mapping[str, SensorValue]
    events: tuple[Event, ...] = field(default=())
