"""A routine laid out flat: performed routines put in place, names turned into indices, words into what they stand
for."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

from sequencer.errors import ModelError, did_you_mean
from sequencer.machine.condition import Condition, Operand
from sequencer.machine.machine import NANOSECONDS, Machine
from sequencer.routine.graph import referred, starts_of
from sequencer.routine.parameters import NumberParameter, PresetParameter
from sequencer.routine.routine import Routine, blocks_of
from sequencer.routine.steps import (
    After,
    AtTime,
    Flick,
    Following,
    Move,
    Passing,
    Perform,
    Press,
    Step,
    TimeOperand,
    With,
)
from sequencer.routine.way_table import Ways


class Reference(NamedTuple):
    """A value known only when a run starts: a number parameter, or with `axis` the position that a preset parameter
    gives it."""

    parameter: str
    axis: str | None = None


ResolvedOperand = float | Reference
ResolvedTime = int | Reference
"""Whole nanoseconds, or a parameter of dimension time (its value is in seconds)."""


class AfterSteps(NamedTuple):
    """All `steps` have ended (`any`: the first of them). No steps: the beginning of the routine or block.

    `branches` holds, for a join-any, the steps that are interrupted if the predecessor at the same place loses.
    """

    steps: tuple[int, ...]
    any: bool = False
    branches: tuple[tuple[int, ...], ...] = ()


class WithStep(NamedTuple):
    """Together with the start of `step`."""

    step: int


class PassingStep(NamedTuple):
    """At the instant at which `step` passes `at`, `lead` earlier, `lag` later."""

    step: int
    at: ResolvedOperand | str
    axis: str | None
    lead: ResolvedTime
    lag: ResolvedTime


class AtInstant(NamedTuple):
    """At `time` [ns] from the beginning of the routine or block."""

    time: int


ResolvedStart = AfterSteps | WithStep | PassingStep | AtInstant


@dataclass(frozen=True, slots=True)
class Scope:
    """Where words of one routine are looked up: its own parameters, what a performing routine gave for them, the
    presets."""

    routine: Routine
    prefix: str
    bindings: Mapping[str, ResolvedOperand | str]

    def operand(self, operand: Operand, axis: str | None = None) -> ResolvedOperand:
        """What a number or word stands for, for `axis` where it is a position of one.

        Raises:
            ModelError: the word is neither a parameter nor a preset that fits here.
        """
        if not isinstance(operand, str):
            return float(operand)
        if operand in self.bindings:
            bound = self.bindings[operand]
            if isinstance(bound, str):
                return self._preset(bound, axis)
            is_preset = isinstance(self.routine.parameters[operand], PresetParameter)
            return Reference(bound.parameter, axis) if is_preset and isinstance(bound, Reference) else bound
        parameter = self.routine.parameters.get(operand)
        if isinstance(parameter, NumberParameter):
            return Reference(operand)
        if isinstance(parameter, PresetParameter):
            return Reference(operand, axis)
        return self._preset(operand, axis)

    def time(self, operand: TimeOperand) -> ResolvedTime:
        """A duration in whole nanoseconds, or the parameter that holds it."""
        if not isinstance(operand, str):
            return operand
        found = self.operand(operand)
        return found if isinstance(found, Reference) else round(found * NANOSECONDS)

    def preset(self, word: str) -> str | Reference:
        """The preset that a word names: itself, what was given for it, or a preset parameter."""
        if word in self.bindings:
            bound = self.bindings[word]
            if isinstance(bound, float):
                raise ModelError(f"'{word}' is a number in {self.routine.name}; a preset belongs here")
            return bound
        return Reference(word) if isinstance(self.routine.parameters.get(word), PresetParameter) else word

    def _preset(self, word: str, axis: str | None) -> float:
        presets = self.routine.machine.presets
        if word not in presets:
            known = [*self.routine.parameters, *presets]
            raise ModelError(f"'{word}' is neither a parameter nor a preset; {did_you_mean(word, known)}")
        if axis is None or axis not in presets[word].positions:
            raise ModelError(f"preset '{word}' gives no position to {axis or 'what is asked for here'}")
        return presets[word].positions[axis]


@dataclass(frozen=True, slots=True)
class Node:
    """One step in its place: `name` is its path, `parent` the block it is in or -1, `groups` the step lists inside a
    block, `ways` what its route is looked up in, once that is worked out."""

    index: int
    name: str
    step: Step
    parent: int
    start: ResolvedStart
    scope: Scope
    groups: tuple[tuple[Condition | None, tuple[int, ...]], ...] = ()
    ways: Ways | None = None

    @property
    def children(self) -> tuple[int, ...]:
        """All steps directly inside, whatever branch they are in."""
        return tuple(child for _, group in self.groups for child in group)


@dataclass(frozen=True, slots=True)
class FlatRoutine:
    """A routine with its `nodes` in file order, a block before what is inside it, and the `roots` of its top level."""

    routine: Routine
    nodes: tuple[Node, ...]
    roots: tuple[int, ...]

    @property
    def machine(self) -> Machine:
        """The machine that the routine is for."""
        return self.routine.machine


def flatten(routine: Routine) -> FlatRoutine:
    """Lay a routine out flat. A performed routine's steps are called "step/inner".

    Raises:
        ModelError: a performed routine is not there or performs itself, or a start names a step that is not beside it.
    """
    nodes: list[Node] = []
    roots = _lay_out(nodes, routine.steps, -1, Scope(routine, "", {}), (routine.name,))
    return FlatRoutine(routine, tuple(nodes), roots)


def _lay_out(
    nodes: list[Node], steps: Sequence[Step], parent: int, scope: Scope, chain: tuple[str, ...]
) -> tuple[int, ...]:
    place: dict[str, int] = {}
    for step in steps:
        index = len(nodes)
        place[step.name] = index
        nodes.append(Node(index, scope.prefix + step.name, step, parent, AfterSteps(()), scope))
        groups: list[tuple[Condition | None, tuple[int, ...]]] = []
        if isinstance(step.body, Perform):
            inner, inner_chain = _performed(step, step.body, scope, chain)
            groups.append((None, _lay_out(nodes, inner.routine.steps, index, inner, inner_chain)))
        else:
            for condition, inside in blocks_of(step):
                groups.append((condition, _lay_out(nodes, inside, index, scope, chain)))
        if groups:
            nodes[index] = replace(nodes[index], groups=tuple(groups))
    for step, start in zip(steps, _resolved_starts(steps, place, scope), strict=True):
        nodes[place[step.name]] = replace(nodes[place[step.name]], start=start)
    return tuple(place[step.name] for step in steps)


def _performed(step: Step, body: Perform, scope: Scope, chain: tuple[str, ...]) -> tuple[Scope, tuple[str, ...]]:
    inner = scope.routine.subroutines.get(body.routine)
    if inner is None:
        raise ModelError(
            f"{step.place}: '{scope.prefix}{step.name}' performs '{body.routine}', which is not there; "
            f"{did_you_mean(body.routine, scope.routine.subroutines)}"
        )
    if inner.name in chain:
        raise ModelError(f"{step.place}: routines perform each other in a ring: {' -> '.join([*chain, inner.name])}")
    given = dict(body.given)
    bindings: dict[str, ResolvedOperand | str] = {}
    for name, parameter in inner.parameters.items():
        if isinstance(parameter, NumberParameter):
            bindings[name] = scope.operand(given.pop(name, parameter.value))
        else:
            word = given.pop(name, None)
            # What is not given keeps its own value: the outer routine's words are not looked at for it.
            bindings[name] = parameter.preset if word is None else _given_preset(scope, str(word))
    if given:
        unknown = next(iter(given))
        raise ModelError(
            f"{step.place}: '{scope.prefix}{step.name}' gives '{unknown}', which is no parameter of '{inner.name}'; "
            f"{did_you_mean(unknown, inner.parameters)}"
        )
    return Scope(inner, f"{scope.prefix}{step.name}/", bindings), (*chain, inner.name)


def _given_preset(scope: Scope, word: str) -> ResolvedOperand | str:
    found = scope.preset(word)
    if isinstance(found, str) and found not in scope.routine.machine.presets:
        raise ModelError(f"'{found}' is no preset; {did_you_mean(found, scope.routine.machine.presets)}")
    return found


def _resolved_starts(steps: Sequence[Step], place: Mapping[str, int], scope: Scope) -> Iterator[ResolvedStart]:
    starts = starts_of(tuple(steps))
    before = {name: referred(start) for name, start in starts.items()}
    for step in steps:
        for name in before[step.name]:
            if name not in place:
                raise ModelError(
                    f"{step.place}: '{scope.prefix}{step.name}' starts from '{name}', which is not a step beside it; "
                    f"{did_you_mean(name, place)}"
                )
    for step in steps:
        match starts[step.name]:
            case After(steps=names, any=first):
                branches = _branches(names, before, place) if first else ()
                yield AfterSteps(tuple(place[name] for name in names), first, branches)
            case With(step=name):
                yield WithStep(place[name])
            case Passing(step=name, at=at, axis=axis, lead=lead, lag=lag):
                where = at if at == "through" else scope.operand(at, axis or _only_axis(steps, name))
                yield PassingStep(place[name], where, axis, scope.time(lead), scope.time(lag))
            case AtTime(time=time):
                yield AtInstant(time)
            case Following():
                raise AssertionError("starts_of writes every Following out")


def _only_axis(steps: Sequence[Step], name: str) -> str | None:
    body = next(step.body for step in steps if step.name == name)
    if isinstance(body, Move):
        return body.goals[0][0] if len(body.goals) == 1 else None
    return body.axis if isinstance(body, Flick | Press) else None


def _branches(
    joined: Sequence[str], before: Mapping[str, tuple[str, ...]], place: Mapping[str, int]
) -> tuple[tuple[int, ...], ...]:
    """Per joined step what is interrupted if it loses, itself included; what leads to all of them is the fork."""
    reach = [_upstream(name, before) for name in joined]
    fork = set.intersection(*reach)
    return tuple(
        tuple(sorted(place[step] for step in own if step == name or step not in fork))
        for name, own in zip(joined, reach, strict=True)
    )


def _upstream(name: str, before: Mapping[str, tuple[str, ...]]) -> set[str]:
    seen = {name}
    waiting = [name]
    while waiting:
        for earlier in before.get(waiting.pop(), ()):
            if earlier not in seen:
                seen.add(earlier)
                waiting.append(earlier)
    return seen
