"""The plans at the ends of every range: the longest time each step takes, and where no plan is possible."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import product
from typing import NamedTuple

from profiles import State
from sequencer.machine.machine import NANOSECONDS
from sequencer.plan.forward import planned
from sequencer.plan.motion import (
    AsRead,
    MotionError,
    PerWord,
    Pick,
    Values,
    goals_of,
    moved_axes,
    profiles_of,
    slowing,
)
from sequencer.plan.planned import Plan
from sequencer.plan.resolve import FlatRoutine, Node
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
        late: by step index of those with a gate, the same if all waits take as long as they may [s]; infinite where one
            may wait for ever.
        passes: every forward pass that went through; where there is a plan, its own first.
        failures: the first failure of each step.
        complete: whether all combinations of range ends were planned.
    """

    plan: Plan | None
    longest: dict[int, float]
    late: dict[int, float]
    passes: tuple[ForwardPass, ...]
    failures: tuple[Failure, ...]
    complete: bool


def survey(flat: FlatRoutine, starts: Sequence[Mapping[str, float]] = ()) -> Survey:
    """Plan a routine with its own parameters and at the ends of every range, down every branch.

    Args:
        flat: the routine.
        starts: from where [m or rad], by axis; none: from where it says that it starts.

    Raises:
        ModelError: a word in it stands for nothing that fits.
    """
    own = chosen_values(flat.routine, {})
    corners, complete = _corners(flat, own)
    branches = max((len(node.groups) for node in flat.nodes if isinstance(node.step.body, Choose)), default=1)
    passes = _Passes(flat, starts or (initial_positions(flat, None)[0],), [], {}, {})
    nominal: ForwardPass | None = None
    for values in corners:
        for branch in range(branches):
            for pick in _picks(flat):
                found = passes.make(values, branch, pick, {})
                if values is own and branch == 0 and pick == "middle":
                    nominal = found
    for node in flat.nodes:
        if node.index not in passes.longest and node.index not in passes.failures:
            # A branch inside a branch that no pass has taken yet.
            passes.make(own, 0, "middle", _way_to(flat, node))
        if node.index not in passes.longest and moved_axes(node):
            passes.longest[node.index] = _from_the_far_end(flat, node, own)
    for node in flat.nodes:
        if node.ways is not None:
            longest = [slowing(node) * table.longest for table in node.ways.tables]
            passes.longest[node.index] = max(passes.longest.get(node.index, 0.0), *longest, 0.0)
    plan = None if nominal is None else planned(flat, own, found=nominal)
    return Survey(
        plan, passes.longest, _late(flat, own, branches), tuple(passes.made), tuple(passes.failures.values()), complete
    )


class _Passes(NamedTuple):
    """The forward passes made so far, the longest time of each step [s], and the first failure of each."""

    flat: FlatRoutine
    starts: Sequence[Mapping[str, float]]
    made: list[ForwardPass]
    longest: dict[int, float]
    failures: dict[int, Failure]

    def make(self, values: Values, branch: int, pick: Pick, forced: Mapping[int, int]) -> ForwardPass | None:
        first: ForwardPass | None = None
        for initial in self.starts:
            try:
                found = ForwardPass(self.flat, values, dict(initial), "usual", branch, pick, forced)
            except MotionError as error:
                self.failures.setdefault(error.node.index, Failure(error, values))
                continue
            first = first or found
            self.made.append(found)
            for index, timed in found.timed.items():
                end = max(timed.end or 0.0, timed.full_end or 0.0)
                if end > 0.0:
                    self.longest[index] = max(self.longest.get(index, 0.0), end - timed.start)
        return first


def _late(flat: FlatRoutine, values: Values, branches: int) -> dict[int, float]:
    """How long each gated step takes if what opens its gate comes as late as the waits before it let it [s]."""
    gated = [node for node in flat.nodes if node.step.once is not None and moved_axes(node)]
    late: dict[int, float] = {}
    for branch in range(branches if gated else 0):
        try:
            found = ForwardPass(flat, values, initial_positions(flat, None)[0], "longest", branch)
        except MotionError:
            continue
        for node in gated:
            timed = found.timed.get(node.index)
            if timed is not None:
                lasts = max((profile.duration for profile in timed.profiles.values()), default=0.0)
                taken = float("inf") if timed.motion_start is None else timed.motion_start + lasts - timed.start
                late[node.index] = max(late.get(node.index, 0.0), taken)
    return late


def _way_to(flat: FlatRoutine, node: Node) -> dict[int, int]:
    """The branches to take so that a step is reached."""
    forced = {}
    inside = node
    while inside.parent >= 0:
        block = flat.nodes[inside.parent]
        forced[block.index] = next(number for number, (_, group) in enumerate(block.groups) if inside.index in group)
        inside = block
    return forced


def _from_the_far_end(flat: FlatRoutine, node: Node, values: Values) -> float:
    """The longest time of a move that no plan comes to (its branch loses): from either end of the travel."""
    longest = 0.0
    for end in (0, 1):
        starts = {axis: State((flat.machine.axes[axis].travel or (0.0, 0.0))[end]) for axis in moved_axes(node)}
        try:
            profiles = profiles_of(node, starts, values)
        except MotionError:
            continue
        for axis, profile in profiles.items():
            settle = flat.machine.axes[axis].tolerance.settle / NANOSECONDS
            longest = max(longest, profile.duration + settle)
    return longest


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
