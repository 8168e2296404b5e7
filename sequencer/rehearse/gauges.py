"""Gauges that follow a script: constants, or tables over time."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Mapping, Sequence

from sequencer.errors import ModelError, did_you_mean
from sequencer.machine.machine import Machine
from sequencer.machine.sensor import Value
from sequencer.ports.readings import SensorValue

Script = Value | Sequence[tuple[int, Value]]
"""A constant, or (time [ns] from the start, value) in the order of time."""


class ScriptedGauges:
    """Sensors that read what a script says: numbers run linearly between entries of a table, switches and words jump.

    Before its first entry a table reads as the first, after the last as the last.

    Args:
        machine: whose sensors they are.
        scripts: by sensor.

    Attributes:
        scripts: as given.

    Raises:
        ModelError: a sensor that the machine does not have or that is derived, an empty table, times out of order, or a
            value that the sensor cannot have.
    """

    def __init__(self, machine: Machine, scripts: Mapping[str, Script]) -> None:
        self._readers: list[tuple[str, Callable[[int], Value]]] = []
        self.scripts = dict(scripts)
        self._time, self._values = -1, dict[str, SensorValue]()
        for name, script in scripts.items():
            if name not in machine.sensors:
                raise ModelError(f"gauges: unknown sensor '{name}'; {did_you_mean(name, machine.sensors)}")
            if machine.sensors[name].derived is not None:
                raise ModelError(f"gauges: '{name}' is derived from other readings; script those")
            self._readers.append((name, self._reader(machine, name, script)))

    def values(self, time: int) -> dict[str, SensorValue]:
        """What the scripted sensors read at `time` [ns] from the start; not to be changed."""
        if time != self._time:
            self._time, self._values = time, {name: reader(time) for name, reader in self._readers}
        return self._values

    def _reader(self, machine: Machine, name: str, script: Script) -> Callable[[int], Value]:
        if isinstance(script, bool | int | float | str):
            _check_value(machine, name, script)
            return lambda time: script
        table = list(script)
        if not table:
            raise ModelError(f"gauges: the table of '{name}' is empty; give it at least one time and value")
        times = [time for time, _ in table]
        values = [value for _, value in table]
        if times != sorted(times):
            raise ModelError(f"gauges: the times of '{name}' are not in order")
        for value in values:
            _check_value(machine, name, value)
        if machine.sensors[name].kind == "number":
            return _linear(times, [float(value) for value in values])
        return lambda time: values[max(0, bisect_right(times, time) - 1)]


def _linear(times: list[int], values: list[float]) -> Callable[[int], Value]:
    def read(time: int) -> float:
        after = bisect_right(times, time)
        if after == 0:
            return values[0]
        if after == len(times):
            return values[-1]
        begin, end = times[after - 1], times[after]
        share = (time - begin) / (end - begin)
        return values[after - 1] + share * (values[after] - values[after - 1])

    return read


def _check_value(machine: Machine, name: str, value: Value) -> None:
    sensor = machine.sensors[name]
    if sensor.kind == "switch":
        fits, allowed = isinstance(value, bool), "true or false"
    elif sensor.kind == "number":
        fits, allowed = isinstance(value, int | float) and not isinstance(value, bool), "a number"
    else:
        fits, allowed = value in sensor.values, f"one of {', '.join(sensor.values)}"
    if not fits:
        raise ModelError(f"gauges: '{name}' cannot read {value!r}; it must be {allowed}")
