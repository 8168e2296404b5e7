"""How near bodies come to each other in many rehearsals at once, looked at every few milliseconds.

A distance is computed only where it may be less than the least so far: since it was computed last it has fallen by no
more than the sum of L_i |q_i - q_i'| over the coordinates (`Pair.lipschitz`).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from sequencer.check.bodies import bodies_of
from sequencer.clearance.batch import distances
from sequencer.machine.machine import NANOSECONDS, Machine
from sequencer.pack import CheckedRoutine
from sequencer.plant import Plant
from sequencer.plant.batch_drives import Array, Mask
from sequencer.ports.orders import Event
from sequencer.rehearse.gauges import ScriptedGauges
from sequencer.rehearse.places import PlacesOutside
from sequencer.rehearse.touching import Touching


class SeenClearance(NamedTuple):
    """The two bodies that had the least to spare over their `margin` [m] at the instants that were looked at: their
    distance `least` [m], and when [s]."""

    least: float
    margin: float
    between: tuple[str, str]
    at: float

    @property
    def too_near(self) -> bool:
        """Whether the margin was not kept."""
        return self.least <= self.margin


class ClearanceBatch:
    """Looks at the bodies of many plants; pairs count as in a rehearsal of one.

    Args:
        machine: whose bodies they are; those of all plants.
        routines: those that may run.
        plants: the plants.
        scenes: the scripted gauges, each with where bodies outside stand by them.
        scene_of: which of them is that of each plant.
        margin: a distance that is asked for between all bodies [m].
    """

    def __init__(
        self,
        machine: Machine,
        routines: Sequence[CheckedRoutine],
        plants: Sequence[Plant],
        scenes: Sequence[tuple[ScriptedGauges, PlacesOutside]],
        scene_of: Sequence[int],
        margin: float = 0.0,
    ) -> None:
        bodies = bodies_of(machine)
        tree, samples = bodies.tree, len(plants)
        pairs = [pair for pair in bodies.pairs if bodies.axes_of(pair)]
        carried = [frozenset(pair.names) & machine.pieces.keys() for pair in pairs]
        # Two pieces are never held together.
        self._pairs = [pair for pair, pieces in zip(pairs, carried, strict=True) if len(pieces) < 2]
        self._margins = np.array([max(pair.margin, margin) for pair in self._pairs])
        codes = {name: number for number, name in enumerate(machine.pieces)}
        self._codes = codes
        self._needs = np.array(
            [next((codes[name] for name in codes if name in pair.names), -1) for pair in self._pairs]
        )
        self._names = [frozenset(pair.names) for pair in self._pairs]
        self._rates = np.array([pair.lipschitz for pair in self._pairs]).reshape(len(self._pairs), -1)
        self._moving = [number for number, name in enumerate(machine.axes) if name in tree.index]
        self._outside = tree.coordinates[len(self._moving) :]
        self._touching = [Touching(routines) for _ in plants]
        self._plants = list(plants)
        self._scenes, self._scene = list(scenes), np.array(scene_of)
        self._standing = np.zeros((len(self._outside), samples))
        self._piece = np.full(samples, -1)
        self._free = np.ones((len(self._pairs), samples), dtype=bool)
        self._distance = np.full((len(self._pairs), samples), -np.inf)
        self._where = np.zeros((len(self._pairs), len(tree.coordinates), samples))
        self._spare = np.full(samples, np.inf)
        self._pair, self._when = np.zeros(samples, dtype=int), np.zeros(samples, dtype=np.int64)
        self._columns = {number: number for number in range(samples)}
        for number in range(samples):
            self.offer(number)

    def __bool__(self) -> bool:
        return bool(self._pairs)

    @property
    def moves(self) -> bool:
        """Whether gauges move bodies outside."""
        return bool(self._outside) and any(places.moves for _, places in self._scenes)

    def consider(self, sample: int, events: Sequence[Event]) -> None:
        """Follow which steps of one sample let bodies touch."""
        touching = self._touching[sample]
        if not touching:
            return
        before = touching.now
        touching.consider(events)
        if touching.now != before:
            self._free[:, self._columns[sample]] = [names not in touching.now for names in self._names]

    def offer(self, sample: int) -> None:
        """The piece that one sample has, or that lies before its rollers, may be another."""
        piece = self._plants[sample].parts.cargo.grip.piece
        self._piece[self._columns[sample]] = -1 if piece is None else self._codes[piece.name]

    def stand(self, now: int) -> None:
        """Bodies outside stand as the gauges tell at `now` [ns]."""
        if not self._outside:
            return
        for number, (script, places) in enumerate(self._scenes):
            at = places.at(script.values(now))
            column = np.array([at[name] for name in self._outside])
            self._standing[:, self._scene == number] = column[:, None]

    def tell(self) -> None:
        """Tell the plants where bodies outside stand, for sensors that read it."""
        for sample, column in self._columns.items():
            self._plants[sample].places.update(zip(self._outside, self._standing[:, column].tolist(), strict=True))

    def rest(self, sample: int) -> None:
        """One sample is over; what its plant does from now on does not count."""
        self._free[:, self._columns[sample]] = False

    def keep(self, samples: list[int]) -> None:
        """From now on only these samples are shown, in this order; the results of the others have been taken."""
        chosen = [self._columns[sample] for sample in samples]
        for name in ("_scene", "_standing", "_piece", "_free", "_distance", "_where", "_spare", "_pair", "_when"):
            setattr(self, name, np.ascontiguousarray(getattr(self, name)[..., chosen]))
        self._columns = {sample: place for place, sample in enumerate(samples)}

    def see(self, positions: Array, present: Mask, now: int) -> None:
        """The machines are at these positions, shape (axes, samples), at `now` [ns]; `present` of them carry their
        piece."""
        values = np.concatenate((positions[self._moving], self._standing))
        needs = self._needs[:, None]
        counts = self._free & ((needs < 0) | ((needs == self._piece) & present))
        fallen = (self._rates[:, :, None] * np.abs(values - self._where)).sum(axis=1)
        wanted = counts & (self._distance - fallen - self._margins[:, None] < self._spare)
        for number in np.flatnonzero(wanted.any(axis=1)).tolist():
            hit = np.flatnonzero(wanted[number])
            found = distances(self._pairs[number], values[:, hit].T)
            self._distance[number, hit] = found
            self._where[number][:, hit] = values[:, hit]
            spare = found - self._margins[number]
            nearer = spare < self._spare[hit]
            where = hit[nearer]
            self._spare[where], self._pair[where], self._when[where] = spare[nearer], number, now

    def result(self, sample: int) -> SeenClearance | None:
        """What had the least to spare; None where nothing counted at any time."""
        column = self._columns[sample]
        if not np.isfinite(self._spare[column]):
            return None
        number = int(self._pair[column])
        margin = float(self._margins[number])
        at = int(self._when[column]) / NANOSECONDS
        return SeenClearance(float(self._spare[column]) + margin, margin, self._pairs[number].names, at)
