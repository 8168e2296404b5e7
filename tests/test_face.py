"""The lazy face of the package: every public name is there, and none costs anything before it is used."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest

import sequencer


def python(code: str) -> str:
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)}
    return subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, env=environment, timeout=60, check=True
    ).stdout


@pytest.mark.parametrize("name", sequencer.__all__)
def test_every_public_name_is_there(name: str) -> None:
    assert getattr(sequencer, name) is not None
    assert name in dir(sequencer)


def test_another_name_is_refused_as_any_module_does() -> None:
    with pytest.raises(AttributeError, match="module 'sequencer' has no attribute 'Robot'"):
        sequencer.Robot  # noqa: B018


def test_importing_the_face_loads_nothing_else() -> None:
    loaded = python(
        "import sequencer, sys; print(*[m for m in sys.modules if m.split('.')[0] in ('sequencer', 'profiles')])"
    )
    assert loaded.split() == ["sequencer"]


@pytest.mark.parametrize("first", ["import sequencer.plan", "from sequencer.plan import Plan", "import sequencer"])
def test_a_package_and_the_function_of_its_name_are_one(first: str) -> None:
    lines = (first, "from sequencer import plan", "print(callable(plan), plan.Plan.__name__)")
    code = "\n".join([*lines, "import sequencer.plan as same", "print(same is plan)"])
    assert python(code).split() == ["True", "Plan", "True"]


@pytest.mark.parametrize("first", ["from sequencer.study import Drill", "import sequencer.study.drilling", ""])
def test_a_drill_can_be_called_whatever_was_imported_before(first: str) -> None:
    lines = (first, "from sequencer import drill", "print(callable(drill), callable(__import__('sequencer').drill))")
    assert python("\n".join(lines)).split() == ["True", "True"]
