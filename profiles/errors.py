"""What can be wrong with a question put to this package, one class a cause.

Every exception takes the ingredients and builds the sentence, so that a caller can catch a cause and a person can
read what was found, what is allowed and what would fit.
"""

from __future__ import annotations


class ProfileError(ValueError):
    """Any refusal of this package; its text is one or more whole sentences with numbers."""


class InvalidInput(ProfileError):
    """A number that is not finite, a time that is negative, or a value of the wrong kind."""

    def __init__(self, quantity: str, found: object, allowed: str) -> None:
        super().__init__(f"The {quantity} is {found!r}; it must be {allowed}.")
        self.quantity = quantity
        self.found = found


class InvalidLimit(ProfileError):
    """A limit that no motion can keep, or that is ambiguous."""

    def __init__(self, quantity: str, found: object, allowed: str, would_fit: str) -> None:
        super().__init__(f"The {quantity} limit is {found!r}; it must be {allowed}. {would_fit} would fit.")
        self.quantity = quantity
        self.found = found


class JerkLimitMissing(ProfileError):
    """An S-curve was asked for with limits that carry no jerk limit."""

    def __init__(self) -> None:
        super().__init__(
            "An S-curve needs a jerk limit and these limits have none. "
            "Give Limits(..., jerk=...) or use trapezoid(start, goal, limits), which needs no jerk limit."
        )


class GoalOutsideLimits(ProfileError):
    """The velocity wanted at the goal, or the one that its acceleration leads to, is outside the velocity limits."""

    def __init__(self, velocity: float, lowest: float, highest: float, reason: str = "", would_fit: str = "") -> None:
        because = f" ({reason})" if reason else ""
        fits = would_fit or f"A goal velocity of {min(max(velocity, lowest), highest):.9g}"
        super().__init__(
            f"The goal velocity is {velocity:.9g}{because}; the velocity limits allow {lowest:.9g} to {highest:.9g}. "
            f"{fits} would fit, or wider velocity limits."
        )
        self.velocity = velocity


class GoalAcceleration(ProfileError):
    """A goal acceleration other than zero, which is not solved."""

    def __init__(self, acceleration: float) -> None:
        super().__init__(
            f"The goal acceleration is {acceleration:.9g}; only goals with acceleration 0 are solved. "
            "Leave it out and let the motion reach the goal velocity with acceleration 0."
        )
        self.acceleration = acceleration


class Infeasible(ProfileError):
    """No motion inside the limits leads from this start to this goal."""

    def __init__(self, reason: str, would_fit: str) -> None:
        super().__init__(f"No motion inside the limits leads there: {reason}. {would_fit}")
        self.reason = reason
        self.would_fit = would_fit


class RunUpTooShort(ProfileError):
    """The way from the start to the point passed is too short for the speed wanted, and a wind-up was not allowed."""

    def __init__(self, distance: float, speed: float, reachable: float, needed: float, backwards: float) -> None:
        super().__init__(
            f"The run-up is {distance:.6g} long and the speed wanted at its end is {speed:.6g}: without a wind-up of "
            f"{backwards:.6g} backwards only {reachable:.6g} is reachable. "
            f"A run-up of {needed:.6g} would fit, or that speed, or wind_up=True."
        )
        self.reachable = reachable
        self.needed = needed


class OutsideTravel(ProfileError):
    """The motion leaves the travel that was given."""

    def __init__(self, part: str, position: float, low: float, high: float) -> None:
        beyond = low - position if position < low else position - high
        super().__init__(
            f"The {part} reaches {position:.6g}, which is {beyond:.6g} outside the travel from {low:.6g} "
            f"to {high:.6g}. "
            "A lower speed, or a start and goal further inside, would fit."
        )
        self.position = position
        self.beyond = beyond
