"""What a routine does after a cancel or after a fault of the process: a few plain steps, as a routine of their own
(R47).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Literal, get_args

from sequencer.routine.routine import Routine
from sequencer.routine.step_values import RoutineProblem
from sequencer.routine.steps import ON_TIMEOUT, Step

AfterwardsKey = Literal["on_cancel", "on_fault"]

AFTERWARDS: tuple[AfterwardsKey, ...] = get_args(AfterwardsKey)

PLAIN_KINDS = ("move", "pulse", "wait", "set")
"""The kinds of step that may run after a cancel or a fault: short, and with a goal that needs nobody's help."""


def afterwards_of(routine: Routine) -> Iterator[tuple[AfterwardsKey, Routine]]:
    """The routines that run after a cancel and after a fault, where there are any, with the key that holds each.

    Each shares the parameters, the default timeout, and the ranges of bodies outside that hold from the beginning: from
    which step on the others hold says nothing about where a run was stopped.
    """
    for key in AFTERWARDS:
        steps: tuple[Step, ...] = getattr(routine, key)
        if steps:
            yield (
                key,
                Routine(
                    f"{routine.name}.{key}",
                    routine.machine,
                    steps,
                    parameters=routine.parameters,
                    default_timeout=routine.default_timeout,
                    outside=tuple(replace(one) for one in routine.outside if one.since is None),
                    place=steps[0].place,
                ),
            )


def afterwards_problems(routine: Routine) -> Iterator[RoutineProblem]:
    """What cannot stand among the steps after a cancel or a fault: blocks, flicks, presses, and other routines."""
    for key, after in afterwards_of(routine):
        for step in after.steps:
            path = _path_of(key, after, step.name)
            if step.kind not in PLAIN_KINDS:
                message = f"a {step.kind} cannot stand in '{key}'"
                hint = f"what stands there: {', '.join(PLAIN_KINDS)}"
                yield RoutineProblem(step.place, "", "R47", message, hint, path)
            if step.on_timeout not in ON_TIMEOUT:
                message = f"'{key}' falls back to no other routine, and '{step.on_timeout}' is one"
                hint = f"write {', '.join(ON_TIMEOUT[:-1])} or {ON_TIMEOUT[-1]}"
                yield RoutineProblem(step.place, "", "R47", message, hint, f"{path}.on_timeout")


def within(key: AfterwardsKey, after: Routine, found: RoutineProblem) -> RoutineProblem:
    """A problem of one of these routines, told as one of the routine that it belongs to."""
    path = _path_of(key, after, found.step) if found.step else key
    return found._replace(step="", key=f"{path}.{found.key}" if found.key else path)


def is_unnamed(after: tuple[Step, ...]) -> bool:
    """Whether the steps are one alone that is called what it is, and so is written without a name."""
    return len(after) == 1 and after[0].name == after[0].kind


def _path_of(key: AfterwardsKey, after: Routine, step: str) -> str:
    return key if is_unnamed(after.steps) else f"{key}.{step}"
