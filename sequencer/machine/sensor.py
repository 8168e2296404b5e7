"""Sensors, read or derived, and outputs other than axes."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from sequencer.machine.condition import Condition
from sequencer.places import NOWHERE, Place
from sequencer.units import Dimension

Value = bool | float | str
"""What a sensor reads or an output writes: a switch, a number in SI, or one of some words."""


@dataclass(frozen=True, slots=True)
class Derivation:
    """A sensor computed from others: true while `source` has been true on every sample for `steady` [ns], not looked at
    for `blind` [ns] after any axis that it names was taken by a step (an inrush is no grip)."""

    source: Condition
    steady: int = 0
    blind: int = 0


@dataclass(frozen=True, slots=True)
class PlantLink:
    """What a sensor reads on the plant: a condition (for a switch), the held piece, an axis' position or speed, or the
    distance [m] between two bodies (`gap`).
    """

    condition: Condition | None = None
    piece: bool = False
    quantity: str | None = None
    gap: tuple[str, str] | None = None


@dataclass(frozen=True, slots=True)
class Sensor:
    """A switch, a number, or one of some words.

    A value older than `stale_after` [ns] is UNKNOWN (R16); None: never stale.
    """

    name: str
    kind: Literal["switch", "number", "one_of"]
    dimension: Dimension | None = None
    values: tuple[str, ...] = ()
    stale_after: int | None = None
    derived: Derivation | None = None
    plant: PlantLink | None = None
    place: Place = field(compare=False, default=NOWHERE)


@dataclass(frozen=True, slots=True)
class Output:
    """Something switched on, set to a number or to one of some words; `rest` is what it does when nobody uses it."""

    name: str
    kind: Literal["switch", "number", "one_of"]
    rest: Value
    dimension: Dimension | None = None
    values: tuple[str, ...] = ()
    place: Place = field(compare=False, default=NOWHERE)
