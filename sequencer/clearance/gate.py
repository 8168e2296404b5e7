"""The gate that mends a conflict of two phases: one waits until an axis of the other has passed a position."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from math import ceil, floor, radians
from typing import Literal, NamedTuple

from sequencer.clearance.box import Pair
from sequencer.clearance.proof import BUDGET, Verdict, prove
from sequencer.clearance.tree import Tree

Span = tuple[float, float]

ROUND_LENGTHS = (0.01, 0.001)
"""A gate is put at a multiple of the first, or else of the second [m]."""

ROUND_ANGLES = (radians(1.0), radians(0.1))
"""The same for an angle [rad]."""

_HALVINGS = 12


class Phase(NamedTuple):
    """The axes that a step moves: all they may occupy meanwhile, where they rest before, and where they arrive.

    Each maps an axis to its lowest and highest position [m or rad], tolerances included.
    """

    hull: Mapping[str, Span]
    start: Mapping[str, Span]
    goal: Mapping[str, Span]


class FreeGate(NamedTuple):
    """The phase number `waits` (0 or 1) may move `once` the `axis` of the other is on this side of `value` [m or rad].

    `after` is the share of the axis' way that it has to wait for.
    """

    waits: int
    axis: str
    side: Literal[">", "<"]
    value: float
    after: float
    verdict: Verdict


def free_gate(
    tree: Tree,
    pairs: Iterable[Pair],
    first: Phase,
    second: Phase,
    others: Mapping[str, Span],
    budget: int = BUDGET,
) -> FreeGate | None:
    """The gate that opens earliest and makes two phases clear of each other whatever their timing, or None.

    What is proved: one phase rests while the other does all it may, and with the gate open both do all they may.
    The other has to stay beyond the gate once it has passed it, as a step does that moves to a goal.

    Args:
        tree: where bodies are.
        pairs: the watched pairs.
        first: one phase.
        second: the other; they move different axes.
        others: where the axes are that neither moves [m or rad]; bodies outside may be left to their range.
        budget: the most cells for each proof.
    """
    watched = list(pairs)
    found: list[FreeGate] = []
    for waits, (waiting, moving) in enumerate(((first, second), (second, first))):
        low, high = tree.box({**others, **moving.hull, **waiting.start})
        if prove(watched, low, high, budget).outcome != "clear":
            continue
        for axis in moving.hull:
            gate = _on_axis(tree, watched, waits, waiting, moving, axis, others, budget)
            if gate is not None:
                found.append(gate)
    return min(found, key=lambda gate: gate.after, default=None)


def _on_axis(
    tree: Tree,
    pairs: Sequence[Pair],
    waits: int,
    waiting: Phase,
    moving: Phase,
    axis: str,
    others: Mapping[str, Span],
    budget: int,
) -> FreeGate | None:
    start, goal, hull = moving.start[axis], moving.goal[axis], moving.hull[axis]
    up = goal[0] + goal[1] > start[0] + start[1]
    begin, end = (start[1], goal[0]) if up else (start[0], goal[1])
    if (end <= begin) if up else (end >= begin):
        return None

    def proof(value: float) -> Verdict:
        cut = (value, hull[1]) if up else (hull[0], value)
        low, high = tree.box({**others, **moving.hull, **waiting.hull, axis: cut})
        return prove(pairs, low, high, budget)

    if proof(end).outcome != "clear":
        return None
    blocked, free = begin, end
    for _ in range(_HALVINGS):
        middle = 0.5 * (blocked + free)
        if proof(middle).outcome == "clear":
            free = middle
        else:
            blocked = middle
    for value in _rounded(free, end, up, ROUND_LENGTHS if tree.axes[axis].kind == "linear" else ROUND_ANGLES):
        verdict = proof(value)
        if verdict.outcome == "clear":
            after = (value - begin) / (end - begin)
            return FreeGate(waits, axis, ">" if up else "<", value, after, verdict)
    return None


def _rounded(value: float, end: float, up: bool, steps: Sequence[float]) -> Iterator[float]:
    """Round numbers at or beyond the value and before the end, where the axis may arrive."""
    for step in steps:
        # a rounding below the number is the number
        number = ceil(value / step - 1e-9) if up else floor(value / step + 1e-9)
        for more in (0, 1):
            found = (number + more if up else number - more) * step
            if (found < end) if up else (found > end):
                yield found
