"""The machine: axes, sensors, outputs, pieces, presets and interlocks of one robot."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, fields
from types import MappingProxyType
from typing import Any

from sequencer.errors import ModelError, did_you_mean
from sequencer.machine.actuator import Motor
from sequencer.machine.axis import Axis, AxisKind
from sequencer.machine.body import Body, Clearance
from sequencer.machine.body_problems import body_problems
from sequencer.machine.condition import Condition, Kind, Vocabulary, names_in
from sequencer.machine.interlock import Interlock, KeepOut, MustStay
from sequencer.machine.piece import Piece
from sequencer.machine.sensor import Output, Sensor
from sequencer.machine.variation import Varied, variation_problems
from sequencer.places import NOWHERE, Place
from sequencer.units import ANGLE, ANGULAR_SPEED, CURRENT, LENGTH, SPEED, VOLTAGE

SHORTEST_PERIOD, LONGEST_PERIOD = 1_000_000, 1_000_000_000
"""Control periods [ns] that this runner is made for."""

NANOSECONDS = 1_000_000_000
"""Nanoseconds in a second; every duration of the model is a whole number of nanoseconds (R17)."""


@dataclass(frozen=True, slots=True)
class Battery:
    """The battery: `open_circuit` voltage [V], inner `resistance` [ohm], and what else draws on it.

    `brown_out` [V] is the voltage at which controllers drop out; `other_load` [A] the other consumers, least and most.
    """

    open_circuit: float = 12.5
    resistance: float = 0.02
    brown_out: float = 6.8
    other_load: tuple[float, float] = (0.0, 0.0)

    def __post_init__(self) -> None:
        if self.brown_out >= self.open_circuit:
            raise ModelError(
                f"battery: brown_out is {self.brown_out:g} V and open_circuit {self.open_circuit:g} V; below the one "
                "controllers drop out, and without any load there is no more than the other"
            )


@dataclass(frozen=True, slots=True)
class Preset:
    """A named position [m, rad] of several axes."""

    name: str
    positions: Mapping[str, float]
    place: Place = field(compare=False, default=NOWHERE)


@dataclass(frozen=True, slots=True)
class Machine:
    """One robot's mechanisms, deeply immutable. All quantities in SI, all durations in whole nanoseconds.

    Axes, sensors, outputs, pieces, presets, motors and bodies are mappings by name in file order; the order of `axes`
    is the order in which the supervisor lets them go. `longest_gap` [ns] is the longest time without a tick that a
    move survives. `variation` says what differs from machine to machine besides the ranges in it.

    Raises:
        ModelError: a preset, interlock, mount, sensor, piece, body, clearance or variation names something that is not
            there, a preset lies outside travel, two things share a name, axes carry each other in a ring, or something
            would vary to where it cannot be.
    """

    name: str
    axes: Mapping[str, Axis]
    period: int = 20_000_000
    longest_gap: int = 0
    battery: Battery | None = None
    motors: Mapping[str, Motor] = field(default_factory=dict)
    sensors: Mapping[str, Sensor] = field(default_factory=dict)
    outputs: Mapping[str, Output] = field(default_factory=dict)
    pieces: Mapping[str, Piece] = field(default_factory=dict)
    presets: Mapping[str, Preset] = field(default_factory=dict)
    interlocks: tuple[Interlock, ...] = ()
    bodies: Mapping[str, Body] = field(default_factory=dict)
    clearances: tuple[Clearance, ...] = ()
    overlays: tuple[str, ...] = ()
    variation: tuple[Varied, ...] = ()
    place: Place = field(compare=False, default=NOWHERE)

    def __post_init__(self) -> None:
        if self.longest_gap == 0:
            object.__setattr__(self, "longest_gap", 5 * self.period)
        for name in ("axes", "motors", "sensors", "outputs", "pieces", "presets", "bodies"):
            object.__setattr__(self, name, MappingProxyType(dict(getattr(self, name))))
        problems = list(self.problems())
        if problems:
            raise ModelError("; ".join(text for _, text in problems), problems)

    def __reduce__(self) -> tuple[type[Machine], tuple[Any, ...]]:
        """Another process gets it field by field; a mapping that nobody can change cannot be sent as it is."""
        values = (getattr(self, one.name) for one in fields(self))
        return Machine, tuple(dict(value) if isinstance(value, MappingProxyType) else value for value in values)

    def problems(self) -> list[tuple[Place, str]]:
        """Everything that contradicts itself, with its place; empty for a machine that can be."""
        found: list[tuple[Place, str]] = []
        if not SHORTEST_PERIOD <= self.period <= LONGEST_PERIOD:
            found.append((self.place, f"the period is {self.period * 1e-9:g} s; it must be between 0.001 s and 1 s"))
        elif self.longest_gap < self.period:
            text = f"longest_gap is {self.longest_gap * 1e-9:g} s, shorter than the period of {self.period * 1e-9:g} s"
            found.append((self.place, text))
        if not self.axes:
            found.append((self.place, "a machine needs at least one axis"))
        owners: dict[str, str] = {}
        for what, table in (("axis", self.axes), ("sensor", self.sensors), ("output", self.outputs)):
            for name, item in table.items():
                if name in owners:
                    found.append((item.place, f"'{name}' is both {owners[name]} and {what}; names must differ"))
                owners[name] = what
        found += self._mount_problems()
        for preset in self.presets.values():
            for axis_name, position in preset.positions.items():
                axis = self.axes.get(axis_name)
                if axis is None:
                    found.append(
                        (
                            preset.place,
                            f"preset '{preset.name}': unknown axis '{axis_name}'; {did_you_mean(axis_name, self.axes)}",
                        )
                    )
                elif axis.travel is None:
                    found.append((preset.place, f"preset '{preset.name}': '{axis_name}' is a spin and has no position"))
                elif not axis.travel[0] <= position <= axis.travel[1]:
                    found.append(
                        (
                            preset.place,
                            f"preset '{preset.name}': {axis_name} at {axis.show(position)} is outside its travel, "
                            f"{axis.show(axis.travel[0])} to {axis.show(axis.travel[1])}",
                        )
                    )
        found += self._rings_of_derived_sensors()
        found += self._idle_keep_outs()
        seen: set[str] = set()
        for interlock in self.interlocks:
            if interlock.name in seen:
                found.append((interlock.place, f"two interlocks are called '{interlock.name}'"))
            seen.add(interlock.name)
            named = [axis for axis, _ in interlock.box] if isinstance(interlock, KeepOut) else list(interlock.axes)
            for axis_name in named:
                if axis_name not in self.axes:
                    found.append(
                        (
                            interlock.place,
                            f"interlock '{interlock.name}': unknown axis '{axis_name}'; "
                            f"{did_you_mean(axis_name, self.axes)}",
                        )
                    )
                elif isinstance(interlock, KeepOut) and self.axes[axis_name].kind == "spin":
                    found.append(
                        (interlock.place, f"interlock '{interlock.name}': '{axis_name}' is a spin and has no position")
                    )
        for piece in self.pieces.values():
            for carrier in (piece.carried_by, piece.gripped_by):
                if carrier is not None and carrier not in self.axes and carrier != "frame":
                    found.append(
                        (
                            piece.place,
                            f"piece '{piece.name}': unknown axis '{carrier}'; {did_you_mean(carrier, self.axes)}",
                        )
                    )
            gripper = self.axes.get(piece.gripped_by) if piece.gripped_by is not None else None
            if gripper is not None and gripper.kind != "spin":
                found.append((piece.place, f"piece '{piece.name}': '{gripper.name}' is no spin and cannot grip it"))
        found += self._idle_motors()
        found += body_problems(self)
        found += variation_problems(self)
        known = self.vocabulary()
        for where, condition in self._conditions():
            for name in names_in(condition.term):
                if name not in known:
                    found.append((condition.place, f"{where}: unknown name '{name}'; {did_you_mean(name, known)}"))
        return found

    def _rings_of_derived_sensors(self) -> list[tuple[Place, str]]:
        """Derived sensors that are computed from each other."""
        found = []
        for sensor in self.sensors.values():
            waiting, seen = [sensor.name], set[str]()
            while waiting:
                derived = self.sensors[waiting.pop()].derived
                for name in () if derived is None else names_in(derived.source.term):
                    if name in self.sensors and name not in seen:
                        seen.add(name)
                        waiting.append(name)
            if sensor.name in seen:
                found.append((sensor.place, f"sensor '{sensor.name}' is derived from itself, directly or by others"))
        return found

    def _idle_keep_outs(self) -> list[tuple[Place, str]]:
        """Keep-outs that no axis can enter, since one of their intervals lies outside its travel."""
        found = []
        for rule in self.interlocks:
            for name, (low, high) in rule.box if isinstance(rule, KeepOut) else ():
                travel = self.axes[name].travel if name in self.axes else None
                if travel is not None and (high < travel[0] or low > travel[1]):
                    show = self.axes[name].show
                    text = (
                        f"interlock '{rule.name}': {name} from {show(low)} to {show(high)} is outside its travel, "
                        f"{show(travel[0])} to {show(travel[1])}; the keep-out would never say anything"
                    )
                    found.append((rule.place, text))
        return found

    def _idle_motors(self) -> list[tuple[Place, str]]:
        """Axes with motors and a load that move nothing with a mass, and so would be anywhere at once."""
        found = []
        for axis in self.axes.values():
            load = axis.load
            if load is None or not axis.in_service or any(one.motor.rotor_inertia > 0.0 for one in axis.in_service):
                continue
            own = {
                "linear": load.mass > 0.0,
                "rotary": load.inertia > 0.0 or (load.mass > 0.0 and load.centre != (0.0, 0.0)),
                "spin": load.inertia > 0.0,
            }[axis.kind]
            carried = [self.axes[name].load for name in self.carried_axes(axis.name)] if axis.kind != "spin" else []
            if not own and not any(one is not None and one.mass > 0.0 for one in carried):
                needed = "mass" if axis.kind == "linear" else "inertia"
                found.append((axis.place, f"axis '{axis.name}' moves nothing; declare the {needed} of its load"))
        return found

    def _mount_problems(self) -> list[tuple[Place, str]]:
        found = []
        rings: set[frozenset[str]] = set()
        for axis in self.axes.values():
            if axis.mount.to != "frame" and axis.mount.to not in self.axes:
                near = did_you_mean(axis.mount.to, [*self.axes, "frame"])
                found.append((axis.place, f"axis '{axis.name}' is mounted to unknown '{axis.mount.to}'; {near}"))
            chain = [axis.name]
            while (carrier := self.axes[chain[-1]].mount.to) in self.axes:
                if carrier in chain:
                    ring = chain[chain.index(carrier) :]
                    if frozenset(ring) not in rings:
                        rings.add(frozenset(ring))
                        found.append((axis.place, f"axes carry each other in a ring: {' -> '.join([*ring, carrier])}"))
                    break
                chain.append(carrier)
        return found

    def _conditions(self) -> Iterator[tuple[str, Condition]]:
        for axis in self.axes.values():
            for case in axis.rest:
                if case.when is not None:
                    yield f"axis '{axis.name}', rest", case.when
            if axis.zero is not None:
                yield f"axis '{axis.name}', zero", axis.zero.until
                if axis.zero.once is not None:
                    yield f"axis '{axis.name}', zero", axis.zero.once
        for sensor in self.sensors.values():
            if sensor.derived is not None:
                yield f"sensor '{sensor.name}'", sensor.derived.source
            if sensor.plant is not None and sensor.plant.condition is not None:
                yield f"sensor '{sensor.name}', plant", sensor.plant.condition
        for interlock in self.interlocks:
            if isinstance(interlock, MustStay):
                yield f"interlock '{interlock.name}'", interlock.condition
            elif interlock.when is not None:
                yield f"interlock '{interlock.name}'", interlock.when

    def vocabulary(self) -> Vocabulary:
        """The names that a condition on this machine may use (steps of a routine come on top)."""
        names: dict[str, Kind] = {}
        for axis in self.axes.values():
            names.update(axis_vocabulary(axis.name, axis.kind))
        for sensor in self.sensors.values():
            names[sensor.name] = Kind(sensor.dimension, sensor.values)
        names["battery"] = Kind(VOLTAGE)
        return names

    def body_names(self) -> tuple[str, ...]:
        """What clearances are kept between: the bodies, and the pieces that have parts."""
        return (*self.bodies, *(piece.name for piece in self.pieces.values() if piece.parts))

    def bodies_meant(self, name: str) -> tuple[str, ...]:
        """The bodies that a name stands for: itself, or for a sensor that tells which piece is held, every piece with
        parts that it may read. None where the name stands for no body."""
        known = self.body_names()
        if name in known:
            return (name,)
        sensor = self.sensors.get(name)
        return () if sensor is None else tuple(value for value in sensor.values if value in known)

    def carried_axes(self, name: str) -> tuple[str, ...]:
        """The axes that move when axis `name` moves, itself not included, in file order."""
        found = []
        for axis in self.axes.values():
            carrier = axis.mount.to
            while carrier != "frame":
                if carrier == name:
                    found.append(axis.name)
                    break
                carrier = self.axes[carrier].mount.to
        return tuple(found)

    def __repr__(self) -> str:
        counts = f"{len(self.presets)} presets, {len(self.interlocks)} interlocks"
        return f"<Machine {self.name}: axes {', '.join(self.axes)}; {counts}>"


def axis_vocabulary(name: str, kind: AxisKind) -> dict[str, Kind]:
    """The names that an axis adds to the vocabulary of conditions."""
    position, speed = (LENGTH, SPEED) if kind == "linear" else (ANGLE, ANGULAR_SPEED)
    names: dict[str, Kind] = {}
    if kind != "spin":
        names[name] = Kind(position)
        names[f"{name}.ordered"] = Kind(position)
        names[f"{name}.error"] = Kind(position)
    names[f"{name}.speed"] = Kind(speed)
    names[f"{name}.current"] = Kind(CURRENT)
    return names
