"""When a piece really left the rollers: read off how they run, or off a sensor, or not at all.

    inertia dw = (force_per_ampere i - friction) dt

A piece that the rollers drag along adds to their inertia until it is gone; then the same current speeds them up more.
Both inertias and the instant between are fitted to the change of speed and the mean current of each period. Where the
rollers run no better with an instant than without one, the piece is too light, or held too weakly, to be felt: then a
sensor that says what is held tells to half a period, and without one the instant is not identifiable.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from sequencer.machine.machine import Machine
from sequencer.trace.rows import Row
from sequencer.trace.trace import NANOSECONDS, Trace
from sequencer.tune.driven_motion import drives_of
from sequencer.tune.recorded import Array

SPAN = 0.6
"""So long after the rollers were told is looked at [s]."""
GRID = 0.0005
"""Instants are tried in steps of this [s]."""
CLOCK = 0.001
"""What happens in a robot is not known to less than a step of its actuators' loops [s]."""
TURNED = 0.3
"""A current that changes its sense by more than this share of the greatest was turned round by an order [1]."""
KNOWN = 0.01
"""Changes of speed from tick to tick are known to this share of the greatest of them, at best [1]."""
TURNING = 0.05
"""Rollers turn where they are faster than this share of their greatest speed in the span [1]."""
LEAST_PERIODS = 6
"""Fewer periods in motion tell no instant [1]."""
SURE = 20.0
"""An instant must raise twice the log of the likelihood by so much: between two inertias that are nearly the
same an instant is soon found where there is none [1]."""
LIGHTER = 1.2
"""The rollers' inertia must fall by at least this factor for the piece to count as felt [1]."""
BEYOND = 2.71
"""Instants whose twice log likelihood is no more than this below the best are within 90 % [1]: chi-squared of 1."""

TOO_FEW = "the rollers turned for too few samples"
NOT_FELT = "the rollers run as if nothing had left them, and no sensor says when it did"
UNKNOWN = "their speed or current was not recorded, and no sensor says when it left"


class Departure(NamedTuple):
    """When a piece left: `left` within `low` to `high`, and when the rollers were `told` [s from the first row].

    `by` says what it was read off: the rollers, or the name of a sensor; "" where it is not identifiable, and `why`
    then says why not.
    """

    told: float
    left: float | None
    low: float
    high: float
    by: str
    why: str

    @property
    def takes(self) -> float | None:
        """From the order to the leaving [s]."""
        return None if self.left is None else self.left - self.told


def departure(trace: Trace, machine: Machine, rollers: str, told: float) -> Departure:
    """When the piece that rollers were told to let go left them.

    Args:
        trace: the recording.
        machine: of it: the friction of its rollers, and which sensor says what is held.
        rollers: name of the spin axis.
        told: when they were told [s] from the first row.
    """
    rows = trace.between(told, told + SPAN)
    index = [name for name, _ in trace.header.axes].index(rollers)
    found = _by_rollers(trace, machine, rollers, index, rows)
    if not isinstance(found, str):
        return Departure(told, *found, "rollers", "")
    sensed = _by_sensor(trace, machine, told, rows)
    if sensed is not None:
        name, left, low, high = sensed
        return Departure(told, left, low, high, name, "")
    return Departure(told, None, told, told + SPAN, "", found)


def _by_rollers(
    trace: Trace, machine: Machine, rollers: str, index: int, rows: Sequence[Row]
) -> tuple[float, float, float] | str:
    """The instant and its interval, or why there is none."""
    told = [row.measured[index] for row in rows]
    values = np.array(
        [(None, None) if read is None else (read.speed, read.current) for read in told], dtype=float
    ).reshape(-1, 2)
    times = np.array([trace.seconds(row.now_ns) for row in rows])
    times -= np.array([0.0 if read is None else read.age / NANOSECONDS for read in told])
    speed, current = values.T
    if len(rows) < LEAST_PERIODS or not (np.isfinite(speed).all() and np.isfinite(current).all()):
        return UNKNOWN
    most = float(np.abs(speed).max())
    turning = np.flatnonzero(np.abs(speed) > TURNING * most) if most > 0.0 else np.zeros(0, int)
    if len(turning) <= LEAST_PERIODS:
        return TOO_FEW
    first = int(turning[0])
    last = first + int(np.argmin(np.append(np.abs(speed[first:]) > TURNING * most, False)))
    if last - first <= LEAST_PERIODS:
        return TOO_FEW
    # In the period before the first of them they have begun to turn, nobody knows when.
    part = slice(first, last)
    instants = np.arange(times[first], times[last - 1], GRID)
    effective = _accelerating(machine, rollers, times[part], speed[part], current[part], instants)
    return _instant(times[part], speed[part], effective, instants)


