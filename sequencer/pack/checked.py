"""A routine that was checked: plain data, and the hash that names exactly this data."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from sequencer.errors import counted

FORMAT = "stepgraph pack 1"
"""What a pack says of itself in its first entry; another number means another arrangement of the data."""


@dataclass(frozen=True, slots=True)
class CheckedRoutine:
    """A routine compiled to plain data (dicts, lists, numbers, texts, booleans and None): what the runner interprets.

    `machine` and `routine` are the compiled data, in SI with durations in whole nanoseconds; they are not to be changed
    once they are here. `hash` is the SHA-256 of both in canonical JSON, in hexadecimal; two checked routines are equal
    when their hashes are.

    Raises:
        ValueError: a number in the data is not finite.
    """

    machine: Mapping[str, Any] = field(compare=False)
    routine: Mapping[str, Any] = field(compare=False)
    hash: str = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "hash", routine_hash(canonical(self.machine), canonical(self.routine)))

    @property
    def name(self) -> str:
        """The routine's name."""
        return str(self.routine["name"])

    @property
    def assumes(self) -> tuple[str, ...]:
        """What the verdict of the check rests on, one sentence part each."""
        return tuple(self.routine.get("assumes", ()))

    def __repr__(self) -> str:
        steps = len(self.routine["steps"])
        return f"<CheckedRoutine {self.name}: {counted(steps, 'step')} on {self.machine['name']}, {self.hash[:12]}>"


def canonical(data: object) -> str:
    """The one JSON text of plain data: keys sorted, no spaces, ASCII; equal data give equal text on every platform.

    Raises:
        ValueError: a number is not finite.
    """
    return json.dumps(data, sort_keys=True, separators=(",", ":"), ensure_ascii=True, allow_nan=False)


def sha256(text: str) -> str:
    """SHA-256 (FIPS 180-4) of an ASCII text, in hexadecimal."""
    return hashlib.sha256(text.encode("ascii")).hexdigest()


def machine_hash(machine: Mapping[str, Any]) -> str:
    """The hash that machine data carries: of everything in it but the hash."""
    return sha256(canonical({key: value for key, value in machine.items() if key != "hash"}))


def routine_hash(machine_text: str, routine_text: str) -> str:
    """The hash of a checked routine from the canonical texts of its machine and of itself."""
    return sha256(f'{{"machine":{machine_text},"routine":{routine_text}}}')


def pack_hash(machine_text: str, routine_texts: list[str]) -> str:
    """The hash of a whole pack from the canonical texts of its parts; the order of the routines counts."""
    return sha256(f'{{"format":"{FORMAT}","machine":{machine_text},"routines":[{",".join(routine_texts)}]}}')
