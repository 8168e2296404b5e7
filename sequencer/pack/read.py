"""Reading a pack on the robot: the standard library alone, and nothing is believed before its hash fits."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType
from typing import Any, NoReturn

from sequencer.errors import PackError
from sequencer.pack.blocked import blocked_tables
from sequencer.pack.checked import FORMAT, CheckedRoutine, canonical, machine_hash, pack_hash
from sequencer.pack.shape import check_shape
from sequencer.pack.ways import expect_ways


@dataclass(frozen=True, slots=True)
class Pack:
    """What one file carries to the robot: `machine` data, checked `routines` by name, and the `hash` of all."""

    machine: Mapping[str, Any] = field(compare=False)
    routines: Mapping[str, CheckedRoutine] = field(compare=False)
    hash: str

    def __post_init__(self) -> None:
        object.__setattr__(self, "routines", MappingProxyType(dict(self.routines)))

    def __repr__(self) -> str:
        return f"<Pack of {self.machine['name']}: {', '.join(self.routines)}; {self.hash[:12]}>"


def load_pack(path: str | os.PathLike[str]) -> Pack:
    """Read a pack.

    Raises:
        PackError: the file is not a pack, is damaged, has another format, its hash does not fit what is in it, or
            the data has not the shape that the runner relies on.
        OSError: the file cannot be read.
    """
    name = str(path)
    data = _parsed(Path(path).read_bytes(), name)
    if not isinstance(data, dict) or "format" not in data:
        raise PackError(f"{name} is not a pack: it does not say its format; write one with: stepgraph pack")
    if data["format"] != FORMAT:
        found_format = data["format"]
        raise PackError(
            f"{name} has the format {found_format!r}, and this version reads '{FORMAT}'; pack the routines again"
        )
    machine, routines, written = data.get("machine"), data.get("routines"), data.get("hash")
    if not isinstance(machine, dict) or not isinstance(routines, list) or not isinstance(written, str) or not routines:
        raise PackError(
            f"{name} is damaged: machine, routines or hash is missing or of the wrong type; pack the routines again"
        )
    try:
        found = pack_hash(canonical(machine), [canonical(routine) for routine in routines])
    except ValueError as error:
        raise PackError(f"{name} is damaged: it holds a number that is not finite; pack the routines again") from error
    if found != written:
        raise PackError(
            f"{name} was changed after it was written: its hash says {written[:12]}, its content gives {found[:12]}; "
            f"never edit a pack, pack the routines again"
        )
    try:
        check_shape(machine, routines)
        blocked_tables(machine)
        for routine in routines:
            expect_ways(machine, routine)
    except PackError as error:
        raise PackError(f"{name} cannot be used: {error}") from None
    if machine_hash(machine) != machine["hash"]:
        raise PackError(f"{name} cannot be used: the machine's own hash does not fit its data; pack the routines again")
    checked = {routine["name"]: CheckedRoutine(machine, routine) for routine in routines}
    if len(checked) != len(routines):
        raise PackError(f"{name} cannot be used: two of its routines have one name; pack the routines again")
    return Pack(machine, checked, written)


def _parsed(raw: bytes, name: str) -> object:
    try:
        return json.loads(raw.decode("ascii"), parse_constant=_refuse_constant)
    except (UnicodeDecodeError, ValueError, RecursionError) as error:
        looks_like_one = raw.startswith(b'{"format":')
        what = "is damaged or cut short" if looks_like_one else "is not a pack"
        raise PackError(f"{name} {what}: {error}; write it again with: stepgraph pack") from error


def _refuse_constant(word: str) -> NoReturn:
    raise ValueError(f"{word} is not a finite number")
