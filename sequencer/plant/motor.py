"""Motors on an axis, seen from the axis: currents, forces and frictions of like motors taken together.

    i = clip((d V - k_e N v) / R),   F = n k_t N i

with d the duty cycle, V the bus voltage, N the motor angle per axis travel and n the number of like motors. Inductance
is left out: its time constant is far below the millisecond of a step. At the no-load current no torque is left, so
k_t N I_0 is dry friction; so is the gear's loss (1 - efficiency) |F|.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from math import inf, sqrt
from typing import Literal

from sequencer.machine.actuator import Actuator

Switching = Literal["off", "driven", "shorted"]
"""Bridge open; pulsed with a duty cycle; windings shorted (braking)."""
_WHOLE: Mapping[str, float] = {}


class MotorGroup:
    """`count` like motors of one axis; `duty`, `emf` [V] and `current` [A] are of one motor, forces of all of them."""

    __slots__ = (
        "conductance",
        "count",
        "current",
        "drag",
        "duty",
        "emf",
        "emf_per_speed",
        "force_per_ampere",
        "friction",
        "has_power",
        "inertia",
        "limited",
        "loss",
        "names",
        "per_ohm",
        "resistance",
        "supply_limit",
        "switching",
        "winding_limit",
    )

    def __init__(self, actuators: tuple[Actuator, ...], has_power: bool = True, share: float = 1.0) -> None:
        first = actuators[0]
        turn = first.motor_turn
        self.names = tuple(actuator.name for actuator in actuators)
        self.count = len(actuators)
        self.has_power = has_power
        self.resistance = first.motor.resistance
        self.per_ohm = 1.0 / self.resistance
        self.conductance = self.count / self.resistance
        whole = self.count * first.motor.torque_per_ampere * turn
        self.force_per_ampere = share * whole  # all motors, per ampere in each
        self.emf_per_speed = first.motor.back_emf * turn
        self.drag = self.force_per_ampere * self.emf_per_speed / self.resistance
        self.friction = whole * first.motor.no_load_current
        self.inertia = self.count * first.motor.rotor_inertia * turn * turn
        self.loss = 1.0 - first.efficiency
        self.winding_limit = first.winding_limit if first.winding_limit is not None else inf
        self.supply_limit = first.supply_limit if first.supply_limit is not None else inf
        self.switching: Switching = "off"
        self.duty = 0.0
        self.emf = 0.0
        self.current = 0.0
        self.limited = False

    def set_current(self, bus: float) -> None:
        """The current at a bus voltage [V], within both limits."""
        current = (self.duty * bus - self.emf) * self.per_ohm
        self.limited = False
        limit = self.winding_limit
        if current > limit:
            current = limit
            self.limited = True
        elif current < -limit:
            current = -limit
            self.limited = True
        limit = self.supply_limit
        if limit < inf and self.supply_current(current, bus) > limit:
            # R i^2 + e i = S V: what the windings and the shaft take together is what the supply may give.
            along = self.emf if current > 0.0 else -self.emf
            size = (sqrt(along * along + 4.0 * self.resistance * limit * bus) - along) / (2.0 * self.resistance)
            current = size if current > 0.0 else -size
            self.limited = True
        self.current = current

    def supply_current(self, current: float, bus: float) -> float:
        """What one motor draws from the bus [A] while `current` flows in it: its power over the bus voltage."""
        return (current * self.resistance + self.emf) * current / bus


def motor_groups(
    actuators: Iterable[Actuator], dead: frozenset[str] = frozenset(), shares: Mapping[str, float] = _WHOLE
) -> tuple[MotorGroup, ...]:
    """The actuators gathered into groups of like ones.

    Args:
        actuators: those that are coupled to the axis.
        dead: names of the ones without power; they still turn with the axis.
        shares: of their force that arrives at the axis, by name; 1 for the others.
    """
    found: dict[tuple[object, ...], list[Actuator]] = {}
    for actuator in actuators:
        motor = actuator.motor
        key = (
            motor.resistance,
            motor.torque_per_ampere,
            motor.back_emf,
            motor.no_load_current,
            motor.rotor_inertia,
            actuator.motor_turn,
            actuator.efficiency,
            actuator.winding_limit,
            actuator.supply_limit,
            shares.get(actuator.name, 1.0),
            actuator.name in dead,
        )
        found.setdefault(key, []).append(actuator)
    return tuple(
        MotorGroup(tuple(like), has_power=like[0].name not in dead, share=shares.get(like[0].name, 1.0))
        for like in found.values()
    )
