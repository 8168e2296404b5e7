"""The motors of one axis taken together, asked the other way round than the plant asks: which volts make a force.

    F = sum w_g f_g i_g,   i_g = (U - e_g v) / R_g,   F - s (friction) = force needed

with f_g the force of a group of like motors per ampere in each, e_g their back-EMF per speed, s the sense of motion and
w_g = 1 - s sign(F) loss_g: a gear takes its share of what drives, and adds it to what brakes.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import sqrt
from typing import NamedTuple

from sequencer.machine.axis import Axis
from sequencer.machine.machine import Battery
from sequencer.plant.battery import FLAT, STIFF_SUPPLY
from sequencer.plant.friction import Friction
from sequencer.plant.motor import MotorGroup, motor_groups

_ROUNDS = 4
"""The signs of a few groups' forces are settled after so many rounds."""


class Drawn(NamedTuple):
    """What the motors of an axis do: `volts` at every motor, `amps` in one motor of each group, and the `watts` [W]
    that all of them take from the battery (negative: give back)."""

    volts: float
    amps: tuple[float, ...]
    watts: float


class AxisDrive:
    """The motors in service on an axis.

    Args:
        axis: its load is declared.
        dead: names of actuators without power; they still turn with the axis.

    Attributes:
        groups: like motors taken together.
        inertia: of all rotors, at the axis [kg or kg m2].
        rubbing: dry friction of all motors, at the axis [N or N m].
    """

    def __init__(self, axis: Axis, dead: frozenset[str] = frozenset()) -> None:
        assert axis.load is not None
        every = motor_groups(axis.in_service, dead)
        self.axis = axis
        self.groups = tuple(group for group in every if group.has_power)
        self.inertia = sum(group.inertia for group in every)
        self.rubbing = sum(group.friction for group in every)
        self.viscous = axis.load.viscous
        self.springs = axis.load.counterbalance if axis.kind == "linear" else (0.0, 0.0)
        self._friction = Friction(axis)
        for group in self.groups:
            group.switching = "driven"

    def needed(self, moving: float, weight: float, spring: float, velocity: float, sense: float) -> float:
        """The motors' force less what gears take [N or N m].

        Args:
            moving: what goes with accelerations, rotors included [N or N m].
            weight: what holds it at rest [N or N m].
            spring: its counterbalance [N].
            velocity: [m/s or rad/s].
            sense: of the motion, 1 or -1; 0: it stands, and friction is not counted on.
        """
        return moving + weight - spring + self.viscous * velocity + sense * self.friction(velocity)

    def friction(self, velocity: float) -> float:
        """Dry friction of the load and of the motors at a speed [N or N m]."""
        return self._friction.at(velocity) + self.rubbing

    def drawn(self, force: float, velocity: float, sense: float) -> Drawn:
        """What makes a force, whatever limits say.

        Args:
            force: as `needed` tells [N or N m].
            velocity: [m/s or rad/s].
            sense: of the motion.
        """
        pushes = [force] * len(self.groups)
        volts = 0.0
        for _ in range(_ROUNDS):
            gain = lost = 0.0
            for group, push in zip(self.groups, pushes, strict=True):
                weight = _passed(group, push, sense) * group.force_per_ampere * group.per_ohm
                gain += weight
                lost += weight * group.emf_per_speed * velocity
            volts = (force + lost) / gain
            signs = [push >= 0.0 for push in pushes]
            pushes = [(volts - group.emf_per_speed * velocity) * group.force_per_ampere for group in self.groups]
            if signs == [push >= 0.0 for push in pushes]:
                break
        amps = tuple([(volts - group.emf_per_speed * velocity) * group.per_ohm for group in self.groups])
        return Drawn(volts, amps, self._watts(amps, velocity))

    def most(self, bus: float, velocity: float, sign: float, sense: float) -> float:
        """The greatest force less what gears take that all motors can make in the sense of `sign` [N or N m].

        Args:
            bus: voltage of the battery under load [V].
            velocity: [m/s or rad/s].
            sign: 1 or -1.
            sense: of the motion.
        """
        total = 0.0
        for group in self.groups:
            group.duty, group.emf = sign, group.emf_per_speed * velocity
            group.set_current(bus)
            push = group.force_per_ampere * group.current
            total += _passed(group, push, sense) * push
        return total

    def limited(self, drawn: Drawn, velocity: float) -> Drawn:
        """The same with no more current than the winding limits allow."""
        amps = tuple(
            min(max(current, -group.winding_limit), group.winding_limit)
            for current, group in zip(drawn.amps, self.groups, strict=True)
        )
        return Drawn(drawn.volts, amps, self._watts(amps, velocity))

    def _watts(self, amps: Sequence[float], velocity: float) -> float:
        watts = 0.0
        for current, group in zip(amps, self.groups, strict=True):
            watts += group.count * current * (current * group.resistance + group.emf_per_speed * velocity)
        return watts


def bus_voltage(battery: Battery | None, other: float, watts: float) -> float:
    """The voltage at which a battery gives `watts` [W] to motors beside `other` [A]: the greater root of
    V^2 - (V_oc - R other) V + R watts = 0; where there is none, the one at which it gives most.

    Args:
        battery: None: a supply that does not sag.
        other: what else draws on it [A].
        watts: what the motors take [W].
    """
    if battery is None:
        return STIFF_SUPPLY
    unloaded = max(battery.open_circuit - battery.resistance * other, FLAT)
    root = unloaded * unloaded - 4.0 * battery.resistance * watts
    return 0.5 * (unloaded + sqrt(max(root, 0.0)))


def _passed(group: MotorGroup, push: float, sense: float) -> float:
    """The share of a group's force that counts at the axis."""
    if sense == 0.0:
        return 1.0
    return 1.0 - group.loss if push * sense > 0.0 else 1.0 + group.loss
