"""How an axis, or the axes of a move together, gets to its goals from whatever motion it is in (R53)."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from profiles import Limits, Profile, State, stop, together
from sequencer.run.motion import Motion, Plan

Planner = Callable[[State, State, Limits], Profile]


def aim_at(motion: Motion, planner: Planner, goal: float, limits: Limits) -> Plan:
    """Plans one axis to rest at a goal."""
    end = State(goal)
    return aim_by(motion, limits, lambda state: planner(state, end, limits))


def aim_by(motion: Motion, limits: Limits, plan: Callable[[State], Profile]) -> Plan:
    """Plans one axis by `plan`, which keeps to `limits`, and so only from a motion that these can master."""

    def aim(states: Sequence[State]) -> list[Profile]:
        (state,) = states
        if motion.mastered_by(limits, state):
            return [plan(state)]
        resting = stop(state, motion.stop_limits)
        return [resting.followed_by(plan(resting.goal))]

    return aim


def aim_together(motions: Sequence[Motion], goals: Sequence[float], limits: Sequence[Limits]) -> Plan:
    """Plans several axes to rest at their goals at one instant. If the limits cannot master the motion of one of them,
    all stop first."""
    ends = [State(goal) for goal in goals]

    def aim(states: Sequence[State]) -> Sequence[Profile]:
        cases = zip(motions, limits, states, strict=True)
        if all(motion.mastered_by(own, state) for motion, own, state in cases):
            return together(states, ends, limits)
        stops = [stop(state, motion.stop_limits) for motion, state in zip(motions, states, strict=True)]
        longest = max(resting.duration for resting in stops)
        onward = together([resting.goal for resting in stops], ends, limits)
        profiles = [
            resting.followed_by(profile.delayed(longest - resting.duration))
            for resting, profile in zip(stops, onward, strict=True)
        ]
        return [profile.lasting(profiles[0].duration) for profile in profiles]

    return aim
