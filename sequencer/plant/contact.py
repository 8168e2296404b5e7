"""What stands outside and is pressed: a stiff spring along one axis, one-sided."""

from __future__ import annotations

from dataclasses import dataclass
from math import inf, isfinite

from sequencer.errors import ModelError, did_you_mean
from sequencer.machine.machine import NANOSECONDS, Machine

STIFFNESS = {"linear": 20_000.0, "rotary": 2_000.0}
"""Of an outside body, where none is given [N/m or N m/rad] (an invented order of magnitude)."""


@dataclass(frozen=True, slots=True)
class Contact:
    """An outside body that the hand or a piece meets when its axis comes to `at` [m or rad].

    Attributes:
        axis: along which it is pressed.
        at: where it is met.
        toward: 1 where motion in the positive sense presses, -1 in the negative.
        stiffness: how it pushes back [N/m or N m/rad]; None: `STIFFNESS`.
        damping: how it brakes while it is pressed [N s/m or N m s/rad].
        since, until: it stands there from one time to the other [s], to the tick.
    """

    axis: str
    at: float
    toward: int
    stiffness: float | None = None
    damping: float = 0.0
    since: float = 0.0
    until: float = inf

    def stands(self, now: int) -> bool:
        """Whether it is there at `now` [ns]."""
        return round(self.since * NANOSECONDS) <= now and now / NANOSECONDS < self.until


class Pressed:
    """A contact as its axis feels it.

    The spring is solved implicitly, so that stiff ones do not shake: it pushes with what it will be compressed by at
    the end of the step.
    """

    __slots__ = ("at", "damping", "stiffness", "toward")

    def __init__(self, contact: Contact, kind: str) -> None:
        self.at = contact.at
        self.toward = float(contact.toward)
        self.stiffness = STIFFNESS[kind] if contact.stiffness is None else contact.stiffness
        self.damping = contact.damping

    def push(self, position: float, speed: float, duration: float) -> tuple[float, float]:
        """Force on the axis and how fast it falls with speed [SI]; both 0 where it is not touched."""
        closing = self.toward * speed
        depth = self.toward * (position - self.at)
        if depth + duration * closing <= 0.0:
            return 0.0, 0.0
        slope = self.damping + duration * self.stiffness
        force = self.stiffness * depth + slope * closing
        if force <= 0.0:
            return 0.0, 0.0
        return -self.toward * force, 2.0 * slope


def check_contacts(machine: Machine, contacts: tuple[Contact, ...]) -> None:
    """See that contacts are with axes that can feel them.

    Raises:
        ModelError: an unknown axis, one without motors or load, a spin, or a number out of its range.
    """
    for contact in contacts:
        axis = machine.axes.get(contact.axis)
        if axis is None:
            raise ModelError(f"contact: unknown axis '{contact.axis}'; {did_you_mean(contact.axis, machine.axes)}")
        if axis.kind == "spin" or axis.load is None or not axis.actuators:
            raise ModelError(f"contact: '{contact.axis}' is a spin or declares no motors or load; it feels no contact")
        if contact.toward not in (1, -1):
            raise ModelError(f"contact: toward is {contact.toward}; it must be 1 or -1")
        stiffness = contact.stiffness
        if stiffness is not None and not (stiffness > 0.0 and isfinite(stiffness)):
            raise ModelError(f"contact: the stiffness is {stiffness:g}; it must be greater than 0 and finite")
        if not contact.damping >= 0.0:
            raise ModelError(f"contact: the damping is {contact.damping:g}; it cannot be negative")
