"""Reading nodes into values: what is gone by, what was found wrong, and how quantities and conditions are read."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from sequencer.errors import ModelError, did_you_mean
from sequencer.machine.condition import Condition, Vocabulary, parse_condition
from sequencer.machine.node import Node, Problem
from sequencer.machine.shape import FIXED, Key, NotYet, Part, Section, Shape, axis_dimensions
from sequencer.places import Place
from sequencer.units import NUMBER, Dimension, dimension_name, parse_quantity, show

NAME = re.compile(r"[A-Za-z_][A-Za-z0-9_]*\Z")
RESERVED = frozenset({"and", "or", "not", "is", "known", "rising", "falling", "true", "false"})
"""Words of the language of conditions; nothing can be called so."""


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
            raise reading.wrong(node, path, f"{as_written(node)} is not a finite number in range")
        if dimension in (None, NUMBER) or value == 0:
            return float(value)
        raise reading.wrong(
            node, path, f"{as_written(node)} has no unit; {wanted} is needed", "write the number, a space and the unit"
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


def as_written(node: Node) -> str:
    if node.text:
        return node.text
    return show(node.value, NUMBER) if isinstance(node.value, int | float) else str(node.value)
