"""What was worked out for a machine, kept in the user's cache folder under a hash of all that it depends on."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from hashlib import sha256
from pathlib import Path
from typing import Any, NamedTuple


class Kept(NamedTuple):
    """What was found under a key: the data, or None, and why it is not taken; empty where nothing was kept."""

    data: dict[str, Any] | None
    refused: str = ""


def look(key: str) -> Kept:
    """What was kept under a key, unless it is not whole, or was made for another key."""
    try:
        path = _file_of(key)
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        return Kept(None)
    except (OSError, RuntimeError, ValueError) as error:
        return Kept(None, f"what was kept could not be read ({error})")
    try:
        outer = json.loads(text)
        if outer["key"] != key:
            return Kept(None, f"{path} was made for another machine, overlay or version")
        if outer["digest"] != _digest(outer["kept"]):
            return Kept(None, f"{path} was changed after it was written")
        return Kept(dict(json.loads(outer["kept"])))
    except (ValueError, KeyError, TypeError, AttributeError):
        return Kept(None, f"{path} is damaged")


def load(key: str) -> dict[str, Any] | None:
    """The same data alone."""
    return look(key).data


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
