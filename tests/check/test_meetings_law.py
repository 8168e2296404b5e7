"""The law below the rules for boxes and bodies: every moment of a routine, however it is timed, is one of those that
the check looks at, with the same steps moving and every axis within its span."""

from __future__ import annotations

from random import Random

import pytest
from clear_routines import lawful_steps
from crossing import crossing
from hypothesis import HealthCheck, Phase, assume, given, settings
from hypothesis import strategies as st
from played_world import Touch, World
from random_world import Source, routine_of, with_a_third

from sequencer.check.gating import Gating
from sequencer.check.order import Order
from sequencer.check.phases import phases_of
from sequencer.check.scenarios import scenarios_of
from sequencer.check.spans import ROUNDING, Span
from sequencer.check.together import EVERYWHERE, Part, Together
from sequencer.machine.machine import Machine
from sequencer.plan.resolve import FlatRoutine, flatten
from sequencer.routine.steps import Choose, Repeat

Who = tuple[int | None, ...]
"""The step, by index, that moves each axis; None where it rests."""

LARGE = ((0.9, 1.0), (0.9, 1.0))


def machine_of(axes: int) -> Machine:
    return crossing(LARGE) if axes == 2 else with_a_third(crossing(LARGE))


def products(flat: FlatRoutine) -> list[tuple[tuple[Part, ...], tuple[Span, ...], Order]]:
    """Of all axes, in their order."""
    found = []
    order = Order(flat)
    for scenario in scenarios_of(flat):
        phases = phases_of(order, scenario)
        axes = dict.fromkeys(flat.machine.axes, EVERYWHERE)
        for parts, spans in Together(phases, Gating(phases, {}), axes).meetings():
            places = {part.axis: (part, span) for part, span in zip(parts, spans, strict=True)}
            found.append((tuple(places[axis][0] for axis in axes), tuple(places[axis][1] for axis in axes), order))
    return found


def meetings_of(flat: FlatRoutine) -> dict[Who, list[tuple[Span, ...]]]:
    found: dict[Who, list[tuple[Span, ...]]] = {}
    for parts, spans, order in products(flat):
        who = tuple(order.occurrences[part.number].node.index if part.moving else None for part in parts)
        found.setdefault(who, []).append(spans)
    return found


def has_its_axes(world: World, index: int) -> bool:
    """Whether a step that took axes has them still: it moves, or rests before its next attempt."""
    tried = world.attempts[index] < world.flat.nodes[index].step.retry
    return index in world.started and index not in world.over and (world.started[index] or tried)


def movers(world: World) -> Who:
    owners = [world.owner.get(axis) for axis in world.flat.machine.axes]
    return tuple(index if index is not None and has_its_axes(world, index) else None for index in owners)


def moments(flat: FlatRoutine, meetings: dict[Who, list[tuple[Span, ...]]], random: Random, start: str) -> str:
    known = flat.machine.presets[start].positions
    world = World(
        flat,
        lambda place, touching: False,
        random,
        {axis: position + random.uniform(-0.005, 0.005) for axis, position in known.items()},
    )

    def is_unforeseen(place: dict[str, float], touching: Touch) -> bool:
        who = movers(world)
        if not any(index is not None for index in who):
            return False  # a machine that only rests was moving there before
        # A step that has started and is slow to move counts as moving its axes.
        return not any(
            all(
                low - ROUNDING <= position <= high + ROUNDING
                for position, (low, high) in zip(place.values(), spans, strict=True)
            )
            for foreseen, found in meetings.items()
            if all(here is None or here == mover for here, mover in zip(who, foreseen, strict=True))
            for spans in found
        )

    world.trouble = is_unforeseen
    return world.play()


STARTS = st.sampled_from(["low", "high"])
SEEDS = st.integers(0, 2**32)


@pytest.mark.parametrize("axes", [2, 3])
@settings(max_examples=30, deadline=None)
@given(start=STARTS, seed=SEEDS)
def test_every_moment_of_a_routine_is_one_that_the_check_looks_at(axes: int, start: str, seed: int) -> None:
    is_foreseen(axes, start, seed)


@pytest.mark.slow
@settings(max_examples=3000, deadline=None, phases=[Phase.generate])
@given(st.sampled_from([2, 3]), STARTS, SEEDS)
def test_every_moment_of_a_routine_is_foreseen_in_a_long_search(axes: int, start: str, seed: int) -> None:
    is_foreseen(axes, start, seed)


def is_foreseen(axes: int, start: str, seed: int) -> None:
    machine = machine_of(axes)
    source = Source(Random(seed), axes=tuple(machine.axes))
    routine = routine_of(machine, lawful_steps(source, machine, start, frozenset({"keep_out"})), start)
    flat = flatten(routine)
    meetings = meetings_of(flat)
    for schedule in range(12):
        assert moments(flat, meetings, Random(seed + schedule), start) == "", routine.steps


@pytest.mark.parametrize("axes", [2, 3])
@settings(max_examples=20, deadline=None, suppress_health_check=[HealthCheck.filter_too_much])
@given(seed=SEEDS)
def test_no_product_of_plain_steps_is_looked_at_that_cannot_be(axes: int, seed: int) -> None:
    """Where every step does what it says, some timing has each of them: who moves, and who has left the other axes."""
    machine = machine_of(axes)
    source = Source(Random(seed), axes=tuple(machine.axes), plain=True)
    steps = lawful_steps(source, machine, "low", frozenset({"keep_out"}), 4)
    flat = flatten(routine_of(machine, steps, "low"))
    # Of branches and of joins that take the first, more is looked at than can be: which of them come is not told apart.
    assume(not any(isinstance(node.step.body, Choose) or getattr(node.start, "any", False) for node in flat.nodes))
    unseen = {whose(parts, order, flat) for parts, _, order in products(flat)} - {()}
    for play in range(1_500):
        unseen -= seen_in(World(flat, never, Random(seed + play), dict(machine.presets["low"].positions)))
        if not unseen:
            return
    raise AssertionError(f"no timing has {unseen} in {steps}")


Whose = tuple[tuple[int | None, bool], ...]
"""Of each axis the step, by index, that moves it or has left it there, and whether it moves it."""


def never(place: dict[str, float], touching: Touch) -> bool:
    return False


def whose(parts: tuple[Part, ...], order: Order, flat: FlatRoutine) -> Whose:
    """Nothing for what is known to be looked at in vain: a step that moves one of its axes and has left the other, and
    what a later passage of three or more has left, seen from outside."""
    nodes = [order.occurrences[part.number].node if part.number >= 0 else None for part in parts]
    found = tuple((None if node is None else node.index, part.moving) for node, part in zip(nodes, parts, strict=True))
    around = [None if node is None else node.parent for node in nodes]
    outside = {block for block, part in zip(around, parts, strict=True) if part.moving}
    for block, part in zip(around, parts, strict=True):
        step = flat.nodes[block].step if block is not None and block >= 0 else None
        many = step is not None and isinstance(step.body, Repeat) and step.body.times == 3.0
        if not part.moving and many and block not in outside:
            return ()
    return () if any((number, False) in found for number, moving in found if moving) else found


def seen_in(world: World) -> set[Whose]:
    last: dict[str, int] = {}
    seen = set()

    def note(place: dict[str, float], touching: Touch) -> bool:
        who = movers(world)
        last.update({axis: index for axis, index in zip(place, who, strict=True) if index is not None})
        seen.add(tuple((last.get(axis), index is not None) for axis, index in zip(place, who, strict=True)))
        return False

    world.trouble = note
    world.play()
    return seen
