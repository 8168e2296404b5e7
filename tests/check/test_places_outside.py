"""Where a body outside may stand while steps move, by what a routine says of it from which step on."""

from __future__ import annotations

import pytest
from random_world import BEAM
from reaching import reacher, rectangle, step, to

from sequencer.check.bodies import bodies_of
from sequencer.check.order import Order
from sequencer.check.places_outside import PlacesOutside
from sequencer.check.together import Part
from sequencer.machine.body import Body
from sequencer.machine.sensor import Sensor
from sequencer.plan.resolve import flatten
from sequencer.routine.routine import OutsideRange, Routine
from sequencer.routine.steps import After, Repeat, Step, Timeout, With

DECLARED, FIRST, LATER, LAST = (0.3, 1.2), (0.5, 1.1), (0.6, 1.0), (0.7, 0.9)
POST = Body("post", "outside", (rectangle(0.0, 0.05, 0.0, 1.6),), range=DECLARED)
SENSORS = {"beam": Sensor("beam", "switch"), "piece": Sensor("piece", "one_of", values=("none", "lantern"))}


def lift(name: str, height: float = 0.5, **fields: object) -> Step:
    return step(name, to({"lift": height}), **fields)  # type: ignore[arg-type]


def turn(name: str, **fields: object) -> Step:
    return step(name, to({"wrist": 90.0}), **fields)  # type: ignore[arg-type]


IN_A_ROW = (lift("a"), lift("b", 0.6), lift("c", 0.7))


def places(steps: tuple[Step, ...], *said: tuple[tuple[float, float], str | None]) -> PlacesOutside:
    outside = tuple(OutsideRange("post", span, since) for span, since in said)
    routine = Routine(
        "r", reacher(POST, sensors=SENSORS), steps, "stow", default_timeout=Timeout("none"), outside=outside
    )
    return PlacesOutside(Order(flatten(routine)), bodies_of(routine.machine))


def where(found: PlacesOutside, *parts: tuple[str, bool]) -> tuple[float, float]:
    """Where the post may stand while steps, by name, move their axis or have left it there; '': from the start."""
    numbers = {one.name: one.number for one in found.order.occurrences}
    return found.span("post", [Part("lift", numbers.get(name, -1), moving, (0.0, 1.0)) for name, moving in parts])


def during(found: PlacesOutside, *names: str) -> list[tuple[float, float]]:
    return [where(found, (name, True)) for name in names]


def test_of_a_body_of_which_nothing_is_said_the_declared_range_counts() -> None:
    found = places(IN_A_ROW)
    assert found.at_start("post") == DECLARED
    assert during(found, "a", "b", "c") == [DECLARED] * 3


def test_what_is_said_from_the_beginning_counts_all_along() -> None:
    found = places(IN_A_ROW, (FIRST, None))
    assert found.at_start("post") == FIRST
    assert during(found, "a", "b", "c") == [FIRST] * 3
    assert where(found, ("", False)) == FIRST


def test_what_is_said_from_a_step_on_counts_from_then_and_not_before() -> None:
    found = places(IN_A_ROW, (LATER, "b"))
    assert found.at_start("post") == DECLARED
    assert during(found, "a", "b", "c") == [DECLARED, LATER, LATER]
    assert where(found, ("b", False)) == LATER


@pytest.mark.parametrize("backwards", [False, True])
def test_of_two_ranges_the_later_one_replaces_the_earlier_one(backwards: bool) -> None:
    said = [(FIRST, None), (LATER, "b"), (LAST, "c")]
    found = places(IN_A_ROW, *(said[::-1] if backwards else said))
    assert found.at_start("post") == FIRST
    assert during(found, "a", "b", "c") == [FIRST, LATER, LAST]
    # an axis that rests where an earlier step has left it says nothing against what has come since
    assert where(found, ("c", True), ("a", False)) == LAST
    assert where(found, ("a", False), ("c", True)) == LAST


def test_while_a_machine_only_rests_what_may_come_next_may_have_come() -> None:
    """Nothing tells how long it has stood there."""
    found = places(IN_A_ROW, (FIRST, None), (LATER, "b"))
    assert where(found, ("", False)) == FIRST
    assert where(found, ("a", False)) == FIRST
    other = places(IN_A_ROW, ((0.35, 0.55), None), ((0.5, 1.15), "b"))
    assert where(other, ("a", False)) == (0.35, 1.15)


def test_a_step_beside_it_may_have_started_or_not() -> None:
    """Both ranges count then, the earlier one and the later one."""
    found = places((lift("a"), turn("b", start=With("a"))), ((0.5, 0.7), None), ((0.6, 1.0), "b"))
    assert during(found, "b") == [(0.6, 1.0)]
    assert during(found, "a") == [(0.5, 1.0)]
    # together with the step itself it has started
    assert where(found, ("a", True), ("b", True)) == (0.6, 1.0)


def test_two_ranges_of_steps_in_no_order_both_count() -> None:
    steps = (lift("a"), turn("b", start=After()), step("c", to({"slide": 0.1}), After(("a", "b"))))
    found = places(steps, ((0.4, 0.6), "a"), ((0.7, 1.0), "b"))
    assert during(found, "c") == [(0.4, 1.0)]
    assert during(found, "a") == [(0.4, 1.0)]
    assert during(found, "b") == [(0.4, 1.0)]


def test_a_step_that_may_be_left_out_may_never_have_moved_the_body() -> None:
    steps = (lift("a"), lift("b", 0.6, only_if=BEAM), lift("c", 0.7))
    found = places(steps, ((0.5, 0.7), None), ((0.6, 1.0), "b"))
    assert during(found, "a", "b", "c") == [(0.5, 0.7), (0.6, 1.0), (0.5, 1.0)]


def test_without_a_range_from_the_beginning_the_declared_one_is_what_may_still_count() -> None:
    steps = (lift("a"), lift("b", 0.6, only_if=BEAM), lift("c", 0.7))
    found = places(steps, (LATER, "b"))
    assert during(found, "a", "b", "c") == [DECLARED, LATER, DECLARED]


def test_of_a_step_in_a_repeat_its_first_passage_counts_as_its_start() -> None:
    again = Step("again", Repeat((lift("up", 0.8), lift("down", 0.2)), times=3.0))
    found = places((lift("a"), again, lift("c")), (FIRST, None), (LATER, "down"))
    names = [one.name for one in found.order.occurrences]
    assert names.count("down") == 2
    number = names.index("up")
    assert found.span("post", [Part("lift", number, True, (0.0, 1.0))]) == FIRST
    second = names.index("up", number + 1)
    assert found.span("post", [Part("lift", second, True, (0.0, 1.0))]) == LATER
    assert during(found, "c") == [LATER]
