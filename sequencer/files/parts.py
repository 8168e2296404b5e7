"""Making objects of the model from sections; what is broken is noted and left out."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from profiles.errors import ProfileError
from sequencer.errors import ModelError
from sequencer.machine.node import Node
from sequencer.machine.reading import Fields, Reading, Unreadable, joined


@dataclass(slots=True)
class PartReader:
    """Reads sections below a machine's `top`."""

    reading: Reading
    top: Fields

    def declared(self, name: str) -> tuple[str, ...]:
        """The names in a table of the machine, whether they could be read or not."""
        table = self.top.node(name)
        return tuple((table.entries if table else None) or ())

    def sub(self, name: str, section: Any, fields: Fields | None = None) -> Fields | None:
        """The section under a key, None where it is absent or no table (noted)."""
        fields = fields or self.top
        node = fields.node(name)
        if node is None:
            return None
        try:
            return self.reading.fields(section, node, joined(fields.path, name))
        except Unreadable:
            return None

    def section(self, section: Any, node: Node, path: str) -> Fields | None:
        try:
            return self.reading.fields(section, node, path)
        except Unreadable:
            return None

    def built(self, make: Any, fields: Fields | None, *names: str, reading: Reading | None = None, **more: Any) -> Any:
        """An object from the values of the keys; None where keys it needs are missing or it refuses them (noted)."""
        if fields is None:
            return None
        return self.made(make, fields, {**read_keys(fields, names, reading), **more})

    def made(self, make: Any, fields: Fields, values: dict[str, Any]) -> Any:
        if any(key.required and key.name not in values for key in fields.section.keys):
            return None
        try:
            return make(**values)
        except (ModelError, ProfileError) as error:
            self.reading.wrong_at(fields.at.place, fields.path, str(error))
        return None


def read_keys(fields: Fields, names: Iterable[str], reading: Reading | None = None) -> dict[str, Any]:
    """The values of those keys that are there and readable."""
    absent = object()
    found = {name: fields.read(name, reading or fields.reading, absent) for name in names}
    return {name: value for name, value in found.items() if value is not absent}
