"""Motors as their data sheet gives them, and the actuators that drive an axis through a gear and a rope or chain."""

from __future__ import annotations

from dataclasses import dataclass, field

from sequencer.errors import ModelError
from sequencer.places import NOWHERE, Place

MOST_OUT_OF_NOTHING = 1.5
"""Torque per ampere over voltage per speed, which is 1 for any motor (what is not lost to the winding moves something);
so much do rounded and differently measured data sheets make of it at most [1]."""


@dataclass(frozen=True, slots=True)
class Motor:
    """A brushed or electronically commutated DC motor in data-sheet terms, all at `rated_voltage` [V].

    The derived constants are the usual ones of the linear torque-speed line: torque per ampere k_t = T_stall /
    (I_stall - I_0) (so that no torque is left at the no-load current), winding resistance R = U / I_stall, and
    back-EMF per speed k_e = (U - R I_0) / w_0.
    """

    name: str
    rated_voltage: float
    stall_torque: float  # [N m]
    stall_current: float  # [A]
    no_load_speed: float  # [rad/s]
    no_load_current: float = 0.0  # [A]
    rotor_inertia: float = 0.0  # [kg m2]
    place: Place = field(compare=False, default=NOWHERE)

    def __post_init__(self) -> None:
        for name in ("rated_voltage", "stall_torque", "stall_current", "no_load_speed"):
            if not getattr(self, name) > 0.0:
                raise ModelError(f"motor '{self.name}': {name} is {getattr(self, name):g}; it must be greater than 0")
        if not 0.0 <= self.no_load_current < self.stall_current:
            raise ModelError(
                f"motor '{self.name}': no_load_current is {self.no_load_current:g} A; it must be at least 0 and "
                f"below the stall current ({self.stall_current:g} A)"
            )
        if self.rotor_inertia < 0.0:
            raise ModelError(
                f"motor '{self.name}': rotor_inertia is {self.rotor_inertia:g} kg.m2; it cannot be negative"
            )
        if self.torque_per_ampere > MOST_OUT_OF_NOTHING * self.back_emf:
            gives = self.torque_per_ampere / self.back_emf if self.back_emf > 0.0 else float("inf")
            raise ModelError(
                f"motor '{self.name}': by its torque, currents, speed and voltage it would turn 1 W of electricity "
                f"into {gives:.3g} W of motion; read its data sheet again, units and rows"
            )

    @property
    def resistance(self) -> float:
        """Winding resistance [ohm]."""
        return self.rated_voltage / self.stall_current

    @property
    def torque_per_ampere(self) -> float:
        """Torque at the shaft per ampere above the no-load current [N m/A]."""
        return self.stall_torque / (self.stall_current - self.no_load_current)

    @property
    def back_emf(self) -> float:
        """Voltage induced per speed [V s/rad]."""
        return (self.rated_voltage - self.resistance * self.no_load_current) / self.no_load_speed


@dataclass(frozen=True, slots=True)
class Actuator:
    """One motor with its gear and its chain or rope.

    `ratio` is motor turns per output turn (> 0). On a linear axis `travel_per_turn` [m] is what one output turn moves
    it; on a rotary or spin axis it is None. `efficiency` is the share of power that the gear passes (0 to 1].
    `winding_limit` and `supply_limit` [A] bound the motor current and the current drawn from the battery; None: not
    limited.
    """

    name: str
    motor: Motor
    ratio: float
    travel_per_turn: float | None = None
    efficiency: float = 1.0
    winding_limit: float | None = None
    supply_limit: float | None = None
    out_of_service: bool = False
    place: Place = field(compare=False, default=NOWHERE)

    def __post_init__(self) -> None:
        if not self.ratio > 0.0:
            raise ModelError(
                f"actuator '{self.name}': ratio is {self.ratio:g}; it must be greater than 0 "
                "(motor turns per output turn)"
            )
        if not 0.0 < self.efficiency <= 1.0:
            raise ModelError(
                f"actuator '{self.name}': efficiency is {self.efficiency:g}; it must be above 0 and at most 1"
            )
        for name in ("travel_per_turn", "winding_limit", "supply_limit"):
            value = getattr(self, name)
            if value is not None and not value > 0.0:
                raise ModelError(f"actuator '{self.name}': {name} is {value:g}; it must be greater than 0")

    @property
    def motor_turn(self) -> float:
        """Motor angle per axis travel: [rad/m] on a linear axis, [rad/rad] on a rotary or spin axis."""
        if self.travel_per_turn is None:
            return self.ratio
        return self.ratio * 6.283185307179586 / self.travel_per_turn
