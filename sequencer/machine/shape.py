"""What may stand where: the shapes that a key's value can have, and how each is read from a node.

The tables of keys (`sequencer.machine.keys`, `sequencer.routine.keys`) are made of these. The readers of files and the
builder, the JSON Schema for editors and the rule table for developers are all derived from those tables.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Literal

from sequencer.errors import ModelError, did_you_mean, nearest
from sequencer.machine.condition import Condition, Vocabulary, parse_condition
from sequencer.machine.node import Node, Problem
from sequencer.places import Place
from sequencer.units import (
    ACCELERATION,
    ANGLE,
    ANGULAR_ACCELERATION,
    ANGULAR_JERK,
    ANGULAR_SPEED,
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
    TIME,
    TORQUE,
    VISCOUS,
    VOLTAGE,
    Dimension,
    dimension_name,
    parse_quantity,
    show,
)

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
}
"""Quantities whose dimension depends on the axis: on a linear one, on a rotary one or a spin."""

NAME = re.compile(r"[A-Za-z_][A-Za-z0-9_]*\Z")
RESERVED = frozenset({"and", "or", "not", "is", "known", "rising", "falling", "true", "false"})
"""Words of the language of conditions; nothing can be called so."""


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


class Unreadable(Exception):
    """A value that could not be read; why was noted."""


OperandJudge = Callable[[str, Dimension, str | None], str | None]
"""Judges a word that stands as a quantity: (word, dimension, axis at hand) -> None if it may, else what is wrong."""


@dataclass(slots=True)
class Reading:
    """What reading goes by and what it found wrong.

    `axis` is the axis at hand, if any, with its `dimensions`. `refused` holds places at which something wrong was noted
    before, as text; nothing more is said about them. `paths` leads from the places of named things to their paths.
    """

    problems: list[Problem] = field(default_factory=list)
    vocabulary: Vocabulary = field(default_factory=dict)
    judge: OperandJudge | None = None
    axis: str | None = None
    dimensions: Mapping[str, Dimension] = field(default_factory=dict)
    refused: frozenset[Place] = frozenset()
    paths: dict[Place, str] = field(default_factory=dict)

    def on_axis(self, name: str, kind: str) -> Reading:
        """The same reading where an axis is at hand."""
        return replace(self, axis=name, dimensions=axis_dimensions(kind))

    def wrong(self, node: Node, path: str, message: str, hint: str = "", rule: str = "") -> Unreadable:
        """Note a problem at a node; give the exception to raise."""
        if node.place not in self.refused:
            self.problems.append(Problem(node.place, path, message, node.text, hint, rule))
        return Unreadable(message)

    def wrong_at(self, place: Place, path: str, message: str, hint: str = "", rule: str = "") -> None:
        """Note a problem at a place."""
        if place not in self.refused:
            self.problems.append(Problem(place, path, message, hint=hint, rule=rule))

    def unexpected(self, node: Node, path: str, shape: Shape) -> Unreadable:
        """Note that something of another shape stands here."""
        if node.value is None:
            return self.wrong(node, path, f"nothing stands here; {shape.expected()} was expected")
        return self.wrong(node, path, f"{node.found()} was found; {shape.expected()} was expected")

    def unknown_key(self, section: Section, node: Node, path: str, name: str) -> None:
        """Note a key that the section does not have, or does not have yet."""
        place, inner = node.place_of(name), joined(path, name)
        if section.key(name) is not None:
            self.wrong_at(place, inner, f"'{name}' is not supported yet", "remove it")
            return
        known = [key.name for key in section.keys if not isinstance(key.shape, NotYet)]
        self.wrong_at(place, inner, f"unknown key '{name}'", did_you_mean(name, known))

    def missing_key(self, key: Key, node: Node, path: str) -> None:
        """Note a key that must be there and is not."""
        message = f"'{key.name}' is missing; {key.shape.expected()} is needed"
        self.wrong_at(node.place, joined(path, key.name), message)

    def dimension(self, of: str) -> Dimension:
        return FIXED[of] if of in FIXED else self.dimensions[of]

    def fields(self, section: Section, node: Node, path: str) -> Fields:
        """The keys of a section.

        Raises:
            Unreadable: the node is not a table.
        """
        if node.entries is None:
            raise self.unexpected(node, path, Part(section))
        for name, inner in node.entries.items():
            key = section.key(name)
            if key is None or isinstance(key.shape, NotYet):
                self.unknown_key(section, node, path, name)
            elif inner.value is None:
                self.unexpected(inner, joined(path, name), key.shape)
        for key in section.keys:
            if key.required and key.name not in node.entries:
                self.missing_key(key, node, path)
        return Fields(section, node, path, self)


@dataclass(frozen=True, slots=True)
class Fields:
    """The readable keys of one section."""

    section: Section
    at: Node
    path: str
    reading: Reading

    def node(self, name: str) -> Node | None:
        """The node under a key, None where the key is absent or empty."""
        if self.section.key(name) is None:
            raise KeyError(f"{self.section.name} has no key '{name}'")
        node = (self.at.entries or {}).get(name)
        return None if node is None or node.value is None else node

    def value(self, name: str, default: Any = None) -> Any:
        """The value under a key, or the default where it is absent or unreadable (then noted)."""
        return self.read(name, self.reading, default)

    def read(self, name: str, reading: Reading, default: Any = None) -> Any:
        """The value under a key, read by other means than the section's own, such as with an axis at hand."""
        node = self.node(name)
        key = self.section.key(name)
        if node is None or key is None:
            return default
        try:
            return key.shape.read(node, joined(self.path, name), reading)
        except Unreadable:
            return default

    def values(self, *names: str) -> dict[str, Any]:
        """The values of those of the keys that are there and readable, by name."""
        found = {name: self.value(name, _ABSENT) for name in names}
        return {name: value for name, value in found.items() if value is not _ABSENT}

    def children(self, name: str) -> Iterator[tuple[str, Node, str, Place]]:
        """Of a table of things by name: name, node, path and the place of the name; ill names are noted and skipped."""
        node = self.node(name)
        if node is None:
            return
        path = joined(self.path, name)
        if node.entries is None:
            self.reading.wrong(node, path, f"{node.found()} was found; a table by name was expected")
            return
        for child, inner in node.entries.items():
            place, where = node.place_of(child), joined(path, child)
            if check_name(child, place, where, self.reading):
                self.reading.paths[place] = where
                yield child, inner, where, place


