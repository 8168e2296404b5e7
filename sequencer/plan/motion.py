"""What a step moves, where to, and the profiles that take it there."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Literal, NamedTuple

from profiles import (
    Envelope,
    Limits,
    Profile,
    ProfileError,
    State,
    flick,
    motor_limited,
    s_curve,
    together,
    trapezoid,
)
from sequencer.errors import ModelError, did_you_mean
from sequencer.machine.axis import Axis
from sequencer.machine.envelope import envelope_of
from sequencer.machine.machine import Machine
from sequencer.plan.resolve import Node, Reference, ResolvedOperand
from sequencer.routine.parameters import PresetParameter
from sequencer.routine.steps import At, By, Cap, Flick, FromReading, Move, Press, Pulse, Set

Values = Mapping[str, float | str]
"""A value for every parameter of a routine: a number in SI, or a preset's name."""

Pick = Literal["low", "middle", "high"]
"""Which end of a range a plan takes where only a range is known, such as a goal that a sensor gives."""


class MotionError(ModelError):
    """A step that no profile fits: which one, and why."""

    def __init__(self, node: Node, reason: str) -> None:
        super().__init__(f"{node.step.place}: '{node.name}': {reason}")
        self.node = node
        self.reason = reason


class PerWord(NamedTuple):
    """A goal that depends on what a sensor reads when the step starts."""

    sensor: str
    positions: tuple[tuple[str, float], ...]


class AtPlace(NamedTuple):
    """A goal position [m or rad]."""

    position: ResolvedOperand


class ByDistance(NamedTuple):
    """A goal relative to where the axis is when the step starts [m or rad]."""

    distance: ResolvedOperand


class AsRead(NamedTuple):
    """A goal that a sensor gives, within bounds [m or rad]."""

    sensor: str
    low: float
    high: float


ResolvedGoal = AtPlace | ByDistance | AsRead | PerWord


def goals_of(node: Node) -> tuple[tuple[str, ResolvedGoal], ...]:
    """The goal of every axis that a move moves, in the order of the step (of the machine's axes for a preset).

    Raises:
        ModelError: a word stands for nothing that fits.
    """
    body, scope = node.step.body, node.scope
    machine = scope.routine.machine
    if not isinstance(body, Move):
        return ()
    if body.preset is not None:
        found = scope.preset(body.preset)
        if isinstance(found, Reference):
            return tuple(
                (axis, AtPlace(Reference(found.parameter, axis))) for axis in _axes_of_choice(node, body.preset)
            )
        return tuple((axis, AtPlace(place)) for axis, place in _preset(machine, found).items())
    if body.per is not None:
        sensor, words = body.per
        tables = [(word, _preset(machine, preset)) for word, preset in words]
        if any(set(table) != set(tables[0][1]) for _, table in tables):
            raise MotionError(
                node, "the presets of its 'per' give positions to different axes; give all of them the same"
            )
        return tuple(
            (axis, PerWord(sensor, tuple((word, table[axis]) for word, table in tables))) for axis in tables[0][1]
        )
    goals: list[tuple[str, ResolvedGoal]] = []
    for axis, goal in body.goals:
        match goal:
            case At(position=position):
                goals.append((axis, AtPlace(scope.operand(position, axis))))
            case By(distance=distance):
                goals.append((axis, ByDistance(scope.operand(distance, axis))))
            case FromReading(sensor=name, bounds=(low, high)):
                goals.append((axis, AsRead(name, low, high)))
    return tuple(goals)


def moved_axes(node: Node) -> tuple[str, ...]:
    """The axes with a position that a step moves."""
    match node.step.body:
        case Move():
            return tuple(axis for axis, _ in goals_of(node))
        case Flick(axis=axis) | Press(axis=axis):
            return (axis,)
        case _:
            return ()


def owned(node: Node) -> tuple[str, ...]:
    """Every axis and output that a step owns while it is active; a `set` owns its outputs only in passing and is left
    out."""
    if isinstance(node.step.body, Pulse):
        return tuple(drive.target for drive in node.step.body.drives)
    return moved_axes(node)


def set_outputs(node: Node) -> tuple[str, ...]:
    """The outputs that a `set` writes."""
    return tuple(name for name, _ in node.step.body.values) if isinstance(node.step.body, Set) else ()


