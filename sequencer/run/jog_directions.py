"""Which way an axis may be jogged from where no way is known: out of what the machine stands in, never deeper."""

from __future__ import annotations

from typing import TYPE_CHECKING

from sequencer.run.definition import ROUNDING
from sequencer.run.supervisor import Obstacle, depth

if TYPE_CHECKING:
    from sequencer.run.host import Host
    from sequencer.run.motion import Motion

_STEP = 1.0 / 512.0
"""A direction is tried by this share of the travel [1]."""

_INFINITE = float("inf")


def jog_directions(host: Host) -> tuple[tuple[str, int], ...]:
    """The axes, each with 1 (up) or -1 (down), that lead out of everything that the machine stands in, the shortest
    way first; where it stands in nothing, those that are clear for a step."""
    entered = host.supervisor.entered()
    found: list[tuple[float, str, int]] = []
    for motion in host.motions:
        axis = motion.definition
        if axis.is_spin or not host.zeroed[axis.index] or motion.anywhere:
            continue
        if any(axis.index not in box.axes for box in entered):
            continue  # it does not lead out of that one
        sides = [box.side(axis.index) for box in entered]
        for sign in (1, -1):
            way = _way_out(host, motion, sides, entered, sign)
            if way is not None:
                found.append((way, axis.name, sign))
    return tuple((name, sign) for _, name, sign in sorted(found, key=lambda one: one[0]))


def _way_out(
    host: Host, motion: Motion, sides: list[tuple[float, float]], entered: list[Obstacle], sign: int
) -> float | None:
    """How far an axis has to go in a direction until it is out [m or rad]; None: it goes deeper, or nowhere."""
    low, high = motion.occupied_low, motion.occupied_high
    least, most = motion.definition.travel
    step = _STEP * (most - least) * sign
    if not least <= motion.position + step <= most:
        return None
    farthest = 0.0
    for faces in sides:
        # The very rule by which the supervisor lets an axis leave what it stands in.
        if depth(faces, low + step, high + step) > depth(faces, low, high) + ROUNDING:
            return None
        way = faces[1] - low if sign > 0 else high - faces[0]
        if way == _INFINITE or not least <= motion.position + sign * way <= most:
            return None
        farthest = max(farthest, way)
    met = host.supervisor.met(motion.definition.index, min(low, low + step), max(high, high + step))
    return None if any(box not in entered for box in met) else farthest
