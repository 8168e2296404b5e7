"""What can go wrong on the plant. One fault is one frozen value; times are in seconds from the plant's start.

A fault holds from `at` until `until`; those without an `until` happen once, or last.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from math import inf, isfinite

from sequencer.errors import ModelError, did_you_mean
from sequencer.machine.machine import NANOSECONDS, Machine
from sequencer.machine.sensor import Value

# Actuators and axes.


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
class ActuatorWeak:
    """An actuator of whose force only a `share` arrives at its axis, from `at` [s] until `until` [s]."""

    axis: str
    actuator: str
    share: float = 0.5
    at: float = 0.0
    until: float = inf


@dataclass(frozen=True, slots=True)
class AxisJammed:
    """An axis that needs `force` [N or N m] more to move, from `at` [s] until `until` [s]."""

    axis: str
    force: float = inf
    at: float = 0.0
    until: float = inf


# Encoders. `actuator` names one of the axis' encoders, None all of them. The axis' own loop believes them too.


@dataclass(frozen=True, slots=True)
class EncoderFrozen:
    """An encoder that keeps what it read at `at` [s], until `until` [s]."""

    axis: str
    actuator: str | None = None
    at: float = 0.0
    until: float = inf


@dataclass(frozen=True, slots=True)
class EncoderOffset:
    """An encoder that reads `by` [m or rad] too much from `at` [s] until `until` [s]."""

    axis: str
    by: float
    actuator: str | None = None
    at: float = 0.0
    until: float = inf


@dataclass(frozen=True, slots=True)
class EncoderReversed:
    """An encoder that counts the wrong way from where it was at `at` [s], until `until` [s]."""

    axis: str
    actuator: str | None = None
    at: float = 0.0
    until: float = inf


@dataclass(frozen=True, slots=True)
class EncoderNoisy:
    """Readings of an axis' position with normal noise of `deviation` [m or rad]; the axis' own loop is spared."""

    axis: str
    deviation: float
    at: float = 0.0
    until: float = inf


@dataclass(frozen=True, slots=True)
class EncoderCoarse:
    """Readings of an axis' position in whole multiples of `step` [m or rad]; the axis' own loop is spared."""

    axis: str
    step: float
    at: float = 0.0
    until: float = inf


@dataclass(frozen=True, slots=True)
class EncoderSilent:
    """An axis that reads nothing, with a probability of `share` at each reading; its own loop is spared."""

    axis: str
    share: float = 1.0
    at: float = 0.0
    until: float = inf


# Sensors.


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
class SensorDropping:
    """A sensor that reads nothing with a probability of `share` at each reading."""

    sensor: str
    share: float
    at: float = 0.0
    until: float = inf


@dataclass(frozen=True, slots=True)
class SensorBouncing:
    """A sensor that, for `duration` [s] after each change, reads old and new by chance."""

    sensor: str
    duration: float
    at: float = 0.0
    until: float = inf


@dataclass(frozen=True, slots=True)
class SensorStale:
    """A sensor whose last value before `at` [s] stays and says how old it is."""

    sensor: str
    at: float = 0.0
    until: float = inf


@dataclass(frozen=True, slots=True)
class SensorLate:
    """A sensor that reads what was so `delay` [s] ago and does not say so."""

    sensor: str
    delay: float
    at: float = 0.0
    until: float = inf


@dataclass(frozen=True, slots=True)
class SensorOffset:
    """A number that reads `by` [its own unit] too much."""

    sensor: str
    by: float
    at: float = 0.0
    until: float = inf


@dataclass(frozen=True, slots=True)
class SensorNoisy:
    """A number with normal noise of `deviation` [its own unit]."""

    sensor: str
    deviation: float
    at: float = 0.0
    until: float = inf


@dataclass(frozen=True, slots=True)
class SensorCoarse:
    """A number in whole multiples of `step` [its own unit]."""

    sensor: str
    step: float
    at: float = 0.0
    until: float = inf


# Time, power and pieces.


@dataclass(frozen=True, slots=True)
class OrdersLost:
    """Orders that do not arrive from `at` [s] until `until` [s]."""

    at: float = 0.0
    until: float = inf


@dataclass(frozen=True, slots=True)
class TicksLate:
    """Ticks that each come `by` [s] later than a period after the one before, from `at` [s] until `until` [s]."""

    by: float
    at: float = 0.0
    until: float = inf


@dataclass(frozen=True, slots=True)
class BatteryWeak:
    """A battery with another `open_circuit` voltage [V] or inner `resistance` [ohm]; None: as the machine declares."""

    open_circuit: float | None = None
    resistance: float | None = None
    at: float = 0.0
    until: float = inf


@dataclass(frozen=True, slots=True)
class OtherLoad:
    """Other consumers that draw `current` [A] in all, whatever range the machine declares."""

    current: float
    at: float = 0.0
    until: float = inf


@dataclass(frozen=True, slots=True)
class BrownOut:
    """Controllers start anew at `at` [s] as if the voltage had broken down; relative encoders lose their zero."""

    at: float = 0.0


@dataclass(frozen=True, slots=True)
class Disabled:
    """The permission to move is taken away from `at` [s] until `until` [s]."""

    at: float = 0.0
    until: float = inf


@dataclass(frozen=True, slots=True)
class PieceMissing:
    """The piece is not there at the start, and what is offered does not come; None: whichever piece."""

    piece: str | None = None
    at: float = 0.0


@dataclass(frozen=True, slots=True)
class PieceDropped:
    """The piece that the machine carries at `at` [s] falls off."""

    at: float = 0.0


ActuatorFault = ActuatorDead | ActuatorLoose | ActuatorWeak
EncoderFault = EncoderFrozen | EncoderOffset | EncoderReversed
"""What makes an encoder lie, to the axis' own loop as well."""
AxisReadingFault = EncoderNoisy | EncoderCoarse | EncoderSilent
SensorFault = (
    SensorStuck
    | SensorSilent
    | SensorDropping
    | SensorBouncing
    | SensorStale
    | SensorLate
    | SensorOffset
    | SensorNoisy
    | SensorCoarse
)
Fault = (
    ActuatorFault
    | AxisJammed
    | EncoderFault
    | AxisReadingFault
    | SensorFault
    | OrdersLost
    | TicksLate
    | BatteryWeak
    | OtherLoad
    | BrownOut
    | Disabled
    | PieceMissing
    | PieceDropped
)