_ABSENT = object()


def joined(path: str, name: str) -> str:
    """A path one step longer."""
    return f"{path}.{name}" if path else name


def check_name(name: str, place: Place, path: str, reading: Reading) -> bool:
    """Whether something may be called so; notes it if not."""
    if name in RESERVED:
        reading.wrong_at(place, path, f"'{name}' is a word of the language of conditions", "choose another name")
        return False
    if NAME.match(name) is None:
        reading.wrong_at(
            place, path, f"'{name}' is not a name", "use letters, digits and underscores, a letter or underscore first"
        )
        return False
    return True


@dataclass(frozen=True, slots=True)
class Text(Shape):
    """Words for people, or a path."""

    what: str = "text"

    def expected(self) -> str:
        return self.what

    def read(self, node: Node, path: str, reading: Reading) -> str:
        if not isinstance(node.value, str):
            raise reading.unexpected(node, path, self)
        return node.value


@dataclass(frozen=True, slots=True)
class Name(Shape):
    """The name of something, `of` what."""

    of: str

    def expected(self) -> str:
        return f"the name of {self.of}"

    def read(self, node: Node, path: str, reading: Reading) -> str:
        if not isinstance(node.value, str):
            raise reading.unexpected(node, path, self)
        return node.value


@dataclass(frozen=True, slots=True)
class OneOf(Shape):
    """One of some words."""

    words: tuple[str, ...]

    def expected(self) -> str:
        return f"one of {', '.join(self.words)}"

    def read(self, node: Node, path: str, reading: Reading) -> str:
        if not isinstance(node.value, str):
            raise reading.unexpected(node, path, self)
        if node.value not in self.words:
            near = nearest(node.value, self.words)
            hint = f"did you mean '{near}'?" if near else ""
            raise reading.wrong(node, path, f"'{node.value}' is not {self.expected()}", hint)
        return node.value


