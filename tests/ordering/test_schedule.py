"""Legs placed one after the other: as early as they may, and never into a box that is not free."""

from __future__ import annotations

from itertools import permutations
from pathlib import Path
from random import Random

import pytest

from sequencer import load_machine
from sequencer.ordering import Ordering
from sequencer.ordering.schedule import NEAR, Scheduled, Scheduler

CASE = Path(__file__).parents[1] / "cases" / "ordering" / "machine.yaml"
ENDS = [("stow", "feeder"), ("over_low", "stow"), ("top_out", "edge"), ("carry", "over_down"), ("edge", "carry")]


@pytest.fixture(scope="module")
def ordering() -> Ordering:
    return Ordering(load_machine(CASE))


def placed(ordering: Ordering, start: str, goal: str) -> list[Scheduled]:
    """Straight motions between two presets in every sequence that there is."""
    scheduler = Scheduler(ordering.clock, ordering.grid.free_fine)
    stops = tuple((end,) for _, end in sorted(ordering.goals(goal).items()))
    found = [scheduler.scheduled(ordering.spans(start), stops, sequence) for sequence in permutations(range(3))]
    return [one for one in found if one is not None]


@pytest.mark.parametrize(("start", "goal"), ENDS)
def test_all_boxes_are_free_and_the_clock_agrees(ordering: Ordering, start: str, goal: str) -> None:
    every = placed(ordering, start, goal)
    assert every
    for one in every:
        plan = one.plan(ordering.spans(start))
        assert plan.is_free(ordering.grid.free_fine)
        ends = max(legs[-1].ends for legs in one.legs)
        # Gates are a readable step before where an axis is when a leg begins, so the clock may be a little earlier.
        assert ends - 0.01 <= ordering.clock.lasts(plan) <= ends + 1e-9


@pytest.mark.parametrize(("start", "goal"), ENDS)
def test_no_leg_that_waits_could_begin_earlier_beside_those_placed_before(
    ordering: Ordering, start: str, goal: str
) -> None:
    """Every leg that waits is let go a little earlier: then some box is not free any more."""
    spans, waiting = ordering.spans(start), 0
    for one in placed(ordering, start, goal):
        axis = one.sequence[-1]
        leg = one.legs[axis][0]
        if leg.starts == 0.0:
            continue
        waiting += 1
        scheduler = Scheduler(ordering.clock, ordering.grid.free_fine)
        early = leg.starts - 4.0 * NEAR
        before = [() if number == axis else legs for number, legs in enumerate(one.legs)]
        waits = {
            other: far for other in range(3) if before[other] and (far := scheduler._far(other, before[other], early))
        }
        plan = one.plan(spans)
        earlier = plan
        for other in range(3):
            if other != axis:
                earlier = earlier.waiting((axis, 1), other, waits.get(other))
        assert not earlier.is_free(ordering.grid.free_fine)
    assert waiting


@pytest.mark.parametrize(("start", "goal"), ENDS)
def test_the_best_sequence_is_found_though_not_all_are_gone_through(ordering: Ordering, start: str, goal: str) -> None:
    scheduler = Scheduler(ordering.clock, ordering.grid.free_fine)
    stops = tuple((end,) for _, end in sorted(ordering.goals(goal).items()))
    found = scheduler.fastest(ordering.spans(start), stops)
    assert found is not None
    assert found.value == pytest.approx(min(one.value for one in placed(ordering, start, goal)), rel=0.01)


def test_what_is_like_another_schedule_is_taken_from_it_and_comes_out_the_same(ordering: Ordering) -> None:
    source = Random(3)
    for start, goal in ENDS:
        scheduler, spans = Scheduler(ordering.clock, ordering.grid.free_fine), ordering.spans(start)
        for one in placed(ordering, start, goal):
            axis = source.randrange(3)
            by = source.uniform(ordering.grid.low[axis], ordering.grid.high[axis])
            stops = tuple((by, *mine) if number == axis else mine for number, mine in enumerate(one.stops))
            sequence = (*one.sequence, axis)
            assert scheduler.scheduled(spans, stops, sequence, like=one) == scheduler.scheduled(spans, stops, sequence)


def test_a_schedule_that_is_not_better_than_asked_for_is_none(ordering: Ordering) -> None:
    best = min(placed(ordering, "stow", "feeder"), key=lambda one: one.value)
    scheduler, spans = Scheduler(ordering.clock, ordering.grid.free_fine), ordering.spans("stow")
    assert scheduler.scheduled(spans, best.stops, best.sequence, best.value) is None
    found = scheduler.scheduled(spans, best.stops, best.sequence, best.value + 1e-3)
    assert found is not None
    assert found.value == pytest.approx(best.value, abs=2.0 * NEAR)
