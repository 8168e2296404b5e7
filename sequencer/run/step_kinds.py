"""What each kind of step does to axes and outputs when it starts to act."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from profiles import Envelope, Limits, Profile, ProfileError, State, flick, motor_limited, s_curve, trapezoid
from sequencer.routine.way_table import table_to
from sequencer.run.aims import Planner, aim_at, aim_by, aim_together
from sequencer.run.definition import StepDefinition
from sequencer.run.motion import Motion, Plan
from sequencer.run.step_state import Activation, motion_of
from sequencer.run.ways import look_up, no_way_words

if TYPE_CHECKING:
    from sequencer.run.routine_run import Run


class StartFailed(Exception):
    """A step that cannot act: an axis not enabled, not zeroed, in use, or a goal out of travel (R30). `machine`: not
    the process is at fault, so nothing is ordered after the stop (R47).
    """

    def __init__(self, message: str, machine: bool = False) -> None:
        super().__init__(message)
        self.machine = machine


def energise(activation: Activation, run: Run) -> bool:
    """Start what the step does, on all its axes or on none (R30). False: the supervisor does not let it begin yet.

    Raises:
        StartFailed, ProfileError: it cannot act; nothing has been changed then.
    """
    match activation.step.kind:
        case "move" if activation.step.ways:
            return _set_out(activation, run)
        case "move":
            _move(activation, run)
        case "flick":
            _flick(activation, run)
        case "press":
            return _press(activation, run)
        case "zero":
            return _zero(activation, run)
        case "jog":
            return jog(activation, run)
        case "pulse":
            _pulse(activation, run)
        case "set":
            for output, value in activation.step.data["values"]:
                run.host.outputs[output] = value
    return True


def _move(activation: Activation, run: Run) -> None:
    step = activation.step
    plans: list[tuple[Motion, Plan, float, Limits]] = []
    for (axis, goal_data), motion in zip(step.data["goals"], activation.motions, strict=True):
        _ready_to_move(motion, run)
        limits = limits_for(step, axis, run)
        goal = _goal(goal_data, motion, run)
        _inside_travel(motion, goal)
        style: Planner = s_curve if limits.jerk is not None else trapezoid
        if axis in step.envelopes:
            style = _by_motors(step.envelopes[axis])
        plans.append((motion, aim_at(motion, style, goal, limits), goal, limits))
    origins = [motion.advanced() for motion, _, _, _ in plans]
    group: list[Motion] | None = None
    profiles: Sequence[Profile]
    if step.together and len(plans) > 1:
        group = [motion for motion, _, _, _ in plans]
        at_once = aim_together(group, [goal for _, _, goal, _ in plans], [limits for _, _, _, limits in plans])
        profiles = at_once(origins)
        plans = [(motion, at_once, goal, limits) for motion, _, goal, limits in plans]
    else:
        profiles = [aim([origin])[0] for (_, aim, _, _), origin in zip(plans, origins, strict=True)]
    clamped = any(not motion.definition.carries_on for motion, _, _, _ in plans)
    for (motion, aim, goal, limits), profile in zip(plans, profiles, strict=True):
        motion.adopt(aim, goal, limits, profile)
        motion.group = group
        motion.clamped = clamped
    set_instants(activation)


def _set_out(activation: Activation, run: Run) -> bool:
    """Look the way up, once all axes stand and no set-point is in flight any more, and go its first leg."""
    step, host = activation.step, run.host
    goals: dict[str, float] = {}
    for (axis, goal), motion in zip(step.data["goals"], activation.motions, strict=True):
        _ready_to_move(motion, run)
        goals[host.axis_names[axis]] = _goal(goal, motion, run)
    if any(motion.moving or (motion.powered and len(motion.history) > 1) for motion in activation.motions):
        return False
    host.tell_supervisor()
    table = table_to([run.definition.ways[number] for number in step.ways], goals)
    if table is None:
        raise StartFailed(f"no way is known to {goals}")
    activation.way = look_up(host, table)
    if activation.way is None:
        host.no_way = no_way_words(host, table)
        raise StartFailed(host.no_way)
    order = {name: place for place, name in enumerate(table.goal)}
    activation.way_places = [order[host.axis_names[axis]] for axis, _ in step.data["goals"]]
    go_leg(activation, run)
    return True


def go_leg(activation: Activation, run: Run) -> None:
    """Make for the place of the leg at hand, out of whatever motion there is."""
    way, step = activation.way, activation.step
    assert way is not None  # only called along one
    clamped = any(not motion.definition.carries_on for motion in activation.motions)
    plans = []
    for motion, place in zip(activation.motions, activation.way_places, strict=True):
        limits = limits_for(step, motion.definition.index, run)
        goal = way.leg.place[place]
        aim = aim_at(motion, s_curve if limits.jerk is not None else trapezoid, goal, limits)
        plans.append((motion, aim, goal, limits, aim([motion.advanced()])[0]))
    for motion, aim, goal, limits, profile in plans:
        motion.adopt(aim, goal, limits, profile)
        motion.group = None
        motion.clamped = clamped
    places = ", ".join(f"{motion.definition.name} {motion.definition.show(goal)}" for motion, _, goal, _, _ in plans)
    run.host.event("way", run.name, step.name, f"{way}: {places}")


def follow_ways(run: Run) -> None:
    """Steps whose next box has opened make for its place."""
    for activation in list(run.active):
        if activation.way is not None and activation.energised is not None and activation.way.opened(run.host):
            try:
                go_leg(activation, run)
            except ProfileError as problem:
                run.fault(f"{activation.step.name}: {problem}", activation, machine=True)


def _by_motors(envelope: Envelope) -> Planner:
    """Plans what motors can do, within limits."""
    return lambda state, goal, limits: motor_limited(state, goal, envelope.scaled(limits))


def _flick(activation: Activation, run: Run) -> None:
    step = activation.step
    motion = activation.motions[0]
    _ready_to_move(motion, run)
    limits = limits_for(step, motion.definition.index, run)
    number = run.scope.number
    goal = number(step.data["to"])
    place, speed = number(step.data["through"]), abs(number(step.data["speed"])) * run.speed
    through = State(place, speed if goal >= place else -speed)
    _inside_travel(motion, goal)
    upwards = through.velocity > 0.0

    def throw(state: State) -> Profile:
        passed = state.position >= through.position if upwards else state.position <= through.position
        if passed and activation.energised is not None:
            return (s_curve if limits.jerk is not None else trapezoid)(state, State(goal), limits)
        return flick(state, through, State(goal), limits, travel=motion.definition.travel)

    aim = aim_by(motion, limits, throw)
    origin = motion.advanced()
    (profile,) = aim([origin])
    motion.adopt(aim, goal, limits, profile)
    motion.clamped = not motion.definition.carries_on
    set_instants(activation)
    if origin.velocity == 0.0 and origin.acceleration == 0.0:
        phase(activation, run)


def phase(activation: Activation, run: Run) -> None:
    """Delay a flick that begins at rest by less than a tick, so that its pulse's instant falls on a tick (M3)."""
    released = [one for one in activation.milestones if run.definition.steps[one.step].kind == "pulse"]
    if not activation.step.data["phase"] or not released or released[0].fired:
        return
    instant = released[0].instant
    if instant is not None and instant > 0:
        over = instant % run.host.definition.period
        activation.motions[0].next_clock = over - run.host.definition.period if over else 0


