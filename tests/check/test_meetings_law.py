"""The law below the rules for boxes and bodies: every moment of a routine, however it is timed, is one of those that
the check looks at, with the same steps moving and every axis within its span."""

from __future__ import annotations

from random import Random

import pytest
from crossing import crossing
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st
from random_world import AXES, World, routine_of, step_lists

from sequencer.check import examine
from sequencer.check.gating import Gating
from sequencer.check.order import Order
from sequencer.check.phases import phases_of
from sequencer.check.scenarios import scenarios_of
from sequencer.check.spans import ROUNDING, Span
from sequencer.check.together import EVERYWHERE, Together
from sequencer.plan.resolve import FlatRoutine, flatten
from sequencer.routine.steps import Step

Who = tuple[int | None, ...]
"""The step, by index, that moves each axis; None where it rests."""

LARGE = ((0.9, 1.0), (0.9, 1.0))
SEEN = [HealthCheck.filter_too_much, HealthCheck.too_slow]


def meetings_of(flat: FlatRoutine) -> dict[Who, list[tuple[Span, ...]]]:
    found: dict[Who, list[tuple[Span, ...]]] = {}
    order = Order(flat)
    for scenario in scenarios_of(flat):
        phases = phases_of(order, scenario)
        for parts, spans in Together(phases, Gating(phases, {}), dict.fromkeys(AXES, EVERYWHERE)).meetings():
            places = {part.axis: (part, span) for part, span in zip(parts, spans, strict=True)}
            who = tuple(
                order.occurrences[part.number].node.index if part.moving else None
                for part, _ in (places[axis] for axis in AXES)
            )
            found.setdefault(who, []).append(tuple(places[axis][1] for axis in AXES))
    return found


def has_its_axes(world: World, index: int) -> bool:
    """Whether a step that took axes has them still: it moves, or rests before its next attempt."""
    tried = world.attempts[index] < world.flat.nodes[index].step.retry
    return index in world.started and index not in world.over and (world.started[index] or tried)


def played(flat: FlatRoutine, meetings: dict[Who, list[tuple[Span, ...]]], random: Random, start: float) -> str:
    place = {"along": random.uniform(-0.005, 0.005), "across": start + random.uniform(-0.005, 0.005)}
    world = World(flat, lambda place: False, random, place)

    def is_unforeseen(place: dict[str, float]) -> bool:
        owners = [world.owner.get(axis) for axis in AXES]
        moving = [index is not None and has_its_axes(world, index) for index in owners]
        who = tuple(index if moves else None for index, moves in zip(owners, moving, strict=True))
        if not any(moving):
            return False  # a machine that only rests was moving there before
        # A step that has started and is slow to move counts as moving its axes.
        return not any(
            all(low - ROUNDING <= place[axis] <= high + ROUNDING for axis, (low, high) in zip(AXES, spans, strict=True))
            for movers, found in meetings.items()
            if all(here is None or here == mover for here, mover in zip(who, movers, strict=True))
            for spans in found
        )

    world.trouble = is_unforeseen
    return world.play()


@settings(max_examples=40, deadline=None, suppress_health_check=SEEN)
@given(step_lists(), st.sampled_from(["low", "high"]), st.integers(0, 2**32))
def test_every_moment_of_a_routine_is_one_that_the_check_looks_at(
    steps: tuple[Step, ...], start: str, seed: int
) -> None:
    is_foreseen(steps, start, seed)


@pytest.mark.slow
@settings(max_examples=1500, deadline=None, suppress_health_check=SEEN)
@given(step_lists(), st.sampled_from(["low", "high"]), st.integers(0, 2**32))
def test_every_moment_of_a_routine_is_foreseen_in_a_long_search(steps: tuple[Step, ...], start: str, seed: int) -> None:
    is_foreseen(steps, start, seed)


def is_foreseen(steps: tuple[Step, ...], start: str, seed: int) -> None:
    routine = routine_of(crossing(LARGE), steps, start)
    refused = {one.rule for one in examine(routine).findings if one.severity in ("error", "undecided")}
    assume(refused <= {"keep_out"})
    flat = flatten(routine)
    meetings = meetings_of(flat)
    for schedule in range(6):
        assert played(flat, meetings, Random(seed + schedule), 0.0 if start == "low" else 1.0) == ""
