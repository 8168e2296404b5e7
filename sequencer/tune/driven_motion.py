"""From a recording and a machine to the pieces of motion that a model is fitted to: what drove the axis, and which
pieces are its own doing and nothing else's.

Left out are pieces in which a neighbour on the same mechanism moves (it would push back), in which the axis was pressed
on something or had no drive, and the moments at which a piece came or went.
"""

from __future__ import annotations

from cmath import phase
from collections.abc import Iterator, Sequence
from math import cos, sin
from typing import Literal, NamedTuple

import numpy as np

from sequencer.machine.axis import Axis
from sequencer.machine.feedforward import carried_bodies, feedforward
from sequencer.machine.machine import Machine
from sequencer.machine.piece import Piece
from sequencer.trace.trace import Trace, TraceError
from sequencer.tune.recorded import Array, AxisRecord, Chosen, applied_volts, axis_record, moves
from sequencer.tune.weak_form import TERMS, Motion, sense_of_periods
from sequencer.units import STANDARD_GRAVITY

STILL = 0.03
"""A neighbour that goes no faster than this share of its own limit counts as still [1]."""
SETTLES = 0.1
"""So long before and after a piece comes or goes, or a neighbour moves, nothing is used [s]."""

Drive = Literal["current", "volts"]


class Drives(NamedTuple):
    """What the motors of an axis in service make of current and voltage, all in units of the axis.

    `force_per_ampere` of their summed current, `force_per_volt` at rest, `back_emf` [V per m/s or rad/s], their dry
    `friction`, the `loss` of their gears as a share of the force, and what their rotors add to the `inertia`.
    """

    force_per_ampere: float
    force_per_volt: float
    back_emf: float
    friction: float
    loss: float
    inertia: float


def drives_of(axis: Axis) -> Drives | None:
    """The motors of an axis taken together, or None where none is declared and in service."""
    actuators = axis.in_service
    if not actuators:
        return None
    conductance = gain = emf = friction = lost = inertia = 0.0
    for actuator in actuators:
        motor, turn = actuator.motor, actuator.motor_turn
        share = motor.torque_per_ampere * turn / motor.resistance
        conductance += 1.0 / motor.resistance
        gain += share
        emf += motor.back_emf * turn / motor.resistance
        friction += motor.torque_per_ampere * turn * motor.no_load_current
        lost += share * (1.0 - actuator.efficiency)
        inertia += motor.rotor_inertia * turn * turn
    return Drives(gain / conductance, gain, emf / conductance, friction, lost / gain, inertia)


class DrivenMotions(NamedTuple):
    """Pieces of motion with forces or torques as efforts (or amperes or volts, where no motors are declared), what
    drove them, and whether the efforts are forces; out of how many moves they are, and of how many nothing was used.
    """

    motions: list[Motion]
    drive: Drive
    in_force: bool
    moves: int = 0
    left_out: int = 0


def driven_motions(traces: Sequence[Trace], machine: Machine, name: str) -> DrivenMotions:
    """The pieces of motion of one axis in all recordings.

    Raises:
        TraceError: the axis is not recorded, is a spin, or neither its current nor its voltage was.
    """
    axis = machine.axes[name]
    if axis.kind == "spin":
        raise TraceError(f"{name} is a spin: it has no positions, and no model is fitted to it")
    records = [axis_record(trace, name) for trace in traces]
    drive = _drive(name, records)
    drives = drives_of(axis)
    motions: list[Motion] = []
    count = left_out = 0
    for trace, record in zip(traces, records, strict=True):
        usable, pieces = _usable(trace, machine, axis, record)
        for move in moves(record):
            found = list(_of_move(move, usable, pieces, record, machine, axis, drive, drives, count))
            motions += found
            count += 1
            left_out += not found
    return DrivenMotions(motions, drive, drives is not None, count, left_out)


def _drive(name: str, records: Sequence[AxisRecord]) -> Drive:
    known = [np.isfinite(record.current).mean() > 0.5 for record in records]
    if all(known):
        return "current"
    if all(np.isfinite(record.volts).mean() > 0.5 for record in records):
        return "volts"
    raise TraceError(
        f"neither the current nor the applied voltage of {name} was recorded all along; without one of them only "
        "its delay can be told"
    )


def _usable(trace: Trace, machine: Machine, axis: Axis, record: AxisRecord) -> tuple[Chosen, list[str | None]]:
    """Samples in which nothing but its motors and its weight acts on the axis, and the piece that it then carries."""
    index = [known for known, _ in trace.header.axes].index(axis.name)
    driven = [row.ordered[index] for row in trace.rows]
    # A foreign log tells its volts as an effort; in a session an effort is a press on something.
    free = ("track", "hold", "effort") if applied_volts(trace) else ("track", "hold")
    usable = np.isfinite(record.position) & np.array([order is None or order.mode in free for order in driven])
    disturbed = np.zeros(len(record.times), bool)
    recorded = {known for known, _ in trace.header.axes}
    for neighbour in _neighbours(machine, axis.name):
        if neighbour in recorded:
            rate = np.abs(axis_record(trace, neighbour).rate())
            limit = max(abs(value) for value in machine.axes[neighbour].limits.velocity)
            disturbed |= ~(rate < STILL * limit)
    pieces = _pieces(trace, machine)
    changes = np.array([False, *(one != other for one, other in zip(pieces[1:], pieces[:-1], strict=True))])
    for near in (disturbed, changes):
        usable &= ~_widened(near, record.times)
    return usable, pieces


