"""The voltage that moves an axis as ordered, worked out from its motors and from what it carries.

    U(x, v, a) = constant + cosine cos(x + angle) + coulomb sign(v) + velocity v + acceleration a

at every in-service motor alike. With G = sum k_t N / R [N/V or N m/V], N the motor angle per axis travel, the force
that all motors make together is G U - sum k_t k_e N^2 / R v; each term is the force it answers, divided by G.
"""

from __future__ import annotations

from cmath import phase, rect
from math import sin
from typing import NamedTuple

from sequencer.machine.axis import Axis, Load
from sequencer.machine.machine import Machine
from sequencer.units import STANDARD_GRAVITY


def feedforward(machine: Machine, axis_name: str) -> dict[str, float] | None:
    """The feedforward of one axis, or None where its actuators or its load are not declared or none is in service.

    Everything mounted on the axis counts with it (the axes it carries stand in the middle of their travel; pieces are
    left out), a counterbalance with its mean. A gear's loss at rest is counted as dry friction: it opposes the motion
    whichever way it goes.

    Args:
        machine: the machine.
        axis_name: one of its axes.

    Returns:
        `constant` [V], `cosine` [V], `angle` [rad, added to the position before the cosine], `coulomb` [V], `velocity`
        [V per m/s or rad/s] and `acceleration` [V per m/s2 or rad/s2].

    Raises:
        KeyError: the machine has no such axis.
    """
    axis = machine.axes[axis_name]
    actuators = axis.in_service
    if axis.load is None or not actuators:
        return None
    force_per_volt = drag = reflected = loss = motor_friction = 0.0
    for actuator in actuators:
        motor, turn = actuator.motor, actuator.motor_turn
        gain = motor.torque_per_ampere * turn / motor.resistance
        force_per_volt += gain
        drag += gain * motor.back_emf * turn
        reflected += motor.rotor_inertia * turn * turn
        loss += gain * (1.0 - actuator.efficiency)
        motor_friction += motor.torque_per_ampere * turn * motor.no_load_current
    bodies = carried_bodies(machine, axis_name)
    constant = cosine = angle = 0.0
    if axis.kind == "linear":
        inertia = sum(body.mass * body.share**2 for body in bodies)
        weight = STANDARD_GRAVITY * sum(body.mass * body.share for body in bodies)
        constant = weight * sin(axis.mount.direction + _lean(machine, axis)) - sum(axis.load.counterbalance) / 2.0
    elif axis.kind == "rotary":
        inertia = sum((body.mass * abs(body.place) ** 2 + body.inertia) * body.share**2 for body in bodies)
        moment = sum((body.mass * body.share * body.place for body in bodies), 0j)
        cosine = STANDARD_GRAVITY * abs(moment)
        angle = phase(moment) if moment else 0.0
        if axis.mount.angle_from == "carrier":
            angle += _lean(machine, axis)
    else:
        inertia = axis.load.inertia
    dry = axis.load.coulomb + motor_friction + loss / force_per_volt * max(abs(constant), cosine)
    return {
        "constant": constant / force_per_volt,
        "cosine": cosine / force_per_volt,
        "angle": angle,
        "coulomb": dry / force_per_volt,
        "velocity": (drag + axis.load.viscous) / force_per_volt,
        "acceleration": (inertia + reflected) / force_per_volt,
    }


class CarriedBody(NamedTuple):
    """Mass [kg] at `place` [m, x + iy in the axis' own coordinates] with `inertia` [kg m2] about that place.

    It moves by `share` of the axis' motion.
    """

    mass: float
    inertia: float
    place: complex
    share: float


def carried_bodies(machine: Machine, axis_name: str) -> list[CarriedBody]:
    """What moves with an axis: its own load and that of everything mounted on it, at the middle of their travel.

    Args:
        machine: the machine.
        axis_name: the axis that carries.
    """
    axis = machine.axes[axis_name]
    load = axis.load or Load()
    found = [CarriedBody(load.mass, load.inertia if axis.kind == "rotary" else 0.0, complex(*load.centre), 1.0)]
    for child in machine.axes.values():
        if child.mount.to != axis_name:
            continue
        at = complex(*child.mount.at)
        middle = middle_of_travel(child)
        for body in carried_bodies(machine, child.name):
            place, inertia = at + body.place, body.inertia
            if child.kind == "rotary" and child.mount.angle_from == "level":
                place, inertia = at, 0.0  # it keeps its angle: for its carrier it is a point at the pivot
            elif child.kind == "rotary":
                place = at + rect(1.0, body.share * middle) * body.place
            elif child.kind == "linear":
                place = at + rect(body.share * middle, child.mount.direction) + body.place
            found.append(CarriedBody(body.mass, inertia, place, child.mount.share))
    return found


def middle_of_travel(axis: Axis) -> float:
    """Halfway between the ends of its travel [m or rad]; 0 for a spin."""
    return (axis.travel[0] + axis.travel[1]) / 2.0 if axis.travel is not None else 0.0


def _lean(machine: Machine, axis: Axis) -> float:
    """How far the axis' carrier is turned [rad], rotary carriers at the middle of their travel."""
    if axis.mount.to == "frame":
        return 0.0
    carrier = machine.axes[axis.mount.to]
    if carrier.kind != "rotary":
        return _lean(machine, carrier)
    turned = axis.mount.share * middle_of_travel(carrier)
    return turned if carrier.mount.angle_from == "level" else _lean(machine, carrier) + turned
