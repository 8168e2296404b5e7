"""How near the real machine came to its keep-out boxes, as opposed to what was ordered."""

from __future__ import annotations

from collections.abc import Mapping
from math import inf
from typing import NamedTuple

from sequencer.machine.interlock import KeepOut
from sequencer.machine.machine import Machine
from sequencer.plant.sensing import holds
from sequencer.ports.readings import Readings, Sensed, SensorValue


class KeepOutDistance(NamedTuple):
    """The least distance outside a keep-out box on the axis that was farthest out of it then.

    `least` is in m or rad of `axis`; 0 or less: inside the box, whose edges belong to it. `at` is when [s]. None: the
    keep-out was never in force.
    """

    name: str
    least: float | None
    axis: str
    at: float


class KeepOutWatch:
    """Follows the true positions of a plant; distances on unlike axes are compared as shares of their travel."""

    def __init__(self, machine: Machine) -> None:
        self._rules = [rule for rule in machine.interlocks if isinstance(rule, KeepOut)]
        self._spans = {
            axis.name: axis.travel[1] - axis.travel[0] for axis in machine.axes.values() if axis.travel is not None
        }
        self._shares = [inf] * len(self._rules)
        self._found = [KeepOutDistance(rule.name, None, rule.box[0][0], 0.0) for rule in self._rules]
        self._in_force = [True] * len(self._rules)

    def __bool__(self) -> bool:
        return bool(self._rules)

    def consider(self, readings: Readings) -> None:
        """Settle from readings which keep-outs are in force: those whose condition is true or UNKNOWN."""
        if all(rule.when is None for rule in self._rules):
            return
        truth = truth_of(readings)
        for index, rule in enumerate(self._rules):
            self._in_force[index] = rule.when is None or holds(rule.when.term, truth) is not False

    def see(self, positions: Mapping[str, float], time: float) -> None:
        """The machine is at these positions [m or rad] at `time` [s]."""
        for index, rule in enumerate(self._rules):
            if not self._in_force[index]:
                continue
            best, where, distance = -inf, "", 0.0
            for axis, (low, high) in rule.box:
                outside = max(low - positions[axis], positions[axis] - high)
                share = outside / self._spans[axis]
                if share > best:
                    best, where, distance = share, axis, outside
            if best < self._shares[index]:
                self._shares[index] = best
                self._found[index] = KeepOutDistance(rule.name, distance, where, time)

    def result(self) -> tuple[KeepOutDistance, ...]:
        """One entry for each keep-out, in file order."""
        return tuple(self._found)


def truth_of(readings: Readings) -> dict[str, SensorValue | None]:
    """The values of readings by the names that conditions use."""
    truth: dict[str, SensorValue | None] = {"battery": readings.battery}
    for name, axis in readings.axes.items():
        truth[name] = axis.position
        truth[f"{name}.speed"] = axis.speed
        truth[f"{name}.current"] = axis.current
    for name, sensed in readings.sensors.items():
        truth[name] = sensed.value if isinstance(sensed, Sensed) else sensed
    return truth
