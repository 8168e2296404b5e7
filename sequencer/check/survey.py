"""The plans at the ends of every range: the longest time each step takes, and where no plan is possible."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product
from typing import NamedTuple

from sequencer.plan.forward import planned
from sequencer.plan.motion import AsRead, MotionError, PerWord, Pick, Values, goals_of
from sequencer.plan.planned import Plan
from sequencer.plan.resolve import FlatRoutine
from sequencer.plan.timing import ForwardPass
from sequencer.plan.values import chosen_values, initial_positions
from sequencer.routine.parameters import NumberParameter
from sequencer.routine.steps import Choose

_MOST_CORNERS = 32
"""More combinations of range ends than this are not all planned; then each range is taken to its ends alone, and all
together."""


class Failure(NamedTuple):
    """A step that no profile fits with these parameters."""

    error: MotionError
    values: Values


@dataclass(frozen=True, slots=True)
class Survey:
    """What the plans at all corners say.

    Attributes:
        plan: the plan with the parameters' own values; None where that is not possible.
        longest: by step index, the longest time from becoming active to done [s].
        passes: every forward pass that went through; where there is a plan, its own first.
        failures: the first failure of each step.
        complete: whether all combinations of range ends were planned.
    """

    plan: Plan | None
    longest: dict[int, float]
    passes: tuple[ForwardPass, ...]
    failures: tuple[Failure, ...]
    complete: bool


def survey(flat: FlatRoutine) -> Survey:
    """Plan a routine with its own parameters and at the ends of every range, down every branch.

    Raises:
        ModelError: a word in it stands for nothing that fits.
    """
    initial, _ = initial_positions(flat, None)
    own = chosen_values(flat.routine, {})
    corners, complete = _corners(flat, own)
    branches = max((len(node.groups) for node in flat.nodes if isinstance(node.step.body, Choose)), default=1)
    passes: list[ForwardPass] = []
    failures: dict[int, Failure] = {}
    longest: dict[int, float] = {}
    nominal: ForwardPass | None = None
    for values in corners:
        for branch in range(branches):
            for pick in _picks(flat):
                try:
                    found = ForwardPass(flat, values, dict(initial), "usual", branch, pick)
                except MotionError as error:
                    failures.setdefault(error.node.index, Failure(error, values))
                    continue
                passes.append(found)
                if values is own and branch == 0 and pick == "middle":
                    nominal = found
                for index, timed in found.timed.items():
                    if timed.end is not None:
                        longest[index] = max(longest.get(index, 0.0), timed.end - timed.start)
    plan = None if nominal is None else planned(flat, own, found=nominal)
    return Survey(plan, longest, tuple(passes), tuple(failures.values()), complete)


def _picks(flat: FlatRoutine) -> tuple[Pick, ...]:
    ranged = any(isinstance(goal, AsRead | PerWord) for node in flat.nodes for _, goal in goals_of(node))
    return ("middle", "low", "high") if ranged else ("middle",)


def _corners(flat: FlatRoutine, own: Values) -> tuple[list[Values], bool]:
    ends: dict[str, tuple[float | str, ...]] = {}
    for name, parameter in flat.routine.parameters.items():
        if not isinstance(parameter, NumberParameter):
            ends[name] = tuple(dict.fromkeys((parameter.preset, *parameter.choices)))
        elif parameter.low < parameter.high:
            ends[name] = (parameter.low, parameter.high)
    count = 1
    for values in ends.values():
        count *= len(values)
    if count <= _MOST_CORNERS:
        combined = [dict(zip(ends, chosen, strict=True)) for chosen in product(*ends.values())]
        return _without_repeats([own, *({**own, **corner} for corner in combined)]), True
    alone = [{**own, name: value} for name, values in ends.items() for value in values]
    together = [{**own, **{name: values[end] for name, values in ends.items()}} for end in (0, -1)]
    return _without_repeats([own, *alone, *together]), False


def _without_repeats(corners: list[Values]) -> list[Values]:
    found: list[Values] = []
    for values in corners:
        if values not in found:
            found.append(values)
    return found
