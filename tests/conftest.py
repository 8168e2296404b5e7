"""Settings of the whole suite."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import settings

# The same examples on every run of CI, so that a red run speaks of the change; other ones each time at a desk.
settings.register_profile("ci", derandomize=True)
if os.environ.get("CI"):
    settings.load_profile("ci")


@pytest.fixture
def golden() -> Callable[[str, str], None]:
    """Compares a text with the file of that name in tests/golden; STEPGRAPH_WRITE_GOLDEN=1 writes the file instead."""

    def compare(name: str, text: str) -> None:
        path = Path(__file__).parent / "golden" / name
        if os.environ.get("STEPGRAPH_WRITE_GOLDEN"):
            path.write_text(text, encoding="utf-8", newline="\n")
        assert text == path.read_text(encoding="utf-8"), f"{name} has changed; look at it, then write it anew"

    return compare