def limits_for(node: Node, axis: Axis) -> Limits:
    """The limits of one axis in one step: the axis' own, with the step's lower ones laid over. A motion by what motors
    can do has none of jerk; it stops as quickly as it brakes.
    """
    caps, own = node.step.limits, axis.limits
    if node.step.profile == "motor":
        own = Limits(own.velocity, own.acceleration)
    if caps is None:
        return own
    try:
        return own.slower(
            velocity=_capped(caps.velocity, own.velocity),
            acceleration=_capped(caps.acceleration, own.acceleration),
            jerk=_capped_jerk(caps.jerk, own.jerk),
        )
    except ProfileError as error:
        raise MotionError(node, f"its limits do not fit: {error}") from error


def value_of(operand: ResolvedOperand, values: Values, machine: Machine) -> float:
    """The number that an operand is with these parameters."""
    if not isinstance(operand, Reference):
        return operand
    value = values[operand.parameter]
    if isinstance(value, str):
        return _preset(machine, value)[operand.axis or ""]
    return value


def profiles_of(node: Node, starts: Mapping[str, State], values: Values, pick: Pick = "middle") -> dict[str, Profile]:
    """The profile of every axis that a step moves.

    Args:
        node: a move, flick or press.
        starts: the state of each of its axes when it begins to move; of all axes where its route is looked up.
        values: the parameters.
        pick: which end of a goal's range to take where only a range is known.

    Raises:
        MotionError: no profile leads there, or the goal or the way to it lies outside the travel.
    """
    machine = node.scope.routine.machine
    match node.step.body:
        case Move():
            goals = {
                axis: _goal_position(goal, starts[axis].position, values, machine, pick)
                for axis, goal in goals_of(node)
            }
            return _routed(node, machine, starts, goals) or _moved(node, machine, starts, goals)
        case Flick(axis=axis, through=through, speed=speed, to=to):
            place, end, fast = (
                value_of(node.scope.operand(operand, at), values, machine)
                for operand, at in ((through, axis), (to, axis), (speed, None))
            )
            passing = State(place, flick_speed(place, end, fast))
            return {axis: _flicked(node, machine.axes[axis], starts[axis], passing, end)}
        case Press(axis=axis, toward=toward):
            end = value_of(node.scope.operand(toward, axis), values, machine)
            return _moved(node, machine, starts, {axis: end})
        case _:
            return {}


def has_way(node: Node, starts: Mapping[str, State], values: Values) -> bool:
    """Whether the way of a step that asks for a clear one is known from there."""
    machine = node.scope.routine.machine
    goals = {
        axis: _goal_position(goal, starts[axis].position, values, machine, "middle") for axis, goal in goals_of(node)
    }
    return _routed(node, machine, starts, goals) is not None


def slowing(node: Node) -> float:
    """A motion of a step takes at most so many times as long as with its axes' own limits [1]: stretched in time by
    this, it keeps to the lower ones."""
    factor = 1.0
    for name in moved_axes(node):
        axis = node.scope.routine.machine.axes[name]
        own, mine = axis.limits, limits_for(node, axis)
        for side in (0, 1):
            factor = max(factor, own.velocity[side] / mine.velocity[side])
            factor = max(factor, (own.acceleration[side] / mine.acceleration[side]) ** 0.5)
        if own.jerk is not None and mine.jerk is not None:
            factor = max(factor, (own.jerk / mine.jerk) ** (1.0 / 3.0))
    return factor


def flick_speed(through: float, to: float, speed: float) -> float:
    """The signed velocity at `through`: the speed, in the direction in which the motion then follows through to
    `to`."""
    return abs(speed) if to >= through else -abs(speed)


def _goal_position(goal: ResolvedGoal, start: float, values: Values, machine: Machine, pick: Pick) -> float:
    match goal:
        case AtPlace(position=position):
            return value_of(position, values, machine)
        case ByDistance(distance=distance):
            return start + value_of(distance, values, machine)
        case AsRead(low=low, high=high):
            return _picked(low, high, pick)
        case PerWord(positions=positions):
            places = [place for _, place in positions]
            return _picked(min(places), max(places), pick) if pick != "middle" else places[0]


def _picked(low: float, high: float, pick: Pick) -> float:
    return {"low": low, "middle": 0.5 * (low + high), "high": high}[pick]


