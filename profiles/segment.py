"""A piece of motion with constant jerk, and the exact questions one can put to it."""

from __future__ import annotations

from typing import NamedTuple

from profiles.roots import first_cubic_root, quadratic_roots
from profiles.state import State


class Segment(NamedTuple):
    """Motion with constant jerk from `start_time` [s] on for `duration` [s].

    p(s) = p0 + v0 s + a0 s^2/2 + j s^3/6 with s the time since `start_time`; `jerk` in [m/s^3 or rad/s^3].

    >>> Segment(0.0, 2.0, State(0.0, 1.0), 0.0).end
    State(position=2.0, velocity=1.0, acceleration=0.0)
    """

    start_time: float
    duration: float
    start: State
    jerk: float

    @property
    def end(self) -> State:
        """The state after the duration."""
        return self.state_after(self.duration)

    def state_after(self, elapsed: float) -> State:
        """The state `elapsed` [s] after the start of this piece, 0 <= elapsed <= duration."""
        position, velocity, acceleration = self.start
        change = self.jerk * elapsed
        return State(
            position + elapsed * (velocity + elapsed * (acceleration * 0.5 + change * (1.0 / 6.0))),
            velocity + elapsed * (acceleration + change * 0.5),
            acceleration + change,
        )

    def turning_times(self, earliest: float, latest: float) -> list[float]:
        """The times [s] since the start, strictly between `earliest` and `latest`, at which the velocity is zero."""
        _, velocity, acceleration = self.start
        return [t for t in quadratic_roots(0.5 * self.jerk, acceleration, velocity) if earliest < t < latest]

    def positions_to_compare(self, earliest: float, latest: float) -> list[float]:
        """Positions [m or rad], the lowest and highest from `earliest` to `latest` [s] since the start among them."""
        times = [earliest, *self.turning_times(earliest, latest), latest]
        return [self.state_after(t).position for t in times]

    def velocities_to_compare(self) -> list[float]:
        """Velocities [m/s or rad/s] whose lowest and highest are those of the piece."""
        found = [self.start.velocity, self.end.velocity]
        if self.jerk != 0.0:
            at_zero_acceleration = -self.start.acceleration / self.jerk
            if 0.0 < at_zero_acceleration < self.duration:
                found.append(self.state_after(at_zero_acceleration).velocity)
        return found

    def first_time_at(self, position: float) -> float | None:
        """The first time since the start of this piece [s] at which it is at `position` [m or rad], or None."""
        p, v, a = self.start
        if p == position:
            return 0.0
        edges = [0.0, *self.turning_times(0.0, self.duration), self.duration]
        return first_cubic_root(self.jerk / 6.0, 0.5 * a, v, p - position, edges)
