"""The single faults that a drill tries on a machine, and how large each is made."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence, Set
from dataclasses import dataclass, replace

from sequencer.machine.axis import Axis
from sequencer.machine.machine import NANOSECONDS, Battery, Machine
from sequencer.machine.sensor import Sensor, Value
from sequencer.plant import (
    ActuatorDead,
    ActuatorLoose,
    ActuatorWeak,
    AxisJammed,
    BatteryWeak,
    BrownOut,
    Disabled,
    EncoderFrozen,
    EncoderOffset,
    EncoderReversed,
    EncoderSilent,
    Fault,
    OtherLoad,
    PieceDropped,
    PieceMissing,
    SensorBouncing,
    SensorSilent,
    SensorStale,
    SensorStuck,
    TicksLate,
)
from sequencer.routine.steps import Button
from sequencer.units import CURRENT, TIME, VOLTAGE, show

HALF = 0.5
"""Share of its force that a weak actuator still gives [1]."""
OFFSET = 0.9
"""An encoder's offset as a share of the error that an axis may have while it moves: just not enough to be noticed."""
BOUNCE = 0.04
"""How long a worn switch bounces after each change [s] (common practice, no source)."""
SPENT_VOLTS, SPENT_RESISTANCE = 1.0, 2.0
"""A spent battery has so many volts less [V], and so many times the resistance [1] (common practice, no source)."""
INSTANT = 1e-6
"""A tick that is late once is late for a fault that holds so long [s]."""
HELD_FOR = 0.5
"""How long a person holds a run before it goes on [s]."""

LYING_ENCODER = "an encoder lies"
LYING_SENSOR = "a sensor lies"
LESS_FORCE = "less force than declared"
NO_POWER = "no power"


@dataclass(frozen=True, slots=True)
class SingleFault:
    """One thing that goes wrong at an instant.

    Attributes:
        words: what it is, such as "lift: left dead".
        fault: what happens on the plant; its `at` is filled in. None: something that a person does.
        once: whether only the next tick is late, and not all from then on.
        pressed: buttons, each with its time after the instant [s].
        untrue: why readings or brakes are not what they say while it holds; "": they are true.
        as_read: whether a stuck sensor keeps what it reads at the instant.
        at_start: whether it makes sense from the beginning only.
        short: whether it belongs to a short drill: it is likely to hurt.
    """

    words: str
    fault: Fault | None = None
    once: bool = False
    pressed: tuple[tuple[float, Button], ...] = ()
    untrue: str = ""
    as_read: bool = False
    at_start: bool = False
    short: bool = False

    def faults_at(self, at: float, sensors: Mapping[str, Value | None]) -> tuple[Fault, ...]:
        """What happens on the plant if it goes wrong at an instant.

        Args:
            at: the instant [s].
            sensors: what the sensors read then.
        """
        fault = self.fault
        if fault is None:
            return ()
        if self.as_read and isinstance(fault, SensorStuck):
            reads = sensors.get(fault.sensor)
            if reads is None:
                return (SensorSilent(fault.sensor, at),)
            fault = replace(fault, value=reads)
        if self.once and isinstance(fault, TicksLate):
            return (replace(fault, at=at, until=at + INSTANT),)
        return (replace(fault, at=at),)

    def pressed_at(self, at: float) -> tuple[tuple[float, Button], ...]:
        """The buttons with their times [s] if it is at this instant [s]."""
        return tuple((at + after, button) for after, button in self.pressed)


def single_faults(
    machine: Machine,
    *,
    asked: Set[str] | None = None,
    seen: Mapping[str, Sequence[Value]] | None = None,
    carries: bool = True,
    offered: bool = False,
) -> tuple[SingleFault, ...]:
    """Every single fault of a machine, in the order of its file: axes, sensors, pieces, time, power, people.

    Args:
        machine: the machine.
        asked: the sensors that anything asks for; None: all. The others can change nothing.
        seen: the values that each sensor has without a fault; a number also sticks at the least and the greatest.
        carries: whether a piece is held at some time.
        offered: whether a piece is laid before the rollers.
    """
    sensed = [one for one in machine.sensors.values() if one.derived is None and (asked is None or one.name in asked)]
    return (
        *(fault for axis in machine.axes.values() for fault in _of_axis(axis)),
        *(fault for sensor in sensed for fault in _of_sensor(sensor, (seen or {}).get(sensor.name, ()))),
        *_of_pieces(carries, offered),
        *_of_time(machine),
        *_of_power(machine.battery),
        SingleFault("disabled", Disabled(), untrue=NO_POWER, short=True),
        SingleFault("cancel", pressed=((0.0, "cancel"),), short=True),
        SingleFault("hold, then resume", pressed=((0.0, "hold"), (HELD_FOR, "resume"))),
    )


