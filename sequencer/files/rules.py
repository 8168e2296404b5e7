"""The tables of keys as Markdown, for DEVELOPERS.md."""

from __future__ import annotations

from collections.abc import Iterator

from sequencer.files.mapping_keys import MAPPING
from sequencer.machine.keys import MACHINE, OVERLAY_KEYS
from sequencer.machine.shape import Either, Key, NotYet, Part, Section, Shape, Steps, Table
from sequencer.machine.written import ListOf, OneOrPair, Pair
from sequencer.routine.keys import ROUTINE, STEP


def key_table() -> str:
    """Every key of every file: key, what is written, default, rule, and the test that reads it.

    The test's name is its parameter in tests/files/test_every_key.py.
    """
    lines = ["| key | written | without it | rule | test |", "| --- | --- | --- | --- | --- |"]
    for section, key in every_key():
        name = section_word(section)
        without = "refused" if key.required else key.default or "nothing"
        written = key.shape.expected() if not isinstance(key.shape, NotYet) else "not supported yet: refused"
        cells = (f"`{name}.{key.name}`", written, without, key.rule or "-", f"`test_every_key[{name}.{key.name}]`")
        lines.append("| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |")
    return "\n".join(lines) + "\n"


def every_key() -> Iterator[tuple[Section, Key]]:
    """Each key of overlay, machine, routine and mapping files with its section, sections in reading order."""
    for section in sections():
        for key in section.keys:
            yield section, key


def sections() -> list[Section]:
    """Every section that a file can have."""
    found: list[Section] = []
    waiting: list[Section] = [Section("an overlay", OVERLAY_KEYS), MACHINE, ROUTINE, MAPPING]
    while waiting:
        section = waiting.pop(0)
        if section in found:
            continue
        found.append(section)
        waiting = [inner for key in section.keys for inner in _inside(key.shape)] + waiting
    return found


def section_word(section: Section) -> str:
    """A section's name without its article: ``axis``."""
    return section.name.removeprefix("an ").removeprefix("a ")


def _inside(shape: Shape) -> Iterator[Section]:
    match shape:
        case Part(section=section):
            yield section
        case Steps():
            yield STEP
        case Pair(item=item) | OneOrPair(item=item) | ListOf(item=item) | Table(item=item):
            yield from _inside(item)
        case Either(options=options):
            for option in options:
                yield from _inside(option)
