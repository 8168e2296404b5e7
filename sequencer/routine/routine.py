"""A routine: a named, acyclic graph of steps on one machine."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from sequencer.errors import counted
from sequencer.machine.condition import Condition, Kind, Vocabulary
from sequencer.machine.machine import Machine
from sequencer.places import NOWHERE, Place
from sequencer.routine.parameters import Parameter
from sequencer.routine.steps import Choose, Perform, RehearsalSpec, Repeat, Step, Timeout
from sequencer.units import TIME

ANYWHERE = "anywhere"


@dataclass(frozen=True, slots=True)
class Waiver:
    """A finding accepted in writing: bound to a rule and a step (and `down_to`, the value it accepts, in SI)."""

    rule: str
    step: str | None
    because: str
    down_to: float | None = None
    place: Place = field(compare=False, default=NOWHERE)


@dataclass(frozen=True, slots=True)
class OutsideRange:
    """Where a body outside the machine may stand [m] from the step `since` on (None: from the beginning). Before that
    step it may be anywhere in the range that the machine file gives.
    """

    body: str
    range: tuple[float, float]
    since: str | None = None
    place: Place = field(compare=False, default=NOWHERE)


@dataclass(frozen=True, slots=True)
class Routine:
    """A named, acyclic graph of steps on one machine, deeply immutable.

    `start` names the preset it starts from, or `ANYWHERE`. `subroutines` are the routines that it performs or falls
    back to, by name. `default_timeout` serves steps that give none. `on_cancel` and `on_fault` run after standstill.
    """

    name: str
    machine: Machine
    steps: tuple[Step, ...]
    start: str = ANYWHERE
    parameters: Mapping[str, Parameter] = field(default_factory=dict)
    default_timeout: Timeout | None = None
    subroutines: Mapping[str, Routine] = field(default_factory=dict)
    rehearsals: tuple[RehearsalSpec, ...] = ()
    waivers: tuple[Waiver, ...] = ()
    outside: tuple[OutsideRange, ...] = ()
    on_cancel: tuple[Step, ...] = ()
    on_fault: tuple[Step, ...] = ()
    about: str = ""
    place: Place = field(compare=False, default=NOWHERE)

    def __post_init__(self) -> None:
        object.__setattr__(self, "parameters", MappingProxyType(dict(self.parameters)))
        object.__setattr__(self, "subroutines", MappingProxyType(dict(self.subroutines)))

    def vocabulary(self) -> Vocabulary:
        """The names its conditions may use: the machine's, and each step's `timed_out` and `elapsed`."""
        names = dict(self.machine.vocabulary())
        for step in walk(self.steps):
            names[f"{step.name}.timed_out"] = Kind()
            names[f"{step.name}.elapsed"] = Kind(TIME)
        return names

    def __repr__(self) -> str:
        return (
            f"<Routine {self.name}: {counted(sum(1 for _ in walk(self.steps)), 'step')} from {self.start} "
            f"on {self.machine.name}>"
        )


def walk(steps: tuple[Step, ...]) -> Iterator[Step]:
    """Every step in file order, blocks before the steps inside them (performed routines are not entered)."""
    for step in steps:
        yield step
        for _, inner in blocks_of(step):
            yield from walk(inner)


def blocks_of(step: Step) -> Iterator[tuple[Condition | None, tuple[Step, ...]]]:
    """The step lists inside a block with the condition that opens each.

    The branches of a choose (the else with None), or a repeat's body (None).
    """
    match step.body:
        case Choose(branches=branches, otherwise=otherwise):
            for branch in branches:
                yield branch.condition, branch.steps
            if otherwise is not None:
                yield None, otherwise
        case Repeat(steps=steps):
            yield None, steps
        case Perform():
            return
