"""What may touch what: bodies in the side view, and the distances between them that are watched."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from math import isfinite
from typing import Literal

from sequencer.errors import ModelError
from sequencer.machine.convex import Point, convex
from sequencer.places import NOWHERE, Place

Part = tuple[Point, ...]
"""A convex polygon: its vertices [m], counter-clockwise."""


@dataclass(frozen=True, slots=True)
class Body:
    """One or more convex polygons that move as one.

    Args:
        name: what it is called.
        carried_by: the axis that carries it, "frame", or "outside" for what stands beside the machine. A spin carries a
            body without turning it.
        parts: convex polygons [m] in the coordinates of what carries the body; of a body outside, where it stands at
            place 0. They are cleaned on entry: see `sequencer.machine.convex.convex`.
        along: the direction in which a body outside may stand elsewhere, "x" forward or "y" up.
        range: from where to where it may stand along that [m].
        reading: the sensor that tells where it stands, if one does.
        share: of the carrier's motion that the body makes; the middle stage of a cascade makes a part.
        place: where it stands in the file.

    Raises:
        ModelError: a part is not a convex polygon, or what belongs to bodies outside is missing there or given
            elsewhere.
    """

    name: str
    carried_by: str
    parts: tuple[Part, ...]
    along: Literal["x", "y"] = "x"
    range: tuple[float, float] | None = None
    reading: str | None = None
    share: float = 1.0
    place: Place = field(compare=False, default=NOWHERE)

    def __post_init__(self) -> None:
        object.__setattr__(self, "parts", convex_parts_of(f"body '{self.name}'", self.parts))
        if self.carried_by == "outside":
            if self.range is None:
                raise ModelError(
                    f"body '{self.name}' stands outside the machine; give the range of its places, "
                    "such as range: [0.25 m, 1 m]"
                )
            low, high = self.range
            if not (isfinite(low) and isfinite(high) and low <= high):
                raise ModelError(
                    f"body '{self.name}': its range runs from {low:g} m to {high:g} m; the first must be the smaller"
                )
        elif self.range is not None or self.reading is not None:
            raise ModelError(
                f"body '{self.name}' is carried by '{self.carried_by}'; only a body with carried_by: outside "
                "has a range and a reading"
            )


@dataclass(frozen=True, slots=True)
class Clearance:
    """Two bodies and the distance that must remain between them, counted once for the pair.

    Args:
        between: the names of the bodies.
        margin: what must remain [m].
        exempt: why the pair is not watched at all, in words; empty if it is.
        place: where it stands in the file.

    Raises:
        ModelError: the margin is negative or not finite, or a body is watched against itself.
    """

    between: tuple[str, str]
    margin: float = 0.0
    exempt: str = ""
    place: Place = field(compare=False, default=NOWHERE)

    def __post_init__(self) -> None:
        if self.between[0] == self.between[1]:
            raise ModelError(f"a clearance is between two bodies; here '{self.between[0]}' is named twice")
        if not (isfinite(self.margin) and self.margin >= 0.0):
            raise ModelError(
                f"clearance between {' and '.join(self.between)}: the margin is {self.margin:g} m; "
                "it must be 0 m or more"
            )


def convex_parts_of(what: str, parts: Sequence[Sequence[Sequence[float]]]) -> tuple[Part, ...]:
    """The parts of a body or piece, cleaned.

    Args:
        what: how a message calls the thing.
        parts: polygons [m].

    Raises:
        ModelError: there is none, or one is not a convex polygon.
    """
    if not parts:
        raise ModelError(f"{what} has no parts; give at least one convex polygon")
    found = []
    for number, part in enumerate(parts, 1):
        try:
            found.append(convex(part))
        except ModelError as error:
            raise ModelError(f"{what}: part {number} {error}") from None
    return tuple(found)
