"""The gate that mends a conflict of two phases: one waits until an axis of the other has passed a position."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
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

# So near to a round number, in steps, a position is it [1].
_ROUNDING = 1e-6


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

    for step in ROUND_LENGTHS if tree.axes[axis].kind == "linear" else ROUND_ANGLES:
        # round numbers after the start and before the end, where the axis may arrive; later ones cut off more
        sign = 1 if up else -1
        blocked, free = floor(sign * begin / step + _ROUNDING), ceil(sign * end / step - _ROUNDING) - 1
        if free <= blocked or proof(sign * free * step).outcome != "clear":
            continue
        while free - blocked > 1:
            middle = (blocked + free) // 2
            if proof(sign * middle * step).outcome == "clear":
                free = middle
            else:
                blocked = middle
        value = sign * free * step
        return FreeGate(waits, axis, ">" if up else "<", value, (value - begin) / (end - begin), proof(value))
    return None
