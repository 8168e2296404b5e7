"""What makes a routine impossible before any motion is looked at: the problems that loading it finds too."""

from __future__ import annotations

from collections.abc import Iterator

from sequencer.check.finding import Finding
from sequencer.errors import ModelError
from sequencer.routine.problems import problems_of
from sequencer.routine.routine import Routine

_RULES = {"R28": "ownership", "R24": "timeouts", "R18": "timeouts", "R12": "graph", "M1": "graph", "R9": "graph"}
"""Names for the rules of the language that people ask for; the others are all "model"."""


def model_findings(routine: Routine) -> Iterator[Finding]:
    """Every contradiction of a routine in itself or with its machine, those of the routines that it performs
    included."""
    for performed in _with_performed(routine, {}).values():
        for problem in problems_of(performed):
            yield Finding(
                _RULES.get(problem.rule, "model"),
                "error",
                problem.message,
                problem.step or None,
                problem.place,
                problem.hint,
            )


def refused_model(error: ModelError, routine: Routine) -> Finding:
    """The finding for a model that could not be laid out at all."""
    return Finding("model", "error", str(error), None, routine.place)


def _with_performed(routine: Routine, seen: dict[str, Routine]) -> dict[str, Routine]:
    if routine.name not in seen:
        seen[routine.name] = routine
        for inner in routine.subroutines.values():
            _with_performed(inner, seen)
    return seen
