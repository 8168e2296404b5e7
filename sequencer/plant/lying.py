"""Sensors and encoders that do not tell the truth: what the faults of an instant make of readings."""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from random import Random

from sequencer.machine.machine import NANOSECONDS
from sequencer.plant.faults import (
    AxisReadingFault,
    EncoderCoarse,
    EncoderNoisy,
    Fault,
    SensorBouncing,
    SensorCoarse,
    SensorDropping,
    SensorFault,
    SensorLate,
    SensorNoisy,
    SensorOffset,
    SensorSilent,
    SensorStale,
    SensorStuck,
    is_active,
)
from sequencer.ports.readings import AxisReading, Sensed, SensorValue

Sensors = dict[str, SensorValue | Sensed | None]


class SensorLiar:
    """One sensor's fault with what it has to remember. Chance follows from the seed and the fault's place alone."""

    __slots__ = ("_chance", "_changed", "_last", "_line", "fault")

    def __init__(self, fault: SensorFault, seed: str) -> None:
        self.fault = fault
        self._chance = Random(seed)
        self._last: SensorValue | None = None
        self._changed = -1
        self._line: deque[tuple[int, SensorValue | None]] = deque()

    def falsify(self, sensors: Sensors, now: int) -> None:
        """Put what the sensor reads at `now` [ns] in the place of the truth."""
        fault, name = self.fault, self.fault.sensor
        given = sensors.get(name)
        value, age = given if isinstance(given, Sensed) else (given, 0)
        active = is_active(fault, now)
        if isinstance(fault, SensorLate):
            self._line.append((now, value))
            while len(self._line) > 1 and self._line[1][0] <= now - round(fault.delay * NANOSECONDS):
                self._line.popleft()
        elif isinstance(fault, SensorBouncing):
            if value != self._last:
                self._changed = now if self._last is not None else -1
            before, self._last = self._last, value
            if value != before and before is not None:
                self._line = deque([(now, before)])
        elif isinstance(fault, SensorStale) and not active:
            self._last, self._changed = value, now - age
        if not active:
            return
        match fault:
            case SensorStuck(value=stuck):
                sensors[name] = stuck
            case SensorSilent():
                sensors.pop(name, None)
            case SensorDropping(share=share):
                if self._chance.random() < share:
                    sensors.pop(name, None)
            case SensorStale():
                if self._changed < 0:
                    self._last, self._changed = value, now
                sensors[name] = Sensed(self._last, now - self._changed)
            case SensorLate():
                sensors[name] = self._line[0][1]
            case SensorBouncing(duration=duration):
                lasts = self._changed >= 0 and now - self._changed < round(duration * NANOSECONDS)
                if lasts and self._line and self._chance.random() < 0.5:
                    sensors[name] = self._line[0][1]
            case SensorOffset(by=by):
                if isinstance(value, float | int) and not isinstance(value, bool):
                    sensors[name] = Sensed(value + by, age)
            case SensorNoisy(deviation=deviation):
                if isinstance(value, float | int) and not isinstance(value, bool):
                    sensors[name] = Sensed(value + self._chance.gauss(0.0, deviation), age)
            case SensorCoarse(step=step):
                if isinstance(value, float | int) and not isinstance(value, bool):
                    sensors[name] = Sensed(step * round(value / step), age)


class AxisLiar:
    """One axis' reading with noise, in steps, or missing."""

    __slots__ = ("_chance", "fault")

    def __init__(self, fault: AxisReadingFault, seed: str) -> None:
        self.fault = fault
        self._chance = Random(seed)

    def falsify(self, axes: dict[str, AxisReading], now: int) -> None:
        """Put what is read of the axis at `now` [ns] in the place of the truth."""
        fault = self.fault
        reading = axes[fault.axis]
        if not is_active(fault, now) or reading.position is None:
            return
        if isinstance(fault, EncoderNoisy):
            axes[fault.axis] = reading._replace(position=reading.position + self._chance.gauss(0.0, fault.deviation))
        elif isinstance(fault, EncoderCoarse):
            axes[fault.axis] = reading._replace(position=fault.step * round(reading.position / fault.step))
        elif self._chance.random() < fault.share:
            axes[fault.axis] = AxisReading(None, None, None, reading.zeroed, reading.age, reading.fault)


def sensor_liars(faults: Sequence[Fault], seed: int) -> list[SensorLiar]:
    """The faults of sensors among `faults`."""
    return [
        SensorLiar(fault, f"{seed} {place}") for place, fault in enumerate(faults) if isinstance(fault, SensorFault)
    ]


def axis_liars(faults: Sequence[Fault], seed: int) -> list[AxisLiar]:
    """The faults of axes' readings among `faults`."""
    return [
        AxisLiar(fault, f"{seed} {place}") for place, fault in enumerate(faults) if isinstance(fault, AxisReadingFault)
    ]
