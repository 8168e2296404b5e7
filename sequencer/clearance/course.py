"""Where an axis is over spans of time, exactly: the turning points of its profile are found once."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence

from profiles import PositionRange, Profile


class Course:
    """The positions of one axis that follows a profile, as `Profile.position_range` gives them, for many questions.

    Args:
        profile: the motion; before its start the axis rests there, after its end at the goal.

    Attributes:
        duration: of the profile [s].
    """

    __slots__ = ("_at", "_highest", "_lowest", "_times", "_turns", "duration")

    def __init__(self, profile: Profile) -> None:
        self.duration = profile.duration
        self._at = profile.at
        self._times: list[float] = []
        self._turns: list[float] = []
        for segment in profile.segments:
            edges = [0.0, *segment.turning_times(0.0, segment.duration)]
            self._times += [segment.start_time + elapsed for elapsed in edges]
            self._turns += [segment.state_after(elapsed).position for elapsed in edges]
        everything = [*self._turns, profile.start.position, profile.goal.position]
        self._lowest, self._highest = min(everything), max(everything)

    def at(self, time: float) -> float:
        """The position [m or rad] at a time [s]."""
        return self._at(time).position

    def between(self, begin: float, end: float) -> PositionRange:
        """The exact lowest and highest position [m or rad] from one time to a later one [s]."""
        return self.range_with(begin, end, (self.at(begin), self.at(end)))

    def range_with(self, begin: float, end: float, ends: Sequence[float]) -> PositionRange:
        """The same where the positions at both ends are known.

        Args:
            begin: [s]
            end: [s], not before begin.
            ends: the positions at these [m or rad].
        """
        if begin <= 0.0 and end >= self.duration:
            return PositionRange(self._lowest, self._highest)
        first, last = bisect_right(self._times, begin), bisect_right(self._times, end)
        inside = self._turns[first:last]
        return PositionRange(min(*ends, *inside), max(*ends, *inside))
