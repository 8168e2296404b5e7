"""What motors can do with an axis, speed by speed and place by place."""

from __future__ import annotations

from dataclasses import dataclass, fields
from math import cos, inf, isfinite

from profiles.errors import InvalidInput
from profiles.limits import Limits


@dataclass(frozen=True, slots=True)
class Envelope:
    """The accelerations that an axis' motors can give it, from their torque-speed line, current limits and load.

    With s the sense of motion, F the motors' force and everything at the axis:

        inertia a = F - s (coulomb + loss |F|) - viscous v - constant - cosine cos(x + angle)
        max(-most_force, -stall_force - drag v) <= F <= min(most_force, stall_force - drag v)

    Args:
        inertia: All that moves with the axis, rotors included [kg or kg m2].
        stall_force: Of all motors at rest, at the voltage that is planned with [N or N m].
        drag: How fast that falls with speed [N s/m or N m s/rad]: force times back-EMF constant over resistance.
        most_force: What the current limits allow [N or N m].
        coulomb: Dry friction, that of the motors included [N or N m].
        viscous: Friction per speed [N s/m or N m s/rad].
        loss: Share of the force that the gear takes, one less efficiency [1].
        constant: Force that holds the axis: weight less counterbalance [N or N m].
        cosine: Part of it that goes with the position of a rotary axis [N m].
        angle: Added to the position before the cosine [rad].
        limits: What the axis may do whatever its motors can; its jerk does not count. None: no more than they can.

    Raises:
        InvalidInput: If a number is not finite or has a sign that it cannot have.
    """

    inertia: float
    stall_force: float
    drag: float
    most_force: float = inf
    coulomb: float = 0.0
    viscous: float = 0.0
    loss: float = 0.0
    constant: float = 0.0
    cosine: float = 0.0
    angle: float = 0.0
    limits: Limits | None = None

    def __post_init__(self) -> None:
        for one in fields(self):
            value = getattr(self, one.name)
            if one.name == "limits":
                continue
            if not (isfinite(value) or (one.name == "most_force" and value == inf)):
                raise InvalidInput(one.name, value, "a finite number")
            if one.name in ("inertia", "stall_force", "most_force") and not value > 0.0:
                raise InvalidInput(one.name, value, "greater than 0")
            if one.name in ("drag", "coulomb", "viscous") and value < 0.0:
                raise InvalidInput(one.name, value, "at least 0")
        if not 0.0 <= self.loss < 1.0:
            raise InvalidInput("loss", self.loss, "at least 0 and below 1")

    def accelerations(self, position: float, velocity: float, sense: float) -> tuple[float, float]:
        """The least and the greatest acceleration [m/s^2 or rad/s^2] in motion of a sense, limits included.

        Args:
            position: [m or rad].
            velocity: [m/s or rad/s].
            sense: 1 for motion upwards, -1 for motion downwards [1].
        """
        opposing = self.drag * velocity
        most = min(self.most_force, self.stall_force - opposing)
        least = max(-self.most_force, -self.stall_force - opposing)
        load = sense * self.coulomb + self.viscous * velocity + self.constant
        if self.cosine:
            load += self.cosine * cos(position + self.angle)
        taken = sense * self.loss
        low = (least - taken * abs(least) - load) / self.inertia
        high = (most - taken * abs(most) - load) / self.inertia
        if self.limits is not None:
            lowest, highest = self.limits.acceleration
            low, high = max(low, lowest), min(high, highest)
        return low, high

    def fastest(self, sense: float) -> float:
        """The greatest speed [m/s or rad/s] in a sense that the limits allow; infinite without limits."""
        if self.limits is None:
            return inf
        lowest, highest = self.limits.velocity
        return highest if sense > 0.0 else -lowest

    def scaled(self, limits: Limits) -> Envelope:
        """The same motors under other limits."""
        values = {one.name: getattr(self, one.name) for one in fields(self)}
        return Envelope(**{**values, "limits": limits})
