"""The readings of one tick, frozen: every value known and finite, or UNKNOWN (None) with the reason (R16)."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from sequencer.ports.readings import AxisReading, Readings, Sensed, SensorValue
from sequencer.run.definition import AxisDefinition, MachineDefinition
from sequencer.run.motion import NEVER, Motion
from sequencer.run.occupied import POWERED
from sequencer.run.terms import Scope, Watch, names_of

LOADED = 0.25
"""Motors of one axis are compared while the most loaded of them draws this share of its greatest current."""

IDLE_SHARE = 0.1
"""A motor that draws less than this share of what its neighbour draws does not push."""

_MISSING = AxisReading()
_UNCHANGING = (bool, float, str)
_UNSEEN = object()
"""What no reading is: the next one is looked at whatever it is."""

_Names = tuple[str, str, str, str, str, bool, bool]


class Snapshot:
    """Fills `values` (names of conditions to values, None for UNKNOWN) from readings; remembers since when a value is
    unknown.
    """

    __slots__ = (
        "_apart_since",
        "_axis_names",
        "_derived",
        "_gone",
        "_last",
        "_late_gap",
        "_late_until",
        "_latest",
        "_lost_in_this_tick",
        "_offsets",
        "_own",
        "_plain",
        "_previous",
        "_previous_tick_zeroed",
        "_sensors",
        "_taken_at",
        "_terms",
        "assumed",
        "faults",
        "jumped",
        "lost",
        "lost_now",
        "machine",
        "unknown",
        "values",
        "zeroed",
    )

    def __init__(self, machine: MachineDefinition, scope: Scope, asked: frozenset[str]) -> None:
        self.machine = machine
        self.values = scope.values
        self.unknown: dict[str, tuple[str, int]] = {}
        self.zeroed = [True] * len(machine.axes)
        self.faults: list[str | None] = [None] * len(machine.axes)
        self.lost: list[str | None] = [None] * len(machine.axes)
        self.lost_now: list[int] = []
        self.jumped: set[int] = set()
        self.assumed: dict[str, SensorValue] = {}
        self._own = [False] * len(machine.axes)
        self._offsets = [0.0] * len(machine.axes)
        self._apart_since: list[int | None] = [None] * len(machine.axes)
        self._previous_tick_zeroed: list[bool | None] = [None] * len(machine.axes)
        self._plain = True
        self._lost_in_this_tick: set[int] = set()
        self._latest = max((axis.latency[1] for axis in machine.axes), default=0)
        self._late_gap = self._late_until = 0
        self._axis_names: list[tuple[AxisDefinition, _Names]] = [
            (
                axis,
                (
                    axis.name,
                    f"{axis.name}.speed",
                    f"{axis.name}.current",
                    f"{axis.name}.ordered",
                    f"{axis.name}.error",
                    f"{axis.name}.ordered" in asked,
                    axis.is_followed or f"{axis.name}.error" in asked,
                ),
            )
            for axis in machine.axes
        ]
        self._sensors = [
            (sensor["name"], sensor["kind"], sensor["stale_after"], frozenset(sensor["values"]))
            for sensor in machine.sensors
            if sensor["derived"] is None
        ]
        self._last: dict[str, object] = dict.fromkeys((name for name, *_ in self._sensors), _UNSEEN)
        for sensor_name, *_ in self._sensors:
            self.values[sensor_name] = None
        derived = [sensor for sensor in machine.sensors if sensor["derived"] is not None]
        for sensor in derived:
            self.values[sensor["name"]] = False
        self.values["battery"] = None
        for _, (*names, _, _) in self._axis_names:
            for name in names:
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
        self._terms: dict[str, Any] = {sensor["name"]: sensor["derived"]["term"] for sensor in derived}
        self._previous: list[float | None] = [None] * len(machine.axes)
        self._gone: list[tuple[float, int] | None] = [None] * len(machine.axes)
        self._taken_at = 0

    def take(self, readings: Readings, motions: list[Motion], tick: int, gap: int) -> None:
        """Freeze the readings of this tick. Each source is asked once; whatever it says, it is a known value or
        UNKNOWN.
        """
        values = self.values
        longest = self.machine.longest_gap
        zeros, told, faults, previous = self.zeroed, self._previous_tick_zeroed, self.faults, self._previous
        get = readings.axes.get
        now = readings.now_ns
        # After a late tick an axis catches up with a set-point that moved for all of the gap, once its latency is over.
        if gap > self._late_gap or now - gap > self._late_until:
            self._late_gap, self._late_until = gap, now + self._latest
        elif 2 * gap > 3 * self.machine.period:
            self._late_until = now + self._latest
        longer = self._late_gap
        self.jumped.clear()
        self._lost_in_this_tick.clear()
        elapsed = longer * 1e-9
        plain = self._plain and not self.unknown
        for axis, names in self._axis_names:
            reading = get(axis.name)
            if plain and type(reading) is AxisReading:
                position, speed, current, zeroed, age, fault = reading
                index = axis.index
                if axis.is_spin and (
                    type(speed) is float
                    and type(current) is float
                    and (speed + current) * 0.0 == 0.0
                    and zeroed is True
                    and type(age) is int
                    and 0 <= age <= longest
                ):
                    zeros[index] = told[index] = True
                    faults[index] = fault
                    values[names[1]] = speed
                    values[names[2]] = current
                    continue
                before = previous[index]
                reach = axis.fastest * elapsed + axis.band
                # The sum of finite numbers times zero is zero, of anything else it is not a number.
                if (
                    type(position) is float
                    and type(speed) is float
                    and type(current) is float
                    and (position + speed + current) * 0.0 == 0.0
                    and zeroed is True
                    and type(age) is int
                    and 0 <= age <= longest
                    and axis.lowest <= position <= axis.highest
                    and before is not None
                    and -reach <= position - before <= reach
                ):
                    name, speed_name, current_name, ordered_name, error_name, ordered_wanted, error_wanted = names
                    zeros[index] = told[index] = True
                    faults[index] = fault
                    previous[index] = values[name] = position
                    values[speed_name] = speed
                    values[current_name] = current
                    motion = motions[index]
                    if ordered_wanted:
                        values[ordered_name] = motion.position if motion.known else None
                    if error_wanted:
                        values[error_name] = motion.error(position) if motion.mode in POWERED else 0.0
                    continue
            self._take_axis(axis, names, reading, motions[axis.index], now, tick, gap, longer)
        self._taken_at = now
        if readings.parts:
            self._compare_parts(readings, gap)
        if not self._plain:
            self._plain = not any(self._own) and not any(self.lost)
        self._take_sensors(readings, tick)
        battery = readings.battery
        values["battery"] = None if battery is None else _finite(battery)
        if self.assumed:  # before what is derived from it; and after, for what is itself derived
            values.update(self.assumed)
        for name, watch, blind, axes in self._derived:
            since = max((motions[axis].taken_at for axis in axes), default=NEVER)
            if since + blind > readings.now_ns + (self.machine.period >> 2):
                watch.forget()
                values[name] = False
            else:
                holds = watch.fulfilled(readings.now_ns, gap)
                values[name] = None if watch.test() is None else holds
        if self.assumed:
            values.update(self.assumed)

    def _take_axis(
        self,
        axis: AxisDefinition,
        names: _Names,
        reading: Any,
        motion: Motion,
        now: int,
        tick: int,
        gap: int,
        longer: int,
    ) -> None:
        """One axis of which something is missing, strange or was unknown."""
        values, index = self.values, axis.index
        name, speed_name, current_name, ordered_name, error_name, _, error_wanted = names
        before_told = self._previous_tick_zeroed[index]
        if isinstance(reading, AxisReading):
            told = reading.zeroed is True
        else:
            reading, told = _MISSING, axis.is_spin or before_told is True  # what is not read says nothing new
        self._previous_tick_zeroed[index] = told
        if before_told is True and not told and self._own[index]:
            self.lose_zero(index, "its actuator says so")
        elif before_told is False and told and self.lost[index] is not None and not self._own[index]:
            self.lost[index] = None
            self._count_as_told(index, motion)
        self.zeroed[index] = (told or self._own[index]) and self.lost[index] is None
        self.faults[index] = reading.fault
        fresh = type(reading.age) is int and 0 <= reading.age <= self.machine.longest_gap
        values[current_name] = _finite(reading.current) if fresh else None
        speed = values[speed_name] = _finite(reading.speed) if fresh else None
        if axis.is_spin:
            self._mark(speed_name, speed, reading.speed, fresh, tick)
            return
        position = _finite(reading.position) if fresh else None
        if position is not None:
            position += self._offsets[index]
        if position is not None and not axis.lowest <= position <= axis.highest:
            position = None
        values[name] = position
        self._mark(name, position, reading.position, fresh, tick, axis.show)
        before, self._previous[index] = self._previous[index], position
        values[error_name] = None
        if position is None:
            if before is not None:
                self._gone[index] = before, now - gap
            return
        last, within = before, longer
        gone = self._gone[index]
        if before is None and gone is not None:
            # Read again: it cannot have gone farther than it can go in that time, and hardly at all if it was held.
            last, since = gone
            within = longer if motion.mode == "hold" and motion.run is None else max(longer, now - since)
            self._gone[index] = None
        if last is not None and abs(position - last) > axis.fastest * within * 1e-9 + axis.band:
            self.jumped.add(index)
            self.lose_zero(index, f"its reading jumped by {axis.show(position - last)} in {within * 1e-9:.3g} s")
        if speed is None and before is not None:
            values[speed_name] = _finite((position - before) / (gap * 1e-9))
        values[ordered_name] = motion.position if motion.known else None
        if error_wanted:
            values[error_name] = motion.error(position) if motion.powered else 0.0

    def _count_as_told(self, index: int, motion: Motion) -> None:
        """An actuator that has found its zero by itself is read as it says, without what was added before (R42)."""
        shift, before = -self._offsets[index], self._previous[index]
        if shift:
            self._offsets[index] = 0.0
            self._previous[index] = None if before is None else before + shift
            gone = self._gone[index]
            self._gone[index] = None if gone is None else (gone[0] + shift, gone[1])
            motion.rezero(shift)

    def _compare_parts(self, readings: Readings, gap: int) -> None:
        """Encoders of one axis that are too far apart, and motors of which one does not push (R42, R48)."""
        for name, parts in readings.parts.items():
            index = self.machine.axis_index.get(name)
            if index is None:
                continue
            axis = self.machine.axes[index]
            encoders = [value for value in map(_finite, parts.encoders) if value is not None]
            if axis.differ_by is not None and len(encoders) > 1 and max(encoders) - min(encoders) > axis.differ_by:
                shown = " and ".join(map(axis.show, encoders))
                why = f"its encoders read {shown}; they may differ by {axis.show(axis.differ_by)}"
                self.faults[index] = self.faults[index] or why
                self.lose_zero(index, why)
            self._compare_currents(
                axis, [abs(value) for value in map(_finite, parts.currents) if value is not None], gap
            )

    def _compare_currents(self, axis: AxisDefinition, currents: list[float], gap: int) -> None:
        """Motors on one axis share its load; one that draws next to nothing beside another is dead or loose."""
        index = axis.index
        apart = (
            axis.most_current is not None
            and len(currents) > 1
            and max(currents) > LOADED * axis.most_current / len(currents)
            and min(currents) < IDLE_SHARE * max(currents)
        )
        since = self._apart_since[index]
        self._apart_since[index] = (0 if since is None else since + gap) if apart else None
        if apart and since is not None and since + gap >= axis.stall:
            shown = " and ".join(f"{value:.3g}" for value in currents)
            why = f"its motors draw {shown} A; one of them does not push"
            self.faults[index] = self.faults[index] or why
            self.lose_zero(index, why)

    def lose_zero(self, index: int, why: str) -> None:
        """The reading of an axis cannot be trusted any more; told once."""
        if self.lost[index] is None:
            self.lost_now.append(index)
            self._lost_in_this_tick.add(index)
        self.lost[index] = why
        self._own[index] = False
        self.zeroed[index] = False
        self._plain = False

    def set_zero(self, index: int, position: float) -> float:
        """What is read now is `position` [m or rad]; returns by how much all readings shift."""
        name = self.machine.axes[index].name
        shift = position - float(self.values[name])
        self._offsets[index] += shift
        self._own[index] = True
        self.lost[index] = None
        self.zeroed[index] = True
        self.values[name] = self._previous[index] = position
        self._gone[index] = None
        return shift

    def trust_again(self) -> None:
        """A person has looked: axes that have no zero of their own are believed again; but nobody has seen yet what
        was lost in this tick.
        """
        for axis in self.machine.axes:
            if axis.zero is None and axis.index not in self._lost_in_this_tick:
                self.lost[axis.index] = None

    def assume(self, sensor: str, value: SensorValue | None) -> None:
        """From now on a sensor has this value, whatever it reads; None: it is read again (R50)."""
        if value is None:
            self.assumed.pop(sensor, None)
            self._last[sensor] = _UNSEEN
        else:
            self.values[sensor] = self.assumed[sensor] = value
            self.unknown.pop(sensor, None)

    def _mark(
        self, name: str, known: float | None, given: Any, fresh: bool, tick: int, show: Callable[[float], str] = str
    ) -> None:
        """Remember since when and why a value is unknown, or that it is known again."""
        if known is None:
            self._note(name, _why(given, fresh, show), tick)
        elif self.unknown:
            self.unknown.pop(name, None)

    def lose_everything(self, tick: int) -> None:
        """The source of the readings broke: nothing is known."""
        for name in self.values:
            self.values[name] = None
            self._note(name, "not read", tick)
        self._last = dict.fromkeys(self._last, _UNSEEN)
        for index, before in enumerate(self._previous):
            if before is not None:
                self._gone[index] = before, self._taken_at
        self._previous = [None] * len(self._previous)
        for _, watch, _, _ in self._derived:
            watch.forget()

    def _take_sensors(self, readings: Readings, tick: int) -> None:
        values = self.values
        get = readings.sensors.get
        unknown = self.unknown
        last = self._last
        for name, kind, stale_after, words in self._sensors:
            value: Any = get(name)
            if value is last[name]:
                continue
            last[name] = value if type(value) in _UNCHANGING else _UNSEEN
            if type(value) is Sensed:
                value, age = value
                if stale_after is not None and not (type(age) is int and 0 <= age <= stale_after):
                    values[name] = None
                    shown = (
                        f"{age * 1e-9:.3g} s old" if type(age) is int and age >= 0 else f"of no known age, {age!r:.40}"
                    )
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
        if name not in self.unknown and name not in self.assumed:
            self.unknown[name] = (reason, tick)

    def reason(self, name: str) -> str:
        """Why a value is UNKNOWN, for messages."""
        if name in self.unknown:
            reason, tick = self.unknown[name]
            return f"{name} is {reason} since tick {tick}"
        if name in self._terms:
            return ", ".join(map(self.reason, self.all_unknown(self._terms[name]))) or f"{name} is not known"
        return f"{name} is not read"

    def all_unknown(self, term: Any) -> list[str]:
        """The names in a term whose values are UNKNOWN."""
        return [name for name in names_of(term) if self.values.get(name, False) is None]


def _finite(value: Any) -> float | None:
    """A number from outside as a finite float, or None: text, a boolean, NaN, infinity or an integer beyond all floats
    is none.
    """
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    try:
        number = float(value)
    except OverflowError:
        return None
    return number if number - number == 0.0 else None


def _why(value: Any, fresh: bool, show: Callable[[float], str]) -> str:
    """Why a reading that is not known is not."""
    if value is None:
        return "missing"
    if not fresh:
        return "stale"
    number = _finite(value)
    return "not a number" if number is None else f"at {show(number)}, where the axis cannot be"
