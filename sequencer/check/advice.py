"""How near a punctual plan comes, as a result of a check."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any


@dataclass(frozen=True, slots=True)
class ClearanceAdvice:
    """How near the plan comes if it is punctual.

    Attributes:
        least: the least distance that was met, of the pair that has the least to spare [m].
        bound: what is certain of it [m].
        margin: what must remain between the two [m].
        between: the two bodies.
        at: when it is met [s from the start].
        bad_from: the earliest instant from which on the plan cannot be called clear [s]; None if it is clear.
        bad_places: where its axes are then [m or rad]; empty if it is clear.
        gates_cost: how much longer the plan is than it would be without gates on positions [s]; None if it cannot
            be told.
    """

    least: float
    bound: float
    margin: float
    between: tuple[str, str]
    at: float
    bad_from: float | None
    gates_cost: float | None
    bad_places: Mapping[str, float] = field(default_factory=dict)

    def as_json(self) -> dict[str, Any]:
        """What `check --json` prints of it."""
        return {
            "least": self.least,
            "bound": self.bound,
            "margin": self.margin,
            "between": list(self.between),
            "at": self.at,
            "bad_from": self.bad_from,
            "bad_places": dict(self.bad_places),
            "gates_cost": self.gates_cost,
        }
