"""What the runner is given each tick."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

SensorValue = bool | float | str


class AxisReading(NamedTuple):
    """One axis as measured: `position` [m or rad], `speed` [m/s or rad/s], `current` [A, sum of its actuators].

    None means missing and is UNKNOWN. `zeroed` says whether the position can be trusted; `age` [ns] is how old the
    reading is. `fault` is None, or what the axis' actuators report wrong; the axis then faults with these words.
    """

    position: float | None = None
    speed: float | None = None
    current: float | None = None
    zeroed: bool = True
    age: int = 0
    fault: str | None = None


class Sensed(NamedTuple):
    """A sensor's value with its `age` [ns]; a bare value has age 0."""

    value: SensorValue | None
    age: int = 0


class Parts(NamedTuple):
    """What the several encoders [m or rad] and motors [A] of one axis read, to be compared with each other."""

    encoders: tuple[float | None, ...] = ()
    currents: tuple[float | None, ...] = ()


@dataclass(slots=True)
class Readings:
    """A snapshot of the machine at `now_ns` [ns, monotonic clock]. Whatever is missing is UNKNOWN.

    `enabled` is the permission to move. `sensors` holds plain values or `Sensed` ones. `battery` [V]. `parts` may tell
    what the encoders and motors of an axis read one by one.
    """

    now_ns: int
    enabled: bool = True
    axes: Mapping[str, AxisReading] = field(default_factory=dict)
    sensors: Mapping[str, SensorValue | Sensed | None] = field(default_factory=dict)
    battery: float | None = None
    parts: Mapping[str, Parts] = field(default_factory=dict)
