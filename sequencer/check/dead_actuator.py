"""What still works with one of several actuators of an axis dead, and how much slower."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

from sequencer.check.demand import STANDS, Demand
from sequencer.check.drive import AxisDrive, bus_voltage
from sequencer.check.feasibility import Feasibility, sense_of
from sequencer.machine.machine import Machine
from sequencer.plan.planned import Plan

CAUTION = (
    "what a motor can do is no measure of what the chain, rope, gear or frame behind it can take: the one that is left "
    "carries all. Inspect it first, the axis blocked and the power off"
)
"""Goes with every such table."""

SLOWEST = 20.0
"""A step that takes so many times as long counts as one that does not work [1]."""

_ROUNDS = 40


class DeadActuator(NamedTuple):
    """One step with one actuator dead.

    Attributes:
        axis, actuator: which is dead; it still turns with its axis.
        step: that moves the axis, or "" for holding it where others move.
        slower: how many times as long the step must take at least [1]; 1: as planned; None: it does not work at all.
    """

    axis: str
    actuator: str
    step: str
    slower: float | None

    @property
    def limits(self) -> tuple[float, float] | None:
        """The shares of velocity and acceleration that make it so much slower [1]; None where nothing does."""
        return None if self.slower is None else (1.0 / self.slower, 1.0 / self.slower**2)

    def as_json(self) -> dict[str, Any]:
        """Plain data."""
        return {**self._asdict(), "limits": self.limits}


def one_dead(plan: Plan, found: Feasibility) -> tuple[DeadActuator, ...]:
    """Every actuator of an axis that has several, dead in every step that moves or must hold the axis.

    A step that is c times slower needs c times less speed and c^2 times less acceleration; the least c that leaves all
    that is declared (pieces, counterbalance, other loads) possible is looked for.

    Args:
        plan: the plan.
        found: what it takes out of actuators that all work.
    """
    machine = plan.routine.machine
    if found.demands is None:
        return ()
    rows = []
    for axis in machine.axes.values():
        if axis.name not in found.draws or len(axis.in_service) < 2:
            continue
        table = next(iter(found.demands.by_piece.values()))
        steps = dict.fromkeys(demand.step for demand in table[axis.name])
        for actuator in axis.in_service:
            drive = AxisDrive(axis, frozenset({actuator.name}))
            for step in sorted(steps, key=lambda name: name == STANDS):
                rows.append(DeadActuator(axis.name, actuator.name, step, _slower(machine, found, drive, step)))
    return tuple(rows)


def _slower(machine: Machine, found: Feasibility, drive: AxisDrive, step: str) -> float | None:
    """The least share of slowness with which everything can be made."""
    assert found.demands is not None
    others = found.draws[drive.axis.name]
    asked = [
        (demand, watts)
        for table in found.demands.by_piece.values()
        for demand, watts in zip(table[drive.axis.name], others, strict=True)
        if demand.step == step
    ]
    if _all_made(machine, drive, asked, 1.0):
        return 1.0
    if not _all_made(machine, drive, asked, SLOWEST):
        return None
    low, high = 1.0, SLOWEST
    for _ in range(_ROUNDS):
        middle = 0.5 * (low + high)
        if _all_made(machine, drive, asked, middle):
            high = middle
        else:
            low = middle
    return high


def _all_made(machine: Machine, drive: AxisDrive, asked: Sequence[tuple[Demand, float]], slower: float) -> bool:
    battery = machine.battery
    other = battery.other_load[1] if battery is not None else 0.0
    for demand, watts in asked:
        velocity, sense = demand.velocity / slower, sense_of(demand)
        moving = (demand.moving + drive.inertia * demand.acceleration) / slower**2
        for spring in dict.fromkeys(drive.springs):
            force = drive.needed(moving, demand.weight, spring, velocity, sense)
            drawn = drive.limited(drive.drawn(force, velocity, sense), velocity)
            bus = bus_voltage(battery, other, watts + drawn.watts)
            sign = 1.0 if force >= 0.0 else -1.0
            if drive.most(bus, velocity, sign, sense) * sign < force * sign:
                return False
    return True
