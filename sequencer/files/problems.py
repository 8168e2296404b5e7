"""All that is wrong with a file, in one error."""

from __future__ import annotations

import re
from collections.abc import Iterable

from sequencer.errors import StepgraphError
from sequencer.machine.node import Problem

FileProblem = Problem
"""One thing wrong in a file: place, path, message, found, hint."""


def named_path(path: str) -> str:
    """A path in the words of the reader: steps and rehearsals by their names, which are unique in a file.

    >>> named_path("steps[2].pick.choose[0].steps[1].raise.move")
    'steps.raise.move'
    """
    path = _LISTED_STEP.sub("steps.", path)
    return _LISTED_REHEARSAL.sub("rehearsals.", path)


_LISTED_STEP = re.compile(r".*\b(?:steps|else)\[\d+\]\.")
_LISTED_REHEARSAL = re.compile(r"^rehearsals\[\d+\]\.")


class FileErrors(StepgraphError, ValueError):
    """Everything that is wrong with a file (or with several that belong together), sorted by file and line.

    `problems` holds one `FileProblem` each; the message has one line each: ``file:line:column: path: message; hint``.
    """

    def __init__(self, problems: Iterable[FileProblem]) -> None:
        found = list(dict.fromkeys(problems))
        files = list(dict.fromkeys(problem.place.file for problem in found))
        found.sort(key=lambda problem: (files.index(problem.place.file), problem.place.line, problem.place.column))
        self.problems = tuple(found)
        super().__init__("\n".join(str(problem) for problem in found))
