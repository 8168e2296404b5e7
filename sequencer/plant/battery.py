"""The battery, its sag under all motors together, and the brown-out."""

from __future__ import annotations

from collections.abc import Sequence
from math import inf, sqrt

from sequencer.machine.machine import Battery
from sequencer.plant.motor import MotorGroup

BROWN_OUT_RECOVERY = 0.5
"""How far above the brown-out voltage controllers start again [V] (common practice, no source)."""
BROWN_OUT_PAUSE = 0.2
"""How long controllers stay out at least [s] (common practice, no source)."""
FLAT = 0.1
"""Least voltage [V] that is left before the motors draw."""
STIFF_SUPPLY = 12.0
"""Bus voltage [V] of a machine that declares no battery: it does not sag."""


class Supply:
    """Bus voltage under load, in closed form:

        V = (V_oc - R_b I_0 + R_b sum n d e / R) / (1 + R_b sum n d^2 / R)

    while no limit binds; motors at a limit then count with the power they take, and the sum is done once more. Other
    loads draw the mean of their range. The brown-out latches: it ends `BROWN_OUT_PAUSE` later at the earliest, above
    `BROWN_OUT_RECOVERY`.
    """

    __slots__ = ("_battery", "brown_out", "dropped_out", "least", "resistance", "unloaded", "until", "voltage")

    def __init__(self, battery: Battery | None) -> None:
        self._battery = battery
        self.unloaded, self.resistance, self.brown_out = STIFF_SUPPLY, 0.0, -inf
        self.declare()
        self.voltage = self.unloaded
        self.least = self.unloaded
        self.dropped_out = False
        self.until = 0.0

    def declare(
        self, open_circuit: float | None = None, resistance: float | None = None, other: float | None = None
    ) -> None:
        """Take the machine's battery with another open-circuit voltage [V], resistance [ohm] or other load [A]."""
        battery = self._battery
        if battery is None:
            return
        self.resistance = battery.resistance if resistance is None else resistance
        drawn = sum(battery.other_load) / 2.0 if other is None else other
        full = battery.open_circuit if open_circuit is None else open_circuit
        self.unloaded = max(full - self.resistance * drawn, FLAT)
        self.brown_out = battery.brown_out

    def drop_out(self, time: float) -> None:
        """The controllers stop at `time` [s] and start anew when the pause is over."""
        self.dropped_out = True
        self.until = time + BROWN_OUT_PAUSE

    def settle(self, groups: Sequence[MotorGroup], time: float) -> None:
        """Find bus voltage and currents for the duties and back-EMFs at hand; `time` [s] is for the brown-out."""
        induced = load = 0.0
        for group in groups:
            if group.switching == "driven":
                pull = group.duty * group.conductance
                induced += pull * group.emf
                load += pull * group.duty
        resistance = self.resistance
        bus = (self.unloaded + resistance * induced) / (1.0 + resistance * load)
        any_limited = False
        for group in groups:
            if group.switching == "driven":
                group.set_current(bus)
                if group.limited:
                    any_limited = True
            elif group.switching == "shorted":
                group.current = -group.emf * group.per_ohm
            else:
                group.current = 0.0
        if any_limited and resistance > 0.0:
            bus = self._with_limited(groups, bus)
        self.voltage = bus
        if bus < self.least:
            self.least = bus
        if self.dropped_out:
            if time >= self.until and bus > self.brown_out + BROWN_OUT_RECOVERY:
                self.dropped_out = False
        elif bus < self.brown_out:
            self.drop_out(time)

    def _with_limited(self, groups: Sequence[MotorGroup], bus: float) -> float:
        """The bus voltage when limited motors take a power P: the greater root of a V^2 - b V + R_b P = 0."""
        induced = load = power = 0.0
        for group in groups:
            if group.switching == "driven":
                if group.limited:
                    power += group.count * group.supply_current(group.current, bus) * bus
                else:
                    pull = group.duty * group.conductance
                    induced += pull * group.emf
                    load += pull * group.duty
        linear, square = self.unloaded + self.resistance * induced, 1.0 + self.resistance * load
        root = linear * linear - 4.0 * square * self.resistance * power
        bus = (linear + sqrt(max(root, 0.0))) / (2.0 * square)
        for group in groups:
            if group.switching == "driven" and not group.limited:
                group.set_current(bus)
        return bus
