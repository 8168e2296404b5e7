"""Text into models: strict YAML with the place of every value; machine, overlay and routine files."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from sequencer.files.edit import edit_file, edit_text
    from sequencer.files.problems import FileErrors, FileProblem
    from sequencer.files.read_machine import load_machine
    from sequencer.files.read_routine import load_routine
    from sequencer.files.rules import key_table
    from sequencer.files.schema import machine_schema, mapping_schema, overlay_schema, routine_schema
    from sequencer.files.writer import write_routine

_HOMES = {
    "FileErrors": "problems",
    "FileProblem": "problems",
    "edit_file": "edit",
    "edit_text": "edit",
    "key_table": "rules",
    "load_machine": "read_machine",
    "load_routine": "read_routine",
    "machine_schema": "schema",
    "mapping_schema": "schema",
    "overlay_schema": "schema",
    "routine_schema": "schema",
    "write_routine": "writer",
}
__all__ = [
    "FileErrors",
    "FileProblem",
    "edit_file",
    "edit_text",
    "key_table",
    "load_machine",
    "load_routine",
    "machine_schema",
    "mapping_schema",
    "overlay_schema",
    "routine_schema",
    "write_routine",
]


def __getattr__(name: str) -> Any:
    from importlib import import_module

    if name in _HOMES:
        return getattr(import_module(f"{__name__}.{_HOMES[name]}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    return list(__all__)
