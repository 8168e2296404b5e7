"""``stepgraph schema``."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

Call = Callable[..., Any]


@pytest.mark.parametrize("kind", ["machine", "routine", "overlay"])
def test_a_schema_is_written_to_stdout(kind: str, folder: Path, call: Call) -> None:
    done = call("schema", kind)
    assert (done.code, done.err) == (0, "")
    assert done.data["type"] == "object"


def test_a_schema_is_written_to_a_file(folder: Path, call: Call) -> None:
    done = call("schema", "machine", "-o", "machine.schema.json", "--json")
    assert done.data == {"schema": "machine", "written": "machine.schema.json"}
    assert json.loads((folder / "machine.schema.json").read_text())["type"] == "object"