@dataclass(frozen=True, slots=True)
class Switch(Shape):
    """true or false."""

    def expected(self) -> str:
        return "true or false"

    def read(self, node: Node, path: str, reading: Reading) -> bool:
        if not isinstance(node.value, bool):
            raise reading.unexpected(node, path, self)
        return node.value


@dataclass(frozen=True, slots=True)
class Whole(Shape):
    """A whole number, at least `least`."""

    least: int

    def expected(self) -> str:
        return f"a whole number, {self.least} or more"

    def read(self, node: Node, path: str, reading: Reading) -> int:
        value = node.value
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise reading.unexpected(node, path, self)
        if value != int(value) or value < self.least:
            raise reading.unexpected(node, path, self)
        return int(value)


@dataclass(frozen=True, slots=True)
class Quantity(Shape):
    """A number with a unit. `words`: a parameter's or preset's name may stand instead. `sign` bounds it."""

    of: str
    words: bool = False
    sign: Literal["any", "positive", "not negative"] = "any"

    def expected(self) -> str:
        if self.of in FIXED:
            what = dimension_name(FIXED[self.of])
        else:
            what = " or ".join(dict.fromkeys(dimension_name(dimension) for dimension in OF_AXIS[self.of]))
        return f"{what} or a parameter's name" if self.words else what

    def read(self, node: Node, path: str, reading: Reading) -> float | str:
        dimension = reading.dimension(self.of)
        value = quantity_or_word(node, path, dimension, reading, self.words)
        if isinstance(value, float):
            if self.sign == "positive" and not value > 0.0:
                raise reading.wrong(node, path, f"{_as_written(node)} is not greater than 0")
            if self.sign == "not negative" and value < 0.0:
                raise reading.wrong(node, path, f"{_as_written(node)} is below 0")
        return value


def quantity_or_word(
    node: Node, path: str, dimension: Dimension | None, reading: Reading, words: bool = False
) -> float | str:
    """A quantity of a dimension (None: of any) in SI, or a judged word.

    Raises:
        Unreadable: it is neither; noted.
    """
    value = node.value
    wanted = "a number with its unit" if dimension is None else dimension_name(dimension)
    if isinstance(value, bool) or value is None or not isinstance(value, str | int | float):
        raise reading.wrong(
            node,
            path,
            f"{'nothing stands here' if value is None else node.found() + ' was found'}; {wanted} was expected",
        )
    if isinstance(value, int | float):
        if not -1e300 < value < 1e300:
            raise reading.wrong(node, path, f"{_as_written(node)} is not a finite number in range")
        if dimension in (None, NUMBER) or value == 0:
            return float(value)
        raise reading.wrong(
            node, path, f"{_as_written(node)} has no unit; {wanted} is needed", "write the number, a space and the unit"
        )
    if NAME.match(value):
        if not words or reading.judge is None or dimension is None:
            raise reading.wrong(node, path, f"'{value}' is not a quantity; {wanted} is needed")
        complaint = reading.judge(value, dimension, reading.axis)
        if complaint is not None:
            raise reading.wrong(node, path, complaint)
        return value
    try:
        quantity = parse_quantity(value)
    except ModelError as error:
        raise reading.wrong(node, path, str(error)) from error
    if quantity.dimension == NUMBER and node.quoted and not value.strip().endswith("%"):
        raise reading.wrong(node, path, f"'{value}' is text, not a number", "remove the quotes")
    if (
        dimension is not None
        and quantity.dimension != dimension
        and not (quantity.dimension == NUMBER and quantity.value == 0.0)
    ):
        if quantity.dimension == NUMBER:
            raise reading.wrong(
                node, path, f"'{value}' has no unit; {wanted} is needed", "write the number, a space and the unit"
            )
        raise reading.wrong(node, path, f"'{value}' is {dimension_name(quantity.dimension)}; {wanted} is needed")
    return quantity.value