def is_active(fault: Fault, now: int) -> bool:
    """Whether a fault holds at `now` [ns]."""
    return round(fault.at * NANOSECONDS) <= now and now / NANOSECONDS < getattr(fault, "until", inf)


def changes(faults: Iterable[Fault]) -> list[int]:
    """The instants [ns] at which a fault begins or ends, in order."""
    times = {time for fault in faults for time in (fault.at, getattr(fault, "until", inf)) if time < inf}
    return sorted(round(time * NANOSECONDS) for time in times)


def check_faults(machine: Machine, faults: Iterable[Fault]) -> None:
    """See that every fault names what the machine has, and can be.

    Raises:
        ModelError: an unknown axis, actuator, sensor or piece, with the nearest right name; an encoder of a spin; a
            number out of its range.
    """
    for fault in faults:
        _check_names(machine, fault)
        _check_numbers(machine, fault)


def _check_names(machine: Machine, fault: Fault) -> None:
    sensor, name = getattr(fault, "sensor", None), getattr(fault, "axis", None)
    if sensor is not None and sensor not in machine.sensors:
        raise ModelError(f"fault: unknown sensor '{sensor}'; {did_you_mean(sensor, machine.sensors)}")
    if isinstance(fault, PieceMissing) and fault.piece is not None and fault.piece not in machine.pieces:
        raise ModelError(f"fault: unknown piece '{fault.piece}'; {did_you_mean(fault.piece, machine.pieces)}")
    if name is None:
        return
    if name not in machine.axes:
        raise ModelError(f"fault: unknown axis '{name}'; {did_you_mean(name, machine.axes)}")
    axis, actuator = machine.axes[name], getattr(fault, "actuator", None)
    if actuator is not None:
        names = [one.name for one in axis.actuators]
        if actuator not in names:
            raise ModelError(f"fault: '{name}' has no actuator '{actuator}'; {did_you_mean(actuator, names)}")
    if isinstance(fault, EncoderFault | AxisReadingFault) and axis.travel is None:
        raise ModelError(f"fault: '{name}' is a spin and has no encoder that could fail")
    if isinstance(fault, EncoderFault) and fault.actuator is not None:
        read = axis.position.actuators if axis.position is not None else ()
        if fault.actuator not in read:
            told = ", ".join(read) or "none of its actuators by name"
            raise ModelError(f"fault: '{name}' is not measured at '{fault.actuator}'; it is at {told}")


_SHARES = (ActuatorWeak, EncoderSilent, SensorDropping)
_POSITIVE = {
    "force": "N or N.m",
    "step": "of its unit",
    "deviation": "of its unit",
    "duration": "s",
    "delay": "s",
    "open_circuit": "V",
    "resistance": "ohm",
}


def _check_numbers(machine: Machine, fault: Fault) -> None:
    what = f"fault {type(fault).__name__}"
    if not (fault.at >= 0.0 and isfinite(fault.at)):
        raise ModelError(f"{what}: it begins at {fault.at:g} s; it must be 0 s or later")
    until = getattr(fault, "until", inf)
    if not until > fault.at:
        raise ModelError(f"{what}: it ends at {until:g} s, but begins at {fault.at:g} s; it must end later")
    if isinstance(fault, _SHARES) and not 0.0 <= fault.share <= 1.0:
        raise ModelError(f"{what}: its share is {fault.share:g}; it must be from 0 to 1")
    for name in sorted(_POSITIVE.keys() & set(fault.__slots__)):
        value = getattr(fault, name)
        if value is not None and not value > 0.0:
            raise ModelError(f"{what}: {name} is {value:g} {_POSITIVE[name]}; it must be greater than 0")
    if isinstance(fault, SensorOffset | EncoderOffset) and not isfinite(fault.by):
        raise ModelError(f"{what}: it reads {fault.by:g} too much; it must be a finite number")
    if isinstance(fault, TicksLate) and not (fault.by > 0.0 and isfinite(fault.by)):
        raise ModelError(f"{what}: the ticks are {fault.by:g} s late; it must be more than 0 s")
    if isinstance(fault, OtherLoad) and not (fault.current >= 0.0 and isfinite(fault.current)):
        raise ModelError(f"{what}: the current is {fault.current:g} A; it must be 0 A or more")
    if isinstance(fault, BatteryWeak | OtherLoad) and machine.battery is None:
        raise ModelError(f"{what}: the machine declares no battery that could be weak or loaded")
    if isinstance(fault, SensorOffset | SensorNoisy | SensorCoarse) and machine.sensors[fault.sensor].kind != "number":
        raise ModelError(f"{what}: '{fault.sensor}' reads no number")