def _routed(
    node: Node, machine: Machine, starts: Mapping[str, State], goals: Mapping[str, float]
) -> dict[str, Profile] | None:
    """The motion along the way of a step; None where it has none, or none is known from there."""
    table = None if node.ways is None else node.ways.to(goals)
    if node.ways is None or table is None or not all(name in starts for name in table.axes):
        return None
    # Few routines look their ways up, and the others need not wait for what plans along them.
    from sequencer.plan.along import along

    here = [starts[name].position for name in table.axes]
    legs = table.way(here, here, node.ways.free)
    standing = {name: State(starts[name].position) for name in table.axes}
    limits = {name: _routed_limits(node, machine.axes[name]) for name in goals}
    return along(machine, table, legs, standing, limits) if legs else None


def _routed_limits(node: Node, axis: Axis) -> Limits:
    limits = limits_for(node, axis)
    return Limits(limits.velocity, limits.acceleration) if node.step.profile == "trapezoid" else limits


def _moved(node: Node, machine: Machine, starts: Mapping[str, State], goals: Mapping[str, float]) -> dict[str, Profile]:
    found = {axis: _to_rest(node, machine, machine.axes[axis], starts[axis], goal) for axis, goal in goals.items()}
    if node.step.together and len(found) > 1:
        limits = [_kept(node, machine.axes[axis]) for axis in goals]
        try:
            arriving = together([starts[axis] for axis in goals], [State(goal) for goal in goals.values()], limits)
        except ProfileError as error:
            raise MotionError(node, f"its axes cannot arrive together: {error}") from error
        return dict(zip(goals, arriving, strict=True))
    return found


def envelope_for(node: Node, machine: Machine, axis: Axis) -> Envelope:
    """What the motors of an axis can do in a step.

    Raises:
        MotionError: its actuators or its load are not declared.
    """
    envelope = envelope_of(machine, axis.name, limits_for(node, axis))
    if envelope is None:
        raise MotionError(
            node,
            f"profile motor needs actuators in service and the load of {axis.name}; declare them, or write s_curve",
        )
    return envelope


def _to_rest(node: Node, machine: Machine, axis: Axis, start: State, goal: float) -> Profile:
    low, high = axis.travel or (-float("inf"), float("inf"))
    if not low <= goal <= high:
        raise MotionError(
            node,
            f"{axis.name} would go to {axis.show(goal)}, outside its travel, {axis.show(low)} to {axis.show(high)}",
        )
    limits = _kept(node, axis)
    try:
        if node.step.profile == "motor":
            return motor_limited(start, goal, envelope_for(node, machine, axis))
        if limits.jerk is None:
            return trapezoid(start, goal, limits)
        return s_curve(start, goal, limits)
    except ProfileError as error:
        raise MotionError(node, f"{axis.name}: {error}") from error


def _flicked(node: Node, axis: Axis, start: State, passing: State, end: float) -> Profile:
    try:
        return flick(start, passing, end, _kept(node, axis), wind_up=True, travel=axis.travel)
    except ProfileError as error:
        raise MotionError(node, f"{axis.name}: {error}") from error


def _kept(node: Node, axis: Axis) -> Limits:
    """The limits that a step's motion keeps: but for an S-curve, none of jerk."""
    limits = limits_for(node, axis)
    return limits if node.step.profile == "s_curve" else Limits(limits.velocity, limits.acceleration)


def _axes_of_choice(node: Node, word: str) -> Iterator[str]:
    parameter = node.scope.routine.parameters[word]
    assert isinstance(parameter, PresetParameter)
    machine = node.scope.routine.machine
    axes = [set(_preset(machine, choice)) for choice in parameter.choices]
    if any(named != axes[0] for named in axes):
        raise MotionError(node, f"the choices of '{word}' give positions to different axes; give all of them the same")
    return iter(_preset(machine, parameter.choices[0]))


def _preset(machine: Machine, name: str) -> dict[str, float]:
    if name not in machine.presets:
        raise ModelError(f"'{name}' is no preset; {did_you_mean(name, machine.presets)}")
    return dict(machine.presets[name].positions)


def _capped(cap: Cap | None, own: tuple[float, float]) -> tuple[float, float] | float | None:
    if cap is None:
        return None
    return (own[0] * cap.value, own[1] * cap.value) if cap.share else cap.value


def _capped_jerk(cap: Cap | None, own: float | None) -> float | None:
    if cap is None or (cap.share and own is None):
        return None
    return cap.value * own if cap.share and own is not None else cap.value
