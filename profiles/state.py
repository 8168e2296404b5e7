"""The state of one axis at an instant."""

from __future__ import annotations

from math import isfinite
from typing import NamedTuple

from profiles.errors import InvalidInput


class State(NamedTuple):
    """Position [m or rad], velocity [m/s or rad/s] and acceleration [m/s^2 or rad/s^2] of one axis at one instant.

    Any consistent units do: the mathematics has none.

    >>> State(0.5)
    State(position=0.5, velocity=0.0, acceleration=0.0)
    """

    position: float
    velocity: float = 0.0
    acceleration: float = 0.0


def checked_state(value: State | tuple[float, ...] | float, name: str) -> State:
    """A State of finite floats from a State, a tuple of up to three numbers, or a position at rest.

    Args:
        value: The state or the position [m or rad].
        name: What it is in the error text: start, goal, ...

    Raises:
        InvalidInput: If it is no number or State, or a number in it is not finite.
    """
    if type(value) is State:
        position, velocity, acceleration = value
        if (
            type(position) is float
            and type(velocity) is float
            and type(acceleration) is float
            and isfinite(position + velocity + acceleration)
        ):
            return value
    try:
        if isinstance(value, tuple):
            state = State(*(float(number) for number in value))
        else:
            state = State(float(value))
    except (TypeError, ValueError):
        raise InvalidInput(name, value, "a State or a finite number (a position at rest)") from None
    # A sum is finite only if every term is; the three tests below run only when it is not.
    if not isfinite(state[0] + state[1] + state[2]):
        for quantity, number in zip(State._fields, state, strict=True):
            if not isfinite(number):
                raise InvalidInput(f"{name} {quantity}", number, "a finite number")
    return state
