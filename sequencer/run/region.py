"""Where a routine may start, and how to get there (R51)."""

from __future__ import annotations

from typing import TYPE_CHECKING

from profiles import stop
from sequencer.run.definition import RoutineDefinition
from sequencer.run.ways import no_way

if TYPE_CHECKING:
    from sequencer.run.host import Host


def outside_region(host: Host, definition: RoutineDefinition) -> str | None:
    """None, or why a routine cannot start where the machine stands, and what would bring it where it can."""
    reason = off_region(host, definition)
    # Whoever looks a way up is told more than that the machine stands inside something.
    return reason or (no_way(host, definition) if definition.enters else _stands_inside(host, definition))


def off_region(host: Host, definition: RoutineDefinition, at_rest: bool = False) -> str | None:
    """None, or how far each axis is off the start region, and what would bring it there: of several boxes, that which
    the fewest axes are off. `at_rest`: an axis that moves is judged by the place where it comes to rest if it brakes
    now.
    """
    nearest: list[str] = []
    for box in definition.starts:
        off = []
        for place, low, high in box:
            index = int(place)
            axis = host.definition.axes[index]
            name = axis.name
            position = host.values[name]
            if position is None:
                return f"the position of {name} is unknown ({host.unknown_reason(name)})"
            if not host.zeroed[index]:
                return f"{name} is not zeroed"
            motion = host.motions[index]
            if at_rest and motion.moving:
                position = stop(motion.advanced(), motion.stop_limits).goal.position
            if not low <= position <= high:
                outside = low - position if position < low else position - high
                is_at = "comes to rest" if at_rest and motion.moving else "is"
                off.append(f"{name} {is_at} at {axis.show(position)}, {axis.show(outside)} outside")
        if not off:
            return None
        if not nearest or len(off) < len(nearest):
            nearest = off
    if not nearest:
        return None
    words = "; ".join(nearest)
    if not definition.region:
        return f"{words} where '{definition.name}' was judged from: something may be in the way there; jog it out first"
    return f"{words} the start region of '{definition.start}'; {_way(host, definition)}"


def _stands_inside(host: Host, definition: RoutineDefinition) -> str | None:
    """None, or the keep-out that the machine stands in: from there nothing is certified, wherever a routine starts."""
    if definition.by_hand:
        return None
    for obstacle in host.supervisor.inside():
        if definition.axes & obstacle.axes:
            return f"the machine stands in {obstacle.name}; jog it out first"
    return None


def _way(host: Host, definition: RoutineDefinition) -> str:
    """What would bring the machine to where a routine starts: a routine that ends there, else jogging."""
    for name, other in host.routines.items():
        ends = other.ends
        if (
            other is not definition
            and definition.region
            and all(low <= ends.get(int(place), low - 1.0) <= high for place, low, high in definition.region)
        ):
            return f"{name} ends there"
    return "jog it there, or run a routine that ends there"
