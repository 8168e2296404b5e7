"""A motion along a way: from leg to leg, without a stop where the next box opens in time, as the runner does it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import ceil

from profiles import Limits, Profile, State, s_curve, stop, trapezoid
from sequencer.machine.machine import NANOSECONDS, Machine
from sequencer.routine.way_table import Leg, WayTable


def along(
    machine: Machine, table: WayTable, legs: Sequence[Leg], starts: Mapping[str, State], limits: Mapping[str, Limits]
) -> dict[str, Profile]:
    """The motion of every axis that a way moves, if all goes punctually.

    Args:
        machine: the machine.
        table: the table that the way is from.
        legs: the way.
        starts: where all axes of the table are at first, those that move at rest.
        limits: those of the axes that move.

    Raises:
        ProfileError: no profile leads to a place.
    """
    period = machine.period / NANOSECONDS
    latency = {name: machine.axes[name].latency[1] / NANOSECONDS for name in table.goal}
    begun = {name: Profile(starts[name], starts[name], (), 0.0) for name in table.goal}
    going = _onward(table, legs[0], starts, limits)
    since, at = 0.0, 0
    while at + 1 < len(legs):
        last = max(profile.duration + latency[name] for name, profile in going.items())
        opens, reached = ceil(last / period) * period, at + 1
        for tick in range(1, ceil(last / period)):
            farthest = _opened(table, legs, at, going, tick * period, starts, limits, latency)
            if farthest > at:
                opens, reached = tick * period, farthest
                break
        at, since = reached, since + opens
        # What stood before its time is up waits for the others.
        begun = {name: _joined(begun[name], profile, opens) for name, profile in going.items()}
        going = _onward(table, legs[at], {name: profile.goal for name, profile in begun.items()}, limits)
    return {name: begun[name].followed_by(profile) for name, profile in going.items()}


def _onward(table: WayTable, leg: Leg, states: Mapping[str, State], limits: Mapping[str, Limits]) -> dict[str, Profile]:
    return {
        name: (trapezoid if limits[name].jerk is None else s_curve)(states[name], place, limits[name])
        for name, place in zip(table.goal, leg.place, strict=True)
    }


def _opened(
    table: WayTable,
    legs: Sequence[Leg],
    at: int,
    going: Mapping[str, Profile],
    time: float,
    starts: Mapping[str, State],
    limits: Mapping[str, Limits],
    latency: Mapping[str, float],
) -> int:
    """The farthest leg in whose box all lies that is occupied now."""
    low, high = [], []
    for name in table.axes:
        places = [starts[name].position]
        if name in going:
            state = going[name].at(time)
            in_flight = going[name].position_range(time - latency[name], time)
            places = [*in_flight, stop(state, limits[name]).goal.position]
        low.append(min(places))
        high.append(max(places))
    return next((number for number in range(len(legs) - 1, at, -1) if legs[number].holds(low, high)), at)


def _joined(before: Profile, profile: Profile, time: float) -> Profile:
    """A motion and the next one for so long."""
    part = profile.up_to(time)
    whole = before.followed_by(part) if before.duration > 0.0 else part
    rest = time - part.duration
    if rest > 0.0:
        waits = Profile(part.goal, part.goal, [(0.0, part.goal.position, 0.0, 0.0, 0.0)], rest)
        whole = whole.followed_by(waits)
    return whole
