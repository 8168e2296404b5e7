"""`plan`: a routine's times and profiles."""

from __future__ import annotations

from collections.abc import Mapping

from sequencer.plan.motion import Values, moved_axes
from sequencer.plan.planned import Plan, PlannedStep
from sequencer.plan.resolve import FlatRoutine, flatten
from sequencer.plan.timing import ForwardPass, Waits
from sequencer.plan.values import chosen_values, initial_positions
from sequencer.routine.routine import Routine
from sequencer.routine.steps import Press, Pulse, Repeat, Step, Wait


def plan(routine: Routine, start: str | None = None, parameters: Mapping[str, float | str] | None = None) -> Plan:
    """Give every step of a routine its times and every move its profiles, as they are if all goes punctually.

    Waits for a condition take what they `usually` take, or one tick; gates open when the planned motion of the axes
    they watch passes; a choose takes its first branch; each step says in `about` what was taken for granted.

    Args:
        routine: the routine.
        start: the preset to start from; None: the routine's own.
        parameters: values [SI] and preset names for the routine's parameters; those left out keep their own.

    Raises:
        ModelError: a parameter is unknown or out of its range, the start is no preset, or a step cannot move as it
            says (a
            flick with too short a run-up, a goal outside the travel).
    """
    flat = flatten(routine)
    return planned(flat, chosen_values(routine, parameters or {}), start)


def planned(flat: FlatRoutine, values: Values, start: str | None = None, found: ForwardPass | None = None) -> Plan:
    """The plan of a routine laid out flat, with a value for every parameter.

    Args:
        flat: the routine.
        values: a value for every parameter.
        start: the preset to start from; None: the routine's own.
        found: the forward pass with these values and that start, if it was made already.

    Raises:
        MotionError: a step cannot move as it says.
    """
    initial, assumed = initial_positions(flat, start)
    usual = ForwardPass(flat, values, initial) if found is None else found
    shortest = _again(usual, "shortest") if any(node.step.usually is not None for node in flat.nodes) else usual
    longest = _again(usual, "longest") if any(_is_open(node.step) for node in flat.nodes) else usual
    steps = tuple(
        _planned_step(usual, index, assumed, _end(shortest, index), _end(longest, index))
        for index in sorted(usual.timed)
    )
    trajectories = {axis: tuple(parts) for axis, parts in usual.trajectories.items()}
    return Plan(flat.routine, steps, usual.duration, values, initial, trajectories)


def _planned_step(
    found: ForwardPass, index: int, assumed: tuple[str, ...], earliest: float, latest: float
) -> PlannedStep:
    node, timed = found.flat.nodes[index], found.timed[index]
    about = list(timed.about)
    first = [
        axis for axis in timed.profiles if found.trajectories[axis][0] == (timed.motion_start, timed.profiles[axis])
    ]
    unknown = [axis for axis in first if axis in assumed]
    if unknown:
        about.append(f"{' and '.join(unknown)} may start anywhere; planned from the far end of the travel")
    return PlannedStep(
        name=node.name,
        kind=node.step.kind,
        start=timed.start,
        motion_start=timed.start if timed.motion_start is None else timed.motion_start,
        end=found.duration if timed.end is None else timed.end,
        earliest_end=earliest,
        latest_end=latest,
        profiles=timed.profiles,
        marks=timed.marks,
        axes=moved_axes(node),
        opened_by=None if timed.opened_by is None else found.flat.nodes[timed.opened_by].name,
        about="; ".join(about),
        estimated=bool(about),
    )


def _again(usual: ForwardPass, waits: Waits) -> ForwardPass:
    return ForwardPass(usual.flat, usual.values, usual.initial, waits, usual.branch, usual.pick, usual.forced)


def _end(found: ForwardPass, index: int) -> float:
    timed = found.timed.get(index)
    return float("inf") if timed is None or timed.end is None else timed.end


def _is_open(step: Step) -> bool:
    return isinstance(step.body, Wait | Pulse | Press | Repeat) and step.duration is None
