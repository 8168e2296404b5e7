"""Blocked positions as an obstacle: where bodies might come too near each other, by the machine's table.

The table is cut into cells and calls a cell free only if all of it is certainly clear, tracking bands included. A
routine that runs may go where its check has proved it clear although a cell is too coarse to tell, where its step says
that a pair may touch, or where it knows better where a body outside stands.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any, NamedTuple

from sequencer.pack.blocked import Guarded, blocked_tables
from sequencer.pack.table import BlockedTable, Free
from sequencer.run.definition import ROUNDING, RoutineDefinition
from sequencer.run.motion import Motion
from sequencer.run.terms import Test

_INFINITE = float("inf")

_HALVINGS = 20
"""So many times the cell at an edge is halved to find the edge [1]."""

Running = list[tuple[RoutineDefinition, frozenset[int]]]
"""The routines that run, each with its active steps that let bodies touch, by index."""

_Cleared = list[tuple[tuple[int, float, float], ...]]


class Grid(NamedTuple):
    """One block of a table: what asks it, the groups of axes that it is made of, and its cells' sizes by axis."""

    free: Free
    groups: list[tuple[int, ...]]
    sizes: dict[int, float]


class BlockedGrids(NamedTuple):
    """A table made ready to be asked; nothing in it changes, so that runners can share it."""

    guarded: Guarded
    grids: tuple[Grid, ...]


def grids_of(machine: Mapping[str, Any]) -> tuple[BlockedGrids, ...]:
    """The tables in machine data, made ready to be asked.

    Raises:
        PackError: they are damaged, or belong to another machine.
    """
    return tuple(BlockedGrids(guarded, tuple(_grids(guarded))) for guarded in blocked_tables(machine))


def _grids(guarded: Guarded) -> Iterator[Grid]:
    table = guarded.table
    for block in table.blocks:
        groups = [group for group in guarded.groups if set(group) <= set(block.axes)]
        sizes = {
            axis: (high - low) / count
            for axis, low, high, count in zip(block.axes, block.low, block.high, block.shape, strict=True)
        }
        yield Grid(BlockedTable(table.axes, [block], table.key).query, groups, sizes)


class Blocked:
    """The positions that one table blocks.

    Args:
        guarded: the table.
        when: when it counts; None: always.
        motions: what the axes are doing.
        grids: the table made ready to be asked, where that has been done before.
    """

    __slots__ = ("axes", "cleared", "grids", "motions", "name", "when")

    def __init__(
        self,
        guarded: Guarded,
        when: Test | None,
        motions: Sequence[Motion],
        grids: tuple[Grid, ...] | None = None,
    ) -> None:
        self.name = guarded.name
        self.when = when
        self.motions = motions
        self.axes = frozenset(axis for block in guarded.table.blocks for axis in block.axes)
        self.grids = tuple(_grids(guarded)) if grids is None else grids
        self.cleared: dict[tuple[int, ...], _Cleared] = {}

    def holds(self) -> bool:
        """Whether it counts now; UNKNOWN counts (R16)."""
        return self.when is None or self.when() is not False

    def missed(self, lows: Sequence[float], highs: Sequence[float]) -> bool:
        """Whether no combination of positions in these intervals is blocked."""
        for free, groups, _ in self.grids:
            if not free(lows, highs) and not (self.cleared and self._cleared(groups, lows, highs)):
                return False
        return True

    def side(self, axis: int) -> tuple[float, float]:
        """What is blocked of an axis, as the others stand: the run of cells that it is in, or comes to next."""
        motion = self.motions[axis]
        lows = [other.occupied_low for other in self.motions]
        highs = [other.occupied_high for other in self.motions]
        low, high = motion.definition.travel
        step = min(sizes[axis] for _, _, sizes in self.grids if axis in sizes)
        # An axis that has not moved yet has no goal.
        place, forward = motion.position, getattr(motion, "goal", motion.position) >= motion.position

        def is_blocked(position: float) -> bool:
            lows[axis] = highs[axis] = position
            return not self.missed(lows, highs)

        while not is_blocked(place):
            place += step if forward else -step
            if not low <= place <= high:
                return -_INFINITE, _INFINITE
        return (
            _edge(is_blocked, place, -step, low),
            _edge(is_blocked, place, step, high),
        )

    def go_by(self, running: Running) -> None:
        """Take what the check has cleared for the routines that run; where a step lets bodies touch, that counts only
        while it is active."""
        self.cleared = {}
        for routine, touching in running:
            for axes, boxes, steps in routine.data.get("cleared", {}).get(self.name, ()):
                if not touching.issuperset(steps):
                    continue
                found = self.cleared.setdefault(tuple(axes), [])
                for box in boxes:
                    spans = zip(axes, box[::2], box[1::2], strict=True)
                    found.append(tuple((axis, low - ROUNDING, high + ROUNDING) for axis, low, high in spans))

    def _cleared(self, groups: list[tuple[int, ...]], lows: Sequence[float], highs: Sequence[float]) -> bool:
        """Whether each group of axes lies in a box that was cleared for it. One that does goes to the front: the axes
        are likely to be in it at the next tick too.
        """
        for group in groups:
            boxes = self.cleared.get(group, [])
            for number, box in enumerate(boxes):
                for axis, low, high in box:
                    if lows[axis] < low or highs[axis] > high:
                        break
                else:
                    if number:
                        boxes.insert(0, boxes.pop(number))
                    break
            else:
                return False
        return True


def _edge(is_blocked: Callable[[float], bool], place: float, step: float, end: float) -> float:
    """Where what is blocked ends, going by steps and then by halves; infinite where it goes on to the end."""
    while is_blocked(place + step):
        place += step
        if (end - place) * step <= 0.0:
            return _INFINITE if step > 0.0 else -_INFINITE
    inside, outside = place, place + step
    for _ in range(_HALVINGS):
        middle = 0.5 * (inside + outside)
        if is_blocked(middle):
            inside = middle
        else:
            outside = middle
    return outside
