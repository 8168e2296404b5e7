"""How single values, pairs and lists are written, each with its reading."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

from sequencer.errors import ModelError, nearest
from sequencer.machine.condition import Condition
from sequencer.machine.convex import Point, convex
from sequencer.machine.node import Node
from sequencer.machine.reading import Reading, Unreadable, as_written, condition_of, each, quantity_or_word
from sequencer.machine.shape import FIXED, OF_AXIS, Shape
from sequencer.units import TIME, dimension_name


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
    """A number with a unit. `words`: a parameter's or preset's name may stand instead. `sign` bounds it; `instead` says
    what else would do where it is below 0."""

    of: str
    words: bool = False
    sign: Literal["any", "positive", "not negative"] = "any"
    instead: str = ""

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
                raise reading.wrong(node, path, f"{as_written(node)} is not greater than 0")
            if self.sign == "not negative" and value < 0.0:
                raise reading.wrong(node, path, f"{as_written(node)} is below 0", self.instead)
        return value


LONGEST = 3600.0
"""No duration in a file is longer [s]: a robot's routine that waits longer waits for a mistake."""


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
            raise reading.wrong(node, path, f"{as_written(node)} is negative; a time is needed", self.hint, "R18")
        if value > LONGEST:
            raise reading.wrong(node, path, f"{as_written(node)} is longer than an hour", self.hint, "R18")
        time = round(value * 1e9)
        if time == 0 and not (self.zero and value == 0.0):
            raise reading.wrong(
                node, path, f"{as_written(node)} is not a duration; it must be greater than 0", self.hint, "R18"
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
class Polygons(ListOf):
    """Convex polygons, each a list of points [forward, up]; cleaned by `convex`, or refused with its reason."""

    item: Shape = ListOf(Pair(Quantity("length"), ordered=False))

    def expected(self) -> str:
        return "a list of convex polygons, each a list of points such as [0.1 m, 0.2 m]"

    def read(self, node: Node, path: str, reading: Reading) -> tuple[tuple[Point, ...], ...]:
        if node.items is None:
            raise reading.unexpected(node, path, self)
        if not node.items:
            raise reading.wrong(node, path, "an empty list was found; at least one convex polygon is needed")
        found: list[tuple[Point, ...]] = []
        broken: Unreadable | None = None
        for index, part in enumerate(node.items):
            where = f"{path}[{index}]"
            try:
                found.append(convex(self.item.read(part, where, reading)))
            except ModelError as error:
                broken = reading.wrong(part, where, f"part {index + 1} {error}")
            except Unreadable as error:
                broken = error
        if broken is not None:
            raise broken
        return tuple(found)
