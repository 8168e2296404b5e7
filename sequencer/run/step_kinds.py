"""What each kind of step does to axes and outputs when it starts to act."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from profiles import Limits, Profile, State, flick, s_curve, trapezoid
from sequencer.run.definition import StepDefinition
from sequencer.run.motion import Motion
from sequencer.run.step_state import Activation

if TYPE_CHECKING:
    from sequencer.run.routine_run import Run


class StartFailed(Exception):
    """A step that cannot act: an axis not enabled, not zeroed, in use, or a goal out of travel (R30). `machine`: the machine's fault."""

    def __init__(self, message: str, machine: bool = False) -> None:
        super().__init__(message)
        self.machine = machine


def axes_claimed(step: StepDefinition) -> list[int]:
    """The axes that a step owns while it is active."""
    match step.kind:
        case "move":
            return [axis for axis, _ in step.data["goals"]]
        case "flick" | "press":
            return [step.data["axis"]]
        case "pulse":
            return [drive[1] for drive in step.data["drives"] if drive[0] == "axis"]
    return []


def outputs_claimed(step: StepDefinition) -> list[int]:
    """The outputs that a step writes."""
    if step.kind == "pulse":
        return [drive[1] for drive in step.data["drives"] if drive[0] == "output"]
    if step.kind == "set":
        return [output for output, _ in step.data["values"]]
    return []


def energise(activation: Activation, run: Run) -> bool:
    """Start what the step does, on all its axes or on none (R30). False: the supervisor does not let it begin yet.

    Raises:
        StartFailed, ProfileError: it cannot act; nothing has been changed then.
    """
    match activation.step.kind:
        case "move":
            _move(activation, run)
        case "flick":
            _flick(activation, run)
        case "press":
            return _press(activation, run)
        case "pulse":
            _pulse(activation, run)
        case "set":
            for output, value in activation.step.data["values"]:
                run.host.outputs[output] = value
    return True


def _move(activation: Activation, run: Run) -> None:
    step = activation.step
    planner = s_curve if step.data["profile"] == "s_curve" else trapezoid
    plans: list[tuple[Motion, Callable[[State], Profile], float, Limits]] = []
    for (axis, goal_data), motion in zip(step.data["goals"], activation.motions, strict=True):
        _ready_to_move(motion, run)
        limits = limits_for(step, axis, run)
        goal = _goal(goal_data, motion, run)
        _inside_travel(motion, goal)
        style = planner if limits.jerk is not None else trapezoid
        plans.append((motion, _aim(style, goal, limits), goal, limits))
    together = step.together and len(plans) > 1
    if together:
        plans = _at_once(plans)
    profiles = [aim(_origin(motion, run)) for motion, aim, _, _ in plans]
    group = [motion for motion, _, _, _ in plans] if together else None
    clamped = any(not motion.definition.carries_on for motion, _, _, _ in plans)
    for (motion, aim, goal, limits), profile in zip(plans, profiles, strict=True):
        motion.adopt(aim, goal, limits, profile)
        motion.group = group
        motion.clamped = clamped
    _set_instants(activation, run)


def _flick(activation: Activation, run: Run) -> None:
    step = activation.step
    motion = activation.motions[0]
    _ready_to_move(motion, run)
    limits = limits_for(step, motion.definition.index, run)
    number = run.scope.number
    through = State(number(step.data["through"]), number(step.data["speed"]) * run.speed)
    goal = number(step.data["to"])
    _inside_travel(motion, goal)
    upwards = through.velocity > 0.0
    if limits.jerk is not None and step.data["profile"] == "trapezoid":
        limits = Limits(limits.velocity, limits.acceleration, None)

    def aim(state: State) -> Profile:
        passed = state.position >= through.position if upwards else state.position <= through.position
        if passed and state.velocity != 0.0:
            return (s_curve if limits.jerk is not None else trapezoid)(state, State(goal), limits)
        return flick(state, through, State(goal), limits, travel=motion.definition.travel)

    profile = aim(_origin(motion, run))
    start_clock = 0
    motion.adopt(aim, goal, limits, profile)
    motion.group = None
    motion.clamped = not motion.definition.carries_on
    _set_instants(activation, run)
    if step.data["phase"] and activation.milestones:
        instant = activation.milestones[0].instant
        if instant is not None and instant > 0:
            over = instant % run.host.definition.period
            start_clock = over - run.host.definition.period if over else 0
            motion.next_clock = start_clock


def _press(activation: Activation, run: Run) -> bool:
    """Effort towards a position it must not pass; the supervisor must allow the whole way at once (R46)."""
    step = activation.step
    motion = activation.motions[0]
    _ready_to_move(motion, run)
    axis = motion.definition.index
    bound = run.scope.number(step.data["toward"])
    effort = abs(run.scope.number(step.data["effort"]))
    _inside_travel(motion, bound)
    here = _origin(motion, run).position
    low, high = min(here, bound, motion.occupied_low), max(here, bound, motion.occupied_high)
    box = run.host.supervisor.blocks(axis, low, high)
    if box is not None:
        if motion.held != box.name:
            motion.held, motion.held_since = box.name, run.host.now
            run.host.event("hold", run.name, step.name, f"{motion.definition.name} is held by {box.name}")
        return False
    sign = 1.0 if bound >= here else -1.0
    velocity = limits_for(step, axis, run).velocity
    motion.held = None
    motion.profile = None
    motion.aim = None
    motion.group = None
    motion.mode = "effort"
    motion.current = sign * effort
    motion.bound = bound
    motion.speed_bound = velocity[1] if sign > 0.0 else velocity[0]
    motion.velocity = motion.acceleration = 0.0
    motion.occupied_low, motion.occupied_high = low, high
    return True


