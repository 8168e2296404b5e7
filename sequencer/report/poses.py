"""Where everything is in the side view for given axis positions: the mounts, from the frame outwards."""

from __future__ import annotations

from collections.abc import Mapping
from math import cos, sin
from typing import NamedTuple

from sequencer.machine.machine import Machine

Point = tuple[float, float]
"""Forward and up [m], from the origin of the frame."""


class AxisPose(NamedTuple):
    """One axis in the side view; angles in [rad].

    It starts at its `base`, its moving part is at its `tip`. A linear axis slides from `base` along `direction`; its
    tip is the slide. A rotary axis turns about its base, which is its tip too; its direction is that of its own x
    axis. Coordinates of what it carries are turned by `angle`, of which it turns `turned` itself.
    """

    base: Point
    tip: Point
    direction: float
    angle: float
    turned: float = 0.0

    def carrying(self, share: float) -> tuple[Point, float]:
        """Origin [m] and angle of the coordinates of what makes a share of the axis' own motion."""
        (x, y), (to_x, to_y) = self.base, self.tip
        return (x + share * (to_x - x), y + share * (to_y - y)), self.angle + (share - 1.0) * self.turned


def poses(machine: Machine, positions: Mapping[str, float]) -> dict[str, AxisPose]:
    """The pose of every axis, carriers before what they carry; an axis without a position stands at `resting_position`.

    tip = base + q (cos d, sin d) for a slide with position q and direction d; a turning axis has the angle q, from
    the level or from its carrier; base = carrier's tip + R(carrier's angle) at, the carrier's own q times the share
    that the mount makes of it.
    """
    found: dict[str, AxisPose] = {}

    def pose(name: str) -> AxisPose:
        if name in found:
            return found[name]
        axis = machine.axes[name]
        mount = axis.mount
        origin, angle = (0.0, 0.0), 0.0
        if mount.to != "frame":
            origin, angle = pose(mount.to).carrying(mount.share)
        base = moved(origin, angle, mount.at)
        position = positions.get(name, resting_position(machine, name))
        if axis.kind == "linear":
            direction = angle + mount.direction
            tip = (base[0] + position * cos(direction), base[1] + position * sin(direction))
            found[name] = AxisPose(base, tip, direction, angle)
        elif axis.kind == "rotary":
            turned = position if mount.angle_from == "level" else angle + position
            found[name] = AxisPose(base, base, turned, turned, position)
        else:
            found[name] = AxisPose(base, base, angle, angle)
        return found[name]

    for name in machine.axes:
        pose(name)
    return {name: found[name] for name in machine.axes}


def resting_position(machine: Machine, name: str) -> float:
    """Where an axis is drawn that a preset does not name: at zero, or at the end of its travel nearest to zero."""
    travel = machine.axes[name].travel
    return 0.0 if travel is None else min(max(0.0, travel[0]), travel[1])


def moved(origin: Point, angle: float, point: Point) -> Point:
    """The point of a carrier's own coordinates in those of the frame [m]."""
    return (
        origin[0] + cos(angle) * point[0] - sin(angle) * point[1],
        origin[1] + sin(angle) * point[0] + cos(angle) * point[1],
    )
