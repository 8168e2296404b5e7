"""Where a routine that starts from anywhere may start on a machine with bodies: in boxes of positions that are clear.

A start in a conflict is no routine's fault. So the travel is cut into boxes; those in which all bodies are certain to
keep clear are where the routine is judged from, and the runner refuses other starts. Boxes side by side are joined:
what is judged from both is what is judged from each.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from heapq import heappop, heappush
from itertools import count
from math import prod
from typing import NamedTuple

from sequencer.check.bodies import Bodies
from sequencer.check.order import Order
from sequencer.check.places_outside import PlacesOutside
from sequencer.check.scenarios import start_cells, start_spans
from sequencer.check.spans import ROUNDING, Span
from sequencer.clearance.box import Pair
from sequencer.routine.routine import ANYWHERE

_MOST_LOOKS = 3_000
"""So many boxes are looked at; what is not shown to be clear by then is left out [1]."""

_FINEST = 1.0 / 32.0
"""Boxes are cut no finer than this share of the travel of each axis [1]."""

_MOST_BOXES = 64
"""The largest so many are kept: the routine is judged from each [1]."""

Start = dict[str, Span]
"""Spans of ordered positions [m or rad], by axis."""


class ClearStarts(NamedTuple):
    """The boxes, and what share they are of all that was asked about [1]."""

    boxes: tuple[Start, ...]
    share: float


def clear_starts(order: Order, bodies: Bodies) -> ClearStarts | None:
    """Where a routine may start in which all pairs keep their margins, with the tracking bands; None if it starts from
    a preset.

    Pairs that the first steps let touch do not count.

    Args:
        order: the routine.
        bodies: the machine's bodies.
    """
    flat = order.flat
    if flat.routine.start != ANYWHERE:
        return None
    cells = [_beyond_the_ends(bodies, cell) for cell in start_cells(flat.machine, start_spans(flat))]
    firsts = [one.node.step for one in order.occurrences if not one.started and not one.ended]
    pairs = [
        pair
        for pair in bodies.pairs
        if bodies.axes_of(pair) and not any(bodies.may_touch(step, pair) for step in firsts)
    ]
    places = PlacesOutside(order, bodies)
    outside = {name: places.at_start(name) for name in bodies.tree.coordinates if name not in bodies.tree.axes}
    found = list(_clear(bodies, pairs, outside, cells))
    boxes = sorted(_joined(found), key=lambda box: -_size(bodies, box))[:_MOST_BOXES]
    whole = sum(_size(bodies, cell) for cell in cells)
    return ClearStarts(tuple(boxes), min(1.0, sum(_size(bodies, box) for box in boxes) / whole) if whole else 0.0)


def _beyond_the_ends(bodies: Bodies, cell: Mapping[str, Span]) -> Start:
    """The same a little beyond the ends of the travel, where an axis may be measured to stand."""
    found = {}
    for name, (low, high) in cell.items():
        axis = bodies.tree.axes[name]
        first, last = axis.travel or (low, high)
        beyond = axis.tolerance.position
        found[name] = (low - beyond if low <= first else low, high + beyond if high >= last else high)
    return found


def _clear(
    bodies: Bodies, pairs: Sequence[Pair], outside: Mapping[str, Span], cells: Sequence[Mapping[str, Span]]
) -> Iterator[Start]:
    """Boxes that are clear: the largest that is not yet told is looked at, and cut in two if it may be in part."""
    numbers = count()
    heap: list[tuple[float, int, Start, Sequence[Pair]]] = []
    for cell in cells:
        heappush(heap, (-_size(bodies, cell), next(numbers), dict(cell), pairs))
    for _ in range(_MOST_LOOKS):
        if not heap:
            return
        _, _, box, doubtful = heappop(heap)
        low, high = bodies.tree.box({**{name: bodies.widened(name, span) for name, span in box.items()}, **outside})
        left, shut = [], False
        for pair in doubtful:
            lower, centre = pair.bound(low, high)
            if lower <= pair.margin:
                left.append(pair)
                moved = sum(
                    pair.lipschitz[bodies.tree.index[name]] * 0.5 * (span[1] - span[0]) for name, span in box.items()
                )
                shut = shut or centre + moved <= pair.margin
        if not left:
            yield box
        elif not shut:
            axis = _widest(bodies, left, box)
            if axis is not None:
                middle = 0.5 * (box[axis][0] + box[axis][1])
                for span in ((box[axis][0], middle), (middle, box[axis][1])):
                    half = {**box, axis: span}
                    heappush(heap, (-_size(bodies, half), next(numbers), half, left))


def _widest(bodies: Bodies, pairs: Sequence[Pair], box: Start) -> str | None:
    """The axis over which distances change most; None if all that matter are cut finely enough."""
    best, most = None, 0.0
    for name, (low, high) in box.items():
        number = bodies.tree.index[name]
        begin, end = bodies.tree.axes[name].travel or (0.0, 0.0)
        change = max(pair.lipschitz[number] for pair in pairs) * (high - low)
        if change > most and high - low > _FINEST * (end - begin) + ROUNDING:
            best, most = name, change
    return best


def _size(bodies: Bodies, box: Mapping[str, Span]) -> float:
    """The share of the travel of all axes that a box takes."""
    travels = {name: bodies.tree.axes[name].travel or (0.0, 1.0) for name in box}
    return prod((high - low) / (travels[name][1] - travels[name][0]) for name, (low, high) in box.items())


def _joined(boxes: list[Start]) -> list[Start]:
    """The same boxes, those that lie side by side made one as far as that goes."""
    joined = True
    while joined:
        joined = False
        for axis in boxes[0] if boxes else ():
            rows: dict[tuple[Span, ...], list[Start]] = {}
            for box in boxes:
                rows.setdefault(tuple(span for name, span in box.items() if name != axis), []).append(box)
            longer = []
            for row in rows.values():
                row.sort(key=lambda box: box[axis])
                longer.append(row[0])
                for box in row[1:]:
                    if box[axis][0] <= longer[-1][axis][1]:
                        longer[-1] = {**longer[-1], axis: (longer[-1][axis][0], max(longer[-1][axis][1], box[axis][1]))}
                        joined = True
                    else:
                        longer.append(box)
            boxes = longer
    return boxes