def _accelerating(machine: Machine, rollers: str, times: Array, speed: Array, current: Array, instants: Array) -> Array:
    """What accelerates at each instant, as a current [A]: less what gears and friction take."""
    axis, sense = machine.axes[rollers], float(np.sign(speed[len(speed) // 2]))
    effective = _within(times, current[1:], instants)
    drives = drives_of(axis)
    if drives is not None:
        dry = drives.friction + (axis.load.coulomb if axis.load is not None else 0.0)
        effective = effective - drives.loss * np.abs(effective) * sense - sense * dry / drives.force_per_ampere
    return effective


def _within(times: Array, means: Array, instants: Array) -> Array:
    """Currents at instants out of their means over periods: leaning as their neighbours do, and in a period in which
    the drive was turned round, as before and then as after, in such parts that the mean is right."""
    periods, middles = np.diff(times), 0.5 * (times[1:] + times[:-1])
    period = np.clip(np.searchsorted(times, instants, side="right") - 1, 0, len(means) - 1)
    slopes = np.gradient(means, middles)
    turned = np.zeros(len(means), bool)
    turned[1:-1] = (means[:-2] * means[2:] < 0.0) & (np.abs(means[2:] - means[:-2]) > TURNED * np.abs(means).max())
    # Beside a turn only the neighbour on the other side tells how a current leans.
    for place in np.flatnonzero(turned):
        for beside, other in ((place - 1, place - 2), (place + 1, place + 2)):
            if 0 <= other < len(means):
                slopes[beside] = (means[beside] - means[other]) / (middles[beside] - middles[other])
    found: Array = means[period] + slopes[period] * (instants - middles[period])
    for place in np.flatnonzero(turned):
        early = means[place - 1] + 0.75 * periods[place] * slopes[place - 1]
        late = means[place + 1] - 0.75 * periods[place] * slopes[place + 1]
        part = min(max((means[place] - late) / (early - late), 0.0), 1.0)
        inside = period == place
        found[inside] = np.where(instants[inside] < times[place] + part * periods[place], early, late)
    return found


def _instant(times: Array, speed: Array, effective: Array, instants: Array) -> tuple[float, float, float] | str:
    """Least squares of dw = a (impulse before) + b (impulse after) over every instant of a grid."""
    changes = np.diff(speed)
    impulse = np.concatenate(([0.0], np.cumsum(effective) * GRID))
    grid = np.append(instants, instants[-1] + GRID)
    at = np.interp(times, grid, impulse)
    reached = np.interp(np.minimum(instants[:, None], times[None, :]), grid, impulse)
    before = np.diff(reached, axis=1)
    tables = np.stack((before, np.diff(at) - before), axis=-1)
    normal = np.swapaxes(tables, 1, 2) @ tables + 1e-12 * np.eye(2)
    push = np.swapaxes(tables, 1, 2) @ changes
    gains = np.linalg.solve(normal, push[..., None])[..., 0]
    squares = ((changes - (tables @ gains[..., None])[..., 0]) ** 2).sum(axis=1)
    whole = np.diff(at)
    alone = float(((changes - whole * (whole @ changes) / (whole @ whole)) ** 2).sum())
    best = int(np.argmin(squares))
    size = len(changes)
    # No model of rollers and no current between two ticks is better known than to a part of what happens in one.
    rough = size * (KNOWN * float(np.abs(changes).max())) ** 2
    squares, alone = squares + rough, alone + rough
    floor = float(squares[best])
    held, free = gains[best]
    if size * np.log(alone / floor) < SURE or not (0.0 < LIGHTER * held < free):
        return NOT_FELT
    inside = instants[size * np.log(squares / floor) <= BEYOND]
    if inside[0] <= times[0] or inside[-1] >= instants[-1]:
        return NOT_FELT
    likelihood = (squares / floor) ** (-0.5 * size)
    return float(instants @ likelihood / likelihood.sum()), float(inside[0]) - CLOCK, float(inside[-1]) + CLOCK


def _by_sensor(
    trace: Trace, machine: Machine, told: float, rows: Sequence[Row]
) -> tuple[str, float, float, float] | None:
    """The middle of the period in which a sensor of pieces no longer said what it had said."""
    names = [name for name, _ in trace.header.sensors]
    for name, sensor in machine.sensors.items():
        if sensor.plant is None or not sensor.plant.piece or name not in names:
            continue
        place = names.index(name)
        before: tuple[float, object] | None = None
        for row in rows:
            sensed = row.sensors[place]
            if sensed is None or sensed[0] is None:
                continue
            time = trace.seconds(row.now_ns) - sensed[1] / NANOSECONDS
            if before is not None and before[1] in machine.pieces and sensed[0] not in machine.pieces:
                return name, 0.5 * (before[0] + time), max(before[0], told), time
            before = time, sensed[0]
    return None
