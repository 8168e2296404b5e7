"""A value as it was written, with its place: what files and the builder hand to the readers of the model."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from sequencer.errors import ModelError
from sequencer.places import NOWHERE, Place

Scalar = str | int | float | bool | None


@dataclass(frozen=True, slots=True)
class Node:
    """A scalar, a list of nodes, or a table of nodes by key.

    `text` is a scalar as it was written and `quoted` whether it stood in quotes; `span` is where it stands in the text
    of its file (first character, one past the last), None where it has none. `keys` holds the place of each key of a
    table.
    """

    value: Scalar | tuple[Node, ...] | dict[str, Node]
    place: Place = NOWHERE
    text: str = ""
    quoted: bool = False
    span: tuple[int, int] | None = None
    keys: Mapping[str, Place] = field(default_factory=dict)

    @property
    def entries(self) -> dict[str, Node] | None:
        """The nodes by key where this is a table, else None."""
        return self.value if isinstance(self.value, dict) else None

    @property
    def items(self) -> tuple[Node, ...] | None:
        """The nodes in order where this is a list, else None."""
        return self.value if isinstance(self.value, tuple) else None

    def found(self) -> str:
        """What stands here, for messages: ``'abc'``, ``the number 3``, ``a list``, ``a table``."""
        if isinstance(self.value, dict):
            return "a table"
        if isinstance(self.value, tuple):
            return "a list"
        if self.value is None:
            return "nothing"
        if isinstance(self.value, bool):
            return "true" if self.value else "false"
        if isinstance(self.value, int | float):
            return f"the number {self.text or self.value}"
        return f"'{self.value}'"

    def place_of(self, key: str) -> Place:
        """The place of a key of a table."""
        return self.keys.get(key, self.place)


class Problem(NamedTuple):
    """Something wrong at a place: `path` leads to it (``axes.lift.travel``), `message` says what was found and what is
    allowed, `found` is the value as written, `hint` says what to do, `rule` names the rule where one has a number.
    """

    place: Place
    path: str
    message: str
    found: str = ""
    hint: str = ""
    rule: str = ""

    def __str__(self) -> str:
        where = f"{self.place}: " if self.place.file else ""
        return f"{where}{self.path}: {self.sentence}" if self.path else f"{where}{self.sentence}"

    @property
    def sentence(self) -> str:
        """The message with its hint."""
        return f"{self.message}; {self.hint}" if self.hint else self.message


def node_of(value: object, place: Place = NOWHERE) -> Node:
    """A Python value (text, number, truth value, None, and lists, tuples and mappings of such) as a node.

    Raises:
        ModelError: the value is of another type, or a key is not text.
    """
    if value is None or isinstance(value, str | int | float):
        return Node(value, place, value if isinstance(value, str) else repr(value))
    if isinstance(value, Mapping):
        entries: dict[str, Node] = {}
        for key, inner in value.items():
            if not isinstance(key, str):
                raise ModelError(f"the key {key!r} is not text; keys are names")
            entries[key] = node_of(inner, place)
        return Node(entries, place)
    if isinstance(value, Sequence) and not isinstance(value, bytes | bytearray):
        return Node(tuple(node_of(inner, place) for inner in value), place)
    raise ModelError(f"{value!r} is neither text, a number, true, false, a list nor a mapping")
