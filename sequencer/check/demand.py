"""What a planned motion asks of motors: the force that each axis needs at instants of the plan.

    force needed = M(q) q'' + bias(q, q') - counterbalance + viscous q' + friction

with mass matrix and bias of the plant's own equations, all axes together, so that a flick of the hand is felt by the
lift. Split into what goes with accelerations and squares of speeds, what goes with speeds, and what is there at rest,
so that a motion c times slower is known too: the first falls by c^2, the second by c.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from profiles import Profile, State
from sequencer.machine.machine import Machine
from sequencer.plan.planned import Plan, PlannedStep
from sequencer.plant.cargo import Cargo
from sequencer.plant.linkage import Linkage, linkages
from sequencer.plant.mechanism import place_in_triangle

STANDS = ""
"""Stands for a step where no step moves an axis: it holds its place while others move."""

_MOST_SEGMENTS = 24
"""A profile of more segments than this is looked at in even steps."""

_EVEN_STEPS = 96
_HAIR = 1e-6
"""So near to the ends of a segment its accelerations are taken [s]: they may jump from one to the next."""


class Demand(NamedTuple):
    """What one axis needs at an instant, rotors and friction left out.

    Attributes:
        at: the instant of the plan [s].
        step: the step that moves the axis then, or `STANDS`.
        position, velocity, acceleration: of the axis [SI].
        moving: what goes with accelerations and squares of speeds [N or N m].
        weight: what holds it at rest, without its counterbalance [N or N m].
    """

    at: float
    step: str
    position: float
    velocity: float
    acceleration: float
    moving: float
    weight: float


@dataclass(frozen=True, slots=True)
class PlanDemands:
    """The demands of a plan on every axis whose load and actuators are declared.

    Attributes:
        times: the instants that were looked at [s].
        by_piece: by the piece held (None: none) and by axis, a demand for every instant.
    """

    times: tuple[float, ...]
    by_piece: Mapping[str | None, Mapping[str, tuple[Demand, ...]]]


def judged_axes(machine: Machine) -> list[str]:
    """The axes with a position whose motors can be judged."""
    return [axis.name for axis in machine.axes.values() if axis.travel is not None and axis.has_motors_and_load]


def demands_of(plan: Plan, pieces: Iterable[str | None] | None = None) -> PlanDemands:
    """What a punctual plan asks of every judged axis, without a piece and with each that it may carry.

    Args:
        plan: the plan.
        pieces: the pieces to look at, None among them for none; None: all of the machine.
    """
    machine = plan.routine.machine
    held = [None, *machine.pieces] if pieces is None else list(pieces)
    times = _instants(plan)
    names = list(machine.axes)
    states = [[_state(plan, name, time) for name in names] for time in times]
    owners = {name: [_owner(plan, name, time) for time in times] for name in judged_axes(machine)}
    return PlanDemands(times, {piece: _of_piece(machine, piece, times, states, owners) for piece in held})


def trees_of(machine: Machine, piece: str | None) -> list[Linkage]:
    """The equations of motion of a machine that carries a piece.

    Args:
        machine: the machine.
        piece: that it carries, or None.
    """
    trees = linkages(machine)
    Cargo(machine, trees, machine.pieces[piece] if piece is not None else None)
    return trees


def _of_piece(
    machine: Machine,
    piece: str | None,
    times: Sequence[float],
    states: Sequence[Sequence[State]],
    owners: Mapping[str, Sequence[str]],
) -> dict[str, tuple[Demand, ...]]:
    names = list(machine.axes)
    still = [0.0] * len(names)
    found: dict[str, list[Demand]] = {name: [] for name in owners}
    for tree in trees_of(machine, piece):
        size = len(tree.coordinates)
        rows = [
            (number, place - size, names[number], [place_in_triangle(size, place, other) for other in range(size)])
            for place, number in enumerate(tree.coordinates)
            if names[number] in found
        ]
        for index, (time, row) in enumerate(zip(times, states, strict=True)):
            position = [state.position for state in row]
            terms = tree.equations(position, [state.velocity for state in row], still, tree.masses)
            rest = tree.equations(position, still, still, tree.masses)
            for number, bias, name, entries in rows:
                moving = terms[bias] - rest[bias]
                for entry, coordinate in zip(entries, tree.coordinates, strict=True):
                    moving += terms[entry] * row[coordinate].acceleration
                found[name].append(Demand(time, owners[name][index], *row[number], moving, rest[bias]))
    return {name: tuple(demands) for name, demands in found.items()}


def _instants(plan: Plan) -> tuple[float, ...]:
    """Where accelerations begin, end and are between, and where anything starts."""
    times = {0.0, *(step.motion_start for step in plan.steps)}
    for step in plan.steps:
        for profile in step.profiles.values():
            times.update(step.motion_start + time for time in _looks(profile))
    return tuple(sorted({round(time, 6) for time in times}))


def _looks(profile: Profile) -> Iterable[float]:
    if len(profile.segments) > _MOST_SEGMENTS:
        return [profile.duration * look / _EVEN_STEPS for look in range(_EVEN_STEPS + 1)]
    found = []
    for segment in profile.segments:
        begin, lasts = segment.start_time, segment.duration
        found += [begin + _HAIR, begin + lasts / 3.0, begin + lasts / 1.5, begin + lasts - _HAIR]
    return [time for time in found if 0.0 <= time <= profile.duration]


def _state(plan: Plan, axis: str, time: float) -> State:
    return plan.state(axis, time) if axis in plan.initial else State(0.0)


def _owner(plan: Plan, axis: str, time: float) -> str:
    owner, since = STANDS, -1.0
    for step in plan.steps:
        if _moves(step, axis, time) and step.motion_start >= since:
            owner, since = step.name, step.motion_start
    return owner


def _moves(step: PlannedStep, axis: str, time: float) -> bool:
    profile = step.profiles.get(axis)
    return profile is not None and step.motion_start <= time <= step.motion_start + profile.duration
