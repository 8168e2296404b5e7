"""Ways to one goal from everywhere: a cover of the free positions by boxes, and from each box the next towards the
goal, by Dijkstra's algorithm (E. W. Dijkstra, A note on two problems in connexion with graphs, Numerische Mathematik 1,
1959)."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import inf

import numpy as np

from sequencer.clearance.batch import Floats
from sequencer.clearance.table import CELLS
from sequencer.machine.machine import NANOSECONDS, Machine
from sequencer.ordering.cache import load, store
from sequencer.ordering.cover import Cells, cover, covered
from sequencer.ordering.gated import Clock
from sequencer.ordering.grid import Grid, bodies_of, checked_outside, grid_key
from sequencer.routine.way_table import Leg, WayTable

MOST_BOXES = 240
"""A table has no more boxes than this, and a few at its goal [1]."""

ENTERED = 0.05
"""What a further box costs besides the time to its place [s]: fewer boxes win a tie."""

AT_GOAL = 60
"""So many boxes are tried to lead to a goal that no cell certifies [1]."""

FORMAT = 8
"""Counts up when what is worked out from the same machine changes."""


def way_table(
    machine: Machine,
    goal: Mapping[str, float],
    outside: Mapping[str, tuple[float, float]] | None = None,
    *,
    cells: Mapping[int, int] | None = None,
    cache: bool = True,
) -> WayTable:
    """The ways of a machine to a goal; kept for next time under a hash of all that they depend on.

    Args:
        machine: the machine; pieces with an outline count as bodies that may always be there.
        goal: where the ways lead [m or rad], by axis.
        outside: where bodies outside may stand [m], by default anywhere in their ranges.
        cells: cells along each axis by how many axes a block has, powers of 2.
        cache: whether to look for a table that was kept, and keep this one.

    Returns:
        A table; without legs where nothing is known to lead there.

    Raises:
        ModelError: a body or clearance names something that is not there, or a range is not within the machine's.
    """
    wanted = {**CELLS, **(cells or {})}
    tree, pairs = bodies_of(machine)
    base = grid_key(machine, tree, pairs, wanted, checked_outside(machine, outside or {}))
    key = f"ways-{FORMAT}-{base}-{_digest(goal)}"
    kept = load(key) if cache else None
    if kept is not None:
        return WayTable.from_data(kept)
    table = made(Grid(machine, wanted, outside), goal)
    if cache:
        store(key, table.to_data())
    return table


def made(grid: Grid, goal: Mapping[str, float]) -> WayTable:
    """The ways to a goal on a grid that is there already."""
    movers = [axis for axis, name in enumerate(grid.axes) if name in goal]
    end = np.array([goal.get(name, 0.0) for name in grid.axes])
    cells = Cells(grid)
    presets = [
        [preset.positions[name] for name in grid.axes]
        for preset in grid.machine.presets.values()
        if all(name in preset.positions for name in grid.axes)
    ]
    through = [end.tolist()] if len(movers) == len(grid.axes) else []
    found = cover(cells, MOST_BOXES, [*through, *presets])
    boxes = [cells.box(first, last) for first, last in found]
    low, high = (np.array([box[side] for box in boxes]).reshape(-1, len(grid.axes)) for side in (0, 1))
    low, high = _with_goal(grid, low, high, end, movers)
    added = len(low) - len(found)
    places, following, costs = _towards(grid, low, high, end, movers)
    order = [number for number in np.argsort(costs, kind="stable").tolist() if costs[number] < inf]
    rank = {number: at for at, number in enumerate(order)} | {-1: -1}
    legs = tuple(Leg(_plain(places[number][movers]), _plain(low[number]), _plain(high[number])) for number in order)
    after = tuple(rank[following[number]] for number in order)
    names = {name: float(goal[name]) for name in grid.axes if name in goal}
    limits = [grid.machine.axes[name].limits for name in names]
    return WayTable(
        grid.axes,
        names,
        legs,
        after,
        tuple(float(costs[number]) for number in order),
        tuple(max(limit.velocity[1], -limit.velocity[0]) for limit in limits),
        _longest(grid, legs, after, movers),
        covered(cells, [found[number - added] for number in order if number >= added]),
    )


def _with_goal(grid: Grid, low: Floats, high: Floats, end: Floats, movers: Sequence[int]) -> tuple[Floats, Floats]:
    """The boxes, and where none holds the goal, those that a sharper look finds between it and the nearest."""
    holds = np.all((low[:, movers] <= end[movers]) & (high[:, movers] >= end[movers]), axis=1)
    if holds.any() or not len(low):
        return low, high
    away = np.maximum(np.maximum(low - end, end - high), 0.0)[:, movers]
    span = (np.array(grid.high) - np.array(grid.low))[movers]
    more: list[tuple[Floats, Floats]] = []
    for number in np.argsort((away / span).sum(axis=1), kind="stable")[:AT_GOAL]:
        begin, stop = low[number].copy(), high[number].copy()
        nearest = np.clip(end, low[number], high[number])
        begin[movers], stop[movers] = np.minimum(end, nearest)[movers], np.maximum(end, nearest)[movers]
        if grid.free_proved(begin.tolist(), stop.tolist()):
            more.append((begin, stop))
            if len(more) >= 4:
                break
    if not more:
        return low, high
    return np.concatenate([[box[0] for box in more], low]), np.concatenate([[box[1] for box in more], high])


def _towards(
    grid: Grid, low: Floats, high: Floats, end: Floats, movers: Sequence[int]
) -> tuple[Floats, list[int], list[float]]:
    """For each box the place to go to in it, the box that follows (-1: none), and the time from that place."""
    count = len(low)
    still = [axis for axis in range(len(grid.axes)) if axis not in movers]
    places = np.tile(end, (count, 1))
    following, best = [-1] * count, np.full(count, inf)
    at_goal = np.all((low[:, movers] <= end[movers]) & (high[:, movers] >= end[movers]), axis=1)
    best[at_goal] = 0.0
    open_boxes = np.ones(count, dtype=bool)
    limits = [grid.machine.axes[grid.axes[axis]].limits for axis in movers]
    speed = np.array([min(limit.velocity[1], -limit.velocity[0]) for limit in limits])
    braking = np.array([min(limit.acceleration[1], -limit.acceleration[0]) for limit in limits])
    off = np.array([_off_the_edge(grid.machine, grid.axes[axis]) for axis in movers])
    while True:
        waiting = np.where(open_boxes, best, inf)
        number = int(waiting.argmin()) if count else 0
        if not count or waiting[number] == inf:
            return places, following, best.tolist()
        open_boxes[number] = False
        goes_on = np.all(np.maximum(low, low[number]) <= np.minimum(high, high[number]), axis=1)
        # An axis that stays where it is must lie in every box to come.
        goes_on &= np.all((low[:, still] >= low[number, still]) & (high[:, still] <= high[number, still]), axis=1)
        near = np.flatnonzero(goes_on & open_boxes)
        begin, stop = np.maximum(low[near], low[number]), np.minimum(high[near], high[number])
        begin, stop, here = begin[:, movers], stop[:, movers], places[number, movers]
        # Off the edges: short of one the supervisor would not hold it, and past the other the next box has opened.
        inset = np.minimum(off, 0.5 * (stop - begin))
        place = np.clip(here, begin + inset, stop - inset)
        through = best[number] + ENTERED + _time(np.abs(place - here), speed, braking).max(axis=1, initial=0.0)
        better = through < best[near]
        for box, at, lasts in zip(near[better], place[better], through[better], strict=True):
            best[box], following[box] = lasts, number
            places[box, movers] = at


def _off_the_edge(machine: Machine, name: str) -> float:
    """How far from the edge of a box an axis should come to rest [m or rad], where there is room: one whose actuators
    carry on is reckoned farther ahead than its set-points."""
    axis = machine.axes[name]
    ahead = max(axis.limits.velocity[1], -axis.limits.velocity[0]) * machine.period / NANOSECONDS
    return axis.tolerance.position + (ahead if axis.between == "carry_on" else 0.0)


def _time(distance: Floats, speed: Floats, braking: Floats) -> Floats:
    """About how long a motion takes from rest to rest [s]."""
    reached = speed**2 / braking
    found: Floats = np.where(distance > reached, distance / speed + speed / braking, 2.0 * np.sqrt(distance / braking))
    return found


def _longest(grid: Grid, legs: Sequence[Leg], following: Sequence[int], movers: Sequence[int]) -> float:
    """No way of a table takes longer [s]: from the far end of each box, with all at rest in each place."""
    clock = Clock(grid.machine, grid.axes)
    slack = 2.0 * grid.machine.period / NANOSECONDS + max((clock.latency[axis] for axis in movers), default=0.0)
    lasts: list[float] = []
    for leg, after in zip(legs, following, strict=True):
        longest = 0.0
        for axis, place in zip(movers, leg.place, strict=True):
            for begin in (leg.low[axis], leg.high[axis]):
                longest = max(longest, clock.profile(axis, begin, place).duration)
        lasts.append(longest + slack + (lasts[after] if after >= 0 else 0.0))
    entering = max((clock.profile(axis, grid.low[axis], grid.high[axis]).duration for axis in movers), default=0.0)
    settling = max((clock.settle[axis] for axis in movers), default=0.0)
    return float(entering + max(lasts, default=0.0) + settling)


def _plain(values: Floats) -> tuple[float, ...]:
    return tuple(float(value) for value in values)


def _digest(goal: Mapping[str, float]) -> str:
    from hashlib import sha256

    return sha256(repr(sorted(goal.items())).encode()).hexdigest()[:16]