@dataclass(frozen=True, slots=True)
class Duration(Shape):
    """A time, kept in whole nanoseconds; with `words`, a parameter's name may stand instead; `zero`: 0 is allowed."""

    zero: bool = False
    words: bool = False
    hint: str = ""

    def expected(self) -> str:
        return "a time (such as 0.5 s) or a parameter's name" if self.words else "a time (such as 0.5 s)"

    def read(self, node: Node, path: str, reading: Reading) -> int | str:
        value = quantity_or_word(node, path, TIME, reading, self.words)
        return value if isinstance(value, str) else self.nanoseconds(value, node, path, reading)

    def nanoseconds(self, value: float, node: Node, path: str, reading: Reading) -> int:
        """Seconds as whole nanoseconds, after the rule that durations are above 0 (R18)."""
        if value < 0.0:
            raise reading.wrong(node, path, f"{_as_written(node)} is negative; a time is needed", self.hint, "R18")
        time = round(value * 1e9)
        if time == 0 and not (self.zero and value == 0.0):
            raise reading.wrong(
                node, path, f"{_as_written(node)} is not a duration; it must be greater than 0", self.hint, "R18"
            )
        return time


@dataclass(frozen=True, slots=True)
class Formula(Shape):
    """A condition on readings."""

    def expected(self) -> str:
        return "a condition such as lift > 0.4 m"

    def read(self, node: Node, path: str, reading: Reading) -> Condition:
        if not isinstance(node.value, str):
            raise reading.unexpected(node, path, self)
        return condition_of(node, path, reading)


def condition_of(node: Node, path: str, reading: Reading) -> Condition:
    """The condition that a text node holds.

    Raises:
        Unreadable: it is none; noted.
    """

    def allowed(word: str, dimension: Dimension, name: str) -> bool:
        if reading.judge is None:
            return False
        complaint = reading.judge(word, dimension, name.partition(".")[0])
        if complaint is not None:
            raise ModelError(f"'{node.value}' is not a condition: {complaint}")
        return True

    try:
        return parse_condition(str(node.value), reading.vocabulary, node.place, allowed)
    except ModelError as error:
        raise reading.wrong(node, path, str(error)) from error


@dataclass(frozen=True, slots=True)
class Pair(Shape):
    """Two of a shape, the first not above the second where both are numbers and `ordered`."""

    item: Shape
    ordered: bool = True

    def expected(self) -> str:
        return f"a pair of values, each {self.item.expected()}"

    def read(self, node: Node, path: str, reading: Reading) -> tuple[Any, Any]:
        items = node.items
        if items is None or len(items) != 2:
            raise reading.unexpected(node, path, self)
        first, second = each(self.item, items, path, reading)
        if self.ordered and isinstance(first, int | float) and isinstance(second, int | float) and first > second:
            texts = " and ".join(item.text for item in items)
            raise reading.wrong(node, path, f"{texts} are in the wrong order; the first must be the smaller")
        return first, second


@dataclass(frozen=True, slots=True)
class OneOrPair(Shape):
    """One value or a pair. A single one is kept as it is, or doubled where it stands for the least and the most."""

    item: Shape
    doubled: bool = True

    def expected(self) -> str:
        return f"{self.item.expected()}, one or a pair"

    def read(self, node: Node, path: str, reading: Reading) -> Any:
        if node.items is not None:
            return Pair(self.item).read(node, path, reading)
        value = self.item.read(node, path, reading)
        return (value, value) if self.doubled else value


@dataclass(frozen=True, slots=True)
class ListOf(Shape):
    """A list."""

    item: Shape

    def expected(self) -> str:
        return f"a list, each {self.item.expected()}"

    def read(self, node: Node, path: str, reading: Reading) -> tuple[Any, ...]:
        if node.items is None:
            raise reading.unexpected(node, path, self)
        return each(self.item, node.items, path, reading)


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


def each(item: Shape, nodes: Sequence[Node], path: str, reading: Reading) -> tuple[Any, ...]:
    """Every node read as `item`; all are looked at before the first problem counts.

    Raises:
        Unreadable: one of them could not be read.
    """
    found: list[Any] = []
    broken: Unreadable | None = None
    for index, node in enumerate(nodes):
        try:
            found.append(item.read(node, f"{path}[{index}]", reading))
        except Unreadable as error:
            broken = error
    if broken is not None:
        raise broken
    return tuple(found)


def _as_written(node: Node) -> str:
    if node.text:
        return node.text
    return show(node.value, NUMBER) if isinstance(node.value, int | float) else str(node.value)
