"""The things the machine handles."""

from __future__ import annotations

from dataclasses import dataclass, field

from sequencer.machine.body import Part, convex_parts_of
from sequencer.places import NOWHERE, Place


@dataclass(frozen=True, slots=True)
class Piece:
    """A game piece: `mass` [kg] at `centre` [m] in the coordinates of the axis that carries it.

    `gripped_by` is the spin axis that holds it; held against its stop it resists that axis with `grip_torque` [N m at
    the axis], and it is out once the rollers have turned it through `turns_to_leave` [rad]. With an `inertia` [kg m2
    at the rollers] it is dragged along by no more than that torque and may slip; with 0 it turns with them. `parts` are
    its convex polygons [m] in the coordinates of what carries it, cleaned on entry; none: its outline is not judged.
    """

    name: str
    mass: float
    carried_by: str
    centre: tuple[float, float] = (0.0, 0.0)
    gripped_by: str | None = None
    grip_torque: float = 0.0
    turns_to_leave: float = 0.0
    inertia: float = 0.0
    parts: tuple[Part, ...] = ()
    place: Place = field(compare=False, default=NOWHERE)

    def __post_init__(self) -> None:
        if self.parts:
            object.__setattr__(self, "parts", convex_parts_of(f"piece '{self.name}'", self.parts))
