"""Backlash: motors and axis are two bodies, and each may move through the play without the other.

While they touch they move as one. They part when the motors would have to pull; what then runs through the play arrives
at the other side and sticks there (an impact that gives nothing back).
"""

from __future__ import annotations


class Play:
    """The play of one axis.

    Attributes:
        width: of the play, at the axis [m or rad].
        side: 1 where the motors push in the positive sense, -1 in the negative, 0 between.
        gap: position of the motors less that of the axis, from -width / 2 to width / 2 [m or rad].
        speed: of the motors, at the axis [m/s or rad/s].
        force, damping, resist: what drives the motors now, how that falls with speed, and their dry friction [SI].
        inertia: of the motors, at the axis [kg or kg m2].
    """

    __slots__ = ("_zero", "damping", "force", "gap", "inertia", "resist", "side", "speed", "width")

    def __init__(self, width: float) -> None:
        self.width = width
        self.force = self.damping = self.resist = self.inertia = self.speed = 0.0
        self.side = 1
        self.gap = self._zero = 0.5 * width

    def lean(self, side: int) -> None:
        """Begin with the motors pushing to a side; encoders at the motors are right there."""
        self.side = side
        self.gap = self._zero = 0.5 * side * self.width

    @property
    def ahead(self) -> float:
        """By how much an encoder at the motors reads too far [m or rad]."""
        return self.gap - self._zero

    def parts(self, speed: float, acceleration: float, duration: float) -> bool:
        """Whether motors and axis, which moved as one at these [SI], do not touch any longer."""
        passed = self.force - (self.inertia + 0.5 * duration * self.damping) * acceleration
        slack = self.resist
        if speed != 0.0:
            passed -= self.resist if speed > 0.0 else -self.resist
            slack = 0.0
        self.speed = speed
        if self.side * passed >= -slack:
            return False
        self.side = 0
        return True

    def run(self, moved: float, duration: float) -> bool:
        """Let the motors run alone while the axis `moved` [m or rad]; whether they arrived at a side."""
        old = self.speed
        inertia = self.inertia + 0.5 * duration * self.damping
        momentum = inertia * old + duration * self.force
        most = duration * self.resist
        momentum = momentum - most if momentum > most else momentum + most if momentum < -most else 0.0
        self.speed = momentum / inertia
        self.gap += 0.5 * duration * (old + self.speed) - moved
        half = 0.5 * self.width
        if -half < self.gap < half:
            return False
        self.side = 1 if self.gap > 0.0 else -1
        self.gap = self.side * half
        return True

    def impact(self, speed: float, compliance: float) -> float:
        """Impulse [N s or N m s] on the axis, of this `speed` and so much speed per impulse, that makes both one."""
        if self.inertia == 0.0:
            return 0.0
        return (self.speed - speed) / (1.0 / self.inertia + compliance)
