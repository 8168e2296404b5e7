"""What is wrong with what a routine says about bodies: who may touch in a step, and where bodies outside may stand."""

from __future__ import annotations

from collections.abc import Iterator
from math import isfinite

from sequencer.errors import did_you_mean
from sequencer.machine.body import Body
from sequencer.machine.body_problems import OUTSIDE
from sequencer.machine.machine import Machine
from sequencer.routine.graph import StepNode
from sequencer.routine.routine import OutsideRange, Routine, walk
from sequencer.routine.step_values import RoutineProblem, problem
from sequencer.routine.steps import Flick, Move, Press
from sequencer.units import LENGTH, show


def touching_problems(node: StepNode, machine: Machine) -> Iterator[RoutineProblem]:
    """What is wrong with the two bodies that may touch in a step."""
    if node.step.touching is None:
        return
    first, second = node.step.touching
    for name in dict.fromkeys(node.step.touching):
        if not machine.bodies_meant(name):
            yield problem(node, "R46", *_no_body(name, machine), "touching")
    if first == second:
        yield problem(node, "R46", f"'{first}' is named twice", "name the two bodies that may meet", "touching")
    elif set(machine.bodies_meant(first)) & set(machine.bodies_meant(second)):
        message = f"'{first}' and '{second}' may be one and the same"
        yield problem(node, "R46", message, "name the two bodies that may meet", "touching")
    if not isinstance(node.step.body, Move | Flick | Press):
        message = f"'touching' does not fit a {node.step.kind}; it fits move, flick, press"
        yield problem(node, "R46", message, key="touching")


def _no_body(name: str, machine: Machine) -> tuple[str, str]:
    """Why a name stands for no body, and what to do."""
    if name in machine.pieces:
        return f"the piece '{name}' has no parts", "give it parts in the machine file"
    if name in machine.sensors and set(machine.sensors[name].values) & set(machine.pieces):
        return f"no piece that '{name}' tells of has parts", "give them parts in the machine file"
    return f"unknown body '{name}'", did_you_mean(name, [*machine.body_names(), *_telling(machine)])


def _telling(machine: Machine) -> list[str]:
    """The sensors that stand for the bodies of pieces."""
    return [name for name in machine.sensors if machine.bodies_meant(name)]


def outside_problems(routine: Routine, written: frozenset[str] = frozenset()) -> Iterator[RoutineProblem]:
    """What is wrong with where bodies outside may stand; `written` are steps that could not be read."""
    seen: set[str] = set()
    for given in routine.outside:
        if given.body in seen:
            yield _problem(given, "", f"two ranges are given for '{given.body}'", "keep one")
        seen.add(given.body)
        yield from _range(given, routine.machine)
        if given.since is not None:
            yield from _since(given, given.since, routine, written)


def _range(given: OutsideRange, machine: Machine) -> Iterator[RoutineProblem]:
    body = machine.bodies.get(given.body)
    if body is None:
        standing = [one.name for one in machine.bodies.values() if one.carried_by == OUTSIDE]
        yield _problem(given, "", f"unknown body '{given.body}'", did_you_mean(given.body, standing))
        return
    if body.carried_by != OUTSIDE or body.range is None:
        message = f"'{body.name}' is carried by {body.carried_by}; only a body outside the machine has a range"
        yield _problem(given, "", message, "remove it")
        return
    yield from _within(given, body, body.range)


def _within(given: OutsideRange, body: Body, whole: tuple[float, float]) -> Iterator[RoutineProblem]:
    low, high = given.range
    shown = f"{show(low, LENGTH)} to {show(high, LENGTH)}"
    if not (isfinite(low) and isfinite(high) and low <= high):
        yield _problem(given, "range", f"the range runs from {shown}; the first must be the smaller")
    elif low < whole[0] or high > whole[1]:
        message = (
            f"the range {shown} is not within that of '{body.name}' in the machine file, "
            f"{show(whole[0], LENGTH)} to {show(whole[1], LENGTH)}"
        )
        yield _problem(given, "range", message, "a routine may only narrow it")


def _since(given: OutsideRange, since: str, routine: Routine, written: frozenset[str]) -> Iterator[RoutineProblem]:
    listed = [step.name for step in routine.steps]
    everywhere = {step.name for step in walk(routine.steps)}
    if since in listed or (since in written and since not in everywhere):
        return
    if since in everywhere:
        message = f"'{since}' stands inside a block, and need not happen"
        yield _problem(given, "since", message, "name a step of the routine's own list, such as that block")
    else:
        yield _problem(given, "since", f"unknown step '{since}'", did_you_mean(since, listed))


def _problem(given: OutsideRange, key: str, message: str, hint: str = "") -> RoutineProblem:
    path = f"outside.{given.body}.{key}" if key else f"outside.{given.body}"
    return RoutineProblem(given.place, "", "R51", message, hint, path)
