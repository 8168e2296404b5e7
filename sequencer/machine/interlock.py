"""Rules that always hold: boxes of axis positions to stay out of, and conditions required for motion."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from sequencer.errors import ModelError
from sequencer.machine.axis import StopKind
from sequencer.machine.condition import Condition
from sequencer.places import NOWHERE, Place


@dataclass(frozen=True, slots=True)
class KeepOut:
    """A closed box of axis positions [m, rad] that the machine must never be in, while `when` is true or UNKNOWN
    (None: always).

    The machine is inside when every named axis is inside its interval; one axis outside is enough to be clear.
    """

    name: str
    box: tuple[tuple[str, tuple[float, float]], ...]
    because: str = ""
    when: Condition | None = None
    place: Place = field(compare=False, default=NOWHERE)

    def __post_init__(self) -> None:
        if not self.box:
            raise ModelError(f"interlock '{self.name}': the keep_out names no axis")
        for axis, (low, high) in self.box:
            if not low < high:
                raise ModelError(
                    f"interlock '{self.name}': {axis} runs from {low:g} to {high:g} (m or rad); "
                    "the first must be the smaller"
                )

    def contains(self, positions: Mapping[str, float]) -> bool:
        """Whether the positions (SI) lie inside the box."""
        return all(low <= positions[axis] <= high for axis, (low, high) in self.box)


@dataclass(frozen=True, slots=True)
class MustStay:
    """A condition without which the named axes must not move.

    False or UNKNOWN stops them by `stop` (None: each by its own) and faults the run (R32).
    """

    name: str
    condition: Condition
    axes: tuple[str, ...]
    stop: StopKind | None = None
    because: str = ""
    place: Place = field(compare=False, default=NOWHERE)


Interlock = KeepOut | MustStay
