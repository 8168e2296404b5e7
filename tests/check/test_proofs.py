"""What is proved once is not asked again, and says nothing about what lies beyond it."""

from __future__ import annotations

import pytest
from reaching import reacher, rectangle

from sequencer.check.bodies import bodies_of
from sequencer.check.proofs import Box, Proofs
from sequencer.clearance.box import Pair
from sequencer.machine.body import Body

BODIES = bodies_of(reacher(Body("stop", "frame", (rectangle(0.0, 1.2, 1.3, 1.4),))))
"""The lift carries the carriage 0.1 m high above it, from 0.25 m on: it meets the stop from 0.95 m on."""


def pair() -> Pair:
    return next(one for one in BODIES.pairs if set(one.names) == {"carriage", "stop"})


def box(low: float, high: float) -> Box:
    return (("lift", (low, high)),)


def test_a_box_is_clear_up_to_where_the_bodies_meet() -> None:
    proofs = Proofs(BODIES)
    assert [proofs.of(pair(), box(0.1, high)).outcome for high in (0.5, 0.949, 0.951)] == ["clear", "clear", "conflict"]


def test_what_lies_in_a_clear_box_is_clear_at_no_cost() -> None:
    proofs = Proofs(BODIES)
    proofs.of(pair(), box(0.2, 0.9))
    left = proofs.left
    for inside in (box(0.2, 0.9), box(0.2, 0.5), box(0.5, 0.9), box(0.3, 0.4)):
        assert proofs.of(pair(), inside).outcome == "clear"
        assert proofs.surely_clear(pair(), inside)
    assert proofs.left == left


@pytest.mark.parametrize("beyond", [(0.1, 0.9), (0.3, 0.9499), (0.1, 0.3), (0.0, 0.1), (0.1, 0.94)])
def test_what_reaches_beyond_a_clear_box_is_proved_anew(beyond: tuple[float, float]) -> None:
    proofs = Proofs(BODIES)
    proofs.of(pair(), box(0.2, 0.8))
    left = proofs.left
    assert proofs.of(pair(), box(*beyond)).outcome == "clear"
    assert proofs.left < left


def test_a_clear_box_says_nothing_of_another_pair() -> None:
    proofs = Proofs(BODIES)
    proofs.of(pair(), box(0.2, 0.8))
    left = proofs.left
    other = next(one for one in BODIES.pairs if set(one.names) == {"carriage", "shelf"})
    proofs.of(other, box(0.2, 0.8))
    assert proofs.left < left


def test_a_conflict_is_asked_for_once_too() -> None:
    proofs = Proofs(BODIES)
    found = proofs.of(pair(), box(0.2, 1.1))
    left = proofs.left
    assert found.outcome == "conflict"
    assert proofs.of(pair(), box(0.2, 1.1)) is found
    assert proofs.left == left
    assert proofs.of(pair(), box(0.2, 0.9)).outcome == "clear"


def test_no_proof_looks_at_more_cells_than_there_are_left_but_always_at_one() -> None:
    hand = next(one for one in BODIES.pairs if set(one.names) == {"hand", "shelf"})
    wide: Box = (("lift", (0.65, 1.3)), ("slide", (0.0, 0.5)), ("wrist", (-0.3, 1.5)))
    for cells, all_cells, looked in ((5, 100, 5), (100, 3, 3), (100, 0, 1)):
        proofs = Proofs(BODIES, cells, all_cells)
        found = proofs.of(hand, wide)
        assert (found.outcome, found.cells) == ("undecided", looked)
        assert proofs.left == all_cells - looked


def test_a_glance_tells_only_what_is_surely_clear() -> None:
    proofs = Proofs(BODIES, cells=4_000)
    assert proofs.surely_clear(pair(), box(0.2, 0.8))
    assert not proofs.surely_clear(pair(), box(0.2, 1.2))
    narrow: Box = (("lift", (0.655, 1.3)), ("slide", (0.0, 0.5)), ("wrist", (-0.3, 1.5)))
    hand = next(one for one in BODIES.pairs if set(one.names) == {"hand", "shelf"})
    before = proofs.left
    assert not proofs.surely_clear(hand, narrow)
    assert before - proofs.left <= 25  # two halves at a time


def test_a_machine_is_worked_out_once_and_so_are_the_last_eight() -> None:
    machines = [reacher() for _ in range(9)]
    found = [bodies_of(machine) for machine in machines]
    assert bodies_of(machines[8]) is found[8]
    assert bodies_of(machines[1]) is found[1]
    assert bodies_of(machines[0]) is not found[0]
    # an equal machine is another one
    assert bodies_of(reacher()) is not found[8]
