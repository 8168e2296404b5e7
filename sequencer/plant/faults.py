"""What can go wrong on the plant. One fault is one frozen value; times are in seconds from the plant's start."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from math import inf

from sequencer.errors import ModelError, did_you_mean
from sequencer.machine.machine import Machine
from sequencer.machine.sensor import Value


@dataclass(frozen=True, slots=True)
class ActuatorDead:
    """An actuator without power from `at` [s] on; it still turns with its axis."""

    axis: str
    actuator: str
    at: float = 0.0


@dataclass(frozen=True, slots=True)
class ActuatorLoose:
    """An actuator whose chain or coupling is off from `at` [s] on: it turns alone and does nothing for its axis."""

    axis: str
    actuator: str
    at: float = 0.0


@dataclass(frozen=True, slots=True)
class AxisJammed:
    """An axis that needs `force` [N or N m] more to move, from `at` [s] until `until` [s]."""

    axis: str
    force: float = inf
    at: float = 0.0
    until: float = inf


@dataclass(frozen=True, slots=True)
class SensorStuck:
    """A sensor that reads `value` whatever happens, from `at` [s] until `until` [s]."""

    sensor: str
    value: Value
    at: float = 0.0
    until: float = inf


@dataclass(frozen=True, slots=True)
class SensorSilent:
    """A sensor that reads nothing from `at` [s] until `until` [s]."""

    sensor: str
    at: float = 0.0
    until: float = inf


@dataclass(frozen=True, slots=True)
class OrdersLost:
    """Orders that do not arrive from `at` [s] until `until` [s]."""

    at: float = 0.0
    until: float = inf


Fault = ActuatorDead | ActuatorLoose | AxisJammed | SensorStuck | SensorSilent | OrdersLost


def check_faults(machine: Machine, faults: Iterable[Fault]) -> None:
    """See that every fault names what the machine has.

    Raises:
        ModelError: an unknown axis, actuator or sensor, with the nearest right name.
    """
    for fault in faults:
        if isinstance(fault, SensorStuck | SensorSilent) and fault.sensor not in machine.sensors:
            raise ModelError(f"fault: unknown sensor '{fault.sensor}'; {did_you_mean(fault.sensor, machine.sensors)}")
        if isinstance(fault, ActuatorDead | ActuatorLoose | AxisJammed) and fault.axis not in machine.axes:
            raise ModelError(f"fault: unknown axis '{fault.axis}'; {did_you_mean(fault.axis, machine.axes)}")
        if isinstance(fault, ActuatorDead | ActuatorLoose):
            names = [actuator.name for actuator in machine.axes[fault.axis].actuators]
            if fault.actuator not in names:
                raise ModelError(
                    f"fault: '{fault.axis}' has no actuator '{fault.actuator}'; {did_you_mean(fault.actuator, names)}"
                )
