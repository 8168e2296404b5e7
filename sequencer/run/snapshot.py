"""The readings of one tick, frozen: every value known and finite, or UNKNOWN (None) with the reason (R16)."""

from __future__ import annotations

from typing import Any

from sequencer.ports.readings import AxisReading, Readings, Sensed
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
        "_sources",
        "faults",
        "jumped",
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
        """Freeze the readings of this tick."""
        values = self.values
        longest = self.machine.longest_gap
        given = readings.axes
        for axis, name, speed_name, current_name, ordered_name, error_name in self._axis_names:
            reading = given.get(name, _MISSING)
            position, speed, current, zeroed, age, fault = reading
            index = axis.index
            self.zeroed[index] = bool(zeroed)
            self.faults[index] = fault
            fresh = age <= longest
            motion = motions[index]
            if speed is not None and fresh and speed - speed == 0.0:
                values[speed_name] = speed
            else:
                values[speed_name] = None
            if axis.is_spin:
                if values[speed_name] is None:
                    self._lost(speed_name, speed, fresh, tick)
                elif self.unknown:
                    self.unknown.pop(speed_name, None)
            elif position is not None and fresh and position - position == 0.0:
                values[name] = position
                if values[speed_name] is None:
                    before = self._previous[index]
                    values[speed_name] = None if before is None else (position - before) / (gap * 1e-9)
                self._previous[index] = position
                if self.unknown:
                    self.unknown.pop(name, None)
                values[ordered_name] = motion.position if motion.known else None
                values[error_name] = self._error(motion, position) if motion.powered else 0.0
            else:
                values[name] = values[error_name] = None
                self._previous[index] = None
                self._lost(name, position, fresh, tick)
            values[current_name] = current if current is not None and fresh and current - current == 0.0 else None
        self._take_sensors(readings, tick)
        battery = readings.battery
        values["battery"] = battery if battery is not None and battery - battery == 0.0 else None
        for name, watch, blind, axes in self._derived:
            since = max((motions[axis].taken_at for axis in axes), default=0) if blind else 0
            if blind and since + blind > readings.now_ns + (self.machine.period >> 2):
                watch.credit, watch.true_before = 0, False
                values[name] = False
            else:
                values[name] = None if watch.test() is None else watch.fulfilled(readings.now_ns, gap)

    def _take_sensors(self, readings: Readings, tick: int) -> None:
        values = self.values
        given = readings.sensors
        unknown = self.unknown
        for name, kind, stale_after, words in self._sensors:
            value: Any = given.get(name)
            if type(value) is Sensed:
                value, age = value
                if stale_after is not None and age > stale_after:
                    values[name] = None
                    self._note(name, f"stale: {age * 1e-9:.3g} s old", tick)
                    continue
            if value is None:
                values[name] = None
                self._note(name, "missing", tick)
                continue
            if kind == "number":
                good = type(value) is not bool and isinstance(value, int | float) and value - value == 0.0
            elif kind == "switch":
                good = type(value) is bool
            else:
                good = value in words
            if good:
                values[name] = value
                if unknown:
                    unknown.pop(name, None)
            else:
                values[name] = None
                self._note(name, "not a number" if kind == "number" else f"not one of its values: {value!r:.40}", tick)

    def _lost(self, name: str, value: float | None, fresh: bool, tick: int) -> None:
        self._note(name, "missing" if value is None else "not a number" if fresh else "stale", tick)

    def _note(self, name: str, reason: str, tick: int) -> None:
        if name not in self.unknown:
            self.unknown[name] = (reason, tick)

    def reason(self, name: str) -> str:
        """Why a value is UNKNOWN, for messages."""
        reason, tick = self.unknown.get(name, ("missing", 0))
        return f"{name} is {reason} since tick {tick}"

    @staticmethod
    def _error(motion: Motion, measured: float) -> float:
        """Measured minus the nearest set-point that may be in force after the latency [m or rad]; 0 within them (R45)."""
        history = motion.history
        low = high = motion.position
        for _, past in history:
            if past < low:
                low = past
            elif past > high:
                high = past
        if motion.definition.carries_on and motion.velocity:
            ahead = motion.position + motion.velocity * 0.02
            low, high = min(low, ahead), max(high, ahead)
        if measured < low:
            return measured - low
        return measured - high if measured > high else 0.0
