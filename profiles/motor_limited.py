"""The fastest motion that motors can follow: their acceleration falls with speed and changes with the load on the way.

In the plane of position and z = v^2/2 an acceleration is a slope. From the start the steepest rise is followed, from
the goal, backwards, the steepest fall, and the lower of both (and of the greatest speed) is the motion (J. E. Bobrow,
S. Dubowsky, J. S. Gibson, Time-Optimal Control of Robotic Manipulators Along Specified Paths, 1985, on one axis).
"""

from __future__ import annotations

from itertools import pairwise
from math import inf, sqrt

from profiles.envelope import Envelope
from profiles.errors import GoalOutsideLimits, Infeasible
from profiles.profile import Profile, profile_of_accelerations
from profiles.state import State, checked_state

NODES = 160
"""Pieces of constant acceleration from start to goal [1]."""
SLOWER = 0.01
"""So much longer than the optimum, at most, a motion lasts for being made of pieces [1]."""


def motor_limited(start: State | float, goal: State | float, envelope: Envelope) -> Profile:
    """The fastest motion to rest at the goal that motors can follow, as pieces of constant acceleration.

    At both ends and in the middle of each piece its acceleration is one that the motors can give; for that it lasts up
    to `SLOWER` longer than the optimum. A start that moves away from the goal, or too fast to stop before it, is
    brought to rest first. The acceleration at the start is ignored.

    Args:
        start: State, or the position [m or rad] at rest.
        goal: The position [m or rad], or a State at rest.
        envelope: What the motors can do.

    Raises:
        InvalidInput: If a number is not finite.
        GoalOutsideLimits: If the goal is not at rest.
        Infeasible: If the motors cannot move the axis somewhere on the way, or cannot stop it.

    >>> round(motor_limited(0.0, 1.0, Envelope(inertia=1.0, stall_force=4.0, drag=0.0)).duration, 3)
    1.0
    """
    begin, end = checked_state(start, "start"), checked_state(goal, "goal")
    if end.velocity != 0.0 or end.acceleration != 0.0:
        raise GoalOutsideLimits(end.velocity, 0.0, 0.0, "a motor-limited motion ends at rest")
    phases: list[tuple[float, float]] = []
    position, velocity = begin.position, begin.velocity
    if velocity != 0.0 and not _leads_on(position, velocity, end.position, envelope):
        position = _brake(position, velocity, envelope, phases)
        velocity = 0.0
    if position != end.position:
        phases += _way(position, abs(velocity), end.position, envelope)
    return profile_of_accelerations(begin, end, phases)


def _leads_on(position: float, velocity: float, goal: float, envelope: Envelope) -> bool:
    """Whether a moving start needs no stop before the goal."""
    sense = 1.0 if velocity > 0.0 else -1.0
    if sense * (goal - position) <= 0.0 or abs(velocity) > envelope.fastest(sense):
        return False
    return 0.5 * velocity * velocity <= _falls(_places(position, goal), envelope, sense)[0]


def _brake(position: float, velocity: float, envelope: Envelope, phases: list[tuple[float, float]]) -> float:
    """Add the phases of a stop to `phases`; where it ends [m or rad]."""
    sense = 1.0 if velocity > 0.0 else -1.0
    speeds = [abs(velocity) * (1.0 - step / 20.0) for step in range(21)]
    for fast, slow in pairwise(speeds):
        found = [_braking(position, speed, envelope, sense) for speed in (fast, 0.5 * (fast + slow), slow)]
        rate = min(found)
        if rate <= 0.0:
            raise _cannot("stop", position, envelope, sense)
        duration = (fast - slow) / rate
        phases.append((duration, -sense * rate))
        position += sense * 0.5 * (fast + slow) * duration
    return position


