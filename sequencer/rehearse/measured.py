"""What a rehearsal tells of the distances between bodies."""

from __future__ import annotations

from typing import Any, NamedTuple


class MeasuredClearance(NamedTuple):
    """The two bodies that had the least to spare over their `margin` [m]: their distance `least` [m] `at` an instant
    [s]. `bound`: at no instant had any pair less to spare than this leaves for theirs [m]."""

    least: float
    bound: float
    margin: float
    between: tuple[str, str]
    at: float

    @property
    def too_near(self) -> bool:
        """Whether the margin was not kept, or is not certain to have been."""
        return self.bound <= self.margin

    def as_json(self) -> dict[str, Any]:
        """Plain data, with the keys that a check uses for the clearance of its plan."""
        return {**self._asdict(), "between": list(self.between)}
