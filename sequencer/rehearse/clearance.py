"""How near the bodies of the real machine came to each other in a rehearsal, as opposed to what was ordered.

The plant is looked at after every one of its steps. Over a span of time each axis stays within the positions that it
had there, so the certified bound of that box holds for the span; the span that may be worst is halved until the least
clearance is enclosed, below one step of the plant too, where positions run linearly. Nothing thin is stepped over.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from functools import cached_property
from heapq import heappop, heappush
from itertools import count
from math import inf

from sequencer.check.bodies import bodies_of
from sequencer.clearance.box import Pair
from sequencer.machine.machine import NANOSECONDS
from sequencer.machine.sensor import Value
from sequencer.pack import CheckedRoutine
from sequencer.plant import Plant
from sequencer.ports.orders import Event
from sequencer.rehearse.measured import MeasuredClearance
from sequencer.rehearse.places import PlacesOutside
from sequencer.rehearse.touching import Names, Touching

PRECISION = 1e-4
"""The least clearance is enclosed so narrowly [m]."""

FINEST = 1e-6
"""And so narrowly where it lies at the margin, or at what was asked for [m]."""

BUDGET = 20_000
"""So many spans are looked at; what is left then widens what is certain [1]."""


class ClearanceWatch:
    """Follows a plant with bodies, and moves those that stand outside.

    Pairs count as in the check: a piece while the machine holds it, a pair that may touch in a step not while that
    step is active, nor after it was broken off until another step starts, since it stops where it is. Pairs that no
    axis moves are not looked at.

    Args:
        plant: the plant, of a machine with bodies.
        routines: those that may run.
        places: where bodies outside stand.
        values: what scripted gauges read at the start.
    """

    def __init__(
        self, plant: Plant, routines: Iterable[CheckedRoutine], places: PlacesOutside, values: Mapping[str, Value]
    ) -> None:
        self.bodies = bodies_of(plant.machine)
        tree = self.bodies.tree
        self._plant, self._places = plant, places
        self._pairs = [pair for pair in self.bodies.pairs if self.bodies.axes_of(pair)]
        moving = [number for number, name in enumerate(plant.machine.axes) if name in tree.index]
        self._outside = tree.coordinates[len(moving) :]
        self._touching = Touching(routines)
        self._counted: list[tuple[int, str | None, frozenset[Names]]] = []
        plant.places.update(places.at(values))
        self._piece, positions = plant.now
        self._path = _Path(moving)
        here = [plant.places[name] for name in self._outside]
        self._path.extend([positions], 0.0, 0.0, here, here)
        self._rows: list[tuple[str | None, list[float]]] = []
        plant.path = self._rows

    def consider(self, events: Iterable[Event]) -> None:
        """Follow which steps let bodies touch."""
        self._touching.consider(events)

    def see(self, begin: int, end: int, values: Mapping[str, Value]) -> None:
        """Take what the plant did from one tick to the next [ns]; bodies outside moved evenly to where the scripted
        gauges tell that they are at the end."""
        before = [self._plant.places[name] for name in self._outside]
        self._plant.places.update(self._places.at(values))
        after = [self._plant.places[name] for name in self._outside]
        touching = self._touching.now
        first = len(self._path) - 1
        for number, (piece, _) in enumerate(self._rows):
            if self._counted and self._counted[-1][1:] == (self._piece, touching):
                if piece == self._piece == self._rows[-1][0]:
                    break
            else:
                self._counted.append((first + number, self._piece, touching))
            self._piece = piece
        positions = [row[1] for row in self._rows]
        self._path.extend(positions, begin / NANOSECONDS, end / NANOSECONDS, before, after)
        self._rows.clear()

    def result(self) -> MeasuredClearance | None:
        """What had the least to spare; None where nothing counted at any time."""
        return self._least({pair: pair.margin for pair in self._pairs}, 0.0)

    def nearest(self, asked: float) -> MeasuredClearance | None:
        """The nearest that any two bodies came, whatever their margin; whether that is `asked` [m] is told exactly."""
        return self._least(dict.fromkeys(self._pairs, 0.0), asked)

    def _windows(self, pair: Pair) -> list[tuple[int, int]]:
        """From which step of the path to which a pair counts."""
        names = frozenset(pair.names)
        pieces = names & self.bodies.machine.pieces.keys()
        windows: list[tuple[int, int]] = []
        ends = [*(begin for begin, *_ in self._counted[1:]), len(self._path) - 1]
        for (begin, piece, touching), end in zip(self._counted, ends, strict=True):
            if names in touching or not pieces <= {piece}:
                continue
            if windows and windows[-1][1] == begin:
                windows[-1] = windows[-1][0], end
            else:
                windows.append((begin, end))
        return windows

    def _least(self, margins: Mapping[Pair, float], decide: float) -> MeasuredClearance | None:
        search = _Search(self._path, margins)
        for pair in margins:
            for begin, end in self._windows(pair):
                search.add(pair, begin, end)
        if search.where is None:
            return None
        bound = search.run(decide)
        pair, time = search.where
        margin = margins[pair]
        return MeasuredClearance(search.best + margin, bound + margin, pair.margin, pair.names, time)


class _Path:
    """Values of coordinates at instants; in between they run linearly. Places on it are counted in steps.

    Args:
        moving: the numbers of the axes that are coordinates; the others are those of bodies outside.
    """

    def __init__(self, moving: Sequence[int]) -> None:
        self._moving = moving
        self._rows: list[Sequence[float]] = []
        self._standing: list[Sequence[float]] = []
        self._times: list[float] = []
        self._boxes: dict[tuple[float, float], tuple[list[float], list[float]]] = {}

    def __len__(self) -> int:
        return len(self._times)

    def extend(
        self, rows: Sequence[Sequence[float]], begin: float, end: float, before: list[float], after: list[float]
    ) -> None:
        """Positions of all axes [m or rad] at even steps from one time to another [s], its beginning not among them;
        bodies outside went from one place to another [m]."""
        steps = len(rows)
        self._rows += rows
        self._times += [begin + (end - begin) * number / steps for number in range(1, steps + 1)]
        if before == after:
            self._standing += [after] * steps
        else:
            ends = list(zip(before, after, strict=True))
            self._standing += [
                [one + (other - one) * number / steps for one, other in ends] for number in range(1, steps + 1)
            ]

    @cached_property
    def _columns(self) -> list[Sequence[float]]:
        axes = list(zip(*self._rows, strict=True))
        return [*(axes[number] for number in self._moving), *zip(*self._standing, strict=True)]

    def values(self, place: float) -> list[float]:
        first = int(place)
        share = place - first
        if share == 0.0:
            return [column[first] for column in self._columns]
        return [column[first] + share * (column[first + 1] - column[first]) for column in self._columns]

    def time(self, place: float) -> float:
        first = int(place)
        share = place - first
        return self._times[first] + (share * (self._times[first + 1] - self._times[first]) if share else 0.0)

    def box(self, begin: float, end: float) -> tuple[list[float], list[float]]:
        """The middle and half the widths of the box that holds all values from one place to another."""
        found = self._boxes.get((begin, end))
        if found is None:
            if end - begin > 1.0:
                parts = [column[int(begin) : int(end) + 1] for column in self._columns]
                low, high = [min(part) for part in parts], [max(part) for part in parts]
            else:
                ends = list(zip(self.values(begin), self.values(end), strict=True))
                low, high = [min(pair) for pair in ends], [max(pair) for pair in ends]
            found = self._boxes[begin, end] = (
                [0.5 * (one + other) for one, other in zip(low, high, strict=True)],
                [0.5 * (other - one) for one, other in zip(low, high, strict=True)],
            )
        return found


class _Search:
    """The best-first search for the least spare; the heap yields the span that may have the least."""

    def __init__(self, path: _Path, margins: Mapping[Pair, float]) -> None:
        self._path = path
        self._margins = margins
        self._heap: list[tuple[float, int, Pair, float, float]] = []
        self._numbers = count()
        self.best = inf
        self.where: tuple[Pair, float] | None = None

    def add(self, pair: Pair, begin: int, end: int) -> None:
        """A pair counts from one place on the path to another, ends included."""
        for place in (begin, end):
            self._meet(pair, place)
        self._push(pair, begin, end)

    def run(self, decide: float) -> float:
        """Enclose the least spare, more narrowly where `decide` [m] lies in between; what is certain of it [m]."""
        for _ in range(BUDGET):
            if not self._heap:
                return self.best
            lower, _, pair, begin, end = self._heap[0]
            width = self.best - lower
            if width <= FINEST or (width <= PRECISION and not lower <= decide < self.best):
                break
            heappop(self._heap)
            middle = float((int(begin) + int(end)) // 2) if end - begin > 1.0 else 0.5 * (begin + end)
            self._meet(pair, middle)
            self._push(pair, begin, middle)
            self._push(pair, middle, end)
        return min(self.best, self._heap[0][0]) if self._heap else self.best

    def _meet(self, pair: Pair, place: float) -> None:
        spare = pair.distance(self._path.values(place)) - self._margins[pair]
        if spare < self.best:
            self.best, self.where = spare, (pair, self._path.time(place))

    def _push(self, pair: Pair, begin: float, end: float) -> None:
        lower = pair.around(*self._path.box(begin, end)).lower - self._margins[pair]
        if lower < self.best:
            heappush(self._heap, (lower, next(self._numbers), pair, begin, end))
