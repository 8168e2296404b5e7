"""The rehearsals of a routine file as test items."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from sequencer.errors import StepgraphError
from sequencer.rehearse import shortfalls
from sequencer.testing.plugin import WORKSHOP

if TYPE_CHECKING:
    from sequencer.routine.routine import Routine
    from sequencer.routine.steps import RehearsalSpec


class RoutineFile(pytest.File):
    """A routine file; its items are the rehearsals that it keeps."""

    def collect(self) -> Iterator[RehearsalItem]:
        """One item a rehearsal; a file that cannot be read is an error in its own words."""
        try:
            routine = self.config.stash[WORKSHOP].routine(self.path)
        except StepgraphError as error:
            raise self.CollectError(str(error)) from None
        for spec in routine.rehearsals:
            yield RehearsalItem.from_parent(self, name=spec.name, routine=routine, spec=spec)


class RehearsalItem(pytest.Item):
    """One rehearsal; it fails with one sentence.

    Args:
        routine: the routine that keeps it.
        spec: the rehearsal.
        others: what pytest gives.
    """

    def __init__(self, *, routine: Routine, spec: RehearsalSpec, **others: Any) -> None:
        super().__init__(**others)
        self.routine, self.spec = routine, spec

    def runtest(self) -> None:
        """Check the routine, run the rehearsal, and hold it against what it expects."""
        rehearsed = self.config.stash[WORKSHOP].rehearse(self.routine, spec=self.spec)
        found = shortfalls(rehearsed.rehearsal, rehearsed.machine, self.spec)
        if found:
            raise AssertionError(f"{rehearsed}: {'; '.join(found)}")

    def repr_failure(self, excinfo: pytest.ExceptionInfo[BaseException], style: Any = None) -> Any:
        """The sentence with the place of the rehearsal; the whole traceback only of what is no finding."""
        if isinstance(excinfo.value, AssertionError | StepgraphError):
            file = os.path.relpath(self.path, self.config.invocation_params.dir)
            return f"{file}:{self.spec.place.line}:{self.spec.place.column}: {excinfo.value}"
        return super().repr_failure(excinfo, style)

    def reportinfo(self) -> tuple[Path, int, str]:
        """Where it is written."""
        return self.path, max(self.spec.place.line - 1, 0), f"{self.routine.name}: {self.name}"
