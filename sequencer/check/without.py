"""What becomes of a routine on a day without a sensor: every place that asks for it, and what happens there.

A missing reading is UNKNOWN (R16). Each condition is looked at with every other reading free, so that what is told here
holds whatever else is measured: a condition "cannot be true" where no values of the others make it so.
"""

from __future__ import annotations

from collections.abc import Iterator, Set
from itertools import product
from typing import NamedTuple

from sequencer.errors import ModelError, did_you_mean
from sequencer.machine.condition import Compare, Condition, Edge, Every, Holds, Is, Known, Not, Some, Term, names_in
from sequencer.machine.interlock import KeepOut, MustStay
from sequencer.machine.machine import Machine
from sequencer.places import Place
from sequencer.routine.routine import Routine, blocks_of, walk
from sequencer.routine.steps import Choose, FromReading, Move, Perform, Press, Pulse, Repeat, Step, Wait


class Loss(NamedTuple):
    """One thing that changes without the sensors; `ends` tells whether the run cannot come to "done" past it."""

    place: Place
    step: str | None
    message: str
    ends: bool


def without(routine: Routine, sensors: Set[str]) -> tuple[Loss, ...]:
    """Everything in a routine that needs one of these sensors, and what happens where it is missing.

    Args:
        routine: the routine.
        sensors: those that read nothing.

    Raises:
        ModelError: the machine has no such sensor.
    """
    machine = routine.machine
    for sensor in sorted(sensors):
        if sensor not in machine.sensors:
            raise ModelError(f"--without: unknown sensor '{sensor}'; {did_you_mean(sensor, machine.sensors)}")
    lost = _with_derived(machine, sensors)
    found = list(_in_steps(routine, lost, needed=True))
    for step in walk((*routine.on_cancel, *routine.on_fault)):
        found += _in_step(step, routine, lost, needed=True)
    return (*found, *_in_machine(machine, lost))


def possible(term: Term, lost: Set[str]) -> frozenset[bool | None]:
    """The values that a condition may still have; None is UNKNOWN. Every reading that is not lost is free.

    Args:
        term: the condition's term.
        lost: the readings that are missing.
    """
    match term:
        case Known(name=name):
            return frozenset({False}) if name in lost else _ANY
        case Compare(name=name) | Is(name=name) | Holds(name=name):
            return frozenset({None}) if name in lost else _ANY
        case Edge(term=inner):
            # An edge needs a change between two known values.
            inside = possible(inner, lost)
            return _ANY if {True, False} <= inside else inside - {True} | {False}
        case Not(term=inner):
            return frozenset(None if value is None else not value for value in possible(inner, lost))
        case Every(terms=terms):
            each = product(*(possible(inner, lost) for inner in terms))
            return frozenset(False if False in values else None if None in values else True for values in each)
        case Some(terms=terms):
            each = product(*(possible(inner, lost) for inner in terms))
            return frozenset(True if True in values else None if None in values else False for values in each)


_ANY: frozenset[bool | None] = frozenset({True, False, None})


def _never(condition: Condition | None, lost: Set[str]) -> bool:
    """Whether it names what is lost and cannot be true without it."""
    if condition is None or not lost & set(names_in(condition.term)):
        return False
    return True not in possible(condition.term, lost)


def _with_derived(machine: Machine, sensors: Set[str]) -> frozenset[str]:
    """The sensors, and those derived from them that can say nothing more."""
    lost = set(sensors)
    while True:
        more = {
            name
            for name, sensor in machine.sensors.items()
            if name not in lost
            and sensor.derived is not None
            and lost & set(names_in(sensor.derived.source.term))
            and True not in possible(sensor.derived.source.term, lost)
        }
        if not more:
            return frozenset(lost)
        lost |= more


