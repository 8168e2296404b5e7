"""What may stand where: the shapes that a key's value can have, and the sections that keys make up.

The tables of keys (`sequencer.machine.keys`, `sequencer.routine.keys`) are made of these and of the shapes in
`sequencer.machine.written`. The readers of files and the builder, the JSON Schema for editors and the rule table for
developers are all derived from those tables.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from sequencer.units import (
    ACCELERATION,
    ANGLE,
    ANGULAR_ACCELERATION,
    ANGULAR_JERK,
    ANGULAR_SPEED,
    ANGULAR_STIFFNESS,
    ANGULAR_VISCOUS,
    CURRENT,
    FORCE,
    INERTIA,
    JERK,
    LENGTH,
    MASS,
    NUMBER,
    RESISTANCE,
    SPEED,
    STIFFNESS,
    TIME,
    TORQUE,
    VISCOUS,
    VOLTAGE,
    Dimension,
)

if TYPE_CHECKING:
    from sequencer.machine.node import Node
    from sequencer.machine.reading import Reading

FIXED: dict[str, Dimension] = {
    "length": LENGTH,
    "angle": ANGLE,
    "time": TIME,
    "angular speed": ANGULAR_SPEED,
    "mass": MASS,
    "inertia": INERTIA,
    "torque": TORQUE,
    "voltage": VOLTAGE,
    "current": CURRENT,
    "resistance": RESISTANCE,
    "number": NUMBER,
}
"""Quantities that mean the same everywhere."""

OF_AXIS: dict[str, tuple[Dimension, Dimension]] = {
    "position": (LENGTH, ANGLE),
    "velocity": (SPEED, ANGULAR_SPEED),
    "acceleration": (ACCELERATION, ANGULAR_ACCELERATION),
    "jerk": (JERK, ANGULAR_JERK),
    "effort": (FORCE, TORQUE),
    "viscous": (VISCOUS, ANGULAR_VISCOUS),
    "stiffness": (STIFFNESS, ANGULAR_STIFFNESS),
}
"""Quantities whose dimension depends on the axis: on a linear one, on a rotary one or a spin."""


def axis_dimensions(kind: str) -> dict[str, Dimension]:
    """What `OF_AXIS` comes to on an axis of a kind."""
    return {of: pair[0 if kind == "linear" else 1] for of, pair in OF_AXIS.items()}


@dataclass(frozen=True, slots=True)
class Shape:
    """What a value may look like."""

    def expected(self) -> str:
        """What is allowed, as the object of "expected": ``a list of names``."""
        raise NotImplementedError

    def read(self, node: Node, path: str, reading: Reading) -> Any:
        """The value for the model.

        Raises:
            Unreadable: it cannot be had; the problems are noted in `reading`.
        """
        raise NotImplementedError


@dataclass(frozen=True, slots=True)
class Key:
    """One key of a section: its shape, whether it must be there, what holds without it, and what it means.

    `about` names the unit where the shape does not; `rule` the rule of the language that it stands for.
    """

    name: str
    shape: Shape
    about: str
    required: bool = False
    default: str = ""
    rule: str = ""


@dataclass(frozen=True, slots=True)
class Section:
    """A table with fixed keys. `name` says what it is in messages: ``an axis``."""

    name: str
    keys: tuple[Key, ...]

    def key(self, name: str) -> Key | None:
        return next((key for key in self.keys if key.name == name), None)


@dataclass(frozen=True, slots=True)
class Table(Shape):
    """Values by name, `of` what; the items may need an axis at hand, so the readers read them one by one."""

    of: str
    item: Shape

    def expected(self) -> str:
        return f"a table by {self.of}"


@dataclass(frozen=True, slots=True)
class Part(Shape):
    """A section of its own; read by the reader of that section."""

    section: Section

    def expected(self) -> str:
        return f"{self.section.name}, a table of keys"


@dataclass(frozen=True, slots=True)
class Either(Shape):
    """Shapes told apart by what is written: text or number, true or false, list, or table."""

    options: tuple[Shape, ...]

    def expected(self) -> str:
        return ", or ".join(dict.fromkeys(option.expected() for option in self.options))


@dataclass(frozen=True, slots=True)
class Anything(Shape):
    """A scalar whose shape depends on what it is for: a number with a unit, true, false, or a word."""

    def expected(self) -> str:
        return "a quantity, true, false or a word"


@dataclass(frozen=True, slots=True)
class Sentence(Shape):
    """A scalar with a grammar of its own; base of the shapes that other tables add."""


@dataclass(frozen=True, slots=True)
class Steps(Shape):
    """A list of steps, each a table of one name; read by the reader of steps."""

    def expected(self) -> str:
        return "a list of steps"


@dataclass(frozen=True, slots=True)
class NotYet(Shape):
    """A key that a later version will read; refused, never passed over."""

    def expected(self) -> str:
        return "nothing yet"