def _of_axis(axis: Axis) -> Iterator[SingleFault]:
    name = axis.name
    simulated = axis.load is not None
    if simulated:
        for actuator in axis.in_service:
            what = f"{name}: {actuator.name}"
            dead = ActuatorDead(name, actuator.name)
            yield SingleFault(f"{what} dead", dead, untrue=LESS_FORCE, short=axis.travel is not None)
            yield SingleFault(f"{what} has half its force", ActuatorWeak(name, actuator.name, HALF), untrue=LESS_FORCE)
            yield SingleFault(f"{what} has lost its chain", ActuatorLoose(name, actuator.name), untrue=LESS_FORCE)
        if axis.in_service:
            yield SingleFault(f"{name}: jams", AxisJammed(name))
    if axis.travel is None:
        return
    offset = OFFSET * axis.band
    for encoder in (axis.position.actuators if axis.position is not None else ()) or (None,):
        what = f"{name}: encoder" if encoder is None else f"{name}: encoder {encoder}"
        yield SingleFault(f"{what} frozen", EncoderFrozen(name, encoder), untrue=LYING_ENCODER, short=True)
        for by, sense in ((offset, "more"), (-offset, "less")):
            words = f"{what} reads {axis.show(offset)} {sense}"
            yield SingleFault(words, EncoderOffset(name, by, encoder), untrue=LYING_ENCODER)
        yield SingleFault(f"{what} counts the wrong way", EncoderReversed(name, encoder), untrue=LYING_ENCODER)
    yield SingleFault(f"{name}: not read", EncoderSilent(name), short=True)


def _of_sensor(sensor: Sensor, seen: Sequence[Value]) -> Iterator[SingleFault]:
    name = sensor.name
    stuck: list[Value] = [False, True] if sensor.kind == "switch" else list(sensor.values)
    if sensor.kind == "number":
        numbers = [value for value in seen if not isinstance(value, str)]
        stuck = sorted({min(numbers), max(numbers)}) if numbers else []
        still = SensorStuck(name, stuck[0] if stuck else 0.0)
        yield SingleFault(f"{name}: stuck as it reads", still, untrue=LYING_SENSOR, as_read=True)
    for value in stuck:
        words = f"{name}: stuck at {_shown(sensor, value)}"
        yield SingleFault(words, SensorStuck(name, value), untrue=LYING_SENSOR)
    yield SingleFault(f"{name}: bounces", SensorBouncing(name, BOUNCE), untrue=LYING_SENSOR)
    yield SingleFault(f"{name}: stale", SensorStale(name))
    yield SingleFault(f"{name}: silent", SensorSilent(name), short=True)


def _shown(sensor: Sensor, value: Value) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return value
    return show(value, sensor.dimension) if sensor.dimension is not None else f"{value:g}"


def _of_pieces(carries: bool, offered: bool) -> Iterator[SingleFault]:
    if carries or offered:
        yield SingleFault("the piece is missing", PieceMissing(), at_start=True)
        yield SingleFault("the piece is dropped", PieceDropped())


def _of_time(machine: Machine) -> Iterator[SingleFault]:
    period, longest = machine.period / NANOSECONDS, machine.longest_gap / NANOSECONDS
    within = longest - 2.0 * period
    if within > 0.0:
        words = f"one tick {show(within, TIME)} late"
        yield SingleFault(words, TicksLate(within), once=True)
    if 2.0 * period < longest:
        yield SingleFault("every tick a period late", TicksLate(period))
    yield SingleFault(f"no tick for {show(2.0 * longest, TIME)}", TicksLate(2.0 * longest), once=True, untrue=NO_POWER)


def _of_power(battery: Battery | None) -> Iterator[SingleFault]:
    if battery is not None:
        spent = BatteryWeak(max(battery.open_circuit - SPENT_VOLTS, 1.0), SPENT_RESISTANCE * battery.resistance)
        words = f"battery spent ({show(spent.open_circuit or 0.0, VOLTAGE)}, {SPENT_RESISTANCE:g} times the resistance)"
        yield SingleFault(words, spent)
        most = battery.other_load[1]
        if most > 0.0:
            yield SingleFault(f"others draw {show(most, CURRENT)}", OtherLoad(most))
    yield SingleFault("controllers start anew", BrownOut(), untrue=NO_POWER, short=True)