def _press(activation: Activation, run: Run) -> bool:
    """Effort towards a position it must not pass; the supervisor must allow the whole way at once (R46).

    An axis taken in motion comes to rest first: its place is no longer commanded from then on (R53).
    """
    step = activation.step
    motion = activation.motions[0]
    _ready_to_move(motion, run)
    if motion.moving:
        return False
    axis = motion.definition.index
    bound = run.scope.number(step.data["toward"])
    effort = abs(run.scope.number(step.data["effort"]))
    _inside_travel(motion, bound)
    here = motion.position
    low, high = min(here, bound, motion.occupied_low), max(here, bound, motion.occupied_high)
    if not _is_free(activation, run, low, high):
        return False
    slowest, fastest = limits_for(step, axis, run).velocity
    motion.held = None
    upwards = bound >= here
    if bound == motion.bound and motion.current and abs(bound - here) <= motion.definition.position_tolerance:
        upwards = motion.current > 0.0  # beyond its bound by a little it is not to be pushed back
    motion.mode = "effort"
    motion.bound = bound
    motion.current, motion.speed_bound = (effort, fastest) if upwards else (-effort, slowest)
    motion.pushed_since, motion.push_speed = run.host.now, 0.0
    motion.stop_kind = None
    motion.latched = motion.watched = False
    motion.occupy_what_is_known()
    return True


def _is_free(activation: Activation, run: Run, low: float, high: float) -> bool:
    """Whether the supervisor lets an axis occupy [low, high] from now on; a change is told."""
    motion = activation.motions[0]
    run.host.tell_supervisor()
    box = run.host.supervisor.blocks(motion.definition.index, low, high)
    if box is not None:
        if motion.held != box.name:
            motion.held, motion.held_since = box.name, run.host.now
            run.host.event("hold", run.name, activation.step.name, f"{motion.definition.name} is held by {box.name}")
        return False
    if motion.held is not None:
        run.host.event("go", run.name, activation.step.name, f"{motion.definition.name} goes on")
    return True


