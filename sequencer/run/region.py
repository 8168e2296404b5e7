"""Where a routine may start, and how to get there (R51)."""

from __future__ import annotations

from typing import TYPE_CHECKING

from sequencer.run.definition import RoutineDefinition

if TYPE_CHECKING:
    from sequencer.run.host import Host


def outside_region(host: Host, definition: RoutineDefinition) -> str | None:
    """None, or how far each axis is off the start region, and what would bring it there."""
    off = []
    for place, low, high in definition.region:
        index = int(place)
        name = host.axis_names[index]
        position = host.values[name]
        if position is None:
            return f"the position of {name} is unknown ({host.unknown_reason(name)})"
        if not host.zeroed[index]:
            return f"{name} is not zeroed"
        if not low <= position <= high:
            outside = low - position if position < low else position - high
            off.append(f"{name} is at {position:.4g}, {outside:.4g} outside")
    if not off:
        return None
    return f"{'; '.join(off)} the start region of '{definition.start}'; {_way(host, definition)}"


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
