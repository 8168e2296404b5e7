"""Quantities with their units: read, converted to SI, and printed again.

A quantity is written as a number, a space and a unit expression: ``62 deg``, ``1.2 m/s2``, ``4e-5 kg.m2``. Unit
expressions are products (``.``) and quotients (``/``) of the symbols in `SYMBOLS`, each with an optional whole
exponent. An angle is a dimension of its own here (SI calls the radian dimensionless), so that degrees where metres
belong are caught. Conversion factors: BIPM, The International System of Units (9th edition, 2019); inch, foot, pound
and pound-force are exact by the international yard and pound agreement of 1959 and standard gravity 9.80665 m/s2.
"""

from __future__ import annotations

import math
import re
from typing import NamedTuple

from sequencer.errors import ModelError, did_you_mean

Dimension = tuple[int, int, int, int, int]
"""Exponents of metre, kilogram, second, ampere and radian."""


class Quantity(NamedTuple):
    """A number in SI units and what it measures."""

    value: float
    dimension: Dimension


class _Symbol(NamedTuple):
    factor: float
    dimension: Dimension


STANDARD_GRAVITY = 9.80665
"""Standard acceleration of free fall [m/s2] (CGPM 1901)."""

_NONE: Dimension = (0, 0, 0, 0, 0)
_FORCE: Dimension = (1, 1, -2, 0, 0)
_POUND = 0.45359237

_BASE: dict[str, _Symbol] = {
    "m": _Symbol(1.0, (1, 0, 0, 0, 0)),
    "g": _Symbol(1e-3, (0, 1, 0, 0, 0)),
    "s": _Symbol(1.0, (0, 0, 1, 0, 0)),
    "A": _Symbol(1.0, (0, 0, 0, 1, 0)),
    "rad": _Symbol(1.0, (0, 0, 0, 0, 1)),
    "N": _Symbol(1.0, _FORCE),
    "J": _Symbol(1.0, (2, 1, -2, 0, 0)),
    "W": _Symbol(1.0, (2, 1, -3, 0, 0)),
    "V": _Symbol(1.0, (2, 1, -3, -1, 0)),
    "ohm": _Symbol(1.0, (2, 1, -3, -2, 0)),
    "H": _Symbol(1.0, (2, 1, -2, -2, 0)),
    "Hz": _Symbol(1.0, (0, 0, -1, 0, 0)),
}
_PREFIXES = {"n": 1e-9, "u": 1e-6, "m": 1e-3, "c": 1e-2, "d": 1e-1, "k": 1e3}

SYMBOLS: dict[str, _Symbol] = {
    **_BASE,
    **{
        prefix + symbol: _Symbol(scale * base.factor, base.dimension)
        for symbol, base in _BASE.items()
        for prefix, scale in _PREFIXES.items()
        if symbol not in ("Hz", "rad") and (prefix not in "cd" or symbol == "m")
    },
    "kHz": _Symbol(1e3, (0, 0, -1, 0, 0)),
    "mrad": _Symbol(1e-3, (0, 0, 0, 0, 1)),
    "deg": _Symbol(math.pi / 180.0, (0, 0, 0, 0, 1)),
    "turn": _Symbol(2.0 * math.pi, (0, 0, 0, 0, 1)),
    "rpm": _Symbol(2.0 * math.pi / 60.0, (0, 0, -1, 0, 1)),
    "min": _Symbol(60.0, (0, 0, 1, 0, 0)),
    "in": _Symbol(0.0254, (1, 0, 0, 0, 0)),
    "ft": _Symbol(0.3048, (1, 0, 0, 0, 0)),
    "lb": _Symbol(_POUND, (0, 1, 0, 0, 0)),
    "oz": _Symbol(_POUND / 16.0, (0, 1, 0, 0, 0)),
    "lbf": _Symbol(_POUND * STANDARD_GRAVITY, _FORCE),
    "%": _Symbol(0.01, _NONE),
}
"""Every unit symbol that a file may use, with its factor to SI and its dimension."""
SYMBOLS["kg"] = _Symbol(1.0, (0, 1, 0, 0, 0))

