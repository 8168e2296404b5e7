"""What orders of the fixed machine are worth: every change is clear, faster than by stow, and holds do no harm."""

from __future__ import annotations

import itertools
from pathlib import Path
from random import Random
from statistics import median

import pytest

from sequencer import load_machine, rehearse
from sequencer.check import check, examine
from sequencer.check.ordered import order_with
from sequencer.ordering import NoOrder, Ordering
from sequencer.ordering.gated import Clock
from sequencer.routine.steps import Button

CASE = Path(__file__).parents[1] / "cases" / "ordering" / "machine.yaml"


@pytest.fixture(scope="module")
def ordering() -> Ordering:
    return Ordering(load_machine(CASE))


@pytest.mark.slow
def test_all_132_changes_are_clear_by_the_check_and_take_the_median_half_of_going_by_stow(ordering: Ordering) -> None:
    machine, ratios = ordering.machine, []
    for start in machine.presets:
        for goal in machine.presets:
            if start != goal:
                routine, found = order_with(ordering, start, goal)
                examination = examine(routine)
                assert examination.plan is not None
                assert examination.plan.duration == pytest.approx(found.duration, abs=0.02), (start, goal)
                ratios.append(found.duration / one_axis_at_a_time(ordering, start, goal))
    assert len(ratios) == 132
    assert median(ratios) <= 0.5


def one_axis_at_a_time(ordering: Ordering, start: str, goal: str) -> float:
    """The time by way of stow, each axis by itself, clear or not [s]."""
    clock = Clock(ordering.machine, ordering.axes)
    places = [ordering.machine.presets[name].positions for name in (start, "stow", goal)]
    total = 0.0
    for begin, end in itertools.pairwise(places):
        for axis, name in enumerate(ordering.axes):
            if begin[name] != end[name]:
                total += clock.profile(axis, begin[name], end[name]).duration + clock.settle[axis]
    return total


@pytest.mark.slow
def test_of_600_random_starts_99_percent_find_a_way_to_stow(ordering: Ordering) -> None:
    source, starts, unsolved = Random(6), 0, []
    while starts < 600:
        start = {
            name: source.uniform(low, high)
            for name, low, high in zip(ordering.axes, ordering.grid.low, ordering.grid.high, strict=True)
        }
        spans = ordering.spans(start)
        if ordering.grid.obstacle([span[0] for span in spans], [span[1] for span in spans]) is not None:
            continue
        starts += 1
        try:
            ordering.find(start, "stow")
        except NoOrder as error:
            unsolved.append(str(error))
    assert len(unsolved) <= 6, unsolved


def test_rehearsals_with_six_holds_each_finish_and_keep_their_margins(ordering: Ordering) -> None:
    play_with_holds(ordering, 6)


def test_every_gate_stays_true_once_it_was(ordering: Ordering) -> None:
    """Else a step that a hold makes late finds its gate shut again and waits for good."""
    gates = 0
    for start, goal in [
        ("over_middle", "feeder"),
        ("feeder", "over_low"),
        ("edge", "floor_out"),
        ("floor_near", "high"),
    ]:
        plan = ordering.find(start, goal).plan
        for axis, leg, place in [
            (other, far.leg, far.place)
            for waits in plan.waits.values()
            for other, far in waits.items()
            if far.place is not None
        ]:
            gates += 1
            stops = plan.stops[axis]
            spare = ordering.clock.axes[axis].tolerance.position
            upwards = stops[leg - 1] > plan.begin(axis, leg)
            assert all(stop > place + spare if upwards else stop < place - spare for stop in stops[leg - 1 :])
    assert gates > 4


@pytest.mark.slow
def test_400_rehearsals_with_six_holds_each_finish_and_keep_their_margins(ordering: Ordering) -> None:
    play_with_holds(ordering, 400)


def play_with_holds(ordering: Ordering, count: int) -> None:
    source, machine = Random(40), ordering.machine
    changes = [(start, goal) for start in machine.presets for goal in machine.presets if start != goal]
    for number in range(count):
        start, goal = source.choice(changes)
        checked = check(order_with(ordering, start, goal)[0])
        pressed: list[tuple[float, Button]] = []
        now = 0.0
        for _ in range(6):
            now += source.uniform(0.05, 0.4)
            pressed.append((now, "hold"))
            now += source.uniform(0.05, 0.6)
            # Asked for while the axes still brake it is refused; then it is asked for again.
            pressed += [(now + later, "resume") for later in (0.0, 0.25, 0.5)]
            now += 0.5
        played = rehearse(checked, machine=machine, pressed=pressed, seed=number)
        assert played.outcome == "done", (start, goal, played.cause)
        assert played.clearance is None or not played.clearance.too_near, (start, goal, played.clearance)
