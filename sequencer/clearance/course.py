"""Where an axis is over spans of time, exactly: the turning points of its profiles are found once."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from math import inf

from profiles import PositionRange, Profile

Moves = Profile | Sequence[tuple[float, Profile]]
"""The motion of one axis: a profile from time 0 on, or the start time [s] and the profile of each move in order."""


class Course:
    """The positions of one axis, as `Profile.position_range` gives them, for many questions.

    Before its first move the axis rests at the start of that, after each at its goal until the next begins. A move that
    begins before the one before it has ended takes over; where it does not start there, the axis is at both places.

    Args:
        moves: what it does.

    Attributes:
        duration: when the last move ends [s].

    Raises:
        ValueError: there is no move.
    """

    __slots__ = ("_highest", "_lowest", "_places", "_profiles", "_starts", "_times", "duration")

    def __init__(self, moves: Moves) -> None:
        chain = [(0.0, moves)] if isinstance(moves, Profile) else list(moves)
        if not chain:
            raise ValueError("a course needs at least one move")
        self._starts = [start for start, _ in chain]
        self._profiles = [profile for _, profile in chain]
        self.duration = chain[-1][0] + chain[-1][1].duration
        self._times: list[float] = []
        self._places: list[float] = []
        for number, (start, profile) in enumerate(chain):
            end = chain[number + 1][0] if number + 1 < len(chain) else inf
            self._note(start, profile.start.position)
            for segment in profile.segments:
                for elapsed in (0.0, *segment.turning_times(0.0, segment.duration)):
                    if start + segment.start_time + elapsed < end:
                        self._note(start + segment.start_time + elapsed, segment.state_after(elapsed).position)
            # at its end, or where the next move takes over
            last = min(start + profile.duration, end)
            self._note(last, profile.at(last - start).position)
        self._lowest, self._highest = min(self._places), max(self._places)

    def at(self, time: float) -> float:
        """The position [m or rad] at a time [s]."""
        number = max(bisect_right(self._starts, time) - 1, 0)
        return self._profiles[number].at(time - self._starts[number]).position

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
        if begin <= self._starts[0] and end >= self.duration:
            return PositionRange(self._lowest, self._highest)
        first, last = bisect_right(self._times, begin), bisect_right(self._times, end)
        inside = self._places[first:last]
        return PositionRange(min(*ends, *inside), max(*ends, *inside))

    def _note(self, time: float, place: float) -> None:
        self._times.append(time)
        self._places.append(place)
