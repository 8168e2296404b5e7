"""How far one axis can get in a given time, and the shortest time in which it gets as far as wanted.

For one duration the motions inside the limits that end at the goal velocity form a convex set, and the distance is
linear in the motion: the distances that can be had are an interval, and its ends are the furthest motion in the one
direction and the furthest in the other. A `Reach` is one of the two directions, mirrored so that further is positive.

The furthest motion of a duration is a lobe of acceleration up and one down, the larger the longer it lasts, and at
the velocity limit a cruise between them. With w the velocity between the lobes and z and m their heights, each
clipped to its limit, the furthest distance D grows with the duration T like

    dD/dT = w + z m / (2 J),

from the derivative of the two sums of profiles.scurve by w. Where that is negative, waiting longer gets an axis less
far: so come the durations that it cannot take.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass
from math import inf, sqrt

from profiles.roots import root_between
from profiles.scurve import first_maximum, lobe_phases, step_down
from profiles.stopping import Phase

# A distance missing that is this small beside the longest way of a duration is rounding [1].
_RELATIVE = 1e-12


@dataclass(frozen=True, slots=True)
class Reach(ABC):
    """The furthest motions of one axis in one direction, one for each duration and highest velocity.

    Attributes:
        velocity: At the start [m/s or rad/s], as all that follows in the direction that counts as positive.
        goal_velocity: At the end [m/s or rad/s].
        fastest: The velocity limit [m/s or rad/s].
        up: The most that the velocity may rise by in a second [m/s^2 or rad/s^2].
        down: The most that it may fall by, positive [m/s^2 or rad/s^2].
    """

    velocity: float
    goal_velocity: float
    fastest: float
    up: float
    down: float

    def furthest(self, duration: float, highest: float) -> list[Phase]:
        """The phases that get furthest in the duration with the velocity kept to `highest` [m/s or rad/s]."""
        largest = self._largest(highest)
        longest = self._duration(largest)
        if duration >= longest:
            return self._phases(largest, duration - longest)
        return self._phases(self._size_lasting(duration), 0.0)

    def earliest(self, duration: float, distance: float) -> float:
        """The shortest duration [s] not below the one given in which the distance is reached; infinite if never."""
        missing = distance - self.travel(self.furthest(duration, self.fastest))
        if missing <= _RELATIVE * (abs(distance) + (abs(self.velocity) + abs(self.fastest)) * duration):
            return duration
        largest = self._largest(self.fastest)
        longest = self._duration(largest)
        if duration < longest:
            size = self._size_reaching(distance, self._size_lasting(duration), largest)
            if size is not None:
                return self._duration(size)
            duration, missing = longest, distance - self._distance(largest)
        return duration + missing / self.fastest if self.fastest > 0.0 else inf

    @abstractmethod
    def travel(self, phases: list[Phase]) -> float:
        """How far phases lead from the start [m or rad]."""

    @abstractmethod
    def _phases(self, size: float, cruise: float) -> list[Phase]:
        """The motion with lobes of this size and a cruise [s] between them."""

    @abstractmethod
    def _smallest(self) -> float:
        """The size of the lobes of the direct step to the goal velocity."""

    @abstractmethod
    def _largest(self, highest: float) -> float:
        """The size of the lobes that reach this velocity."""

    @abstractmethod
    def _first_top(self) -> float | None:
        """The size at which the distance stops growing for the first time, if it starts growing at all."""

    def _size_lasting(self, duration: float) -> float:
        first, last = self._smallest(), self._largest(self.fastest)
        if duration <= self._duration(first):
            return first
        return root_between(lambda size: self._duration(size) - duration, first, last)

    def _size_reaching(self, distance: float, smallest: float, largest: float) -> float | None:
        """The smallest size above `smallest`, which does not reach the distance, that does; None if there is none."""
        # The distance may rise, fall and rise again with the size.
        top = self._first_top()
        if top is not None and smallest < top:
            if self._distance(top) < distance:
                smallest = top
            else:
                largest = top
        if self._distance(largest) < distance:
            return None
        return root_between(lambda size: self._distance(size) - distance, smallest, largest)

    def _duration(self, size: float) -> float:
        return sum([duration for duration, _ in self._phases(size, 0.0)])

    def _distance(self, size: float) -> float:
        return self.travel(self._phases(size, 0.0))


class RampReach(Reach):
    """Without a jerk limit; the size is the highest velocity."""

    __slots__ = ()

    def travel(self, phases: list[Phase]) -> float:
        position, velocity = 0.0, self.velocity
        for duration, acceleration in phases:
            position += duration * (velocity + 0.5 * acceleration * duration)
            velocity += acceleration * duration
        return position

    def _phases(self, size: float, cruise: float) -> list[Phase]:
        rise, fall = (size - self.velocity) / self.up, (size - self.goal_velocity) / self.down
        return [(rise, self.up), (cruise, 0.0), (fall, -self.down)]

    def _smallest(self) -> float:
        return max(self.velocity, self.goal_velocity)

    def _largest(self, highest: float) -> float:
        return max(highest, self._smallest())

    def _first_top(self) -> None:
        return None


@dataclass(frozen=True, slots=True)
class CurveReach(Reach):
    """With a jerk limit; the heights z and m of the lobes are those of profiles.scurve.

    The size is m where the velocity rises on the whole, z where it falls: no cancellation either way. Where the
    start is bound to pass the velocity limit, it is -z, the deceleration at which the descent to the limit is left.

    Attributes:
        acceleration: At the start, -down <= acceleration <= up [m/s^2 or rad/s^2].
        jerk: The jerk limit [m/s^3 or rad/s^3].
    """

    acceleration: float
    jerk: float

    def travel(self, phases: list[Phase]) -> float:
        position, velocity, acceleration = 0.0, self.velocity, self.acceleration
        for duration, jerk in phases:
            position += duration * (velocity + duration * (0.5 * acceleration + duration * jerk * (1.0 / 6.0)))
            velocity += duration * (acceleration + 0.5 * duration * jerk)
            acceleration += duration * jerk
        return position

    def _phases(self, size: float, cruise: float) -> list[Phase]:
        if self._joins:
            return self._leaving_the_descent(-size, cruise)
        rise = self._rise
        if rise >= 0.0:
            peak, depth = max(sqrt(size * size + rise), self.acceleration), size
        else:
            peak, depth = size, sqrt(size * size - rise)
        return lobe_phases(self.acceleration, peak, depth, cruise * self.jerk, self.up, self.down, self.jerk, 1.0)

    def _leaving_the_descent(self, kept: float, cruise: float) -> list[Phase]:
        """Bound to pass the limit: down to it, and from the deceleration `kept` on to the goal velocity."""
        joined, reach = self._descent
        jerk = self.jerk
        hold = (joined * joined - reach * reach) / (reach * jerk) if joined > reach else 0.0
        deepest = sqrt(max(kept * kept + (self.fastest - self.goal_velocity) * jerk, 0.0))
        descent = [((self.acceleration + reach) / jerk, -jerk), (hold, 0.0), ((reach - kept) / jerk, jerk)]
        return [*descent, (cruise, 0.0), *step_down(kept, deepest, self.down, jerk, jerk)]

    def _smallest(self) -> float:
        if self._joins:
            return -self._descent[1]
        if self._rise < 0.0:
            return self.acceleration
        if self.acceleration <= 0.0:
            return 0.0
        return sqrt(max(self._coasting - self.goal_velocity * self.jerk, 0.0))

    def _largest(self, highest: float) -> float:
        if self._joins:
            return 0.0
        from_rest = self.goal_velocity * self.jerk if self._rise >= 0.0 else self._from_rest
        return max(sqrt(max(highest * self.jerk - from_rest, 0.0)), self._smallest())

    def _first_top(self) -> float | None:
        u1 = self.goal_velocity * self.jerk
        if u1 >= 0.0:
            return None
        if self._joins:
            return first_maximum(-self._descent[1], self.fastest * self.jerk - u1, u1, self.down)
        if self.acceleration >= 0.0 or self._rise >= 0.0:
            return None
        return first_maximum(self.acceleration, -self._rise, u1, self.down)

    @property
    def _from_rest(self) -> float:
        """The velocity, times J, from which the first lobe would have started without acceleration."""
        return self.velocity * self.jerk - 0.5 * self.acceleration * self.acceleration

    @property
    def _rise(self) -> float:
        """z^2 - m^2."""
        return self.goal_velocity * self.jerk - self._from_rest

    @property
    def _coasting(self) -> float:
        """Where the velocity, times J, gets if the acceleration is only run out."""
        return self.velocity * self.jerk + 0.5 * self.acceleration * abs(self.acceleration)

    @property
    def _joins(self) -> bool:
        return self._coasting > self.fastest * self.jerk * (1.0 + _RELATIVE)

    @property
    def _descent(self) -> tuple[float, float]:
        """The virtual depth of the descent to the velocity limit, and the same clipped."""
        half = 0.5 * self.acceleration * self.acceleration
        joined = sqrt(max((self.velocity - self.fastest) * self.jerk + half, 0.0))
        return joined, min(joined, self.down)
