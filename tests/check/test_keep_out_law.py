"""The law of the keep-out rule: what it calls clear never gets into a box, however late, slow or held its steps are."""

from __future__ import annotations

from collections.abc import Callable
from random import Random

import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st
from random_world import AXES, BAND, PLACES, SCHEDULES, World, boxes, machine_with, routine_of, step_lists

from sequencer.check import examine
from sequencer.check.keep_out import KeepOutSearch
from sequencer.check.model import model_findings
from sequencer.check.order import Order
from sequencer.check.scenarios import scenarios_of
from sequencer.plan.resolve import flatten
from sequencer.routine.steps import At, Following, Move, Start, Step, With

Box = tuple[tuple[float, float], tuple[float, float]]


def inside(box: Box) -> Callable[[dict[str, float]], bool]:
    return lambda place: all(
        low - BAND < place[axis] < high + BAND for axis, (low, high) in zip(AXES, box, strict=True)
    )


QUIET = [HealthCheck.filter_too_much, HealthCheck.too_slow]


@settings(max_examples=20, deadline=None, suppress_health_check=QUIET)
@given(step_lists(), boxes(), st.integers(0, 2**32))
def test_what_is_called_clear_never_gets_into_a_box_whatever_the_timing(
    steps: tuple[Step, ...], box: tuple[tuple[float, float], tuple[float, float]], seed: int
) -> None:
    never_gets_in(steps, box, seed)


@pytest.mark.slow
@settings(max_examples=2000, deadline=None, suppress_health_check=QUIET)
@given(step_lists(), boxes(), st.integers(0, 2**32))
def test_what_is_called_clear_never_gets_into_a_box_in_a_long_search(
    steps: tuple[Step, ...], box: tuple[tuple[float, float], tuple[float, float]], seed: int
) -> None:
    never_gets_in(steps, box, seed)


def never_gets_in(steps: tuple[Step, ...], box: tuple[tuple[float, float], tuple[float, float]], seed: int) -> None:
    machine = machine_with(box)
    routine = routine_of(machine, steps, "anywhere")
    flat = flatten(routine)
    # A look at the boxes alone is cheap and throws most examples out.
    assume(not any(True for _ in KeepOutSearch(Order(flat), scenarios_of(flat)).conflicts()))
    assume(examine(routine).verdict == "clear")
    for schedule in range(SCHEDULES):
        random = Random(seed + schedule)
        place = {axis: random.choice([random.choice(PLACES), random.random()]) for axis in AXES}
        if all(low - BAND <= place[axis] <= high + BAND for axis, (low, high) in zip(AXES, box, strict=True)):
            continue
        assert World(flat, inside(box), random, place).play() == ""


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
