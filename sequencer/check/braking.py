"""The deceleration that stopping may count on: what motors surely give, wherever an axis is and whatever it carries."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from sequencer.check.demand import trees_of
from sequencer.check.drive import AxisDrive, bus_voltage
from sequencer.check.finding import Finding
from sequencer.machine.axis import Axis
from sequencer.machine.machine import Machine
from sequencer.plant.battery import STIFF_SUPPLY
from sequencer.plant.mechanism import place_in_triangle
from sequencer.units import show

_PLACES = 12
"""Into so many parts the travel is cut [1]."""


class Braking(NamedTuple):
    """The least deceleration [m/s2 or rad/s2] from motion upwards and from motion downwards, each from the greatest
    speed that the limits allow; less than 0: the axis goes on faster."""

    upwards: float
    downwards: float


def sure_braking(machine: Machine, name: str) -> Braking | None:
    """What an axis' motors surely give it to stop with; None where actuators or load are not declared.

    The battery is under its greatest other load, as much as the motors of this axis can draw, and the worst of pieces
    and counterbalances is taken. Friction and what gears lose would help to brake; neither is counted on. Each axis is
    taken for itself, with the others at rest at their lowest, middle and highest places.

    Args:
        machine: the machine.
        name: one of its axes, no spin.
    """
    axis = machine.axes[name]
    if axis.travel is None or not axis.has_motors_and_load:
        return None
    drive = AxisDrive(axis)
    up = down = float("inf")
    low_spring, high_spring = drive.springs
    push_down, push_up = _pushes(machine, drive, axis.limits.velocity)
    for inertia, weight in _loads(machine, axis):
        whole = inertia + drive.inertia
        if whole <= 0.0:
            return None
        up = min(up, (push_down + weight - high_spring) / whole)
        down = min(down, (push_up - weight + low_spring) / whole)
    return Braking(up, down)


def braking_findings(machine: Machine, moved: frozenset[str]) -> Iterator[Finding]:
    """Limits of acceleration that promise more than motors surely give.

    Args:
        machine: the machine.
        moved: the axes that the routine moves.
    """
    for axis in machine.axes.values():
        sure = sure_braking(machine, axis.name) if axis.name in moved else None
        if sure is None:
            continue
        lowest, highest = axis.limits.acceleration
        for sense, limit, given in (("upwards", -lowest, sure.upwards), ("downwards", highest, sure.downwards)):
            if given < limit:
                yield Finding(
                    "braking",
                    "undecided",
                    f"{axis.name} is to brake from motion {sense} with {_shown(axis, limit)}; with the battery under "
                    f"its greatest load and the worst of what is declared its motors surely give {_shown(axis, given)}",
                    None,
                    axis.place,
                    "a stop may go farther than what was proved: lower the limit of acceleration, or declare the load "
                    "as it is",
                    found=given,
                    allowed=limit,
                )


def _pushes(machine: Machine, drive: AxisDrive, velocity: tuple[float, float]) -> tuple[float, float]:
    """The motors' least force downwards against the greatest speed upwards, and the other way round [N or N m]."""
    battery, watts = machine.battery, 0.0
    full = battery.open_circuit if battery is not None else STIFF_SUPPLY
    for group in drive.groups:
        group.duty, group.emf = 1.0, 0.0
        group.set_current(full)
        watts += group.count * group.current**2 * group.resistance
    bus = bus_voltage(battery, battery.other_load[1] if battery is not None else 0.0, watts)
    down = -max(drive.most(bus, speed, -1.0, 0.0) for speed in (0.0, velocity[1]))
    up = min(drive.most(bus, speed, 1.0, 0.0) for speed in (0.0, velocity[0]))
    return down, up


def _loads(machine: Machine, axis: Axis) -> Iterator[tuple[float, float]]:
    """Inertia without rotors and weight of an axis over its travel, whatever it carries [SI]."""
    axes = list(machine.axes.values())
    number = [one.name for one in axes].index(axis.name)
    assert axis.travel is not None
    low, high = axis.travel
    still = [0.0] * len(axes)
    for piece in (None, *machine.pieces):
        for tree in trees_of(machine, piece):
            if number not in tree.coordinates:
                continue
            row, size = tree.coordinates.index(number), len(tree.coordinates)
            for share in (0.0, 0.5, 1.0):
                position = [
                    0.0 if one.travel is None else one.travel[0] + share * (one.travel[1] - one.travel[0])
                    for one in axes
                ]
                for place in range(_PLACES + 1):
                    position[number] = low + (high - low) * place / _PLACES
                    terms = tree.equations(position, still, still, tree.masses)
                    yield terms[place_in_triangle(size, row, row)], terms[row - size]


def _shown(axis: Axis, deceleration: float) -> str:
    return show(float(f"{deceleration:.4g}"), axis.acceleration_dimension)
