"""The step of `Mechanism` for many samples at once: the same sums on arrays, one entry a sample.

Where the scalar step branches, both branches are computed and the right one is taken.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from sequencer.plant.equations import compiled
from sequencer.plant.linkage import Linkage
from sequencer.plant.mechanism import NO_BOUNCE_BELOW, PASSES, RESTITUTION, Mechanism, place_in_triangle

Array = NDArray[np.float64]


class TreeBatch:
    """One tree of all samples, with the masses that each carries.

    Args:
        trees: the tree as each sample has it; they may differ in masses only.
        prescribed: of every axis of the machine.
    """

    def __init__(self, trees: Sequence[Linkage], prescribed: Sequence[bool]) -> None:
        self.trees = list(trees)
        first = trees[0]
        self.size = len(first.coordinates)
        self.free = [(row, axis) for row, axis in enumerate(first.coordinates) if not prescribed[axis]]
        self._present: list[bool] = []
        self.gather()

    def gather(self) -> None:
        """Take the masses of all samples anew."""
        sums = np.array([tree.sums() for tree in self.trees])
        present = (sums != 0.0).any(axis=0)
        self._present = list(present)
        self._columns = np.flatnonzero(present)
        self.masses = np.ascontiguousarray(sums[:, present].T)
        structure = self.trees[0].structure._replace(present=tuple(bool(entry) for entry in present))
        self.equations: Callable[..., tuple[Array, ...]] = compiled(structure, arrays=True)

    def gather_one(self, sample: int) -> None:
        """Take the masses of one sample anew."""
        sums = self.trees[sample].sums()
        if any(entry != 0.0 and not present for entry, present in zip(sums, self._present, strict=True)):
            self.gather()
        else:
            self.masses[:, sample] = [sums[column] for column in self._columns]


class MechanismBatch:
    """State and step of many mechanisms; the attributes are those of `Mechanism`, each of shape (axes, samples).

    Args:
        mechanisms: of the samples.
        prescribed: of every axis.
        spins: the axes that turn alone.
    """

    def __init__(self, mechanisms: Sequence[Mechanism], prescribed: Sequence[bool], spins: Sequence[int]) -> None:
        count, samples = len(mechanisms[0].position), len(mechanisms)
        self._mechanisms = list(mechanisms)
        shape = count, samples
        self.position, self.speed, self.acceleration, self.known, self.impact = (np.zeros(shape) for _ in range(5))
        self.lowest, self.highest, self.viscous, self.extra_inertia = (np.zeros(shape) for _ in range(4))
        self.force, self.damping, self.resist_forward, self.resist_backward = (np.zeros(shape) for _ in range(4))
        self.trees = [
            TreeBatch([mechanism.trees[place] for mechanism in mechanisms], prescribed)
            for place in range(len(mechanisms[0].trees))
        ]
        self._spins = tuple(spins)
        for sample in range(samples):
            self.gather(sample)

    def gather(self, sample: int) -> None:
        """Take state and parameters of one sample from its mechanism."""
        one = self._mechanisms[sample]
        for name in ("position", "speed", "acceleration", "known", "impact"):
            getattr(self, name)[:, sample] = getattr(one, name)
        for name in ("lowest", "highest", "viscous", "extra_inertia"):
            getattr(self, name)[:, sample] = getattr(one, name)

    def gather_masses(self, sample: int) -> None:
        """Take the masses of one sample anew: a piece came or went."""
        for tree in self.trees:
            tree.gather_one(sample)

    def scatter_all(self) -> None:
        """Give all mechanisms their positions and speeds."""
        columns = zip(self._mechanisms, self.position.T.tolist(), self.speed.T.tolist(), strict=True)
        for one, position, speed in columns:
            one.position[:] = position
            one.speed[:] = speed

    def scatter(self, sample: int) -> None:
        """Give one sample's mechanism its state."""
        one = self._mechanisms[sample]
        for name in ("position", "speed", "acceleration", "impact"):
            getattr(one, name)[:] = getattr(self, name)[:, sample].tolist()

    def step(self, duration: float) -> None:
        """Move all on by `duration` [s]."""
        half = 0.5 * duration
        middle = self.position + half * self.speed
        for axis in self._spins:
            bias = np.zeros_like(middle[axis])
            self._move([axis], [[self.extra_inertia[axis]]], [bias], middle, duration)
        if not self.trees:
            return
        rate = self.speed + half * self.acceleration
        for tree in self.trees:
            if not tree.free:
                continue
            terms = tree.equations(middle, rate, self.known, tree.masses)
            axes = [axis for _, axis in tree.free]
            matrix = [
                [terms[place_in_triangle(tree.size, row, column)] for column, _ in tree.free] for row, _ in tree.free
            ]
            for place, axis in enumerate(axes):
                matrix[place][place] = matrix[place][place] + self.extra_inertia[axis]
            self._move(axes, matrix, [terms[row - tree.size] for row, _ in tree.free], middle, duration)

    def _move(
        self, axes: list[int], matrix: list[list[Array]], bias: list[Array], middle: Array, duration: float
    ) -> None:
        """One step of axes that move together."""
        half, size = 0.5 * duration, range(len(axes))
        old = [self.speed[axis].copy() for axis in axes]
        for k in size:
            axis = axes[k]
            matrix[k][k] = matrix[k][k] + half * (self.damping[axis] + self.viscous[axis])
        total = []
        for k in size:
            axis = axes[k]
            momentum = duration * (self.force[axis] - bias[k] - self.viscous[axis] * old[k])
            for i in size:
                momentum = momentum + matrix[k][i] * old[i]
            total.append(momentum)
        most = [self._most(axis, duration) for axis in axes]
        least = [self._least(axis, duration) for axis in axes]
        inverse = inverse_of(matrix)
        new = [_row(inverse[k], total) for k in size]
        self._stick(new, total, inverse, most, least)
        moved = [middle[axes[k]] + half * new[k] for k in size]
        for k in size:
            self.acceleration[axes[k]] = (new[k] - old[k]) / duration
        for k in size:
            self._stop(axes[k], k, moved, new, inverse)
        for k in size:
            self.position[axes[k]] = moved[k]
            self.speed[axes[k]] = new[k]

    def _stick(
        self,
        new: list[Array],
        total: list[Array],
        inverse: list[list[Array]],
        most: list[Array],
        least: list[Array],
    ) -> None:
        """Dry friction: an impulse that brings a speed to rest and no farther; what stands, stands."""
        size = range(len(new))
        stands = (total[0] >= least[0]) & (total[0] <= most[0])
        for k in size[1:]:
            stands &= (total[k] >= least[k]) & (total[k] <= most[k])
        held = [np.zeros_like(new[0]) for _ in size]
        for _ in range(PASSES if len(new) > 1 else 1):
            for k in size:
                wanted = np.minimum(np.maximum(held[k] + new[k] / inverse[k][k], least[k]), most[k])
                change = wanted - held[k]
                held[k] = wanted
                for i in size:
                    new[i] = new[i] - inverse[i][k] * change
        if len(new) == 1:
            stands = (held[0] != most[0]) & (held[0] != least[0])  # the sum leaves a rounding of what is held
        for k in size:
            new[k] = np.where(stands, 0.0, new[k])

    def _stop(self, axis: int, place: int, moved: list[Array], new: list[Array], inverse: list[list[Array]]) -> None:
        """Hard stops: clamp, give back a share of the speed, and strike what moves with it."""
        low, high = self.lowest[axis], self.highest[axis]
        under, over = moved[place] < low, moved[place] > high
        beyond = under | over
        if not beyond.any():
            return
        speed = new[place]
        bounced = np.where(np.abs(speed) > NO_BOUNCE_BELOW, -RESTITUTION * speed, 0.0)
        comes = beyond & np.where(under, speed < 0.0, speed > 0.0)
        impulse = np.where(comes, (bounced - speed) / inverse[place][place], 0.0)
        self.impact[axis] = np.maximum(self.impact[axis], np.abs(impulse))
        moved[place] = np.where(under, low, np.where(over, high, moved[place]))
        for i in range(len(new)):
            if i != place:
                new[i] = new[i] + inverse[i][place] * impulse
        new[place] = np.where(comes, bounced, speed)

    def _most(self, axis: int, duration: float) -> Array:
        free = self.position[axis] < self.highest[axis]
        return np.where(free, duration * self.resist_forward[axis], np.inf)

    def _least(self, axis: int, duration: float) -> Array:
        free = self.position[axis] > self.lowest[axis]
        return np.where(free, -duration * self.resist_backward[axis], -np.inf)


def _row(entries: list[Array], values: list[Array]) -> Array:
    found = entries[0] * values[0]
    for entry, value in zip(entries[1:], values[1:], strict=True):
        found = found + entry * value
    return found


def inverse_of(matrix: list[list[Array]]) -> list[list[Array]]:
    """Inverses of symmetric positive definite matrices, given and returned entry by entry."""
    if len(matrix) == 1:
        return [[1.0 / matrix[0][0]]]
    if len(matrix) == 2:
        (a, b), (_, d) = matrix
        scale = 1.0 / (a * d - b * b)
        along = -b * scale
        return [[d * scale, along], [along, a * scale]]
    size = len(matrix)
    one, none = np.ones_like(matrix[0][0]), np.zeros_like(matrix[0][0])
    rows = [[*row, *(one if i == k else none for i in range(size))] for k, row in enumerate(matrix)]
    for k in range(size):
        scale = 1.0 / rows[k][k]
        rows[k] = [entry * scale for entry in rows[k]]
        for i in range(size):
            if i != k:
                factor = rows[i][k]
                rows[i] = [entry - factor * along for entry, along in zip(rows[i], rows[k], strict=True)]
    return [row[size:] for row in rows]