LENGTH: Dimension = (1, 0, 0, 0, 0)
ANGLE: Dimension = (0, 0, 0, 0, 1)
TIME: Dimension = (0, 0, 1, 0, 0)
SPEED: Dimension = (1, 0, -1, 0, 0)
ANGULAR_SPEED: Dimension = (0, 0, -1, 0, 1)
ACCELERATION: Dimension = (1, 0, -2, 0, 0)
ANGULAR_ACCELERATION: Dimension = (0, 0, -2, 0, 1)
JERK: Dimension = (1, 0, -3, 0, 0)
ANGULAR_JERK: Dimension = (0, 0, -3, 0, 1)
MASS: Dimension = (0, 1, 0, 0, 0)
INERTIA: Dimension = (2, 1, 0, 0, 0)
FORCE: Dimension = _FORCE
TORQUE: Dimension = (2, 1, -2, 0, 0)
VISCOUS: Dimension = (0, 1, -1, 0, 0)
ANGULAR_VISCOUS: Dimension = (2, 1, -1, 0, -1)
STIFFNESS: Dimension = (0, 1, -2, 0, 0)
ANGULAR_STIFFNESS: Dimension = (2, 1, -2, 0, -1)
VOLTAGE: Dimension = (2, 1, -3, -1, 0)
CURRENT: Dimension = (0, 0, 0, 1, 0)
RESISTANCE: Dimension = (2, 1, -3, -2, 0)
NUMBER: Dimension = _NONE

_NAMES: dict[Dimension, tuple[str, str]] = {
    LENGTH: ("a length", "m"),
    ANGLE: ("an angle", "deg"),
    TIME: ("a time", "s"),
    SPEED: ("a speed", "m/s"),
    ANGULAR_SPEED: ("an angular speed", "deg/s"),
    ACCELERATION: ("an acceleration", "m/s2"),
    ANGULAR_ACCELERATION: ("an angular acceleration", "deg/s2"),
    JERK: ("a jerk", "m/s3"),
    ANGULAR_JERK: ("an angular jerk", "deg/s3"),
    MASS: ("a mass", "kg"),
    INERTIA: ("a moment of inertia", "kg.m2"),
    FORCE: ("a force", "N"),
    TORQUE: ("a torque", "N.m"),
    VISCOUS: ("a viscous friction", "N.s/m"),
    ANGULAR_VISCOUS: ("a viscous friction", "N.m.s/rad"),
    STIFFNESS: ("a stiffness", "N/m"),
    ANGULAR_STIFFNESS: ("a stiffness", "N.m/rad"),
    VOLTAGE: ("a voltage", "V"),
    CURRENT: ("a current", "A"),
    RESISTANCE: ("a resistance", "ohm"),
    NUMBER: ("a plain number", ""),
}

_NUMBER = r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?"
_QUANTITY = re.compile(rf"({_NUMBER})(?:\s*([A-Za-z%][A-Za-z0-9%./*^-]*))?\s*\Z")
_FACTOR = re.compile(r"([A-Za-z%]+)\^?(-?\d+)?\Z")


def parse_quantity(text: str) -> Quantity:
    """Read ``"62 deg"`` into SI. A bare number is a quantity of dimension `NUMBER`.

    Raises:
        ModelError: the text is not a number with a unit, the unit is unknown, or the number is not finite.

    >>> parse_quantity("90 deg").value == math.pi / 2
    True
    >>> parse_quantity("1.2 m/s2")
    Quantity(value=1.2, dimension=(1, 0, -2, 0, 0))
    """
    match = _QUANTITY.match(text.strip())
    if match is None:
        raise ModelError(f"'{text}' is not a quantity; write a number, a space and a unit, such as 1.2 m")
    number, unit = match.groups()
    digits = number.lstrip("+-")
    if len(digits) > 1 and digits[0] == "0" and digits[1].isdigit():
        raise ModelError(f"'{text}' has a leading zero; write {number[: -len(digits)]}{digits.lstrip('0') or '0'}")
    value = float(number)
    if not math.isfinite(value):
        raise ModelError(f"'{text}' is not finite; write a number that is")
    if unit is None:
        return Quantity(value, NUMBER)
    factor, dimension = parse_unit(unit)
    return Quantity(value * factor, dimension)


