"""What a rig saw of a motion: speeds that were ordered, and how far they jump."""

from __future__ import annotations

from itertools import pairwise

from rig import Rig


def velocities(rig: Rig, name: str = "lift") -> list[float]:
    return [one.axes[name].velocity for one in rig.orders]


def largest_step(values: list[float]) -> float:
    return max(abs(b - a) for a, b in pairwise(values))
