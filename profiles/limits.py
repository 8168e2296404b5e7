"""What one axis may do: signed limits of velocity, acceleration and jerk."""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite

from profiles.errors import InvalidInput, InvalidLimit


@dataclass(frozen=True, slots=True, init=False)
class Limits:
    """Limits of one axis, signed, so that gravity may make up and down different.

    vmin <= v <= vmax, amin <= a <= amax, |j| <= jerk. The signs belong to the direction of the axis, not to
    speeding up and slowing down: amax both speeds a positive motion up and slows a negative one down.

    Args:
        velocity: [m/s or rad/s] one positive number for both directions, or the pair (most negative, most positive).
            One of the pair may be 0 (an axis that moves one way only), not both.
        acceleration: [m/s^2 or rad/s^2] one positive number, or a pair with the first below and the second above 0.
        jerk: [m/s^3 or rad/s^3] a positive number, or None for no jerk limit.

    Raises:
        InvalidLimit: If a limit is not finite, is zero where it may not be, or has the wrong sign.

    >>> Limits(1.8, (-9.0, 6.0), jerk=60.0)
    Limits(velocity=(-1.8, 1.8), acceleration=(-9.0, 6.0), jerk=60.0)
    """

    velocity: tuple[float, float]
    acceleration: tuple[float, float]
    jerk: float | None

    def __init__(
        self,
        velocity: float | tuple[float, float],
        acceleration: float | tuple[float, float],
        jerk: float | None = None,
    ) -> None:
        object.__setattr__(self, "velocity", _velocity_pair(velocity))
        object.__setattr__(self, "acceleration", _acceleration_pair(acceleration))
        object.__setattr__(self, "jerk", None if jerk is None else _jerk(jerk))

    def scaled(self, factor: float) -> Limits:
        """These limits in slow motion: velocity times factor, acceleration times factor^2, jerk times factor^3.

        Args:
            factor: The speed as a fraction, 0 < factor <= 1 [1].

        Raises:
            InvalidInput: If the factor is outside that range.
        """
        if not 0.0 < factor <= 1.0:
            raise InvalidInput("speed factor", factor, "above 0 and at most 1")
        (vmin, vmax), (amin, amax) = self.velocity, self.acceleration
        square = factor * factor
        jerk = None if self.jerk is None else self.jerk * square * factor
        return Limits((vmin * factor, vmax * factor), (amin * square, amax * square), jerk)

    def slower(
        self,
        velocity: float | tuple[float, float] | None = None,
        acceleration: float | tuple[float, float] | None = None,
        jerk: float | None = None,
    ) -> Limits:
        """The tighter of these limits and those given here, direction by direction; what is left out stays.

        Args:
            velocity: [m/s or rad/s] as in Limits.
            acceleration: [m/s^2 or rad/s^2] as in Limits.
            jerk: [m/s^3 or rad/s^3] as in Limits.

        Raises:
            InvalidLimit: If a limit given here is not valid, or nothing is left of the velocity.
        """
        (vmin, vmax), (amin, amax) = self.velocity, self.acceleration
        if velocity is not None:
            low, high = _velocity_pair(velocity)
            vmin, vmax = max(vmin, low), min(vmax, high)
        if acceleration is not None:
            low, high = _acceleration_pair(acceleration)
            amin, amax = max(amin, low), min(amax, high)
        tightest = self.jerk
        if jerk is not None:
            given = _jerk(jerk)
            tightest = given if tightest is None else min(tightest, given)
        return Limits((vmin, vmax), (amin, amax), tightest)


def _velocity_pair(given: float | tuple[float, float]) -> tuple[float, float]:
    low, high = _pair("velocity", given)
    if not (low <= 0.0 <= high and low < high):
        raise InvalidLimit(
            "velocity",
            given,
            "one number above 0, or a pair (most negative, most positive) around 0 that is not zero on both sides",
            f"({-abs(low) or 0.0:.9g}, {abs(high) or 1.0:.9g})",
        )
    return low, high


def _acceleration_pair(given: float | tuple[float, float]) -> tuple[float, float]:
    low, high = _pair("acceleration", given)
    if not low < 0.0 < high:
        raise InvalidLimit(
            "acceleration",
            given,
            "one number above 0, or a pair (below 0, above 0)",
            f"({-(abs(low) or abs(high) or 1.0):.9g}, {abs(high) or abs(low) or 1.0:.9g})",
        )
    return low, high


def _jerk(given: float) -> float:
    number = _number("jerk", given)
    if not number > 0.0:
        raise InvalidLimit("jerk", given, "above 0, or None for no jerk limit", f"{abs(number) or 1.0:.9g} or None")
    return number


def _pair(quantity: str, given: float | tuple[float, float]) -> tuple[float, float]:
    if isinstance(given, tuple | list):
        if len(given) != 2:
            raise InvalidLimit(quantity, given, "one number or a pair (most negative, most positive)", "(-1.0, 1.0)")
        return _number(quantity, given[0]), _number(quantity, given[1])
    number = _number(quantity, given)
    return -number, number


def _number(quantity: str, given: float) -> float:
    try:
        number = float(given)
    except (TypeError, ValueError):
        raise InvalidLimit(quantity, given, "a finite number", "1.0") from None
    if not isfinite(number):
        raise InvalidLimit(quantity, given, "a finite number", "1.0")
    return number
