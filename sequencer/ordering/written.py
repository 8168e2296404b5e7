"""A gated way as an ordinary routine: a step for each leg, or one for legs that begin and wait alike."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from sequencer.machine.condition import Condition, parse_condition
from sequencer.machine.machine import NANOSECONDS, Machine, Preset
from sequencer.ordering.gated import GatedPlan, Progress
from sequencer.ordering.search import Ordering, Place
from sequencer.routine.routine import OutsideRange, Routine
from sequencer.routine.steps import After, At, Move, Step, Timeout
from sequencer.units import exact

HERE = "here"
"""The preset that stands for a configuration that is none."""

SPARE = 3 * NANOSECONDS
"""Each step may take so much longer than planned [ns]: a way that was held plans anew from rest, and others wait."""

Leg = tuple[int, int]


def routine_of_plan(ordering: Ordering, plan: GatedPlan, start: Place, goal: Place, name: str = "") -> Routine:
    """The routine of a way.

    Args:
        ordering: whose way it is.
        plan: the way.
        start: where it starts: a preset, or positions, for which the routine's machine gets a preset `here`.
        goal: where it goes to.
        name: what it is called; by default after start and goal.
    """
    machine, first = started(ordering, start)
    last = goal if isinstance(goal, str) else "there"
    groups = _groups(plan)
    names = {leg: _name(ordering, plan, group) for group in groups for leg in group}
    known: dict[Leg, tuple[str, ...]] = {}
    steps = []
    for group in groups:
        step = _step(ordering, machine, plan, goal, group, names, known)
        assert isinstance(step.start, After)
        known |= dict.fromkeys(group, step.start.steps)
        steps.append(step)
    about = f"found as the fastest way from {ordering.name(start)} to {ordering.name(goal)}"
    return Routine(
        name or f"{first}_to_{last}",
        machine,
        tuple(steps),
        start=first,
        default_timeout=Timeout("planned", SPARE),
        outside=tuple(OutsideRange(body, span) for body, span in ordering.grid.outside.items()),
        about=about,
    )


def started(ordering: Ordering, start: Place) -> tuple[Machine, str]:
    """The machine and the preset that a routine starts from; positions become a preset of their own."""
    machine = ordering.machine
    if isinstance(start, str):
        return machine, start
    name = HERE
    while name in machine.presets:
        name += "_"
    presets = {**machine.presets, name: Preset(name, dict(start))}
    return replace(machine, presets=presets), name


def _groups(plan: GatedPlan) -> list[tuple[Leg, ...]]:
    """Legs that make one step, in an order in which each stands after all it waits for."""
    ends = {
        (other, progress.leg)
        for waits in plan.waits.values()
        for other, progress in waits.items()
        if not progress.place
    }
    ends |= {(axis, leg) for axis, leg in plan.legs if leg < len(plan.stops[axis])}
    ends |= {
        (other, progress.leg - 1)
        for waits in plan.waits.values()
        for other, progress in waits.items()
        if progress.leg > 1
    }
    alike: dict[object, list[Leg]] = {}
    for leg in _in_order(plan):
        own = (leg[0], leg[1] - 1) if leg[1] > 1 else None
        key: object = leg if leg in ends or own else tuple(sorted(plan.waits.get(leg, {}).items()))
        alike.setdefault(key, []).append(leg)
    return [tuple(legs) for legs in alike.values()]


def _in_order(plan: GatedPlan) -> list[Leg]:
    found: list[Leg] = []
    waiting = plan.legs
    while waiting:
        ready = [
            leg
            for leg in waiting
            if (leg[1] == 1 or (leg[0], leg[1] - 1) in found)
            and all((other, progress.leg) in found for other, progress in plan.waits.get(leg, {}).items())
        ]
        if not ready:
            raise ValueError("legs wait for each other in a ring")
        found += ready
        waiting = [leg for leg in waiting if leg not in ready]
    return found


def _name(ordering: Ordering, plan: GatedPlan, group: tuple[Leg, ...]) -> str:
    words = []
    for axis, leg in sorted(group):
        words.append(ordering.axes[axis] + (f"_{leg}" if len(plan.stops[axis]) > 1 else ""))
    return "move_" + "_and_".join(words)


def _step(
    ordering: Ordering,
    machine: Machine,
    plan: GatedPlan,
    goal: Place,
    group: tuple[Leg, ...],
    names: Mapping[Leg, str],
    known: Mapping[Leg, tuple[str, ...]],
) -> Step:
    first = group[0]
    after: list[str] = []
    gates: list[str] = []
    for axis, leg in sorted(group):
        if leg > 1:
            after.append(names[axis, leg - 1])
    for other, progress in sorted(plan.waits.get(first, {}).items()):
        if progress.place is None:
            after.append(names[other, progress.leg])
            continue
        # Past a place of a leg, all is over that the leg itself came after; said so, others can rely on it.
        after += known[other, progress.leg]
        gates.append(_gate(ordering, plan, other, progress, progress.place))
    once: Condition | None = parse_condition(" and ".join(gates), machine.vocabulary()) if gates else None
    mine = tuple(dict.fromkeys(name for name in after if name != names[first]))
    return Step(names[first], _move(ordering, plan, goal, group), start=After(mine), once=once)


def _gate(ordering: Ordering, plan: GatedPlan, axis: int, progress: Progress, place: float) -> str:
    upwards = plan.stops[axis][progress.leg - 1] >= plan.begin(axis, progress.leg)
    name = ordering.axes[axis]
    return f"{name} {'>' if upwards else '<'} {exact(place, ordering.machine.axes[name].dimension)}"


def _move(ordering: Ordering, plan: GatedPlan, goal: Place, group: tuple[Leg, ...]) -> Move:
    last = all(leg == len(plan.stops[axis]) for axis, leg in group)
    if isinstance(goal, str) and last:
        named = set(ordering.machine.presets[goal].positions)
        if named == {ordering.axes[axis] for axis, _ in group}:
            return Move(preset=goal)
    goals = []
    for axis, leg in sorted(group):
        name, stop = ordering.axes[axis], plan.stops[axis][leg - 1]
        at_preset = (
            isinstance(goal, str)
            and leg == len(plan.stops[axis])
            and ordering.machine.presets[goal].positions.get(name) == stop
        )
        goals.append((name, At(goal if at_preset and isinstance(goal, str) else stop)))
    return Move(tuple(goals))
