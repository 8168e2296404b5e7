"""Where something stands in a file, so that every message can point at it."""

from __future__ import annotations

from typing import NamedTuple


class Place(NamedTuple):
    """A position in a text file; lines and columns count from 1, as editors do.

    A model made in Python has no file: its place is `NOWHERE`, printed as "(in Python)".
    """

    file: str
    line: int
    column: int

    def __str__(self) -> str:
        return f"{self.file}:{self.line}:{self.column}" if self.file else "(in Python)"


NOWHERE = Place("", 0, 0)
