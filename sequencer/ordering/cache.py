"""What was worked out for a machine, kept in the user's cache folder under a hash of all that it depends on."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from hashlib import sha256
from pathlib import Path
from typing import Any


def load(key: str) -> dict[str, Any] | None:
    """What was kept under a key; None if nothing was, or if it is not whole, or was made for another key."""
    try:
        text = _file_of(key).read_text(encoding="utf-8")
        outer = json.loads(text)
        if outer["key"] != key or outer["digest"] != _digest(outer["kept"]):
            return None
        found: dict[str, Any] = json.loads(outer["kept"])
        return found
    except (OSError, RuntimeError, ValueError, KeyError, TypeError):
        return None


def store(key: str, data: Mapping[str, Any]) -> None:
    """Keep something, whole or not at all; where that is not possible it is worked out anew next time."""
    try:
        path = _file_of(key)
        path.parent.mkdir(parents=True, exist_ok=True)
        part = path.with_name(f".{path.name}.{os.getpid()}.part")
        kept = json.dumps(data)
        try:
            part.write_text(json.dumps({"key": key, "digest": _digest(kept), "kept": kept}), encoding="utf-8")
            os.replace(part, path)
        except BaseException:
            part.unlink(missing_ok=True)
            raise
    except (OSError, RuntimeError):
        return


def _digest(kept: str) -> str:
    return sha256(kept.encode()).hexdigest()


def _file_of(key: str) -> Path:
    folder = os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache"
    return Path(folder) / "stepgraph" / f"orders-{key}.json"
