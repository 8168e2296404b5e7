"""What differs from one machine to the next and from one day to the next, and a machine on which it has done so."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from math import isfinite
from typing import TYPE_CHECKING, Any, Literal

from sequencer.errors import ModelError, did_you_mean
from sequencer.places import NOWHERE, Place
from sequencer.units import (
    ANGLE,
    ANGULAR_SPEED,
    CURRENT,
    MASS,
    NUMBER,
    RESISTANCE,
    TIME,
    TORQUE,
    VOLTAGE,
    Dimension,
    show,
)

if TYPE_CHECKING:
    from sequencer.machine.actuator import Motor
    from sequencer.machine.axis import Axis
    from sequencer.machine.machine import Battery, Machine
    from sequencer.machine.piece import Piece

VariedKind = Literal["battery", "motor", "axis", "piece", "sensor"]

QUANTITIES: dict[str, tuple[str, ...]] = {
    "battery": ("open_circuit", "resistance", "other_load"),
    "motor": ("stall_torque", "no_load_speed"),
    "axis": ("start", "reading", "noise", "mass", "coulomb", "viscous", "efficiency", "counterbalance", "latency"),
    "piece": ("mass", "grip_torque", "turns_to_leave"),
    "sensor": ("offset", "noise", "late", "missing"),
}
"""What can vary of each kind of thing; `counterbalance`, `latency` and `other_load` do within the machine's own ranges
and are never declared again."""

_SIGNED = {"start", "reading", "offset", "counterbalance"}
_ABOVE_ZERO = {"open_circuit", "stall_torque", "no_load_speed", "efficiency"}
_AT_MOST_ONE = {"efficiency", "missing"}
_OF_LOAD = {"mass", "coulomb", "viscous"}


@dataclass(frozen=True, slots=True)
class Varied:
    """One thing that differs: anywhere from `low` to `high` [SI], all alike, whatever the others are.

    Attributes:
        kind: of what it is a quantity.
        of: the name of that; "" for the battery.
        quantity: as in the machine file; `start`, `reading` and `offset` count from what would be right.
        low, high: least and most [SI].
    """

    kind: VariedKind
    of: str
    quantity: str
    low: float
    high: float
    place: Place = field(compare=False, default=NOWHERE)

    @property
    def name(self) -> str:
        """Of what it is which quantity, such as ``lift.coulomb``."""
        return f"{self.of or self.kind}.{self.quantity}"

    @property
    def varies(self) -> bool:
        """Whether it is not the same always."""
        return self.low < self.high


def all_varied(machine: Machine) -> tuple[Varied, ...]:
    """What the machine's `variation` declares, and after that its own ranges: of latencies, counterbalances and other
    loads on the battery.
    """
    return (*machine.variation, *_own_ranges(machine))


def dimension_of(machine: Machine, varied: Varied) -> Dimension:
    """Of a varied quantity."""
    quantity = varied.quantity
    if varied.kind == "axis":
        axis = machine.axes[varied.of]
        return {
            "mass": MASS,
            "efficiency": NUMBER,
            "latency": TIME,
            "coulomb": axis.effort_dimension,
            "counterbalance": axis.effort_dimension,
            "viscous": axis.viscous_dimension,
        }.get(quantity, axis.dimension)
    if varied.kind == "sensor" and quantity in ("offset", "noise"):
        return machine.sensors[varied.of].dimension or NUMBER
    return {
        "open_circuit": VOLTAGE,
        "resistance": RESISTANCE,
        "other_load": CURRENT,
        "stall_torque": TORQUE,
        "no_load_speed": ANGULAR_SPEED,
        "mass": MASS,
        "grip_torque": TORQUE,
        "turns_to_leave": ANGLE,
        "late": TIME,
        "missing": NUMBER,
    }[quantity]


def varied_machine(machine: Machine, values: Mapping[Varied, float]) -> Machine:
    """The machine on which quantities have these values [SI]; `start`, `reading`, `noise` and what sensors do are no
    matter of the machine and left to whoever runs it.

    Raises:
        ModelError: something cannot be so.
    """
    by_thing: dict[tuple[str, str], dict[str, float]] = {}
    for varied, value in values.items():
        by_thing.setdefault((varied.kind, varied.of), {})[varied.quantity] = value
    motors = {name: _varied_motor(motor, by_thing.get(("motor", name), {})) for name, motor in machine.motors.items()}
    battery = by_thing.get(("battery", ""), {})
    return replace(
        machine,
        variation=(),
        battery=None if machine.battery is None else _varied_battery(machine.battery, battery),
        motors=motors,
        axes={
            name: _varied_axis(axis, by_thing.get(("axis", name), {}), motors) for name, axis in machine.axes.items()
        },
        pieces={
            name: _varied_piece(piece, by_thing.get(("piece", name), {})) for name, piece in machine.pieces.items()
        },
    )


def variation_problems(machine: Machine) -> list[tuple[Place, str]]:
    """Names that the machine does not have, and values that cannot be, with their places."""
    found: list[tuple[Place, str]] = []
    seen: set[str] = set()
    for varied in machine.variation:
        text = _name_problem(machine, varied) or _number_problem(machine, varied)
        if text is None and f"{varied.kind} {varied.name}" in seen:
            text = "it is given twice"
        if text is not None:
            found.append((varied.place, f"variation of {varied.name}: {text}"))
        seen.add(f"{varied.kind} {varied.name}")
    return found


def _own_ranges(machine: Machine) -> Iterator[Varied]:
    battery = machine.battery
    if battery is not None and battery.other_load[0] < battery.other_load[1]:
        yield Varied("battery", "", "other_load", *battery.other_load, machine.place)
    for axis in machine.axes.values():
        if axis.load is not None and axis.load.counterbalance[0] < axis.load.counterbalance[1]:
            yield Varied("axis", axis.name, "counterbalance", *axis.load.counterbalance, axis.place)
        if axis.latency[0] < axis.latency[1]:
            low, high = (time * 1e-9 for time in axis.latency)
            yield Varied("axis", axis.name, "latency", low, high, axis.place)


def _varied_battery(battery: Battery, values: Mapping[str, float]) -> Battery:
    changes: dict[str, Any] = dict(values)
    if "other_load" in values:
        changes["other_load"] = (values["other_load"],) * 2
    return replace(battery, **changes) if changes else battery


def _varied_motor(motor: Motor, values: Mapping[str, Any]) -> Motor:
    return replace(motor, **values) if values else motor


def _varied_piece(piece: Piece, values: Mapping[str, Any]) -> Piece:
    return replace(piece, **values) if values else piece


def _varied_axis(axis: Axis, values: Mapping[str, float], motors: Mapping[str, Motor]) -> Axis:
    changes: dict[str, Any] = {}
    load: dict[str, Any] = {name: value for name, value in values.items() if name in _OF_LOAD}
    if "counterbalance" in values:
        load["counterbalance"] = (values["counterbalance"],) * 2
    if load and axis.load is not None:
        changes["load"] = replace(axis.load, **load)
    if "latency" in values:
        changes["latency"] = (round(values["latency"] * 1e9),) * 2
    if axis.actuators:
        geared: dict[str, Any] = {"efficiency": values["efficiency"]} if "efficiency" in values else {}
        changes["actuators"] = tuple(
            replace(one, motor=motors.get(one.motor.name, one.motor), **geared) for one in axis.actuators
        )
    return replace(axis, **changes) if changes else axis


def _name_problem(machine: Machine, varied: Varied) -> str | None:
    tables: dict[str, Mapping[str, Any]] = {
        "motor": machine.motors,
        "axis": machine.axes,
        "piece": machine.pieces,
        "sensor": machine.sensors,
    }
    if varied.quantity not in QUANTITIES.get(varied.kind, ()):
        known = QUANTITIES.get(varied.kind, ())
        return f"no such quantity varies; {did_you_mean(varied.quantity, known)}"
    if varied.kind == "battery":
        return None if machine.battery is not None else "the machine declares no battery"
    if varied.of not in tables[varied.kind]:
        return f"unknown {varied.kind} '{varied.of}'; {did_you_mean(varied.of, tables[varied.kind])}"
    if varied.kind == "sensor":
        sensor = machine.sensors[varied.of]
        if sensor.derived is not None:
            return "the sensor is derived from others; let those vary"
        if varied.quantity in ("offset", "noise") and sensor.kind != "number":
            return f"the sensor is a {sensor.kind} and reads no number"
    if varied.kind == "axis":
        axis = machine.axes[varied.of]
        if varied.quantity in ("start", "reading", "noise") and axis.travel is None:
            return "the axis is a spin and has no position"
        if varied.quantity in _OF_LOAD and axis.load is None:
            return "the axis declares no load"
        if varied.quantity == "efficiency" and not axis.actuators:
            return "the axis declares no actuators"
    return None


def _number_problem(machine: Machine, varied: Varied) -> str | None:
    dimension = dimension_of(machine, varied)
    low, high = varied.low, varied.high

    def shown(value: float) -> str:
        return show(value, dimension)

    if not (isfinite(low) and isfinite(high) and low <= high):
        return f"it runs from {shown(low)} to {shown(high)}; the first must be the smaller"
    bounds: list[tuple[bool, Callable[[float], bool], str]] = [
        (varied.quantity not in _SIGNED, lambda value: value >= 0.0, "it cannot be below 0"),
        (varied.quantity in _ABOVE_ZERO, lambda value: value > 0.0, "it must be greater than 0"),
        (varied.quantity in _AT_MOST_ONE, lambda value: value <= 1.0, "it can be 1 at most"),
    ]
    for counts, fits, words in bounds:
        for value in (low, high):
            if counts and not fits(value):
                return f"{shown(value)} was found; {words}"
    for value in (low, high):
        try:
            _vary_alone(machine, varied, value)
        except ModelError as error:
            return str(error)
    return None


def _vary_alone(machine: Machine, varied: Varied, value: float) -> None:
    """See that what varies can be so.

    Raises:
        ModelError: it cannot.
    """
    if varied.kind == "axis":
        _varied_axis(machine.axes[varied.of], {varied.quantity: value}, {})
    elif varied.kind == "motor":
        _varied_motor(machine.motors[varied.of], {varied.quantity: value})
