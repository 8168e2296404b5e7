"""The law of the keep-out rule: what it calls clear never gets into a box, however late, slow or held its steps are."""

from __future__ import annotations

from collections.abc import Callable
from random import Random

import pytest
from clear_routines import clear_routine
from crossing import crossing
from hypothesis import HealthCheck, Phase, assume, given, settings
from hypothesis import strategies as st
from played_world import Touch, World, played
from random_world import AXES, BAND, PLACES, SCHEDULES, Box, boxes, machine_with, routine_of

from sequencer.check.keep_out import KeepOutSearch
from sequencer.check.model import model_findings
from sequencer.check.order import Order
from sequencer.check.scenarios import scenarios_of
from sequencer.plan.resolve import flatten
from sequencer.routine.steps import At, Following, Move, Start, Step, With


def inside(box: Box) -> Callable[[dict[str, float], Touch], bool]:
    return lambda place, touching: all(
        low - BAND < place[axis] < high + BAND for axis, (low, high) in zip(AXES, box, strict=True)
    )


QUIET = [HealthCheck.filter_too_much, HealthCheck.too_slow]


@settings(max_examples=20, deadline=None)
@given(boxes(), st.integers(0, 2**32))
def test_what_is_called_clear_never_gets_into_a_box_whatever_the_timing(box: Box, seed: int) -> None:
    never_gets_in(box, seed)


@pytest.mark.slow
@settings(max_examples=2000, deadline=None, phases=[Phase.generate])
@given(boxes(), st.integers(0, 2**32))
def test_what_is_called_clear_never_gets_into_a_box_in_a_long_search(box: Box, seed: int) -> None:
    never_gets_in(box, seed)


def never_gets_in(box: Box, seed: int) -> None:
    """The routine has up to six steps and blocks of up to three; gates that were offered are pasted in."""
    machine, start = crossing(box), Random(seed).choice(["anywhere", "low", "high"])
    routine, _ = clear_routine(Random(seed), machine, start)
    assume(routine.steps)
    for schedule in range(SCHEDULES):
        random = Random(seed + schedule)
        place = {axis: random.choice([random.choice(PLACES), random.random()]) for axis in AXES}
        if start in machine.presets:
            known = machine.presets[start].positions
            place = {axis: position + random.uniform(-0.005, 0.005) for axis, position in known.items()}
        if all(low - BAND <= place[axis] <= high + BAND for axis, (low, high) in zip(AXES, box, strict=True)):
            continue
        assert played(routine, inside(box), random, place) == "", (routine.steps, routine.on_cancel, routine.on_fault)


@settings(max_examples=60, deadline=None, suppress_health_check=QUIET)
@given(
    st.lists(st.tuples(st.sampled_from(AXES), st.sampled_from(PLACES), st.booleans()), min_size=2, max_size=4),
    boxes(),
)
def test_a_conflict_of_plain_moves_really_happens_with_some_timing(
    goals: list[tuple[str, float, bool]], box: tuple[tuple[float, float], tuple[float, float]]
) -> None:
    """Without gates and early ends the spans are exact, so that a conflict is no false alarm."""
    steps = []
    together: set[str] = set()
    for axis, _, beside in goals:
        together = together if beside else set()
        assume(axis not in together)  # two owners of one axis are an error of their own
        together.add(axis)
    for index, (axis, goal, beside) in enumerate(goals):
        start: Start = With(f"s{index - 1}") if beside and index else Following()
        steps.append(Step(f"s{index}", Move(((axis, At(goal)),)), start))
    routine = routine_of(machine_with(box), tuple(steps), "anywhere")
    # Two steps that fight over an axis are refused before any box is looked at.
    assume(not list(model_findings(routine)))
    assume(box != ((0.0, 1.0), (0.0, 1.0)))
    flat = flatten(routine)
    found = list(KeepOutSearch(Order(flat), scenarios_of(flat)).conflicts())
    assume(found)
    random = Random(7)
    for _ in range(3000):
        start = random.choice(found).scenario.start
        place = {axis: random.uniform(*start[axis]) for axis in AXES}
        if World(flat, inside(box), random, place).play():
            return
    raise AssertionError(f"no schedule gets into the box: {found}")
