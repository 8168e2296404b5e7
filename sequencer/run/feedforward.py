"""Volts that a set-point needs by the model of its axis."""

from __future__ import annotations

from collections.abc import Mapping

_PI = 3.141592653589793
_TURN = 6.283185307179586


def feedforward(table: Mapping[str, float] | None, position: float, velocity: float, acceleration: float) -> float:
    """Volts for a set-point [SI]; 0 without a table."""
    if table is None:
        return 0.0
    volts = table["constant"] + table["velocity"] * velocity + table["acceleration"] * acceleration
    if table["cosine"]:
        volts += table["cosine"] * cosine(position + table["angle"])
    if velocity > 0.0:
        volts += table["coulomb"]
    elif velocity < 0.0:
        volts -= table["coulomb"]
    return volts


def cosine(angle: float) -> float:
    """cos(angle [rad]) from + - * / alone, so that orders agree on every platform (R2); within 1e-11 for |angle| < 1e3.

    Power series after reduction to a quarter turn (Abramowitz and Stegun, Handbook of Mathematical Functions, 4.3.66).
    """
    if angle < 0.0:
        angle = -angle
    angle -= _TURN * int(angle / _TURN)
    if angle > 0.5 * _PI:
        return -cosine(_PI - angle)
    square = angle * angle
    term = total = 1.0
    for n in (2.0, 12.0, 30.0, 56.0, 90.0, 132.0, 182.0, 240.0):
        term *= -square / n
        total += term
    return total