def _way(start: float, speed: float, goal: float, envelope: Envelope) -> list[tuple[float, float]]:
    """The phases from a start, at a speed towards the goal, to rest at the goal."""
    sense = 1.0 if goal > start else -1.0
    places = _places(start, goal)
    falls = _falls(places, envelope, sense)
    top = envelope.fastest(sense)
    most = 0.5 * top * top
    energy = 0.5 * speed * speed
    phases: list[tuple[float, float]] = []
    for (place, after), ceiling in zip(pairwise(places), falls[1:], strict=True):
        step = abs(after - place)
        reached = min(_rise(place, after, energy, step, envelope, sense), ceiling, most)
        if reached < 0.0 or (reached == 0.0 and after != goal):
            raise _cannot("move", after, envelope, sense)
        mean = 0.5 * (sqrt(2.0 * energy) + sqrt(2.0 * reached))
        phases.append((step / mean, sense * (reached - energy) / step))
        energy = reached
    return phases


def _places(start: float, goal: float) -> list[float]:
    """Nodes that lie closer together at both ends, so that they are passed at about equal times."""
    shares = [(step / NODES) ** 2 * (3.0 - 2.0 * step / NODES) for step in range(NODES)]
    return [start + (goal - start) * share for share in shares] + [goal]


def _rise(place: float, after: float, energy: float, step: float, envelope: Envelope, sense: float) -> float:
    """The greatest z at the next node, with an acceleration that fits at both ends and between."""
    first = _driving(place, sqrt(2.0 * energy), envelope, sense)
    middle = 0.5 * (place + after)
    rate = min(first, _driving(middle, _speed(energy + 0.5 * first * step), envelope, sense))
    reached = energy + step * min(rate, _driving(after, _speed(energy + rate * step), envelope, sense))
    if reached >= energy:
        return reached
    # Near its highest speed an axis gains and loses in less than a step: what it settles at, no less.
    low, high = 0.0, energy + step * max(rate, 0.0)
    for _ in range(50):
        tried = 0.5 * (low + high)
        if energy + step * _driving(after, _speed(tried), envelope, sense) >= tried:
            low = tried
        else:
            high = tried
    return max(min(low, energy + step * first), reached)


def _falls(places: list[float], envelope: Envelope, sense: float) -> list[float]:
    """The greatest z at each node from which the goal can be reached at rest."""
    top = envelope.fastest(sense)
    most = 0.5 * top * top
    energy = 0.0
    found = [0.0]
    for after, place in pairwise(reversed(places)):
        step = abs(after - place)
        if energy < most:
            last = _braking(after, sqrt(2.0 * energy), envelope, sense)
            middle = 0.5 * (place + after)
            rate = min(last, _braking(middle, _speed(energy + 0.5 * last * step), envelope, sense))
            rate = min(rate, _braking(place, _speed(energy + rate * step), envelope, sense))
            if rate <= 0.0 and energy == 0.0:
                raise _cannot("stop", after, envelope, sense)
            energy = min(max(energy + step * rate, 0.0), most if most < inf else energy + step * rate)
        elif _braking(place, top, envelope, sense) < 0.0:
            raise _cannot("stop", place, envelope, sense)
        found.append(energy)
    return found[::-1]


def _speed(energy: float) -> float:
    return sqrt(2.0 * energy) if energy > 0.0 else 0.0


def _driving(position: float, speed: float, envelope: Envelope, sense: float) -> float:
    """The greatest acceleration in the sense of motion."""
    low, high = envelope.accelerations(position, sense * speed, sense)
    return high if sense > 0.0 else -low


def _braking(position: float, speed: float, envelope: Envelope, sense: float) -> float:
    """The greatest deceleration."""
    low, high = envelope.accelerations(position, sense * speed, sense)
    return -low if sense > 0.0 else high


def _cannot(what: str, position: float, envelope: Envelope, sense: float) -> Infeasible:
    low, high = envelope.accelerations(position, 0.0, sense)
    return Infeasible(
        f"the motors cannot {what} the axis at {position:.4g}: there they accelerate it by {low:.4g} to {high:.4g}",
        "a lighter load, a greater gear ratio or higher current limits",
    )
