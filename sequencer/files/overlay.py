"""Overlays: a small file laid over machine.yaml for a day or a second robot."""

from __future__ import annotations

from pathlib import Path

from sequencer.errors import did_you_mean
from sequencer.files.problems import FileErrors
from sequencer.files.yaml_text import Document, read_yaml
from sequencer.machine.keys import MACHINE, OVERLAY_KEYS
from sequencer.machine.node import Node
from sequencer.machine.reading import Reading, joined
from sequencer.machine.shape import Either, Part, Section, Shape, Table
from sequencer.places import Place

OVERLAY = Section("an overlay", (*OVERLAY_KEYS, *MACHINE.keys))


def lay_over(base: Document, base_file: Path, overlay_file: Path) -> tuple[Document, str]:
    """The base with an overlay's values in place of its own, and the overlay's reason.

    Values are replaced by key, recursively; a list is replaced whole. Values keep the place of the file that they came
    from. A key must be in the base or be one that its section knows; a thing by name must be in the base.

    Raises:
        FileErrors: the overlay cannot be read, is made for another file, or has a key or name that fits nothing.
    """
    node, refused = read_yaml(overlay_file)
    reading = Reading(list(refused), refused=frozenset(problem.place for problem in refused))
    entries = node.entries or {}
    for key in OVERLAY_KEYS:
        if key.name not in entries:
            reading.missing_key(key, node, "")
        elif not isinstance(entries[key.name].value, str):
            reading.unexpected(entries[key.name], key.name, key.shape)
    over = entries.get("over")
    if over is not None and isinstance(over.value, str):
        meant = (overlay_file.parent / over.value).resolve()
        if meant != base_file.resolve():
            message = f"it is made for '{over.value}', and it was laid over '{base_file.name}'"
            reading.wrong(over, "over", message, "lay it over the file that it names, or change 'over'")
    own = {key.name for key in OVERLAY_KEYS}
    rest = Node({name: inner for name, inner in entries.items() if name not in own}, node.place, keys=node.keys)
    merged = _merged(base.root, rest, Part(MACHINE), "", reading)
    if reading.problems:
        raise FileErrors(reading.problems)
    because = entries["because"].value
    return Document(merged, base.problems), str(because)


def _merged(base: Node, over: Node, shape: Shape | None, path: str, reading: Reading) -> Node:
    if base.entries is None or over.entries is None:
        return over
    entries = dict(base.entries)
    keys: dict[str, Place] = dict(base.keys)
    if isinstance(shape, Either):
        shape = next((option for option in shape.options if isinstance(option, Table | Part)), None)
    for name, inner in over.entries.items():
        where = joined(path, name)
        place = over.place_of(name)
        item: Shape | None = None
        if isinstance(shape, Part):
            key = shape.section.key(name)
            if key is None:
                reading.unknown_key(shape.section if path else OVERLAY, over, path, name)
                continue
            item = key.shape
        elif isinstance(shape, Table):
            item = shape.item
            if name not in base.entries:
                message = f"the {shape.of} '{name}' is not in {base.place.file or 'the base'}"
                reading.wrong_at(place, where, message, did_you_mean(name, base.entries))
                continue
        entries[name] = _merged(base.entries[name], inner, item, where, reading) if name in base.entries else inner
        keys.setdefault(name, place)
        if not (inner.entries is not None and name in base.entries):
            keys[name] = place
    return Node(entries, base.place, keys=keys)