def _pulse(activation: Activation, run: Run) -> None:
    host = run.host
    for drive in activation.step.data["drives"]:
        if drive[0] == "output":
            host.outputs[drive[1]] = drive[3]
            continue
        motion = host.motions[drive[1]]
        if not host.enabled:
            raise StartFailed(f"{motion.definition.name} is not enabled", machine=True)
        value = run.scope.number(drive[3])
        motion.profile = None
        motion.latched = False
        motion.stop_kind = None
        if drive[2] == "voltage":
            motion.mode, motion.volts, motion.velocity = "effort", value, 0.0
        else:
            motion.mode, motion.volts, motion.velocity = "track", 0.0, value


def _aim(planner: Callable[[State, State, Limits], Profile], goal: float, limits: Limits) -> Callable[[State], Profile]:
    end = State(goal, 0.0, 0.0)

    def aim(state: State) -> Profile:
        return planner(state, end, limits)

    return aim


def _at_once(
    plans: list[tuple[Motion, Callable[[State], Profile], float, Limits]],
) -> list[tuple[Motion, Callable[[State], Profile], float, Limits]]:
    """The same goals, reached at one instant from whatever states the axes are in."""
    from profiles import together

    motions = [motion for motion, _, _, _ in plans]
    goals = [State(goal) for _, _, goal, _ in plans]
    limits = [limit for _, _, _, limit in plans]

    def aim_of(index: int) -> Callable[[State], Profile]:
        def aim(state: State) -> Profile:
            states = [motion.advanced() for motion in motions]
            states[index] = state
            return together(states, goals, limits)[index]

        return aim

    return [(motion, aim_of(i), goal, limit) for i, (motion, _, goal, limit) in enumerate(plans)]


def _origin(motion: Motion, run: Run) -> State:
    """From the committed set-point of a powered axis, from the measured position at rest of an unpowered one (R29)."""
    if motion.powered:
        return motion.advanced()
    measured = run.host.values.get(motion.definition.name)
    assert measured is not None  # _ready_to_move has seen to it
    motion.rebase(measured, run.host.now)
    return State(measured, 0.0, 0.0)


def _ready_to_move(motion: Motion, run: Run) -> None:
    name = motion.definition.name
    if not run.host.enabled:
        raise StartFailed(f"{name} is not enabled", machine=True)
    if run.host.values.get(name) is None:
        raise StartFailed(f"the position of {name} is unknown ({run.host.unknown_reason(name)})", machine=True)
    if not run.host.zeroed[motion.definition.index]:
        raise StartFailed(f"{name} is not zeroed", machine=True)
    forbidden = run.host.forbidden(motion.definition.index)
    if forbidden is not None:
        raise StartFailed(f"{name} may not move: {forbidden}", machine=True)


def _inside_travel(motion: Motion, goal: float) -> None:
    low, high = motion.definition.travel
    if not low <= goal <= high:
        raise StartFailed(f"{motion.definition.name} to {goal:.6g} is outside its travel, {low:.6g} to {high:.6g}")


def limits_for(step: StepDefinition, axis: int, run: Run) -> Limits:
    """The step's limits for an axis, slowed by the run's speed (R49)."""
    limits = step.limits[axis]
    return limits if run.speed == 1.0 else limits.scaled(run.speed)


def _goal(goal: Any, motion: Motion, run: Run) -> float:
    """Where a move of one axis ends, read once, when the step starts to act (R25)."""
    kind = goal[0]
    name = motion.definition.name
    if kind == "at":
        return run.scope.number(goal[1])
    if kind == "by":
        return motion.advanced().position + run.scope.number(goal[1])
    value = run.host.values.get(goal[1])
    if value is None:
        raise StartFailed(
            f"the goal of {name} is read from {goal[1]}, which is unknown ({run.host.unknown_reason(goal[1])})"
        )
    if kind == "reading":
        if not goal[2] <= value <= goal[3]:
            raise StartFailed(
                f"{goal[1]} reads {value:.6g}, outside {goal[2]:.6g} to {goal[3]:.6g}; {name} was not moved"
            )
        return float(value)
    if value not in goal[2]:
        raise StartFailed(f"{goal[1]} is {value}; the move knows {', '.join(goal[2])}")
    return float(goal[2][value])


def _set_instants(activation: Activation, run: Run) -> None:
    """When the profiles pass the places that other steps wait for, in ns of their motion clocks (M1)."""
    for milestone in activation.milestones:
        if milestone.fired:
            continue
        motion = activation.motions[0]
        if milestone.axis is not None:
            motion = next(one for one in activation.motions if one.definition.index == milestone.axis)
        milestone.instant = instant_of(motion, milestone.place, milestone.lead, milestone.lag)


def instant_of(motion: Motion, place: float | None, lead: int, lag: int) -> int | None:
    """The instant [ns of the motion clock] at which the profile passes `place` (None: its `through`), less the lead, plus the lag."""
    if motion.profile is None:
        return None
    time = motion.profile.marks.get("through") if place is None else motion.profile.first_time_at(place)
    return None if time is None else round(time * 1e9) - lead + lag
