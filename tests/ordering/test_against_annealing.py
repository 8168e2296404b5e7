"""Orders of the fixed machine against the best that a long search of another kind finds."""

from __future__ import annotations

import json
from pathlib import Path
from random import Random

import pytest
from annealing import Annealing

from sequencer import load_machine
from sequencer.check import examine
from sequencer.ordering import GatedPlan, Ordering
from sequencer.ordering.written import routine_of_plan

CASES = Path(__file__).parents[1] / "cases" / "ordering"

WORST = 1.08
"""An order takes at most so many times what the best known one does [1]."""

RENEWED = 1.02
"""What was kept of a long search is no slower than what a shorter one finds by more than this [1]."""

FEW = [("feeder", "stow"), ("edge", "carry"), ("under_low", "stow"), ("over_down", "edge")]


@pytest.fixture(scope="module")
def ordering() -> Ordering:
    return Ordering(load_machine(CASES / "machine.yaml"))


def known() -> dict[tuple[str, str], float]:
    """The best durations that are known, by start and goal [s]."""
    kept = json.loads((CASES / "best_known.json").read_text())["durations"]
    return {(start, goal): duration for start, goals in kept.items() for goal, duration in goals.items()}


def annealed(
    ordering: Ordering, annealing: Annealing, start: str, goal: str, rounds: int, tries: int
) -> tuple[GatedPlan | None, float]:
    """The best order between two presets that annealing finds from nothing, if it finds one: [s]."""
    goals = ordering.goals(goal)
    ends = [goals[axis] for axis in range(len(ordering.axes))]
    plan, duration = annealing.search(ordering.spans(start), ends, Random(f"{start} {goal}"), rounds, tries)
    return plan, duration


def test_all_132_changes_take_at_most_8_percent_longer_than_the_best_that_long_searches_found(
    ordering: Ordering,
) -> None:
    presets, best = ordering.machine.presets, known()
    found = {(start, goal): ordering.find(start, goal) for start in presets for goal in presets if start != goal}
    assert len(found) == 132
    # All axes at once cannot be beaten; every other change was searched for.
    assert best.keys() == {ends for ends, one in found.items() if one.kind != "at once"}
    slower = {ends: found[ends].duration / duration for ends, duration in best.items()}
    assert max(slower.values()) <= WORST, sorted(slower.items(), key=lambda one: -one[1])[:5]


def test_what_annealing_finds_is_clear_by_the_check_and_no_more_than_8_percent_faster(ordering: Ordering) -> None:
    annealing = Annealing(ordering.grid, ordering.clock)
    for start, goal in FEW:
        plan, duration = annealed(ordering, annealing, start, goal, rounds=10, tries=3000)
        assert plan is not None
        assert examine(routine_of_plan(ordering, plan, start, goal)).verdict == "clear"
        assert duration < 1.25 * known()[start, goal], "the search itself is too weak to tell anything"
        assert ordering.find(start, goal).duration <= WORST * duration


@pytest.mark.slow
def test_annealing_from_nothing_and_from_what_is_found_gains_no_more_than_8_percent_on_any_change(
    ordering: Ordering,
) -> None:
    annealing, best = Annealing(ordering.grid, ordering.clock, smallest=True), known()
    in_vain = 0
    for start, goal in best:
        found = ordering.find(start, goal)
        plan, duration = annealed(ordering, annealing, start, goal, rounds=40, tries=8000)
        in_vain += plan is None
        _, other = annealing.best(found.plan, 8000, Random(1), hot=0.03)
        assert found.duration <= WORST * min(duration, other), (start, goal)
        assert best[start, goal] <= RENEWED * min(duration, other), (start, goal)
    assert in_vain <= 5
