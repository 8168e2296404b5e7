"""What one tick of a trace holds."""

from __future__ import annotations

from typing import Any, NamedTuple

Value = bool | float | str | None
"""What a sensor read or an output was set to; None: missing."""


class Measured(NamedTuple):
    """One axis as it was read: fields and units of an axis reading."""

    position: float | None = None
    speed: float | None = None
    current: float | None = None
    zeroed: bool = True
    age: int = 0
    fault: str | None = None


class Ordered(NamedTuple):
    """What one axis was told: fields and units of an axis order."""

    mode: str
    position: float = 0.0
    velocity: float = 0.0
    acceleration: float = 0.0
    volts: float = 0.0
    current: float = 0.0


class PartsRead(NamedTuple):
    """What the encoders [m or rad] and motors [A] of one axis read one by one, as far as they were told."""

    axis: str
    encoders: tuple[float | None, ...] = ()
    currents: tuple[float | None, ...] = ()


class TraceEvent(NamedTuple):
    """Something that happened in a tick: fields of an event among the orders."""

    tick: int
    now_ns: int
    kind: str
    run: str = ""
    step: str = ""
    text: str = ""
    values: tuple[tuple[str, Value], ...] = ()

    def value(self, name: str) -> Value:
        """The value of that name among what caused the event; None where there is none."""
        return next((value for known, value in self.values if known == name), None)


class Row(NamedTuple):
    """One tick: what was read, asked and ordered.

    `measured`, `ordered`, `sensors` (value, age [ns]) and `outputs` stand in the order of the header's names. None
    stands for what was missing altogether. `requests` are (name, arguments...) of plain data. `parts` tells of axes
    whose encoders and motors were read one by one.
    """

    tick: int
    now_ns: int
    enabled: bool
    measured: tuple[Measured | None, ...]
    ordered: tuple[Ordered | None, ...]
    sensors: tuple[tuple[Value, int] | None, ...]
    outputs: tuple[Value, ...]
    battery: float | None
    requests: tuple[tuple[Any, ...], ...] = ()
    events: tuple[TraceEvent, ...] = ()
    parts: tuple[PartsRead, ...] = ()
