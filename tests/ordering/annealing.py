"""A search of its own over gated orders, to hold the tool's against: simulated annealing from nothing.

It knows nothing of sequences, lattices or improvements: it puts stops and waits anywhere, takes them away and shifts
them, and pays for what is blocked, until nothing is. S. Kirkpatrick, C. D. Gelatt, M. P. Vecchi, Optimization by
Simulated Annealing, Science 220 (1983), is where the method comes from (cited from memory). What is blocked it reads
off a table of small cells; what a way takes, and which boxes it may be in, is told by `GatedPlan` and `Clock`, and
`check` has the last word on what was found.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from math import inf, log
from random import Random

import numpy as np

from sequencer.ordering import GatedPlan, Grid
from sequencer.ordering.cells import SHUT, Bools
from sequencer.ordering.gated import Clock, Progress, Span, middle
from sequencer.pack.table import Block

MOST_LEGS = 3
"""So many legs an axis may have [1]."""

HOT, WARM, COLD = 0.15, 0.03, 0.001
"""How much slower a change may be that is still likely to be made, at first, when it goes on, and at last [s]."""

FIRST_WEIGHT, LAST_WEIGHT = 0.5, 4.0
"""What a box costs that is blocked all over, at first and at last [s]; one that is blocked in part costs the cube root
of that part, so that a way out of what is blocked leads downhill."""

SPARE = 2.0
"""A gate lies so many position tolerances before the end of its leg, or it waits for the end [1]."""

TRAVELS = (-3.0, -0.3)
"""Places are shifted by ten to the power of these times the travel, anything between [1]."""

Blocked = Callable[[Sequence[float], Sequence[float]], float]
Waits = dict[tuple[int, int], dict[int, Progress]]
Stops = list[list[float]]

KINDS = ("stop", "stop", "insert", "remove", "wait", "wait", "drop", "shift", "shift", "shift", "swap")


class Annealing:
    """One search after another on one machine.

    Args:
        grid: its certified cells.
        clock: how long ways take.
        smallest: whether to look at the smallest cells everywhere, which takes a few seconds once.
    """

    def __init__(self, grid: Grid, clock: Clock, smallest: bool = False) -> None:
        self.clock = clock
        self.travel = list(zip(grid.low, grid.high, strict=True))
        self.spare = [SPARE * axis.tolerance.position for axis in clock.axes]
        self._parts = [_part_of(*cells) for cells in (_smallest(grid) if smallest else _fine(grid))]
        self._known: dict[object, float] = {}
        assert not grid.keep_outs, "keep-outs are not in the table"

    def search(
        self, start: Sequence[Span], goal: Sequence[float], source: Random, rounds: int, tries: int
    ) -> tuple[GatedPlan | None, float]:
        """The fastest free way found, and its time [s]; None and infinite if none was.

        Args:
            start: where each axis may stand [m or rad].
            goal: where each goes to [m or rad].
            source: of chance.
            rounds: so many searches begin, each by other places in between; a tenth of them goes on.
            tries: changes that each tries in the end.
        """
        first = []
        for number in range(rounds):
            places = [[source.uniform(*span) for span in self.travel] for _ in range(number % 3)]
            first.append(self.best(together(start, [*places, list(goal)]), tries // 10, source))
        first.sort(key=lambda one: one[1])
        last = [self.best(plan, tries, source, WARM) for plan, _ in first[: max(rounds // 10, 1)] if plan is not None]
        return min([*first, *last], key=lambda one: one[1])

    def best(self, start: GatedPlan, tries: int, source: Random, hot: float = HOT) -> tuple[GatedPlan | None, float]:
        """The fastest free way that so many tries come upon from a first one, free or not, and its time [s]."""
        plan, lasts, blocked = start, self.clock.lasts(start), self.blocked(start)
        found, shortest = (plan, lasts) if blocked == 0.0 else (None, inf)
        for number in range(tries):
            share = number / tries
            heat = hot * (COLD / hot) ** share
            weight = FIRST_WEIGHT + (LAST_WEIGHT - FIRST_WEIGHT) * share
            changed = self.changed(plan, source)
            if changed is None:
                continue
            limit = lasts + weight * blocked - heat * log(1.0 - source.random())
            duration = self.clock.lasts(changed)
            if duration > limit:
                continue
            cost = self.blocked(changed, (limit - duration) / weight)
            if duration + weight * cost <= limit:
                plan, lasts, blocked = changed, duration, cost
                if cost == 0.0 and duration < shortest - 1e-9:
                    found, shortest = plan, duration
        return found, shortest

    def blocked(self, plan: GatedPlan, most: float = inf) -> float:
        """How much of the boxes of a way is blocked, up to where it is too much [1]."""
        total = 0.0
        for box in plan.boxes():
            part = self._known.get(box)
            if part is None:
                part = self._known[box] = max(one(*box) for one in self._parts) ** (1.0 / 3.0)
            total += part
            if total > most:
                break
        if len(self._known) > 500_000:
            self._known.clear()
        return total

    def changed(self, plan: GatedPlan, source: Random) -> GatedPlan | None:
        """A way that differs in one thing; None where that was none."""
        stops: Stops = [list(ends) for ends in plan.stops]
        waits: Waits = {leg: dict(mine) for leg, mine in plan.waits.items() if mine}
        kind = source.choice(KINDS)
        if kind in ("stop", "remove"):
            inner = [(axis, leg) for axis, leg in plan.legs if leg < len(stops[axis])]
            if not inner:
                return None
            axis, leg = source.choice(inner)
            if kind == "stop":
                stops[axis][leg - 1] = self._shifted(axis, stops[axis][leg - 1], source)
            else:
                waits = _without(stops, waits, axis, leg, source.random() < 0.5)
        elif kind == "insert":
            axis = source.randrange(len(stops))
            if len(stops[axis]) >= MOST_LEGS:
                return None
            waits = _with(stops, waits, axis, source.uniform(*self.travel[axis]), middle(plan.start[axis]), source)
        elif kind == "wait":
            leg = source.choice(plan.legs)
            others = [one for one in plan.legs if one[0] != leg[0]]
            if not others:
                return None
            other, number = source.choice(others)
            waits.setdefault(leg, {})[other] = Progress(number, self._place(plan, other, number, source))
        else:
            known = [(leg, other) for leg, mine in waits.items() for other in mine]
            if not known:
                return None
            leg, other = source.choice(known)
            far = waits[leg].pop(other)
            if kind == "swap":  # the other waits for the end of this one instead
                waits.setdefault((other, far.leg), {})[leg[0]] = Progress(leg[1])
            elif kind == "shift":
                if far.place is None or source.random() < 0.2:
                    place = self._place(plan, other, far.leg, source)
                else:
                    place = self._shifted(other, far.place, source)
                waits[leg][other] = Progress(far.leg, place)
        return self._mended(plan, stops, waits)

    def _mended(self, plan: GatedPlan, stops: Stops, waits: Waits) -> GatedPlan | None:
        """What has no meaning taken out of a way; None if a gate would not stay true once it is."""
        found: Waits = {}
        for leg, mine in waits.items():
            for other, far in mine.items():
                if leg[1] > len(stops[leg[0]]) or not 1 <= far.leg <= len(stops[other]):
                    continue
                if far.place is not None:
                    begin = middle(plan.start[other]) if far.leg == 1 else stops[other][far.leg - 2]
                    end = stops[other][far.leg - 1]
                    sign = 1.0 if end >= begin else -1.0
                    if (far.place - begin) * sign <= 0.0:
                        continue
                    if (end - far.place) * sign < self.spare[other]:
                        far = Progress(far.leg)
                    elif any((stop - far.place) * sign < self.spare[other] for stop in stops[other][far.leg :]):
                        return None
                found.setdefault(leg, {})[other] = far
        return GatedPlan(plan.start, tuple(tuple(ends) for ends in stops), found)

    def _shifted(self, axis: int, place: float, source: Random) -> float:
        low, high = self.travel[axis]
        return min(max(source.gauss(place, (high - low) * 10.0 ** source.uniform(*TRAVELS)), low), high)

    def _place(self, plan: GatedPlan, axis: int, leg: int, source: Random) -> float | None:
        begin, end = plan.begin(axis, leg), plan.stops[axis][leg - 1]
        return None if source.random() < 0.3 else source.uniform(begin, end)


def together(start: Sequence[Span], places: Sequence[Sequence[float]]) -> GatedPlan:
    """A way from place to place on which every axis waits for all others in each."""
    axes = range(len(start))
    waits = {
        (axis, leg): {other: Progress(leg - 1) for other in axes if other != axis}
        for axis in axes
        for leg in range(2, len(places) + 1)
    }
    return GatedPlan(tuple(start), tuple(tuple(place[axis] for place in places) for axis in axes), waits)


def _with(stops: Stops, waits: Waits, axis: int, place: float, here: float, source: Random) -> Waits:
    """The waits when an axis gets one stop more somewhere; put into `stops`."""
    if not stops[axis]:
        stops[axis] = [place, here]
        return waits
    before = source.randrange(len(stops[axis]))
    stops[axis].insert(before, place)
    moved = {
        (mover, leg + 1 if mover == axis and leg > before else leg): {
            other: far._replace(leg=far.leg + 1) if other == axis and far.leg > before else far
            for other, far in mine.items()
        }
        for (mover, leg), mine in waits.items()
    }
    if source.random() < 0.5 and (axis, before + 2) in moved:
        moved[axis, before + 1] = dict(moved[axis, before + 2])
    return moved


def _without(stops: Stops, waits: Waits, axis: int, leg: int, first: bool) -> Waits:
    """The waits when an axis gets one stop less, those of the first or the second leg there dropped."""
    del stops[axis][leg - 1]
    moved: Waits = {}
    for (mover, number), mine in waits.items():
        if mover == axis and number == (leg if first else leg + 1):
            continue
        key = (mover, number - 1 if mover == axis and number > leg else number)
        moved.setdefault(key, {}).update(
            {
                other: far._replace(leg=far.leg - 1) if other == axis and far.leg > leg else far
                for other, far in mine.items()
            }
        )
    return moved


def _fine(grid: Grid) -> list[tuple[Block, Bools]]:
    bits = [
        np.unpackbits(np.frombuffer(block.blocked, dtype=np.uint8), bitorder="little") for block in grid.fine.blocks
    ]
    return [
        (block, cells[: int(np.prod(block.shape))].reshape(block.shape).astype(bool))
        for block, cells in zip(grid.fine.blocks, bits, strict=True)
    ]


def _smallest(grid: Grid) -> list[tuple[Block, Bools]]:
    found = []
    for block, table in zip(grid.blocks, grid.table.blocks, strict=True):
        open_cells = np.argwhere(block.blocked & (block.known != SHUT))
        for begin in range(0, len(open_cells), 4000):
            left = open_cells[begin : begin + 4000]
            while len(left):  # a look ends where it comes upon cells that are blocked all over
                block._look(left, grid._judged)
                left = left[block.known[tuple(left.T)] == 0]
        cells = block.small.copy()
        for place in np.argwhere(block.known == SHUT):
            cells[tuple(slice(at * block.sharper, (at + 1) * block.sharper) for at in place)] = True
        found.append((table, cells))
    return found


def _part_of(block: Block, cells: Bools) -> Blocked:
    """Of a box: the part of the cells that it touches which are blocked; 1 outside the travel."""
    counts = np.zeros([size + 1 for size in cells.shape], dtype=np.int32)
    counts[tuple(slice(1, None) for _ in cells.shape)] = cells
    for axis in range(counts.ndim):
        np.cumsum(counts, axis=axis, out=counts)
    flat = memoryview(counts.ravel())
    strides = [int(np.prod(counts.shape[k + 1 :])) for k in range(counts.ndim)]
    known = list(zip(block.axes, block.low, block.high, cells.shape, strides, strict=True))

    def part(low: Sequence[float], high: Sequence[float]) -> float:
        corners, volume = [(0, 1)], 1
        for axis, begin, end, size, stride in known:
            if low[axis] < begin or high[axis] >= end:
                return 1.0
            scale = size / (end - begin)
            first = max(int((low[axis] - begin) * scale - 1e-9), 0)
            last = min(int((high[axis] - begin) * scale + 1e-9), size - 1) + 1
            volume *= last - first
            corners = [
                both for at, sign in corners for both in ((at + first * stride, -sign), (at + last * stride, sign))
            ]
        blocked: int = sum(sign * flat[at] for at, sign in corners)
        return blocked / volume

    return part