def _neighbours(machine: Machine, name: str) -> Iterator[str]:
    """Axes with positions that carry the axis or are carried by it."""
    above, carrier = set(), machine.axes[name].mount.to
    while carrier != "frame":
        above.add(carrier)
        carrier = machine.axes[carrier].mount.to
    for other, axis in machine.axes.items():
        carriers, below = set(), axis.mount.to
        while below != "frame":
            carriers.add(below)
            below = machine.axes[below].mount.to
        if other != name and axis.kind != "spin" and (other in above or name in carriers):
            yield other


def _pieces(trace: Trace, machine: Machine) -> list[str | None]:
    """The piece that the machine held at each row, as its sensor says; None where none, or where nothing says so."""
    told = [name for name, sensor in machine.sensors.items() if sensor.plant is not None and sensor.plant.piece]
    names = [name for name, _ in trace.header.sensors]
    if not told or told[0] not in names:
        return [None] * len(trace.rows)
    index = names.index(told[0])
    values = [None if (sensed := row.sensors[index]) is None else sensed[0] for row in trace.rows]
    return [value if isinstance(value, str) and value in machine.pieces else None for value in values]


def _widened(chosen: Chosen, times: Array) -> Chosen:
    """The samples that are chosen, and those within `SETTLES` of one."""
    at = times[chosen]
    if not len(at):
        return chosen
    after = np.searchsorted(at, times)
    before, behind = at[np.clip(after - 1, 0, len(at) - 1)], at[np.clip(after, 0, len(at) - 1)]
    near: Chosen = np.minimum(np.abs(times - before), np.abs(times - behind)) <= SETTLES
    return near


def _of_move(
    move: AxisRecord,
    usable: Chosen,
    pieces: Sequence[str | None],
    record: AxisRecord,
    machine: Machine,
    axis: Axis,
    drive: Drive,
    drives: Drives | None,
    block: int,
) -> Iterator[Motion]:
    first = int(np.searchsorted(record.times, move.times[0]))
    chosen = usable[first : first + len(move.times)] & np.isfinite(move.current if drive == "current" else move.volts)
    at = np.flatnonzero(chosen)
    for run in np.split(at, np.flatnonzero(np.diff(at) > 1) + 1):
        if len(run) < 4:
            continue
        part = move.between(int(run[0]), int(run[-1]) + 1)
        rate = part.rate()
        # A reading's current or voltage is the mean over the period that ends with it.
        effort = (part.current if drive == "current" else part.volts)[1:]
        if drives is not None:
            effort = effort * (drives.force_per_ampere if drive == "current" else drives.force_per_volt)
            # Gears take their share of what the motors push with, which is less than the volts by their own drag.
            drag = 0.0 if drive == "current" else drives.force_per_volt * drives.back_emf
            pushed = effort - drag * np.diff(part.position) / np.diff(part.times)
            effort = effort - drives.loss * np.abs(pushed) * sense_of_periods(rate)
        held = pieces[first + int(run[0])]
        carried = (0.0,) * len(TERMS[axis.kind]) if held is None else of_piece(machine, axis, machine.pieces[held])
        yield Motion(part.times, part.position, rate, effort, block, carried if drives is not None else ())


def of_piece(machine: Machine, axis: Axis, piece: Piece) -> tuple[float, ...]:
    """What a piece adds to the terms of an axis, in their order."""
    carrier, place, inside = piece.carried_by, complex(*piece.centre), False
    while carrier != "frame":
        mount = machine.axes[carrier].mount
        if carrier == axis.name:
            inside = True
            break
        if machine.axes[carrier].kind != "spin":
            # For what carries a turning axis its piece is a mass at the pivot.
            place = complex(0.0, 0.0)
        place, carrier = place + complex(*mount.at), mount.to
    if not inside:
        return (0.0,) * len(TERMS[axis.kind])
    weight = piece.mass * STANDARD_GRAVITY
    if axis.kind == "linear":
        return piece.mass, 0.0, 0.0, weight * sin(axis.mount.direction)
    size, angle = abs(place), phase(place) if place else 0.0
    return piece.mass * size**2, 0.0, 0.0, weight * size * cos(angle), -weight * size * sin(angle), 0.0


def declared(machine: Machine, name: str) -> dict[str, float]:
    """What the machine's description says of the terms of an axis, in forces; {} where it lacks load or motors."""
    axis, terms, drives = machine.axes[name], feedforward(machine, name), drives_of(machine.axes[name])
    if terms is None or drives is None or axis.load is None:
        return {}
    per_volt = drives.force_per_volt
    found = {
        "inertia": terms["acceleration"] * per_volt,
        "coulomb": axis.load.coulomb + drives.friction,
        "viscous": axis.load.viscous,
        "gravity": terms["constant"] * per_volt,
    }
    if axis.kind == "rotary":
        found["gravity"] = terms["cosine"] * per_volt * cos(terms["angle"])
        found["gravity_sine"] = -terms["cosine"] * per_volt * sin(terms["angle"])
        found["offset"] = 0.0
    return found


def carried_beside(machine: Machine, name: str) -> tuple[float, float, complex]:
    """Mass [kg], inertia [kg m2] and first moment [kg m] that an axis carries besides its own load."""
    bodies = carried_bodies(machine, name)[1:]
    if machine.axes[name].kind == "linear":
        return sum(body.mass * body.share**2 for body in bodies), 0.0, 0j
    inertia = sum((body.mass * abs(body.place) ** 2 + body.inertia) * body.share**2 for body in bodies)
    return sum(body.mass for body in bodies), inertia, sum((body.mass * body.share * body.place for body in bodies), 0j)
