"""Conditions and the values that decide them, for people: in the units of files."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from sequencer.run.definition import MachineDefinition
from sequencer.run.terms import names_of
from sequencer.units import (
    ANGLE,
    ANGULAR_SPEED,
    CURRENT,
    LENGTH,
    NUMBER,
    SPEED,
    TIME,
    VOLTAGE,
    Dimension,
    show,
    show_turning,
)

if TYPE_CHECKING:
    from sequencer.run.snapshot import Snapshot


class Words:
    """Tells conditions of one machine; it knows what each name is measured in."""

    __slots__ = ("dimensions", "turning")

    def __init__(self, machine: MachineDefinition) -> None:
        self.dimensions: dict[str, Dimension] = {"battery": VOLTAGE}
        self.turning = {axis.speed_name for axis in machine.axes if axis.is_spin}
        for axis in machine.axes:
            place, speed = (LENGTH, SPEED) if axis.is_linear else (ANGLE, ANGULAR_SPEED)
            self.dimensions |= dict.fromkeys((axis.name, f"{axis.name}.ordered", f"{axis.name}.error"), place)
            self.dimensions |= {f"{axis.name}.speed": speed, f"{axis.name}.current": CURRENT}
        for sensor in machine.sensors:
            dimension = sensor.get("dimension")
            if dimension is not None:
                m, kg, s, amp, rad = dimension
                self.dimensions[sensor["name"]] = (m, kg, s, amp, rad)

    def value(self, name: str, value: Any, digits: int = 4) -> str:
        """What a name has for its value, with its unit; unknown for None."""
        if value is None:
            return "unknown"
        if isinstance(value, bool):
            return str(value).lower()
        if not isinstance(value, int | float):
            return str(value)
        if name in self.turning:
            return show_turning(value, digits)
        default = TIME if name.endswith(".elapsed") else NUMBER
        return show(value, self.dimensions.get(name, default), digits)

    def term(self, term: Any) -> str:
        """A plain term as a sentence: ``lift > 0.4 m``."""
        head = term[0]
        if head in ("and", "or"):
            parts = (f"({self.term(part)})" if part[0] in ("and", "or") else self.term(part) for part in term[1:])
            return f" {head} ".join(parts)
        if head == "not":
            return f"not ({self.term(term[1])})"
        if head in ("rising", "falling"):
            return f"{head}({self.term(term[1])})"
        if head == "holds":
            return str(term[1])
        if head == "known":
            return f"known({term[1]})"
        if head == "is":
            return f"{term[1]} is {term[2]}"
        limit = term[2]
        return f"{term[1]} {head} {limit[1] if isinstance(limit, list | tuple) else self.value(term[1], limit, 6)}"

    def decided(self, term: Any, values: Mapping[str, Any], own: Mapping[str, Any]) -> str:
        """A term with the values that decide it: ``lift > 0.4 m (lift 0.412 m)``."""
        found = (
            f"{name} {self.value(name, own[name] if name in own else values.get(name))}" for name in names_of(term)
        )
        return f"{self.term(term)} ({', '.join(found)})"


def unknown_words(term: Any, snapshot: Snapshot) -> str:
    """Which of a term's names are UNKNOWN, why and since which tick; "" where none is."""
    return ", ".join(map(snapshot.reason, snapshot.all_unknown(term)))
