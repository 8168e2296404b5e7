"""The readings of one tick, frozen: every value known and finite, or UNKNOWN (None) with the reason (R16)."""

from __future__ import annotations

from typing import Any

from sequencer.ports.readings import AxisReading, Readings, Sensed, SensorValue
from sequencer.run.definition import MachineDefinition
from sequencer.run.motion import Motion
from sequencer.run.terms import Scope, Watch, names_of

_MISSING = AxisReading()


class Snapshot:
    """Fills `values` (names of conditions to values, None for UNKNOWN) from readings; remembers since when a value is unknown."""

    __slots__ = (
        "_axis_names",
        "_derived",
        "_previous",
        "_sensors",
        "faults",
        "machine",
        "unknown",
        "values",
        "zeroed",
    )

    def __init__(self, machine: MachineDefinition, scope: Scope) -> None:
        self.machine = machine
        self.values = scope.values
        self.unknown: dict[str, tuple[str, int]] = {}
        self.zeroed = [True] * len(machine.axes)
        self.faults: list[str | None] = [None] * len(machine.axes)
        self._axis_names = [
            (
                axis,
                axis.name,
                f"{axis.name}.speed",
                f"{axis.name}.current",
                f"{axis.name}.ordered",
                f"{axis.name}.error",
            )
            for axis in machine.axes
        ]
        self._sensors = [
            (sensor["name"], sensor["kind"], sensor["stale_after"], frozenset(sensor["values"]))
            for sensor in machine.sensors
            if sensor["derived"] is None
        ]
        for sensor_name, *_ in self._sensors:
            self.values[sensor_name] = None
        derived = [sensor for sensor in machine.sensors if sensor["derived"] is not None]
        for sensor in derived:
            self.values[sensor["name"]] = False
        self.values["battery"] = None
        for names in self._axis_names:
            for name in names[1:]:
                self.values[name] = None
        self._derived = [
            (
                sensor["name"],
                Watch(sensor["derived"]["term"], scope, 0, machine.period, sensor["derived"]["steady"]),
                sensor["derived"]["blind"],
                [
                    machine.axis_index[name.split(".")[0]]
                    for name in names_of(sensor["derived"]["term"])
                    if name.split(".")[0] in machine.axis_index
                ],
            )
            for sensor in derived
        ]
        self._previous: list[float | None] = [None] * len(machine.axes)

    def take(self, readings: Readings, motions: list[Motion], tick: int, gap: int) -> None:
        """Freeze the readings of this tick. Each source is asked once; whatever it says, it is a known value or UNKNOWN."""
        values = self.values
        longest = self.machine.longest_gap
        get = readings.axes.get
        for index, (axis, name, speed_name, current_name, ordered_name, error_name) in enumerate(self._axis_names):
            reading = get(name, _MISSING)
            if type(reading) is not AxisReading and not isinstance(reading, AxisReading):
                reading = _MISSING
            position, speed, current, zeroed, age, fault = reading
            self.zeroed[index] = True if zeroed is True else bool(zeroed)
            self.faults[index] = fault
            fresh = type(age) is int and age <= longest
            if not fresh:
                current = speed = None
            elif type(current) is not float or current - current != 0.0:
                current = _finite(current)
            values[current_name] = current
            if speed is not None and (type(speed) is not float or speed - speed != 0.0):
                speed = _finite(speed)
            if axis.is_spin:
                values[speed_name] = speed
                if speed is None:
                    self._note(speed_name, _why(reading.speed, fresh), tick)
                elif self.unknown:
                    self.unknown.pop(speed_name, None)
                continue
            if not fresh:
                position = None
            elif type(position) is not float or position - position != 0.0:
                position = _finite(position)
            if position is not None and not axis.possible[0] <= position <= axis.possible[1]:
                position = None
            values[name] = position
            if position is None:
                values[speed_name] = speed
                values[error_name] = None
                self._previous[index] = None
                self._note(name, _why(reading.position, fresh), tick)
                continue
            if self.unknown:
                self.unknown.pop(name, None)
            if speed is None:
                before = self._previous[index]
                speed = None if before is None else _finite((position - before) / (gap * 1e-9))
            values[speed_name] = speed
            self._previous[index] = position
            motion = motions[index]
            values[ordered_name] = motion.position if motion.known else None
            values[error_name] = motion.error(position) if motion.powered else 0.0
        self._take_sensors(readings, tick)
        battery = readings.battery
        values["battery"] = None if battery is None else _finite(battery)
        for name, watch, blind, axes in self._derived:
            since = max((motions[axis].taken_at for axis in axes), default=0) if blind else 0
            if blind and since + blind > readings.now_ns + (self.machine.period >> 2):
                watch.forget()
                values[name] = False
            else:
                holds = watch.fulfilled(readings.now_ns, gap)
                values[name] = None if watch.test() is None else holds

    def lose_everything(self, tick: int) -> None:
        """The source of the readings broke: nothing is known."""
        for name in self.values:
            self.values[name] = None
            self._note(name, "not read", tick)
        self.faults = [None] * len(self.faults)
        self._previous = [None] * len(self._previous)
        for _, watch, _, _ in self._derived:
            watch.forget()

    def _take_sensors(self, readings: Readings, tick: int) -> None:
        values = self.values
        get = readings.sensors.get
        unknown = self.unknown
        for name, kind, stale_after, words in self._sensors:
            value: Any = get(name)
            if type(value) is Sensed:
                value, age = value
                if stale_after is not None and not (type(age) is int and age <= stale_after):
                    values[name] = None
                    shown = f"{age * 1e-9:.3g} s old" if type(age) is int else f"of no known age, {age!r:.40}"
                    self._note(name, f"stale: {shown}", tick)
                    continue
            known: SensorValue | None
            if kind == "number":
                known = value if type(value) is float and value - value == 0.0 else _finite(value)
            elif kind == "switch":
                known = value if type(value) is bool else None
            else:
                known = value if isinstance(value, str) and value in words else None
            values[name] = known
            if known is not None:
                if unknown:
                    unknown.pop(name, None)
            elif value is None:
                self._note(name, "missing", tick)
            else:
                self._note(name, "not a number" if kind == "number" else f"not one of its values: {value!r:.40}", tick)

    def _note(self, name: str, reason: str, tick: int) -> None:
        if name not in self.unknown:
            self.unknown[name] = (reason, tick)

    def reason(self, name: str) -> str:
        """Why a value is UNKNOWN, for messages."""
        reason, tick = self.unknown.get(name, ("missing", 0))
        return f"{name} is {reason} since tick {tick}"


def _finite(value: Any) -> float | None:
    """A number from outside as a finite float, or None: text, a boolean, NaN, infinity or an integer beyond all floats is none."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    try:
        number = float(value)
    except OverflowError:
        return None
    return number if number - number == 0.0 else None


def _why(value: Any, fresh: bool) -> str:
    """Why a reading that is not known is not."""
    if value is None:
        return "missing"
    if not fresh:
        return "stale"
    return "not a number" if _finite(value) is None else f"at {value:.4g}, where the axis cannot be"
