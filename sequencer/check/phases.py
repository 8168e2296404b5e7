"""Where each axis may be while a step moves it and where it may rest after it, whatever the timing.

A step that starts at rest in a start span and goes to a goal span keeps its axis in the hull of both, however often
it is stopped and begun anew, late or slowly; a flick adds its longest run-up and its follow-through (NUMERICS: boxes,
not times). Positions are those that are ordered; the tracking band comes on top where they are compared with something.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import NamedTuple

from profiles import Limits, stop_travel
from sequencer.check.order import Occurrence, Order, members
from sequencer.check.spans import Choices, Span, band_of, hull, span_of
from sequencer.plan.motion import AsRead, AtPlace, ByDistance, PerWord, ResolvedGoal, goals_of, limits_for
from sequencer.routine.steps import Flick, Move, Press

_MOST_ROUNDS = 4
"""Where passages of a repeat carry an axis farther and farther, after so many rounds its whole travel is taken by steps
that move it on by a distance, after twice as many by all."""


class Scenario(NamedTuple):
    """One part of all that a routine may be started with: where its axes stand, and which presets are chosen.

    `when` says in words when its axes stand there.
    """

    start: Mapping[str, Span]
    choices: Choices
    when: str = "from the start"


class Phase(NamedTuple):
    """What one step does to one axis.

    `whole` is where the axis may be while the step moves it, `goal` where it wants to, `rest` where it may be left, and
    `done` where it may be left if the step was not interrupted by what comes from around it. `steady` says that from
    any place between start and goal it goes to the goal and nowhere else (a flick may wind up).
    """

    whole: Span
    goal: Span
    rest: Span
    done: Span
    steady: bool


@dataclass(frozen=True, slots=True)
class Phases:
    """The phases of one scenario: by occurrence number and axis."""

    order: Order
    scenario: Scenario
    table: Mapping[tuple[int, str], Phase]

    def rests(self, one: Occurrence, axis: str) -> list[tuple[int, Span]]:
        """Where the axis may stand when `one` starts, with the occurrence that left it there (-1: it stands there
        from the start)."""
        found, initial = self.order.holders(one, axis)
        spans = [(number, self.left_by(number, axis, one)) for number in members(found)]
        if initial:
            spans.append((-1, self.scenario.start[axis]))
        return spans

    def left_by(self, number: int, axis: str, one: Occurrence) -> Span:
        """Where a step may have left the axis, if it has, while `one` is active."""
        phase = self.table[number, axis]
        return phase.done if self.order.is_complete(self.order.occurrences[number], one) else phase.rest


def phases_of(order: Order, scenario: Scenario) -> Phases:
    """Work out the phases of a routine in one scenario."""
    table: dict[tuple[int, str], Phase] = {}
    phases = Phases(order, scenario, table)
    moving = [one for one in order.occurrences if one.axes]
    changed = True
    rounds = 0
    while changed and (rounds == 0 or _is_round(order)):
        changed = False
        rounds += 1
        for one in moving:
            for axis in one.axes:
                phase = _phase(phases, one, axis, rounds)
                if table.get((one.number, axis)) != phase:
                    table[one.number, axis] = phase
                    changed = True
    return phases


def _is_round(order: Order) -> bool:
    return bool(order.passages) or any(one.node.step.preempt for one in order.occurrences)


def _phase(phases: Phases, one: Occurrence, axis: str, rounds: int) -> Phase:
    order = phases.order
    start = start_span(phases, one, axis)
    low, high = order.flat.machine.axes[axis].travel or (0.0, 0.0)
    if rounds > 2 * _MOST_ROUNDS or (rounds > _MOST_ROUNDS and one.passages and _carries_on(one, axis)):
        start = hull(((low, high), phases.scenario.start[axis]))
    taken_over = _taken_over(order, one)
    body = one.node.step.body
    scope = one.node.scope
    if isinstance(body, Flick):
        through = span_of(scope.operand(body.through, axis), order.flat, phases.scenario.choices)
        goal = span_of(scope.operand(body.to, axis), order.flat, phases.scenario.choices)
        fastest = max(abs(value) for value in span_of(scope.operand(body.speed), order.flat, phases.scenario.choices))
        reach = _flick_reach(limits_for(one.node, order.flat.machine.axes[axis]), through, goal, fastest)
        # Where it starts it may be a tolerance beyond its travel.
        whole = hull((start, _within(hull((goal, reach)), low, high)))
        return _ended(one, whole, goal, taken_over, steady=False)
    if isinstance(body, Press):
        goal = span_of(scope.operand(body.toward, axis), order.flat, phases.scenario.choices)
        whole = hull((start, goal))
        # It ends where the axis is measured to be, which may be off its way by the tracking band.
        band = band_of(order.flat.machine, axis)
        left = hull((whole, _within((whole[0] - band, whole[1] + band), low, high)))
        return Phase(whole, goal, left, left, steady=True)
    assert isinstance(body, Move)
    goal = _goal_span(phases, dict(goals_of(one.node))[axis], start, one.node.step.retry)
    goal = _within(goal, low, high)
    whole = hull((start, goal))
    if one.node.ways is not None:
        # Its way may lead anywhere in the boxes of its table.
        legs = [leg for table in one.node.ways.tables for leg in table.spans_of(axis)]
        whole = _within(hull((whole, *legs)), low, high)
    return _ended(one, whole, goal, taken_over, steady=one.node.ways is None)


def _ended(one: Occurrence, whole: Span, goal: Span, taken_over: bool, steady: bool) -> Phase:
    rest = whole if may_end_early(one) or taken_over else goal
    return Phase(whole, goal, rest, whole if _may_stop_short(one) or taken_over else goal, steady)


def start_span(phases: Phases, one: Occurrence, axis: str) -> Span:
    """Where the axis may be ordered to be when `one` takes it."""
    found, initial = phases.order.holders(one, axis)
    spans = [phases.left_by(number, axis, one) for number in members(found) if (number, axis) in phases.table]
    if initial:
        spans.append(phases.scenario.start[axis])
    # A step that takes the axis from a moving one starts anywhere on the other's way.
    for number in members(phases.order.concurrent(one) & phases.order.owners[axis]):
        if (number, axis) in phases.table:
            spans.append(phases.table[number, axis].whole)
    return hull(spans) if spans else phases.scenario.start[axis]


def _taken_over(order: Order, one: Occurrence) -> bool:
    """Whether another step may take one of its axes from it, which ends it and stops its other axes as well."""
    return any(order.concurrent(one) & order.owners[axis] for axis in one.axes)


def may_leave_moving(phases: Phases, number: int) -> bool:
    """Whether an axis may still move when the step that moved it is over: it brakes, is taken over or pressed on."""
    one = phases.order.occurrences[number]
    return may_end_early(one) or _taken_over(phases.order, one) or isinstance(one.node.step.body, Press)


def may_end_early(one: Occurrence) -> bool:
    """Whether a step may be over before it has done what it says."""
    return _may_stop_short(one) or bool(one.uncut)


def _may_stop_short(one: Occurrence) -> bool:
    step = one.node.step
    timed = bool(one.axes) and step.duration is not None
    return step.until is not None or timed or step.on_timeout == "continue"


def _carries_on(one: Occurrence, axis: str) -> bool:
    body = one.node.step.body
    return isinstance(body, Move) and isinstance(dict(goals_of(one.node))[axis], ByDistance)


def _goal_span(phases: Phases, goal: ResolvedGoal, start: Span, retries: int) -> Span:
    flat, choices = phases.order.flat, phases.scenario.choices
    match goal:
        case AtPlace(position=position):
            return span_of(position, flat, choices)
        case ByDistance(distance=distance):
            low, high = span_of(distance, flat, choices)
            again = retries + 1
            return start[0] + min(low, low * again), start[1] + max(high, high * again)
        case AsRead(low=low, high=high):
            return low, high
        case PerWord(positions=positions):
            places = [place for _, place in positions]
            return min(places), max(places)


def _flick_reach(limits: Limits, through: Span, goal: Span, fastest: float) -> Span:
    """How far a flick may wind up and run on: from rest to speed at most, and from speed to rest at most.

    A run-up that turns round on its way has some acceleration when it turns, so it is never longer than the one from
    rest.
    """
    up = goal[1] >= through[0]
    down = goal[0] < through[1]
    low, high = hull((through, goal))
    if up:
        low = min(low, through[0] - _to_speed(limits, fastest))
        high = max(high, through[1] + stop_travel(fastest, 0.0, limits).high)
    if down:
        high = max(high, through[1] + _to_speed(limits, -fastest))
        low = min(low, through[0] + stop_travel(-fastest, 0.0, limits).low)
    return low, high


def _to_speed(limits: Limits, velocity: float) -> float:
    """The distance from rest to a velocity with acceleration 0: that of the mirrored stop, with the other side's
    limit."""
    amin, amax = limits.acceleration
    travelled = stop_travel(velocity, 0.0, Limits(limits.velocity, (-amax, -amin), limits.jerk))
    return travelled.high if velocity > 0.0 else -travelled.low


def _within(span: Span, low: float, high: float) -> Span:
    first = min(max(span[0], low), high)
    return first, max(min(span[1], high), first)