def _zero(activation: Activation, run: Run) -> bool:
    """Creep from wherever the axis is; while its place is not known it counts as anywhere in its travel (R42)."""
    motion = activation.motions[0]
    axis = motion.definition
    _ready_to_move(motion, run, zeroed=False)
    if motion.moving or not _is_free(activation, run, *axis.travel):
        return False
    run.host.snapshot.lose_zero(axis.index, "being zeroed")
    motion.occupy_everything()
    assert axis.zero is not None  # asked for by by_hand.zero_refused
    _creep(activation, run, axis.zero["speed"], None)
    return True


def jog(activation: Activation, run: Run) -> bool:
    """Move at the speed that is asked for, to the end of the travel at the farthest; a spin just turns."""
    motion = activation.motions[0]
    axis = motion.definition
    speed = run.jog_speed
    if axis.is_spin:
        _may_move(motion, run)
        motion.turn("track", velocity=speed)
        return True
    _ready_to_move(motion, run, zeroed=False)
    if run.host.zeroed[axis.index]:
        _creep(activation, run, speed, axis.travel[1] if speed > 0.0 else axis.travel[0])
        return True
    if not motion.moving and not _is_free(activation, run, *axis.travel):
        return False
    _creep(activation, run, speed, None)
    return True


def _creep(activation: Activation, run: Run, speed: float, goal: float | None) -> None:
    """Move one axis at a speed, to a goal or a whole travel on, from the motion at hand."""
    motion = activation.motions[0]
    low, high = motion.definition.travel
    origin = motion.advanced()
    end = goal if goal is not None else origin.position + (high - low if speed > 0.0 else low - high)
    planned = limits_for(activation.step, motion.definition.index, run)
    fastest = abs(speed)
    limits = Limits((-fastest, fastest), planned.acceleration, planned.jerk)
    aim = aim_at(motion, s_curve if limits.jerk is not None else trapezoid, end, limits)
    (profile,) = aim([origin])
    motion.adopt(aim, end, limits, profile)
    motion.clamped = not motion.definition.carries_on


def _pulse(activation: Activation, run: Run) -> None:
    host = run.host
    for motion in activation.motions:
        _may_move(motion, run)
    for drive in activation.step.data["drives"]:
        if drive[0] == "output":
            value = drive[3]
            host.outputs[drive[1]] = run.scope.number(value) if isinstance(value, list | tuple) else value
            continue
        motion = host.motions[drive[1]]
        strength = run.scope.number(drive[3])
        if drive[2] == "voltage":
            motion.turn("effort", volts=strength)
        else:
            motion.turn("track", velocity=strength)


def _ready_to_move(motion: Motion, run: Run, zeroed: bool = True) -> None:
    name = motion.definition.name
    _may_move(motion, run)
    if run.host.values.get(name) is None:
        raise StartFailed(f"the position of {name} is unknown ({run.host.unknown_reason(name)})", machine=True)
    if zeroed and not run.host.zeroed[motion.definition.index]:
        raise StartFailed(f"{name} is not zeroed", machine=True)


def _may_move(motion: Motion, run: Run) -> None:
    name = motion.definition.name
    if not run.host.enabled:
        raise StartFailed(f"{name} is not enabled", machine=True)
    forbidden = run.host.forbidden(motion.definition.index)
    if forbidden is not None:
        raise StartFailed(f"{name} may not move: {forbidden}", machine=True)


def _inside_travel(motion: Motion, goal: float) -> None:
    low, high = motion.definition.travel
    if not low <= goal <= high:
        axis = motion.definition
        raise StartFailed(
            f"{axis.name} to {axis.show(goal)} is outside its travel, {axis.show(low)} to {axis.show(high)}"
        )


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
            read, low, high = (motion.definition.show(place) for place in (value, goal[2], goal[3]))
            raise StartFailed(f"{goal[1]} reads {read}, outside {low} to {high}; {name} was not moved")
        return float(value)
    if value not in goal[2]:
        raise StartFailed(f"{goal[1]} is {value}; the move knows {', '.join(goal[2])}")
    return float(goal[2][value])


def set_instants(activation: Activation, only: Motion | None = None) -> None:
    """When the profiles pass the places that other steps wait for, in ns of their motion clocks (M1).

    None: not on this profile. A flick that is held passes its place without the speed, so its `through` is not on its
    stopping profile; a mere place may well be. `only`: the axis whose profile has changed.
    """
    for milestone in activation.milestones:
        motion = motion_of(activation, milestone)
        if milestone.fired or (only is not None and motion is not only):
            continue
        profile, place = motion.profile, milestone.place
        if profile is None:
            milestone.instant = None
            continue
        time = profile.marks.get("through") if place is None else profile.first_time_at(place)
        milestone.instant = None if time is None else round(time * 1e9) - milestone.lead + milestone.lag
