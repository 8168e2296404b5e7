"""The room in which no keep-out box need be asked: axes that stay in it miss all of them.

Boxes do not move. So the face that separates an axis from a box does so until that axis comes to it; until then, one
comparison an axis stands for one a box.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from math import inf, nextafter
from typing import Protocol, TypeVar


class Edged(Protocol):
    """A box: (axis, low, high) for each of its axes, faces included."""

    @property
    def edges(self) -> Sequence[tuple[int, float, float]]: ...


AnyBox = TypeVar("AnyBox", bound=Edged)


class FreeCell:
    """An interval [m or rad] for each axis, its ends included; at first there is no room in it."""

    __slots__ = ("highs", "lows")

    def __init__(self, axes: int) -> None:
        self.lows = [inf] * axes
        self.highs = [-inf] * axes

    def renew(self, boxes: Iterable[AnyBox], lows: Sequence[float], highs: Sequence[float]) -> list[AnyBox]:
        """Make the cell one around what the axes occupy; of the faces that separate them from a box, the farthest
        counts.

        Args:
            boxes: what to miss.
            lows: the lowest place [m or rad] that each axis occupies.
            highs: the highest.

        Returns:
            The boxes that no face separates them from: staying in the cell says nothing of those.
        """
        cell_lows, cell_highs = self.lows, self.highs
        cell_lows[:] = [-inf] * len(lows)
        cell_highs[:] = [inf] * len(highs)
        met = []
        for box in boxes:
            farthest = 0.0
            for axis, low, high in box.edges:
                below, above = low - highs[axis], lows[axis] - high
                if below > farthest:
                    farthest, parted_by, face, is_below = below, axis, low, True
                elif above > farthest:
                    farthest, parted_by, face, is_below = above, axis, high, False
            if farthest == 0.0:
                met.append(box)
            elif is_below:
                cell_highs[parted_by] = min(cell_highs[parted_by], nextafter(face, -inf))
            else:
                cell_lows[parted_by] = max(cell_lows[parted_by], nextafter(face, inf))
        return met
