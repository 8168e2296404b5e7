"""When a gate opens in a plan: the instant at which the axes that it watches pass, by their planned motion."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import NamedTuple

from profiles import Profile, State
from sequencer.machine.condition import Compare, Condition, Every, Not, Some, Term
from sequencer.plan.motion import Values, value_of
from sequencer.plan.resolve import Node

_OPPOSITE = {"<": ">=", "<=": ">", ">": "<=", ">=": "<"}

_ROUNDING = 1e-9
"""A position that misses a threshold by this [m or rad] has passed it; an end that is this near [s] has come."""


class Threshold(NamedTuple):
    """An axis must be above (`sign` 1) or below (-1) `position` [m or rad]."""

    axis: str
    sign: float
    position: float

    def passed(self, position: float) -> bool:
        """Whether a position lies on the right side."""
        return (position - self.position) * self.sign >= -_ROUNDING


class Motion(NamedTuple):
    """What an axis does from `begin` [s] on, and the step that moves it (-1: none, it rests)."""

    begin: float
    profile: Profile
    owner: int

    def at(self, time: float) -> State:
        """The state of the axis at a time [s] of the routine; within a rounding of its end the motion has ended."""
        elapsed = time - self.begin if time < float("inf") else time
        return self.profile.goal if elapsed >= self.profile.duration - _ROUNDING else self.profile.at(elapsed)


def comparisons(condition: Condition | None) -> Iterator[Compare]:
    """The comparisons that must all be true for the condition to be: itself, or those joined by `and`."""
    if condition is not None:
        for term in conjuncts(condition.term):
            if isinstance(term, Compare):
                yield term


def conjuncts(term: Term, negated: bool = False) -> Iterator[Term]:
    """The terms that must all be true for a term to be (or to be false, if `negated`); `not` is carried inwards:
    not (a or b) is not a and not b."""
    if isinstance(term, Not):
        yield from conjuncts(term.term, not negated)
    elif isinstance(term, Some if negated else Every):
        for inner in term.terms:
            yield from conjuncts(inner, negated)
    elif negated and isinstance(term, Compare):
        yield replace(term, operator=_OPPOSITE[term.operator])
    else:
        yield Not(term) if negated else term


def thresholds_of(node: Node, values: Values) -> list[Threshold]:
    """What the gate of a step asks of axis positions; other terms are left out."""
    machine = node.scope.routine.machine
    found = []
    for term in comparisons(node.step.once):
        axis = term.name.removesuffix(".ordered")
        if axis in machine.axes and machine.axes[axis].travel is not None:
            position = value_of(node.scope.operand(term.value, axis), values, machine)
            found.append(Threshold(axis, 1.0 if term.operator in (">", ">=") else -1.0, position))
    return found


def watches_more(node: Node) -> bool:
    """Whether a gate also asks for something else than axis positions, which a plan cannot know."""
    if node.step.once is None:
        return False
    axes = node.scope.routine.machine.axes
    return any(
        not isinstance(term, Compare) or term.name.removesuffix(".ordered") not in axes
        for term in conjuncts(node.step.once.term)
    )


def opening_time(threshold: Threshold, motion: Motion, now: float) -> float | None:
    """The first time [s] from `now` on at which the motion is past the threshold; None if it never gets there."""
    elapsed = now - motion.begin
    if threshold.passed(motion.at(now).position):
        return now
    if elapsed >= motion.profile.duration:
        return None
    passing = motion.profile.first_time_at(threshold.position)
    if passing is not None and passing > elapsed:
        return motion.begin + passing
    return motion.begin + motion.profile.duration if threshold.passed(motion.profile.goal.position) else None