def parse_unit(text: str) -> tuple[float, Dimension]:
    """The factor to SI and the dimension of a unit expression such as ``N.s/m``.

    Raises:
        ModelError: a symbol is unknown (the nearest right one is named).
    """
    factor = 1.0
    dimension = list(_NONE)
    sign = 1
    for part in re.split(r"([./*])", text):
        if part in (".", "*"):
            sign = 1
        elif part == "/":
            sign = -1
        else:
            match = _FACTOR.match(part)
            symbol = match.group(1) if match else part
            if match is None or symbol not in SYMBOLS:
                raise ModelError(f"unknown unit '{text}': '{part}'; {_nearest_unit(symbol)}")
            exponent = sign * int(match.group(2) or 1)
            factor *= SYMBOLS[symbol].factor ** exponent
            for index, power in enumerate(SYMBOLS[symbol].dimension):
                dimension[index] += power * exponent
    m, kg, s, amp, rad = dimension
    return factor, (m, kg, s, amp, rad)


def dimension_name(dimension: Dimension) -> str:
    """What a dimension is called in messages, with a unit that fits: ``a length (such as m)``."""
    known = _NAMES.get(dimension)
    if known is None:
        return "a quantity in " + si_unit(dimension)
    name, unit = known
    return f"{name} (such as {unit})" if unit else name


def si_unit(dimension: Dimension) -> str:
    """The SI unit expression of a dimension, such as ``kg.m2/s2``."""
    over = [
        symbol + (str(p) if p != 1 else "")
        for symbol, p in zip(["m", "kg", "s", "A", "rad"], dimension, strict=True)
        if p > 0
    ]
    under = [
        symbol + (str(-p) if p != -1 else "")
        for symbol, p in zip(["m", "kg", "s", "A", "rad"], dimension, strict=True)
        if p < 0
    ]
    return (".".join(over) or "1") + "".join("/" + part for part in under) if over or under else "1"


def show(value: float, dimension: Dimension, digits: int = 4) -> str:
    """A value for people: angles in degrees, everything else in SI, with `digits` significant digits.

    >>> show(1.5707963267948966, ANGLE)
    '90 deg'
    """
    if dimension[4] != 0 and dimension in (ANGLE, ANGULAR_SPEED, ANGULAR_ACCELERATION, ANGULAR_JERK):
        return f"{value * 180.0 / math.pi:.{digits}g} {_NAMES[dimension][1]}"
    unit = _NAMES[dimension][1] if dimension in _NAMES else si_unit(dimension)
    return f"{value:.{digits}g} {unit}".rstrip()


def show_turning(speed: float, digits: int = 4) -> str:
    """The speed [rad/s] of what turns round and round, for people: in the unit of files, not in degrees.

    >>> show_turning(35.0)
    '35 rad/s'
    """
    return f"{speed:.{digits}g} rad/s"


def exact(value: float, dimension: Dimension) -> str:
    """A value that reads back to the very same number: a plain angle in degrees, everything else in SI."""
    if dimension == ANGLE:
        degrees = f"{value * 180.0 / math.pi:.9g}"
        if "e" not in degrees and parse_quantity(f"{degrees} deg").value == value:
            return f"{degrees} deg"
    return f"{value!r} {exact_unit(dimension)}".rstrip()


def exact_unit(dimension: Dimension) -> str:
    """The unit in which values are kept, by its usual name; "" of a plain number.

    >>> exact_unit(VOLTAGE), exact_unit(ANGLE)
    ('V', 'rad')
    """
    unit = {ANGLE: "rad", ANGULAR_SPEED: "rad/s", ANGULAR_ACCELERATION: "rad/s2", ANGULAR_JERK: "rad/s3"}.get(dimension)
    return unit or (_NAMES[dimension][1] if dimension in _NAMES else si_unit(dimension))


def _nearest_unit(symbol: str) -> str:
    return did_you_mean(
        symbol, ["m", "mm", "cm", "in", "deg", "rad", "s", "ms", "kg", "lb", "N", "V", "A", "ohm", "rpm", "Hz", "%"]
    )
