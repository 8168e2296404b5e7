"""Out of a conflict: single axes that can move, slowly, without bringing anything nearer than it is already."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import NamedTuple

from sequencer.clearance.box import Pair
from sequencer.clearance.proof import prove
from sequencer.ordering.grid import Grid, KeptOut
from sequencer.ordering.readable import rounded

SLOWLY = 0.1
"""The share of an axis' speed at which it is to leave a conflict [1]."""

SAME = 1e-4
"""What is nearer by no more than this counts as no nearer [m]."""

STEPS = 60
"""Along a direction so many places are tried [1]."""

BUDGET = 400
"""So many cells a proof along one axis looks at before it gives up [1]."""


class WayOut(NamedTuple):
    """One axis alone, the others held where they are.

    Attributes:
        axis: its name.
        to: how far it may go [m or rad].
        clear: whether cells certify it there, tolerances and tracking counted, so that orders start from there; else it
            is only no deeper than before.
        speed: the most it may be driven at [m/s or rad/s].
    """

    axis: str
    to: float
    clear: bool
    speed: float


def ways_out(grid: Grid, positions: Mapping[str, float]) -> list[WayOut]:
    """What does not deepen a conflict: moves of one axis to the nearest clear place, first; where there is none on
    its way, as far as nothing comes nearer.

    Two bodies that are too near, tracking counted, come nowhere nearer than they are; all others keep their margins
    wherever within its band the axis is; a keep-out that the axes stand in is left by its nearer face.

    Args:
        grid: the free boxes.
        positions: where every axis stands [m or rad].
    """
    found = [way for axis in range(len(grid.axes)) for way in _Line(grid, positions, axis).ways()]
    return sorted(found, key=lambda way: not way.clear)


class _Line:
    """One axis through a place."""

    def __init__(self, grid: Grid, positions: Mapping[str, float], axis: int) -> None:
        self.grid, self.axis = grid, axis
        self.place = [positions[name] for name in grid.axes]
        self.near = [self.place[k] - grid.tolerance(k) for k in range(len(grid.axes))]
        self.far = [self.place[k] + grid.tolerance(k) for k in range(len(grid.axes))]
        self.entered = [rule for rule in grid.keep_outs if grid.meets(rule, self.near, self.far)]
        low, high = grid.widened(self.near, self.far)
        clear = [prove([pair], low, high, BUDGET).outcome == "clear" for pair in grid.pairs]
        self.clear = [pair for pair, fine in zip(grid.pairs, clear, strict=True) if fine]
        spans = {name: (place, place) for name, place in zip(grid.axes, self.place, strict=True)}
        middle = [0.5 * (a + b) for a, b in zip(*grid.tree.box({**grid.outside, **spans}), strict=True)]
        self.close = [
            Pair(grid.tree, pair.first, pair.second, min(pair.distance(middle), pair.margin + SAME) - SAME)
            for pair, fine in zip(grid.pairs, clear, strict=True)
            if not fine
        ]

    def ways(self) -> Iterator[WayOut]:
        grid, name = self.grid, self.grid.axes[self.axis]
        axis = grid.machine.axes[name]
        here = self.place[self.axis]
        for side, end in enumerate((grid.low[self.axis], grid.high[self.axis])):
            last = None
            for step in range(1, STEPS + 1):
                # Finer at first: what is left by a little is left soon.
                to = rounded(axis.kind, here + (end - here) * (step / STEPS) ** 2)
                to = min(max(to, grid.low[self.axis]), grid.high[self.axis])
                if to == last or (to - here) * (end - here) <= 0.0:
                    continue
                if not self._no_deeper(here if last is None else last, to):
                    break
                last = to
                if self._clear(to):
                    break
            if last is not None:
                limit = axis.limits.velocity
                most = abs(limit[side]) if isinstance(limit, tuple) else abs(limit)
                yield WayOut(name, last, self._clear(last), SLOWLY * most)

    def _clear(self, to: float) -> bool:
        low, high = list(self.near), list(self.far)
        wide = self.grid.tolerance(self.axis)
        low[self.axis], high[self.axis] = to - wide, to + wide
        return self.grid.free_sharp(low, high)

    def _no_deeper(self, begin: float, to: float) -> bool:
        """Whether the piece from one place to another may be gone; all before it may be."""
        grid, axis = self.grid, self.axis
        low, high = list(self.near), list(self.far)
        low[axis], high[axis] = min(begin, to), max(begin, to)
        for rule in grid.keep_outs:
            if grid.meets(rule, low, high) and not (rule in self.entered and self._leaves(rule, to)):
                return False
        wide_low, wide_high = grid.widened(low, high)
        if prove(self.clear, wide_low, wide_high, BUDGET).outcome != "clear":
            return False
        spans = {name: (place, place) for name, place in zip(grid.axes, self.place, strict=True)}
        spans[grid.axes[axis]] = (low[axis], high[axis])
        thin_low, thin_high = grid.tree.box({**grid.outside, **spans})
        return prove(self.close, thin_low, thin_high, BUDGET).outcome == "clear"

    def _leaves(self, rule: KeptOut, to: float) -> bool:
        """Whether the way goes to the nearer face of a keep-out that is entered, or has nothing to do with it."""
        if self.axis not in rule.axes:
            return True
        place, here = rule.axes.index(self.axis), self.place[self.axis]
        down, up = here - rule.low[place], rule.high[place] - here
        return down <= up if to < here else up <= down
