"""A motion of one axis over time: pieces of constant jerk, stored with the state at each node."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Mapping, Sequence
from math import ceil, isfinite
from types import MappingProxyType
from typing import NamedTuple, NoReturn

from profiles.errors import InvalidInput
from profiles.segment import Segment
from profiles.state import State

# start time [s], position, velocity, acceleration, jerk of one piece: what `at` needs and nothing else.
Piece = tuple[float, float, float, float, float]

# A sample this near before the end, relative to the duration, is the end [1].
_SAME_TIME = 1e-12
# So much, relative to the duration, may an end be moved to coincide with another [1].
_NEARLY_THE_SAME_TIME = 1e-9
# A held acceleration this small beside the one before has run out [1]: its rounding, held for days, would be metres.
_RUN_OUT = 1e-12
# A last node this near to the goal, relative to the positions, has gathered little more than its own rounding [1].
_POSITION_ROUNDING = 1e-14

_NO_MARKS: Mapping[str, float] = MappingProxyType({})
_new_state = tuple.__new__


class Extremes(NamedTuple):
    """The lowest and highest position, velocity and acceleration of a whole profile."""

    lowest_position: float
    highest_position: float
    lowest_velocity: float
    highest_velocity: float
    lowest_acceleration: float
    highest_acceleration: float


class PositionRange(NamedTuple):
    """The lowest and the highest position [m or rad] over a span of time."""

    lowest: float
    highest: float


class Profile:
    """The motion of one axis from `start` at time 0 to `goal` at time `duration` [s].

    Before time 0 it is at its start; at the end and for ever after it is at its goal, exactly, also when the goal
    has a velocity. Node states are stored, never accumulated while sampling. A profile does not change once it is
    made.

    Args:
        start: The state at time 0.
        goal: The state at the end and after.
        pieces: (start time [s], position, velocity, acceleration, jerk) of each piece in the order of time.
        duration: The time of the end [s].
        marks: Named instants [s] of the motion, such as "through" of a flick.

    Attributes:
        duration: [s]
        start: State at time 0.
        goal: State at the end.
        marks: Read-only mapping of names to times [s].
    """

    __slots__ = ("_pieces", "_times", "duration", "goal", "marks", "start")

    duration: float
    start: State
    goal: State
    marks: Mapping[str, float]
    _times: list[float]
    _pieces: tuple[Piece, ...]

    def __init__(
        self,
        start: State,
        goal: State,
        pieces: Iterable[Piece],
        duration: float,
        marks: Mapping[str, float] | None = None,
    ) -> None:
        chain = tuple(pieces)
        _put_start(self, start)
        _put_goal(self, goal)
        _put_duration(self, duration)
        _put_marks(self, MappingProxyType(dict(marks)) if marks else _NO_MARKS)
        _put_pieces(self, chain)
        _put_times(self, [piece[0] for piece in chain])

    def at(self, time: float) -> State:
        """The state at `time` [s], from which a new motion may be planned on the way: the committed state.

        Raises:
            InvalidInput: If the time is not a number.
        """
        if 0.0 < time < self.duration:
            begin, position, velocity, acceleration, jerk = self._pieces[bisect_right(self._times, time) - 1]
            elapsed = time - begin
            change = jerk * elapsed
            return _new_state(
                State,
                (
                    position + elapsed * (velocity + elapsed * (acceleration * 0.5 + change * (1.0 / 6.0))),
                    velocity + elapsed * (acceleration + change * 0.5),
                    acceleration + change,
                ),
            )
        if time >= self.duration:
            return self.goal
        if time <= 0.0:
            return self.start
        raise InvalidInput("time", time, "a number")

    @property
    def segments(self) -> tuple[Segment, ...]:
        """The pieces of constant jerk in the order of time."""
        ends = (*self._times, self.duration)[1:]
        return tuple(
            Segment(begin, end - begin, State(position, velocity, acceleration), jerk)
            for (begin, position, velocity, acceleration, jerk), end in zip(self._pieces, ends, strict=True)
        )

    def first_time_at(self, position: float) -> float | None:
        """The first time [s] from 0 to the duration at which the axis is at `position` [m or rad]; None if never."""
        if position == self.start.position:
            return 0.0
        reached = self.start.position
        for segment in self.segments:
            # One piece may end a rounding away from where the next begins, and the last a rounding away from the goal.
            if min(reached, segment.start.position) <= position <= max(reached, segment.start.position):
                return segment.start_time
            elapsed = segment.first_time_at(position)
            if elapsed is not None:
                return min(segment.start_time + elapsed, self.duration)
            reached = segment.end.position
        goal = self.goal.position
        return self.duration if min(reached, goal) <= position <= max(reached, goal) else None

    def extremes(self) -> Extremes:
        """The exact lowest and highest position, velocity and acceleration, start and goal included."""
        ends = (self.start, self.goal)
        positions = [state.position for state in ends]
        velocities = [state.velocity for state in ends]
        accelerations = [state.acceleration for state in ends]
        for segment in self.segments:
            positions += segment.positions_to_compare(0.0, segment.duration)
            velocities += segment.velocities_to_compare()
            accelerations += (segment.start.acceleration, segment.end.acceleration)
        return Extremes(
            min(positions),
            max(positions),
            min(velocities),
            max(velocities),
            min(accelerations),
            max(accelerations),
        )

    def position_range(self, begin: float, end: float) -> PositionRange:
        """The exact lowest and highest position [m or rad] from time `begin` [s] to time `end` [s].

        Raises:
            InvalidInput: If `end` is before `begin` or one is not a number.
        """
        if not begin <= end:
            raise InvalidInput("span of time", (begin, end), "two times in order")
        positions = [self.at(begin).position, self.at(end).position]
        for segment in self.segments:
            earliest = max(begin - segment.start_time, 0.0)
            latest = min(end - segment.start_time, segment.duration)
            if earliest < latest:
                positions += segment.positions_to_compare(earliest, latest)
        return PositionRange(min(positions), max(positions))

    def delayed(self, delay: float) -> Profile:
        """The same motion begun `delay` [s] later, at rest until then; marks move with it.

        Raises:
            InvalidInput: If the delay is negative or not finite, or the start is not at rest (waiting would be a jump).
        """
        if not (delay >= 0.0 and isfinite(delay)):
            raise InvalidInput("delay", delay, "0 s or more")
        if delay == 0.0:
            return self
        if self.start.velocity != 0.0 or self.start.acceleration != 0.0:
            raise InvalidInput("start of a motion to be delayed", self.start, "at rest")
        waiting = (0.0, self.start.position, 0.0, 0.0, 0.0)
        moved = [(begin + delay, p, v, a, j) for begin, p, v, a, j in self._pieces]
        marks = {name: time + delay for name, time in self.marks.items()}
        return Profile(self.start, self.goal, [waiting, *moved], self.duration + delay, marks)

    def lasting(self, duration: float) -> Profile:
        """The same motion with an end that is a rounding earlier or later, so that several profiles end at one instant.

        Args:
            duration: The new duration [s], within 1e-9 of the old one relative to it.

        Raises:
            InvalidInput: If it differs by more.
        """
        if not abs(duration - self.duration) <= _NEARLY_THE_SAME_TIME * self.duration:
            raise InvalidInput("new duration", duration, f"within a rounding of {self.duration!r} s")
        return Profile(self.start, self.goal, self._pieces, duration, self.marks)

    def followed_by(self, after: Profile, mark: str | None = None) -> Profile:
        """This motion and then another that starts where this one ends; the marks of both are kept.

        Args:
            after: The motion that follows.
            mark: If given, the name of a mark at the instant between the two.

        Raises:
            InvalidInput: If `after` does not start at the goal of this one.
        """
        if after.start != self.goal:
            raise InvalidInput("start of the motion that follows", after.start, f"the goal of the first, {self.goal}")
        shift = self.duration
        pieces = [*self._pieces, *((begin + shift, p, v, a, j) for begin, p, v, a, j in after._pieces)]
        marks = {**self.marks, **{name: time + shift for name, time in after.marks.items()}}
        if mark is not None:
            marks[mark] = shift
        return Profile(self.start, after.goal, pieces, shift + after.duration, marks)

    def up_to(self, time: float) -> Profile:
        """The same motion broken off at `time` [s], in the state that it has then; marks to come are left out.

        Raises:
            InvalidInput: If the time is not a number.
        """
        if time >= self.duration:
            return self
        end = self.at(time)
        if time <= 0.0:
            return Profile(self.start, self.start, (), 0.0)
        kept = [piece for piece in self._pieces if piece[0] < time]
        marks = {name: instant for name, instant in self.marks.items() if instant <= time}
        return Profile(self.start, end, kept, time, marks)

    def to_data(self) -> list[float | str]:
        """The profile as a flat list: duration, start, goal, count of pieces, the pieces, name and time of each mark.

        All numbers are floats that survive `repr` and JSON exactly; without marks there are numbers only.
        """
        data: list[float | str] = [self.duration, *self.start, *self.goal, len(self._pieces)]
        for piece in self._pieces:
            data += piece
        for name, time in self.marks.items():
            data += (name, time)
        return data

    @classmethod
    def from_data(cls, data: Sequence[float | str]) -> Profile:
        """The profile that `to_data` was called on, exactly.

        Raises:
            InvalidInput: If the list is not of that form.
        """
        try:
            numbers = [float(value) for value in data[:8]]
            count = int(numbers[7])
            end = 8 + 5 * count
            body = [float(value) for value in data[8:end]]
            tail = data[end:]
            if len(body) != 5 * count or len(tail) % 2 or count < 0:
                raise ValueError
            pieces: list[Piece] = [
                (body[k], body[k + 1], body[k + 2], body[k + 3], body[k + 4]) for k in range(0, 5 * count, 5)
            ]
            marks = {str(tail[k]): float(tail[k + 1]) for k in range(0, len(tail), 2)}
            return cls(State(*numbers[1:4]), State(*numbers[4:7]), pieces, numbers[0], marks)
        except (ValueError, TypeError, IndexError):
            raise InvalidInput("data of a profile", list(data)[:8], "what Profile.to_data gives") from None

    def sample_times(self, period: float) -> list[float]:
        """The times 0, period, 2 period, ... [s] and, as the last and only once, the duration: strictly increasing.

        Args:
            period: The distance of two samples [s]; the last may be shorter.

        Raises:
            InvalidInput: If the period is not finite or not above 0.
        """
        if not (period > 0.0 and isfinite(period)):
            raise InvalidInput("period", period, "a finite number above 0")
        whole = ceil(self.duration / period * (1.0 - _SAME_TIME))
        return [*(k * period for k in range(whole)), self.duration]

    def describe(self) -> str:
        """Several lines for a person: the ends, the highest values, and each piece with its duration and jerk."""
        found = self.extremes()
        lines = [
            f"{self.duration:.6g} s from {_words(self.start)} to {_words(self.goal)}",
            f"position {found.lowest_position:.6g} to {found.highest_position:.6g}, "
            f"velocity {found.lowest_velocity:.6g} to {found.highest_velocity:.6g}, "
            f"acceleration {found.lowest_acceleration:.6g} to {found.highest_acceleration:.6g}",
        ]
        lines += [f"{name} at {time:.6g} s" for name, time in self.marks.items()]
        lines += [
            f"at {part.start_time:.6g} s for {part.duration:.6g} s: from {_words(part.start)}, jerk {part.jerk:.6g}"
            for part in self.segments
        ]
        return "\n".join(lines)

    def __repr__(self) -> str:
        return (
            f"<Profile {self.duration:.6g} s, {self.start.position:.6g} to {self.goal.position:.6g}, "
            f"{len(self._pieces)} pieces>"
        )

    def _repr_svg_(self) -> str:
        """How a notebook shows it."""
        from profiles.picture import picture

        return picture(self)

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Profile):
            return NotImplemented
        return self.to_data() == other.to_data()

    def __hash__(self) -> int:
        return hash((self.duration, self._pieces, self.goal))

    def __setattr__(self, name: str, value: object) -> NoReturn:
        raise AttributeError(f"A Profile does not change once it is made; {name} cannot be set.")

    def __reduce__(self) -> tuple[object, ...]:
        return Profile.from_data, (self.to_data(),)


# The setters of the slots: the only way round the refusal of __setattr__, and half as long as object.__setattr__.
_put_start, _put_goal, _put_duration, _put_marks, _put_pieces, _put_times = (
    vars(Profile)[name].__set__ for name in ("start", "goal", "duration", "marks", "_pieces", "_times")
)
_new_profile = object.__new__


def profile_of_jerks(start: State, goal: State, phases: Iterable[tuple[float, float]]) -> Profile:
    """A profile from (duration [s], jerk) phases with continuous acceleration; phases of no duration are left out.

    The rounding that the positions gather on a long way is put into the longest piece, so that a state near the goal
    is as exact, seen from the goal, as one near the start is seen from there.
    """
    position, velocity, acceleration = start
    time = 0.0
    times: list[float] = []
    pieces: list[Piece] = []
    for duration, jerk in phases:
        if duration > 0.0:
            times.append(time)
            if jerk:
                pieces.append((time, position, velocity, acceleration, jerk))
                change = jerk * duration
                position += duration * (velocity + duration * (acceleration * 0.5 + change * (1.0 / 6.0)))
                velocity += duration * (acceleration + change * 0.5)
                acceleration += change
            else:
                if pieces and abs(acceleration) <= _RUN_OUT * abs(pieces[-1][3]):
                    acceleration = 0.0
                pieces.append((time, position, velocity, acceleration, 0.0))
                position += duration * (velocity + duration * acceleration * 0.5)
                velocity += duration * acceleration
            time += duration
    gathered = goal[0] - position
    if abs(gathered) > _POSITION_ROUNDING * (abs(start[0]) + abs(goal[0])) and pieces:
        pieces = _counted_back(pieces, time, gathered)
    # Past __init__, which would go through the pieces once more.
    profile = _new_profile(Profile)
    _put_start(profile, start)
    _put_goal(profile, goal)
    _put_duration(profile, time)
    _put_marks(profile, _NO_MARKS)
    _put_pieces(profile, tuple(pieces))
    _put_times(profile, times)
    return profile


def profile_of_accelerations(start: State, goal: State, phases: Iterable[tuple[float, float]]) -> Profile:
    """A profile from (duration [s], acceleration) phases; the acceleration jumps between them."""
    position, velocity, _ = start
    time = 0.0
    pieces: list[Piece] = []
    for duration, acceleration in phases:
        if duration > 0.0:
            pieces.append((time, position, velocity, acceleration, 0.0))
            position += duration * (velocity + duration * acceleration * 0.5)
            velocity += duration * acceleration
            time += duration
    return Profile(start, goal, pieces, time)


def _counted_back(pieces: list[Piece], duration: float, gathered: float) -> list[Piece]:
    """The pieces with the longest a trace faster or slower, and those after it moved by what has been gathered."""
    ends = [*(piece[0] for piece in pieces[1:]), duration]
    lengths = [end - piece[0] for piece, end in zip(pieces, ends, strict=True)]
    longest = lengths.index(max(lengths))
    begin, position, velocity, acceleration, jerk = pieces[longest]
    tilted = (begin, position, velocity + gathered / lengths[longest], acceleration, jerk)
    moved = [(time, p + gathered, v, a, j) for time, p, v, a, j in pieces[longest + 1 :]]
    return [*pieces[:longest], tilted, *moved]


def _words(state: State) -> str:
    text = f"{state.position:.6g}"
    if state.velocity or state.acceleration:
        text += f" at velocity {state.velocity:.6g}"
    if state.acceleration:
        text += f" and acceleration {state.acceleration:.6g}"
    return text
