"""Named numbers, presets and choices of a routine that a caller or tuning may change."""

from __future__ import annotations

from dataclasses import dataclass, field

from sequencer.places import NOWHERE, Place
from sequencer.units import NUMBER, Dimension


@dataclass(frozen=True, slots=True)
class NumberParameter:
    """A number [SI] with the `bounds` it may take.

    Without bounds it is a constant with a name.
    """

    name: str
    value: float
    dimension: Dimension = NUMBER
    bounds: tuple[float, float] | None = None
    about: str = ""
    place: Place = field(compare=False, default=NOWHERE)

    @property
    def low(self) -> float:
        return self.bounds[0] if self.bounds else self.value

    @property
    def high(self) -> float:
        return self.bounds[1] if self.bounds else self.value


@dataclass(frozen=True, slots=True)
class PresetParameter:
    """A preset chosen by name from `choices`; every choice gives a position to the same axes."""

    name: str
    preset: str
    choices: tuple[str, ...]
    about: str = ""
    place: Place = field(compare=False, default=NOWHERE)


Parameter = NumberParameter | PresetParameter
