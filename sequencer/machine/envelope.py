"""What an axis' motors can do with it, and limits that they can keep."""

from __future__ import annotations

from math import inf, sqrt

from profiles import Envelope, Limits
from sequencer.errors import ModelError
from sequencer.machine.actuator import Actuator
from sequencer.machine.feedforward import feedforward
from sequencer.machine.machine import Machine

RESERVE = 0.15
"""Share of voltage and current that planning leaves to the axis' own loop, for pieces, other axes and errors [1]."""
STIFF_SUPPLY = 12.0
"""Voltage [V] of a machine that declares no battery."""
_PLACES, _SPEEDS = 25, 40


def envelope_of(machine: Machine, axis_name: str, limits: Limits | None = None) -> Envelope | None:
    """The envelope of an axis at the sagged voltage, less a reserve; None where actuators or load are not declared.

    The voltage is that of the battery under its greatest other load and the current limits of all motors of this axis.
    The load is that of `feedforward`: what the axis carries in the middle of its travel, without pieces. A limit of the
    supply current counts as one of the windings.

    Args:
        machine: the machine.
        axis_name: one of its axes.
        limits: what the motion may do besides; None: what the axis may.

    Raises:
        KeyError: the machine has no such axis.
    """
    axis, terms = machine.axes[axis_name], feedforward(machine, axis_name)
    if terms is None or axis.load is None:
        return None
    actuators = axis.in_service
    force_per_volt = drag = most = rubbing = lost = 0.0
    for actuator in actuators:
        motor, turn = actuator.motor, actuator.motor_turn
        gain = motor.torque_per_ampere * turn / motor.resistance
        force_per_volt += gain
        drag += gain * motor.back_emf * turn
        most += motor.torque_per_ampere * turn * _most_current(actuator)
        rubbing += motor.torque_per_ampere * turn * motor.no_load_current
        lost += gain * (1.0 - actuator.efficiency)
    return Envelope(
        inertia=terms["acceleration"] * force_per_volt,
        stall_force=force_per_volt * _voltage(machine, actuators) * (1.0 - RESERVE),
        drag=drag,
        most_force=most * (1.0 - RESERVE),
        coulomb=axis.load.coulomb + rubbing,
        viscous=axis.load.viscous,
        loss=lost / force_per_volt,
        constant=terms["constant"] * force_per_volt,
        cosine=terms["cosine"] * force_per_volt,
        angle=terms["angle"],
        limits=axis.limits if limits is None else limits,
    )


def limits_for(machine: Machine, axis_name: str) -> Limits:
    """Limits of velocity and acceleration that the motors of an axis can keep anywhere in its travel.

    In each sense the speed is the one with which a move over half of the travel takes least time. They say what motors
    can do; what chains, frames and people can stand is for people to know.

    Args:
        machine: the machine.
        axis_name: one of its axes, no spin.

    Raises:
        KeyError: the machine has no such axis.
        ModelError: it declares no actuators or load, is a spin, or its motors cannot move it.
    """
    axis = machine.axes[axis_name]
    envelope = envelope_of(machine, axis_name)
    if envelope is None or axis.travel is None:
        raise ModelError(f"axis '{axis_name}' is a spin or declares no actuators or load; no limits can be proposed")
    low, high = axis.travel
    bare = Envelope(**{name: getattr(envelope, name) for name in envelope.__slots__ if name != "limits"})
    places = [low + (high - low) * step / _PLACES for step in range(_PLACES + 1)]
    up, rising, falling_up = _best(bare, places, 1.0, high - low, axis_name)
    down, sinking, falling_down = _best(bare, places, -1.0, high - low, axis_name)
    return Limits((-down, up), (-min(sinking, falling_up), min(rising, falling_down)))


def _best(
    envelope: Envelope, places: list[float], sense: float, way: float, axis_name: str
) -> tuple[float, float, float]:
    """Speed, acceleration and deceleration in one sense."""
    free = envelope.stall_force / envelope.drag if envelope.drag > 0.0 else sqrt(way * envelope.stall_force)
    best, found = inf, (0.0, 0.0, 0.0)
    for step in range(1, _SPEEDS + 1):
        speed = free * step / _SPEEDS
        pairs = [envelope.accelerations(place, sense * fast, sense) for place in places for fast in (0.0, speed)]
        gaining = min(high if sense > 0.0 else -low for low, high in pairs)
        losing = min(-low if sense > 0.0 else high for low, high in pairs)
        if gaining <= 0.0 or losing <= 0.0:
            break
        ramps = 0.5 * speed * speed * (1.0 / gaining + 1.0 / losing)
        if ramps > 0.5 * way:
            break
        time = speed / gaining + speed / losing + (0.5 * way - ramps) / speed
        if time < best:
            best, found = time, (speed, gaining, losing)
    if best == inf:
        where = "in the positive sense" if sense > 0.0 else "in the negative sense"
        raise ModelError(f"the motors of axis '{axis_name}' cannot move and stop it everywhere {where}")
    return found


def _most_current(actuator: Actuator) -> float:
    limits = (actuator.winding_limit, actuator.supply_limit, actuator.motor.stall_current)
    return min(limit for limit in limits if limit is not None)


def _voltage(machine: Machine, actuators: tuple[Actuator, ...]) -> float:
    battery = machine.battery
    if battery is None:
        return STIFF_SUPPLY
    drawn = battery.other_load[1] + sum(_most_current(actuator) for actuator in actuators)
    return max(battery.open_circuit - battery.resistance * drawn, 0.1)
