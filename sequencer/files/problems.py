"""All that is wrong with a file, in one error."""

from __future__ import annotations

from collections.abc import Iterable

from sequencer.errors import StepgraphError
from sequencer.machine.node import Problem

FileProblem = Problem
"""One thing wrong in a file: place, path, message, found, hint."""


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
