from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

import sequencer.files
import sequencer.machine
import sequencer.routine

ROOT = Path(__file__).parents[2]


@pytest.mark.parametrize(
    "face", [sequencer.files, sequencer.machine, sequencer.routine], ids=lambda face: face.__name__
)
def test_every_public_name_is_there(face: object) -> None:
    for name in face.__all__:  # type: ignore[attr-defined]
        assert getattr(face, name) is not None
    with pytest.raises(AttributeError, match="has no attribute 'nothing'"):
        face.nothing  # type: ignore[attr-defined]  # noqa: B018


def loaded_after(statement: str) -> set[str]:
    """The packages that a fresh interpreter has loaded after a statement."""
    code = f"import sys; {statement}; print(*{{name.partition('.')[0] for name in sys.modules}})"
    result = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT)
    return set(result.stdout.split())


def test_the_faces_and_the_model_load_no_third_party_package() -> None:
    statement = (
        "import sequencer.files, sequencer.machine, sequencer.routine; from sequencer.routine import RoutineBuilder"
    )
    heavy = {"yaml", "pydantic", "pydantic_core", "numpy", "networkx", "rich"}
    assert loaded_after(statement) & heavy == set()


def test_reading_files_loads_the_shapes_but_neither_numpy_nor_networkx() -> None:
    loaded = loaded_after("from sequencer.files import load_machine, load_routine")
    assert {"yaml", "pydantic_core"} <= loaded
    assert loaded & {"numpy", "networkx", "rich"} == set()