def _in_steps(
    routine: Routine, lost: Set[str], *, needed: bool, steps: tuple[Step, ...] | None = None
) -> Iterator[Loss]:
    """In the order of the file; what stands in a branch is not needed for the run to be done."""
    for step in routine.steps if steps is None else steps:
        yield from _in_step(step, routine, lost, needed)
        if isinstance(step.body, Perform):
            yield from _in_steps(routine.subroutines[step.body.routine], lost, needed=needed)
        for _, inner in blocks_of(step):
            yield from _in_steps(routine, lost, needed=needed and not isinstance(step.body, Choose), steps=inner)


def _in_step(step: Step, routine: Routine, lost: Set[str], needed: bool) -> Iterator[Loss]:
    def loss(message: str, ends: bool) -> Loss:
        return Loss(step.place, step.name, f"'{step.name}' {message}", ends and needed)

    after, ends = _after_timeout(step, routine)
    body = step.body
    if _never(step.only_if, lost):
        yield loss(f"is skipped: its only_if ({step.only_if}) cannot be true", False)
        return
    if _never(step.once, lost):
        yield loss(f"never moves: its gate ({step.once}) cannot be true; {after}", ends)
    if isinstance(body, Wait) and _never(body.condition, lost):
        yield loss(f"waits for what cannot be true ({body.condition}); {after}", ends)
    if _never(step.until, lost):
        if isinstance(body, Press) or (isinstance(body, Pulse) and step.duration is None):
            yield loss(f"is not ended by its until ({step.until}), which cannot be true; {after}", ends)
        else:
            yield loss(f"is not ended early by its until ({step.until}), which cannot be true", False)
    if isinstance(body, Repeat) and _never(body.until, lost):
        yield loss(f"repeats without end: its until ({body.until}) cannot be true; {after}", ends)
    if _never(step.must_stay, lost):
        yield loss(f"faults at once: its must_stay ({step.must_stay}) cannot be true", True)
    if isinstance(body, Choose):
        for branch in body.branches:
            if _never(branch.condition, lost):
                yield Loss(branch.place, step.name, f"'{step.name}' never takes its branch {branch.condition}", False)
        if body.otherwise is None and all(_never(branch.condition, lost) for branch in body.branches):
            yield loss(f"takes no branch and has no else; {after}", ends)
    if isinstance(body, Move):
        read = [goal.sensor for _, goal in body.goals if isinstance(goal, FromReading)]
        read += [body.per[0]] if body.per is not None else []
        for sensor in read:
            if sensor in lost:
                yield loss(f"faults: its goal is read from {sensor}", True)


def _after_timeout(step: Step, routine: Routine) -> tuple[str, bool]:
    timeout = step.timeout or routine.default_timeout
    if timeout is None or timeout.kind == "none":
        return "it has no timeout and stays there until a person cancels", True
    match step.on_timeout:
        case "continue":
            return "after its timeout the run goes on", False
        case "cancel":
            return "after its timeout the run is cancelled", True
        case "fault":
            return "after its timeout the run faults", True
    return f"after its timeout {step.on_timeout} takes over", True


def _in_machine(machine: Machine, lost: Set[str]) -> Iterator[Loss]:
    for rule in machine.interlocks:
        if isinstance(rule, MustStay) and _never(rule.condition, lost):
            axes = ", ".join(rule.axes)
            yield Loss(
                rule.place, None, f"{rule.name} must stay {rule.condition}, which cannot be true: {axes} stop", True
            )
        if isinstance(rule, KeepOut) and rule.when is not None and lost & set(names_in(rule.when.term)):
            yield Loss(rule.place, None, f"whether {rule.name} holds ({rule.when}) is unknown", False)
    for axis in machine.axes.values():
        if axis.zero is not None and (_never(axis.zero.until, lost) or _never(axis.zero.once, lost)):
            yield Loss(axis.place, None, f"{axis.name} cannot find its zero", False)
    for body in machine.bodies.values():
        if body.reading in lost:
            yield Loss(body.place, None, f"where {body.name} stands is not measured; its declared range stands", False)
