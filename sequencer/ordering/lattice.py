"""Places all over the travel, and which lead to which: where the box between two of them is free, every motion from
one to the other is clear, whatever the timing."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property
from itertools import product
from math import inf

import numpy as np
import numpy.typing as npt

from sequencer.clearance.batch import Floats
from sequencer.ordering.cells import Bools
from sequencer.ordering.gated import Clock
from sequencer.ordering.grid import Grid
from sequencer.ordering.readable import rounded

PLACES = {1: 17, 2: 17, 3: 9, 4: 6, 5: 4}
"""Places along each axis by how many axes there are; 3 beyond [1]."""

AT_ONCE = 200_000
"""So many pairs of places are looked at together [1]."""

SHARPLY = 60
"""So many places are looked at sharply from an end that leads to none [1]."""

SAME = 1e-9
"""Positions this near to each other are one [m or rad]."""

STOPPING = 0.02
"""What a place on the way costs besides the time to get there and to settle [s]: fewer stops win a tie."""


class Lattice:
    """The places of a machine.

    Args:
        grid: which boxes are free.
        clock: how long motions take.
        more: places that have to be among them, such as presets: a row for each, shape (n, axes).
        places: how many along each axis.

    Attributes:
        nodes: the places that are free, shape (n, axes) [m or rad].
        pairs: how many pairs of places were looked at.
    """

    def __init__(self, grid: Grid, clock: Clock, more: Sequence[Sequence[float]] = (), places: int | None = None):
        self.grid, self.clock = grid, clock
        count = places or PLACES.get(len(grid.axes), 3)
        rows = [
            [rounded(grid.machine.axes[name].kind, place) for place in np.linspace(low, high, count)]
            for name, low, high in zip(grid.axes, grid.low, grid.high, strict=True)
        ]
        regular = np.clip(np.array(list(product(*rows))), grid.low, grid.high)
        nodes = np.unique(np.concatenate([regular, np.array(more).reshape(-1, len(grid.axes))]), axis=0)
        self.nodes: Floats = nodes[grid.free_many(nodes, nodes)]
        self.settle = np.array(clock.settle)

    @property
    def pairs(self) -> int:
        """How many pairs of places there are [1]."""
        return len(self.nodes) * (len(self.nodes) - 1) // 2

    @cached_property
    def joined(self) -> Bools:
        """Which places lead to which, shape (n, n): the box between them is free."""
        nodes = self.nodes
        found = np.zeros((len(nodes), len(nodes)), dtype=bool)
        first, second = np.triu_indices(len(nodes), 1)
        for begin in range(0, len(first), AT_ONCE):
            part = slice(begin, begin + AT_ONCE)
            one, other = nodes[first[part]], nodes[second[part]]
            found[first[part], second[part]] = self.grid.free_many(np.minimum(one, other), np.maximum(one, other))
        return found | found.T

    @cached_property
    def costs(self) -> Floats:
        """The time from each place to each [s], shape (n, n), settling included; infinite if they are not joined."""
        total = np.zeros((len(self.nodes), len(self.nodes)))
        for axis in range(self.nodes.shape[1]):
            places, inverse = np.unique(self.nodes[:, axis], return_inverse=True)
            table = np.array([[self._time(axis, begin, end) for end in places] for begin in places])
            np.maximum(total, table[np.ix_(inverse, inverse)], out=total)
        return np.where(self.joined, total + STOPPING, inf)

    def to(
        self, goal: Sequence[float], low: Sequence[float] | None = None, high: Sequence[float] | None = None
    ) -> Tree:
        """The fastest ways from all places to a goal.

        Args:
            goal: a position of every axis [m or rad].
            low, high: where the machine may stand there, if not at the goal exactly.
        """
        last = self._from(goal, goal if low is None else low, goal if high is None else high)
        best, following = last.copy(), np.full(len(last), -1, dtype=np.int64)
        following[last == inf] = -2
        open_nodes = np.ones(len(last), dtype=bool)
        while True:
            if not open_nodes.any():
                return Tree(best, following)
            waiting = np.where(open_nodes, best, inf)
            node = int(waiting.argmin())
            if waiting[node] == inf:
                return Tree(best, following)
            open_nodes[node] = False
            through = best[node] + self.costs[:, node]
            better = through < best
            best[better] = through[better]
            following[better] = node

    def way(self, tree: Tree, low: Sequence[float], high: Sequence[float]) -> list[Floats]:
        """The places on the fastest way to the goal of a tree from a start that lies within a box; empty if none leads
        there."""
        begin = 0.5 * (np.array(low) + np.array(high))
        first = self._from(begin, low, high) + tree.costs
        if not len(first) or first.min() == inf:
            return []
        node, found = int(first.argmin()), []
        while node >= 0:
            found.append(self.nodes[node])
            node = int(tree.following[node])
        return found

    def _from(self, place: Sequence[float] | Floats, low: Sequence[float], high: Sequence[float]) -> Floats:
        """The time from every place to one, infinite where the box between is not free. Where none is, the nearest
        are looked at sharply."""
        least, most = np.minimum(self.nodes, np.array(low)), np.maximum(self.nodes, np.array(high))
        total = np.zeros(len(self.nodes))
        for axis in range(self.nodes.shape[1]):
            places, inverse = np.unique(self.nodes[:, axis], return_inverse=True)
            times = np.array([self._time(axis, begin, float(place[axis])) for begin in places.tolist()])
            np.maximum(total, times[inverse], out=total)
        free = self.grid.free_many(least, most)
        there = np.all(np.abs(self.nodes - np.array(place)) < SAME, axis=1)
        if not (free & ~there).any():
            for number in np.argsort(total, kind="stable")[:SHARPLY]:
                free[number] |= self.grid.free_sharp(least[number].tolist(), most[number].tolist())
        return np.where(free, total + STOPPING, inf)

    def _time(self, axis: int, begin: float, end: float) -> float:
        if abs(begin - end) < 1e-12:
            return 0.0
        return self.clock.profile(axis, float(begin), float(end)).duration + self.clock.settle[axis]


class Tree:
    """Ways to a goal: from each place the time [s], and the place that follows (-1: the goal itself, -2: no way)."""

    __slots__ = ("costs", "following")

    def __init__(self, costs: Floats, following: npt.NDArray[np.int64]) -> None:
        self.costs, self.following = costs, following
