"""The example machine, and routines from a few lines of steps."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from sequencer.files import load_machine
from sequencer.files.yaml_text import parse_yaml
from sequencer.machine import Machine
from sequencer.machine.reading import Reading
from sequencer.routine import Routine
from sequencer.routine.reader import routine_of

LANTERN = Path(__file__).parents[1] / "cases" / "lantern"


@pytest.fixture(scope="session")
def lantern_machine() -> Machine:
    return load_machine(LANTERN / "machine.yaml")


@pytest.fixture
def routine_from(lantern_machine: Machine) -> Callable[..., Routine]:
    """A routine of the given steps, as in a file, without judging its graph. `others` are routines it performs."""

    def read(steps: str, head: str = "defaults: {timeout: 3 s}", others: tuple[Routine, ...] = ()) -> Routine:
        reading = Reading()
        known = {routine.name: routine for routine in others}
        node = parse_yaml(f"routine: r\n{head}\nsteps:\n{steps}", "r.yaml")
        routine = routine_of(node, lantern_machine, reading, lambda name, place, path: known.get(name))
        assert routine is not None
        assert [str(problem) for problem in reading.problems] == []
        return routine

    return read
