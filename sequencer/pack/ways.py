"""The ways in a checked routine: whether they belong to its machine."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from sequencer.errors import PackError
from sequencer.pack.checked import canonical
from sequencer.routine.way_table import WayTable


def expect_ways(machine: Mapping[str, Any], routine: Mapping[str, Any]) -> None:
    """Whether the ways of a routine, and of what runs after a cancel or a fault, were made for this very machine.

    Raises:
        PackError: they were made for another, such as one with another overlay, or are damaged.
    """
    for key in (None, "on_cancel", "on_fault"):
        part = routine if key is None else routine.get(key)
        if part is None or "ways" not in part:
            continue
        name = routine["name"] if key is None else f"{routine['name']}.{key}"
        made_for = str(part["ways"].get("machine"))
        if made_for != machine["hash"]:
            raise PackError(
                f"the ways of '{name}' were made for other machine data ({made_for[:12]}) than is here "
                f"({machine['hash'][:12]}): an overlay, bodies, limits or tolerances have changed; check and pack the "
                f"routines again"
            )
        try:
            tables = [WayTable.from_data(table) for table in part["ways"]["tables"]]
            if not all(0 <= number < len(tables) for step in part["steps"] for number in step.get("ways", ())):
                raise ValueError("a step asks for a table that is not there")
        except (KeyError, TypeError, ValueError) as error:
            raise PackError(f"the ways of '{name}' are damaged ({error!r}); pack the routines again") from None


def ways_size(routine: Mapping[str, Any]) -> int:
    """How much of a pack the ways of a routine take, what runs after a cancel or a fault included [bytes]."""
    parts = [routine, *(routine[key] for key in ("on_cancel", "on_fault") if routine.get(key) is not None)]
    return sum(len(canonical(part["ways"])) for part in parts if "ways" in part)
