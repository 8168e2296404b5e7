"""Where a step may have its axis, held against profiles that are run and against numbers worked out by hand."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from crossing import SOON, condition, crossing, to
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from random_world import BEAM

from profiles import Limits, State, flick
from profiles.errors import ProfileError
from sequencer.check.order import Order
from sequencer.check.phases import Phase, phases_of
from sequencer.check.scenarios import scenarios_of
from sequencer.machine.machine import Machine, Preset
from sequencer.machine.sensor import Sensor
from sequencer.plan.resolve import flatten
from sequencer.routine.parameters import NumberParameter
from sequencer.routine.routine import Routine
from sequencer.routine.steps import After, By, Flick, Move, Press, Repeat, Step, Timeout, With
from sequencer.units import LENGTH

TOLERANCE, BAND = 0.005, 0.02
Span = tuple[float, float]


def phases(*steps: Step, start: str = "low", machine: Machine | None = None, **fields: Any) -> dict[str, Phase]:
    """The phases on `across` by step, of the first passage; across stands at 0 in `low` and at 1 in `high`."""
    routine = Routine("r", machine or crossing(), steps, start, default_timeout=Timeout("none"), **fields)
    order = Order(flatten(routine))
    table = phases_of(order, scenarios_of(order.flat)[0]).table
    found: dict[str, Phase] = {}
    for one in order.occurrences:
        if (one.number, "across") in table:
            found.setdefault(one.name, table[one.number, "across"])
    return found


def near(span: Span) -> Any:
    return pytest.approx(span, abs=1e-12)


def by(name: str, distance: float, **fields: Any) -> Step:
    return Step(name, Move((("across", By(distance)),)), **fields)


def test_a_move_covers_the_way_from_where_it_starts_to_its_goal_and_rests_there() -> None:
    found = phases(to("a", "across", 0.4), to("b", "across", 0.2))
    assert found["a"] == (near((-TOLERANCE, 0.4)), (0.4, 0.4), (0.4, 0.4), (0.4, 0.4), True)
    assert found["b"] == ((0.2, 0.4), (0.2, 0.2), (0.2, 0.2), (0.2, 0.2), True)


@pytest.mark.parametrize(
    "fields", [{"until": BEAM}, {"timeout": SOON, "on_timeout": "continue"}, {"duration": 5_000_000_000}]
)
def test_a_step_that_may_end_early_rests_anywhere_on_its_way(fields: dict[str, Any]) -> None:
    found = phases(to("a", "across", 0.4, **fields), to("b", "across", 0.2))
    assert found["a"].rest == found["a"].done == near((-TOLERANCE, 0.4))
    assert found["b"].whole == near((-TOLERANCE, 0.4))


def test_of_a_branch_that_may_be_cancelled_the_rest_is_the_way_and_what_it_has_done_is_its_goal() -> None:
    found = phases(
        to("a", "across", 0.4),
        to("b", "along", 0.5, start=After()),
        to("c", "across", 0.6, start=After(("a", "b"), any=True)),
    )
    assert (found["a"].rest, found["a"].done) == (near((-TOLERANCE, 0.4)), (0.4, 0.4))
    assert found["c"].whole == near((-TOLERANCE, 0.6))


def test_a_step_that_is_taken_over_rests_anywhere_and_the_other_starts_anywhere() -> None:
    found = phases(to("a", "across", 0.8), to("b", "across", 0.4, start=With("a"), preempt=True))
    assert found["a"].rest == near((-TOLERANCE, 0.8))
    assert found["b"].whole == near((-TOLERANCE, 0.8))


@pytest.mark.parametrize(
    ("distance", "retry", "goal"),
    [
        (0.25, 0, (0.245, 0.255)),
        (0.25, 1, (0.245, 0.505)),
        (0.25, 2, (0.245, 0.755)),
    ],
)
def test_a_move_by_a_distance_goes_on_with_every_attempt(distance: float, retry: int, goal: Span) -> None:
    """Each attempt starts where the last one was given up."""
    up = phases(by("a", distance, retry=retry, timeout=SOON))
    assert up["a"].goal == near(goal)
    assert up["a"].whole == near((-TOLERANCE, goal[1]))
    down = phases(by("a", -distance, retry=retry, timeout=SOON), start="high")
    assert down["a"].goal == near((1.0 - goal[1], 1.0 - goal[0]))
    assert down["a"].whole == near((1.0 - goal[1], 1.0 + TOLERANCE))


def test_a_distance_from_a_range_counts_with_both_its_ends() -> None:
    far = NumberParameter("far", 0.1, LENGTH, (-0.1, 0.3))
    found = phases(by("a", "far", retry=1, timeout=SOON), parameters={"far": far})  # type: ignore[arg-type]
    assert found["a"].goal == near((0.0, 0.6 + TOLERANCE))  # no lower than its travel
    rest = phases(to("z", "across", 0.5), by("a", "far", retry=1, timeout=SOON), parameters={"far": far})  # type: ignore[arg-type]
    assert rest["a"].goal == near((0.3, 1.0))


def test_passages_that_carry_an_axis_on_take_its_whole_travel_and_where_it_started() -> None:
    again = Step("again", Repeat((by("a", 0.01), to("o", "along", 0.5), to("p", "along", 0.1)), times=100.0))
    order = Order(flatten(Routine("r", crossing(), (again,), "low", default_timeout=Timeout("none"))))
    table = phases_of(order, scenarios_of(order.flat)[0]).table
    last = [one for one in order.occurrences if one.name == "a"][-1]
    assert table[last.number, "across"].whole == near((-TOLERANCE, 1.0))
    few = Step("again", Repeat((to("a", "across", 0.5), to("b", "across", 0.3)), times=100.0))
    bounded = phases(few)
    assert bounded["a"].whole == near((-TOLERANCE, 0.5))


def test_a_press_may_end_off_its_way_by_the_band_but_not_beyond_its_travel() -> None:
    found = phases(to("a", "across", 0.5), Step("p", Press("across", 5.0, 0.3), until=BEAM), to("b", "across", 0.9))
    assert found["p"].whole == (0.3, 0.5)
    assert found["p"].rest == found["p"].done == near((0.3 - BAND, 0.5 + BAND))
    assert found["b"].whole == near((0.3 - BAND, 0.9))
    edge = phases(Step("p", Press("across", 5.0, 0.3), until=BEAM))
    assert edge["p"].rest == near((-TOLERANCE, 0.3 + BAND))


def wide(limits: Limits) -> Machine:
    """The slides with a travel of 40 m across and other limits there, and no box."""
    machine = crossing()
    axes = {**machine.axes, "across": replace(machine.axes["across"], travel=(-20.0, 20.0), limits=limits)}
    return replace(machine, axes=axes, interlocks=())


bounds = st.floats(0.5, 20.0)


@settings(max_examples=60, deadline=None)
@given(
    st.tuples(bounds, bounds),
    st.floats(2.0, 60.0),
    st.booleans(),
    st.floats(-1.5, 1.5),
    st.floats(-1.5, 1.5),
    st.floats(0.1, 1.5),
)
def test_a_flick_never_leaves_its_span_from_wherever_it_starts(
    acceleration: tuple[float, float], jerk: float, jerky: bool, through: float, goal: float, speed: float
) -> None:
    """Against profiles with limits that differ by direction, begun from many places."""
    assume(abs(goal - through) > 1e-3)
    limits = Limits((-2.0, 2.0), (-acceleration[0], acceleration[1]), jerk if jerky else None)
    machine = wide(limits)
    velocity = speed if goal > through else -speed
    starts = (-1.4, -0.3, 0.0, 0.7, 1.45)
    move = Step("throw", Flick("across", through, speed, goal))
    for start in starts:
        found = phases(to("begin", "across", start), move, machine=machine)["throw"]
        assert (found.goal, found.rest, found.steady) == ((goal, goal), (goal, goal), False)
        try:
            profile = flick(start, State(through, velocity), goal, limits)
        except ProfileError:
            continue
        extremes = profile.extremes()
        assert found.whole[0] <= extremes.lowest_position + 1e-9
        assert found.whole[1] >= extremes.highest_position - 1e-9
    # no wider than from rest to speed and from speed to rest, in the one direction that it throws
    up, down = acceleration[1], acceleration[0]
    if not jerky:
        before, after = (speed**2 / (2.0 * a) for a in ((up, down) if velocity > 0.0 else (down, up)))
        back, on = (through - before, through + after) if velocity > 0.0 else (through + before, through - after)
        whole = phases(to("begin", "across", through), move, machine=machine)["throw"].whole
        assert whole == pytest.approx((min(back, on, goal), max(back, on, goal)), abs=1e-9)


def test_a_flick_whose_goal_may_be_on_either_side_may_wind_up_on_either() -> None:
    both = NumberParameter("to", 0.05, LENGTH, (-0.1, 0.1))
    machine = wide(Limits((-2.0, 2.0), (-2.0, 4.0)))
    throw = Step("throw", Flick("across", 0.0, 1.0, "to"))
    found = phases(to("begin", "across", 0.0), throw, machine=machine, parameters={"to": both})["throw"]
    # up: from rest 1/8 m below, and to rest 1/4 m above; down: from rest 1/4 m above, and to rest 1/8 m below
    assert found.whole == near((-0.125, 0.25))
    up = NumberParameter("to", 0.05, LENGTH, (0.0, 0.1))
    upward = phases(to("begin", "across", 0.0), throw, machine=machine, parameters={"to": up})["throw"]
    assert upward.whole == near((-0.125, 0.25))
    down = NumberParameter("to", -0.2, LENGTH, (-0.3, -0.1))
    downward = phases(
        to("begin", "across", 0.0), throw, machine=wide(Limits((-2.0, 2.0), (-4.0, 1.0))), parameters={"to": down}
    )
    # down: from rest to -1 m/s with 4 m/s^2 takes 1/8 m, to rest again with 1 m/s^2 half a metre
    assert downward["throw"].whole == near((-0.5, 0.125))


def test_a_gate_is_no_reason_to_be_elsewhere() -> None:
    free, gated = (
        phases(to("a", "across", 0.4, once=None if once is None else condition(once)))
        for once in (None, "along > 0.1 m")
    )
    assert free == gated


def test_a_goal_that_a_sensor_chooses_may_be_any_of_its_places() -> None:
    presets = {
        name: Preset(name, {"along": 0.0, "across": across}) for name, across in (("a", 0.7), ("b", 0.2), ("c", 0.5))
    }
    piece = Sensor("piece", "one_of", values=("none", "lantern", "float"))
    machine = crossing()
    machine = replace(machine, presets={**machine.presets, **presets}, sensors={**machine.sensors, "piece": piece})
    chosen = Step("go", Move(per=("piece", (("lantern", "a"), ("float", "b"), ("none", "c")))))
    found = phases(to("begin", "across", 0.4), chosen, machine=machine)["go"]
    assert found == ((0.2, 0.7), (0.2, 0.7), (0.2, 0.7), (0.2, 0.7), True)
