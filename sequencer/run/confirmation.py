"""What people have confirmed on one machine: the routines that may run at full speed there (R49)."""

from __future__ import annotations

import json
import os
from pathlib import Path


class Confirmations:
    """A file of one JSON object a line, each with the hash of a checked routine, its name and who confirmed it.

    The hash covers the machine and the routine: a routine that was changed in anything is a new one.

    Args:
        path: the file; it need not be there yet.

    Raises:
        OSError: the file is there and cannot be read.
    """

    def __init__(self, path: str | os.PathLike[str]) -> None:
        self._path = Path(path)
        self.hashes: set[str] = set()
        text = self._path.read_bytes() if self._path.exists() else b""
        self._cut_short = bool(text) and not text.endswith(b"\n")
        for line in text.decode(errors="replace").splitlines():
            found = _hash_in(line)
            if found is not None:
                self.hashes.add(found)

    def add(self, routine_hash: str, name: str, who: str) -> None:
        """Write one confirmation down and hand it to the disk."""
        entry = json.dumps({"hash": routine_hash, "routine": name, "by": who})
        with self._path.open("a", encoding="utf-8") as file:
            # After a line that was cut short this one would be lost with it.
            file.write(("\n" if self._cut_short else "") + entry + "\n")
            file.flush()
            os.fsync(file.fileno())
        self._cut_short = False
        self.hashes.add(routine_hash)


def _hash_in(line: str) -> str | None:
    """The hash of one line; a line that was cut short confirms nothing."""
    try:
        entry = json.loads(line)
    except ValueError:
        return None
    found = entry.get("hash") if isinstance(entry, dict) else None
    return found if isinstance(found, str) else None
