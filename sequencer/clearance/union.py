"""A pair of bodies over many boxes that overlap: looked at together, which takes far fewer looks than one by one."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import NamedTuple

from sequencer.clearance.box import PAD, Pair
from sequencer.clearance.proof import SMALLEST, Cell


class Glance(NamedTuple):
    """Whether a pair is `clear` for certain, and how many `cells` were looked at."""

    clear: bool
    cells: int


def clear_over_all(pair: Pair, boxes: Iterable[Cell], budget: int) -> Glance:
    """Whether a pair keeps more than its margin all over several boxes, as far as so many looks tell.

    The hull of the boxes is bisected. A cell that none of them reaches into is not looked at, and of the others no more
    than the hull of what lies in it.

    Args:
        pair: the pair, with its margin.
        boxes: the boxes.
        budget: the most cells to look at.
    """
    parts = list(dict.fromkeys(boxes))
    waiting = [parts] if parts else []
    cells = 0
    while waiting:
        if cells >= budget:
            return Glance(False, cells)
        parts = waiting.pop()
        hull = _hull(parts)
        cells += 1
        bound = pair.bound(*hull)
        if bound.lower > pair.margin:
            continue
        middle = [0.5 * (low + high) for low, high in zip(*hull, strict=True)]
        if bound.centre <= pair.margin + PAD and any(_holds(part, middle) for part in parts):
            return Glance(False, cells)
        split, change = _widest(pair, hull)
        if change <= SMALLEST:
            return Glance(False, cells)
        if hull in parts:
            parts = [hull]
        waiting += [half for half in _halves(parts, split, middle[split]) if half]
    return Glance(True, cells)


def _hull(parts: Sequence[Cell]) -> Cell:
    if len(parts) == 1:
        return parts[0]
    return Cell(tuple(map(min, *(part.low for part in parts))), tuple(map(max, *(part.high for part in parts))))


def _holds(part: Cell, place: Sequence[float]) -> bool:
    return all(low <= value <= high for low, value, high in zip(part.low, place, part.high, strict=True))


def _widest(pair: Pair, cell: Cell) -> tuple[int, float]:
    """The coordinate that can change the distance most over a cell, and how much all of them can [m]."""
    changes = {number: pair.lipschitz[number] * (cell.high[number] - cell.low[number]) for number in pair.concerns}
    return max(changes, key=lambda number: changes[number], default=-1), sum(changes.values())


def _halves(parts: Sequence[Cell], number: int, middle: float) -> tuple[list[Cell], list[Cell]]:
    """What of the parts lies on either side of the middle of a coordinate."""
    lower: dict[Cell, None] = {}
    upper: dict[Cell, None] = {}
    for part in parts:
        low, high = part
        if high[number] <= middle:
            lower[part] = None
        elif low[number] >= middle:
            upper[part] = None
        else:
            lower[Cell(low, (*high[:number], middle, *high[number + 1 :]))] = None
            upper[Cell((*low[:number], middle, *low[number + 1 :]), high)] = None
    return list(lower), list(upper)
