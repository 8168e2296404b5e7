"""Small claims that larger tests pass over: comparisons at their limits, unknown parts of a whole, what is told once.
SEMANTICS R11, R14, R16, R31, R35, R40, R42, R45, R46, R48, R51.
"""

from __future__ import annotations

from math import inf, nextafter
from typing import Any

import pytest
from rig import (
    JERKY,
    Rig,
    axis,
    checked,
    derived,
    flick,
    machine,
    move,
    number_parameter,
    perform,
    press,
    pulse,
    put,
    repeat,
    sensor,
    started,
    wait,
)

from profiles import State
from sequencer.errors import RequestRefused
from sequencer.pack import Pack
from sequencer.ports.readings import AxisReading, Parts
from sequencer.run import Runner
from sequencer.run.definition import AxisDefinition
from sequencer.run.motion import Motion

BEAM, GUARD = ["holds", "beam"], ["holds", "guard"]
P = 20_000_000


# Conditions.


@pytest.mark.parametrize("negated", [False, True])
@pytest.mark.parametrize(
    ("operator", "below", "at", "above"),
    [("<", True, False, False), ("<=", True, True, False), (">", False, False, True), (">=", False, True, True)],
)
def test_each_comparison_is_what_it_says_at_its_limit(
    operator: str, below: bool, at: bool, above: bool, negated: bool
) -> None:
    """R14: a hair below, on it, a hair above; and its opposite under `not`."""
    for value, truth in ((nextafter(2.0, -inf), below), (2.0, at), (nextafter(2.0, inf), above)):
        term: Any = [operator, "pressure", 2.0]
        rig = started(checked(machine(), wait("A", until=["not", term] if negated else term)), pressure=value, ticks=3)
        assert bool(rig.ends("A")) is (truth is not negated)


@pytest.mark.parametrize(
    ("operator", "goal", "opens"),
    [
        ("<", 0.5, False),
        ("<=", 0.5, True),
        (">", 0.5, False),
        (">=", 0.5, True),
        ("<", 0.4375, True),
        (">", 0.5625, True),
    ],
)
def test_a_gate_on_an_axis_that_stands_is_what_it_says_at_its_limit(operator: str, goal: float, opens: bool) -> None:
    """R32."""
    rig = Rig(checked(machine(), pulse("p", {"lamp": True}, 0.1, once=[operator, "lift", 0.5], timeout=9.0)))
    rig.positions["lift"] = goal
    rig.start()
    rig.run(3)
    assert bool(rig.output("lamp")[-1]) is opens


@pytest.mark.parametrize(
    ("term", "found"),
    [
        (["or", BEAM, [">", "pressure", 1.0]], None),
        (["or", GUARD, [">", "pressure", 1.0]], True),
        (["and", BEAM, [">", "pressure", 1.0]], False),
        (["and", GUARD, [">", "pressure", 1.0]], None),
        (["not", ["or", BEAM, [">", "pressure", 1.0]]], None),
        (["not", ["and", BEAM, [">", "pressure", 1.0]]], True),
        (["is", "piece", "none"], True),
        (["not", ["is", "piece", "none"]], False),
    ],
)
def test_a_derived_sensor_is_unknown_exactly_where_what_is_unknown_decides(term: Any, found: bool | None) -> None:
    """R16: the pressure is not read, the beam is false and the guard true."""
    on = machine(more_sensors=[sensor("both", derived=derived(term))])
    rig = started(checked(on, wait("A", 9.0)), pressure=None, ticks=3)
    assert rig.runner._host.values["both"] is found


def test_an_edge_does_not_last_while_its_value_is_unknown() -> None:
    """R14, R16: it rose in tick 5, when the guard was false; in tick 6 nothing is known of it."""
    routine = checked(machine(), wait("A", until=["and", ["rising", BEAM], GUARD]))
    rig = started(routine, beam=lambda tick: None if tick == 6 else tick >= 5, guard=lambda tick: tick >= 6, ticks=12)
    assert rig.ends("A") == []


def test_the_error_of_an_axis_that_is_not_followed_may_be_asked_for() -> None:
    """R16, R45: measured less the set-point, signed; none of an axis without power."""
    for sense, name in ((1.0, ">"), (-1.0, "<")):
        term = [name, "lift.error", sense * 0.005]
        rig = started(checked(machine(), move("m", {"lift": 2.0}), wait("A", until=term)), ticks=60)
        rig.readings["lift"] = lambda tick, rig=rig, sense=sense: AxisReading(
            rig.orders[-1].axes["lift"].position + sense * (0.006 if tick >= 62 else 0.004), 1.0, 0.0
        )
        rig.run(6)
        assert rig.ends("A") == [(62, "done")]
    off = [{"mode": "off", "voltage": 0.0, "when": None}]
    on = machine([axis("lift", rest=off), *machine()["axes"][1:]])
    rig = Rig(checked(on, wait("A", until=["or", [">", "lift.error", 0.0], ["<", "lift.error", 0.0]])))
    rig.positions["lift"] = 0.7
    rig.start()
    rig.run(5)
    assert rig.runner._host.values["lift.error"] == 0.0
    assert rig.ends("A") == []


def test_the_error_of_a_resting_axis_that_carries_on_is_counted_from_where_it_rests() -> None:
    """R45, R52: it is not ahead of its set-point when that stands."""
    on = machine([axis("lift", between="carry_on", tolerance={"position": 0.1}), *machine()["axes"][1:]])
    rig = started(checked(on, move("m", {"lift": 0.1}), wait("A", 9.0, "m"), wait("B", until=["known", "lift.error"])))
    rig.run(60)
    rig.readings["lift"] = AxisReading(0.115, 0.0, 0.0)
    rig.run(1)
    assert rig.runner._host.values["lift.error"] == pytest.approx(0.015)


# What is told.


def test_a_timed_wait_waits_for_its_time_and_a_set_for_nothing() -> None:
    """R40."""
    rig = started(checked(machine(), wait("A", 0.5), put("s", {"lamp": True})), ticks=1)
    told = {step.name: step.waits_for for step in rig.runner.status().runs[-1].steps}
    assert told == {"A": "time", "s": ""}


@pytest.mark.parametrize(
    ("position", "reason"),
    [
        (None, "missing"),
        ("high", "not a number"),
        (float("nan"), "not a number"),
        (True, "not a number"),
        (25.0, "at 25 m, where the axis cannot be"),
    ],
)
def test_a_place_that_is_not_believed_says_why(position: Any, reason: str) -> None:
    """R16, R40."""
    rig = started(checked(machine(), wait("A", 9.0)), ticks=4)
    rig.readings["lift"] = AxisReading(position, 0.0, 0.0)
    rig.run(3)
    assert rig.runner._host.unknown_reason("lift").startswith(f"lift is {reason}")
    assert rig.runner._host.unknown_reason("lift").endswith(" since tick 4")


def test_holding_and_going_on_are_told_with_their_run() -> None:
    """R35, R40."""
    rig = started(checked(machine(), wait("A", 0.5)), ticks=5)
    rig.runner.hold()
    rig.run(5)
    rig.runner.resume()
    rig.run(1)
    assert [(event.tick, event.run, event.text) for event in rig.kinds("hold")] == [(5, "r", "held by request")]
    assert [(event.tick, event.run, event.text) for event in rig.kinds("go")] == [(10, "r", "resumed")]


def test_what_is_inside_a_block_ends_newest_first() -> None:
    """R3: when the block times out."""
    inside = [wait("A", 9.0), wait("B", 9.0, at=0.02), wait("C", 9.0, at=0.04)]
    rig = started(checked(machine(), perform("block", inside, timeout=0.2, on_timeout="continue")), ticks=20)
    assert [event.step for event in rig.kinds("end")] == ["C", "B", "A", "block"]
    assert {event.text for event in rig.kinds("end")[:3]} == {"aborted: timeout"}


def test_a_gated_press_is_told_to_begin_once() -> None:
    """R32, R46: in the tick of its gate; that it closes again changes nothing."""
    routine = checked(machine(), press("p", 5.0, 2.0, until=["holds", "clear"], once=BEAM, blind=0.5))
    rig = started(routine, beam=lambda tick: 5 <= tick < 8, ticks=20)
    assert [event.tick for event in rig.kinds("gate")] == [5]
    assert rig.modes("wrist")[4:] == ["hold"] + ["effort"] * 15


def test_a_jog_that_is_kept_up_is_refused_nothing_and_ends_once() -> None:
    """R44."""
    rig = Rig(checked(machine(), wait("A", 1.0)))
    for tick in range(12):
        rig.runner.jog("lift", 0.5 if tick < 6 else 0.75)
        rig.run(1)
    rig.runner.jog("lift", 0.0)
    rig.run(30)
    assert rig.refusals() == []
    assert rig.ends("jog") == [(12, "done")]
    assert len(rig.kinds("run", "jog lift")) == 2


# Values at their limits.


def test_a_parameter_may_be_at_either_end_of_its_range() -> None:
    """R25."""
    rig = Rig(checked(machine(), wait("A", 0.1), parameters=[number_parameter("h", 0.5, -1.0, 2.0)]))
    for value in (-1.0, 2.0):
        rig.start(parameters={"h": value})
    for value in (nextafter(-1.0, -inf), nextafter(2.0, inf), True):
        with pytest.raises(RequestRefused, match="allowed are -1 to 2"):
            rig.start(parameters={"h": value})


def test_a_preset_parameter_takes_its_choices_alone() -> None:
    """R25: and names the nearest."""
    preset = {"name": "where", "kind": "preset", "value": "eave", "choices": ["eave", "ridge"]}
    on = machine(presets={"eave": [[0, 0.5]], "ridge": [[0, 1.0]]})
    rig = Rig(checked(on, move("m", {"lift": ["at", ["preset", "where", "lift"]]}), parameters=[preset]))
    with pytest.raises(RequestRefused, match="where cannot be 'rigde'; did you mean 'ridge'"):
        rig.start(parameters={"where": "rigde"})
    rig.start(parameters={"where": "ridge"})
    assert rig.run(120).points()[-1] == 1.0


@pytest.mark.parametrize(("apart", "lost"), [(0.125, False), (nextafter(0.125, 1.0), True)])
def test_encoders_may_differ_by_exactly_what_is_allowed(apart: float, lost: bool) -> None:
    """R42."""
    on = machine([axis("lift", differ_by=0.125), *machine()["axes"][1:]])
    rig = started(checked(on, wait("A", 9.0)), ticks=3)
    reading = rig.reading

    def told(now: int) -> Any:
        found = reading(now)
        found.parts = {"lift": Parts((0.0, apart), ())}
        return found

    rig.reading = told  # type: ignore[method-assign]
    rig.run(1)
    assert bool(rig.runner.status().not_zeroed) is lost


@pytest.mark.parametrize(("current", "lies"), [(38.0, True), (nextafter(38.0, 0.0), False)])
def test_an_effort_of_exactly_the_share_counts_as_saturated(current: float, lies: bool) -> None:
    """R48: 95 % of 40 A."""
    fault = {"following": 0.05, "behind": "fault"}
    on = machine([axis("lift", tolerance=fault, most_current=40.0), *machine()["axes"][1:]])
    rig = started(checked(on, move("m", {"lift": 1.0})), ticks=12)
    begin = rig.positions["lift"]
    rig.readings["lift"] = lambda tick: AxisReading(begin + 0.001 * (tick - 11), 0.0, current)
    rig.run(30)
    assert ("its effort is saturated" in rig.kinds("fault")[0].text) is lies


def test_a_start_region_holds_its_ends_and_the_routine_that_ends_there_is_named() -> None:
    """R51: a move that ends on the very edge ends there; the position must be known."""
    on = machine()
    near = {"from": "near", "region": [[0, 0.5, 0.75]]}
    for goal, ends in ((0.5, True), (0.75, True), (0.4375, False), (0.8125, False)):
        rig = Rig(checked(on, wait("A", 0.1), **near), checked(on, move("m", {"lift": goal}), name="other"))
        rig.start()
        rig.run(1)
        way = "other ends there" if ends else "jog it there, or run a routine that ends there"
        assert rig.refusals() == [f"lift is at 0 m, 0.5 m outside the start region of 'near'; {way}"]
    for place, taken in ((0.5, True), (0.75, True), (nextafter(0.5, 0.0), False), (nextafter(0.75, 1.0), False)):
        rig = Rig(checked(on, wait("A", 0.1), **near))
        rig.positions["lift"] = place
        rig.start()
        rig.run(1)
        assert bool(rig.starts("A")) is taken
    rig = Rig(checked(on, wait("A", 0.1), **near))
    rig.readings["lift"] = AxisReading(None, 0.0, 0.0)
    rig.run(2)
    rig.start()
    rig.run(1)
    assert rig.refusals() == ["the position of lift is unknown (lift is missing since tick 0)"]


def test_an_axis_that_leaves_its_tolerance_settles_anew() -> None:
    """R31: 60 ms from the sample after: tick 50 and 51 within, 52 not, so from 53 on: done in tick 56."""
    on = machine([axis("lift", tolerance={"settle": 60_000_000}), *machine()["axes"][1:]])
    rig = started(checked(on, move("m", {"lift": 0.5})))
    first = started(checked(machine(), move("m", {"lift": 0.5})), ticks=80).ends("m")[0][0]
    rig.readings["lift"] = lambda tick: AxisReading(
        rig.positions["lift"] + (0.011 if tick == first + 2 else 0.0), 0.0, 0.0
    )
    rig.run(90)
    assert rig.ends("m") == [(first + 6, "done")]


@pytest.mark.parametrize("goal", [1.0, -1.0])
def test_a_place_of_the_second_axis_passed_while_braking_counts_on_resume(goal: float) -> None:
    """R35, M4: between where the wrist was held and where it stands; one that only the lift has passed does not."""
    steps = [
        move("m", {"lift": 2.0, "wrist": goal}),
        pulse("p", {"lamp": True}, 0.1, passing={"step": "m", "at": 0.45 * goal, "axis": "wrist"}),
        pulse("q", {"third": 1.0}, 0.1, passing={"step": "m", "at": 0.9 * goal, "axis": "wrist"}),
    ]
    slow = {"0": [[-1.0, 1.0], [-2.0, 2.0], None], "1": [[-1.0, 1.0], [-2.0, 2.0], None]}
    steps[0]["limits"] = slow
    rig = started(checked(machine(), *steps), ticks=32)
    rig.runner.hold()
    rig.run(60)
    assert abs(rig.points("wrist")[31]) < 0.45 < abs(rig.points("wrist")[-1]) < 0.9
    assert rig.starts("p") == []
    rig.runner.resume()
    rig.run(2)
    assert rig.starts("p") in ([92], [93])
    assert rig.starts("q") == []


@pytest.mark.parametrize("kind", ["trapezoid", "s_curve"])
def test_a_flick_keeps_to_the_jerk_limit_unless_it_is_to_be_a_trapezoid(kind: str) -> None:
    """R25: the first two ticks tell: 2 m/s2 at once, or 20 m/s3 for one and two ticks."""
    on = machine([axis("lift"), axis("wrist", limits=JERKY), axis("roller", "spin")])
    rig = started(checked(on, flick("f", 0.9, 0.8, 1.4, limits=JERKY, profile=kind)), ticks=3)
    first, second = (abs(rig.orders[tick].axes["wrist"].acceleration) for tick in (1, 2))
    assert (first, second) == (pytest.approx((2.0, 2.0)) if kind == "trapezoid" else pytest.approx((0.4, 0.8)))


def test_a_standing_axis_with_a_jerk_limit_occupies_its_place_alone() -> None:
    """R32: at rest there is no acceleration to end."""
    made = Motion(AxisDefinition(0, axis("lift", limits=JERKY), P, 5 * P))
    made.mode = "hold"
    made.rebase(0.5, 0)
    assert (made.occupied_low, made.occupied_high) == (0.5, 0.5)
    assert made.state() == State(0.5, 0.0, 0.0)


def test_an_axis_that_holds_its_orders_occupies_nothing_that_it_was_not_ordered_to() -> None:
    """R20, R52: a late tick adds its set-points to what is in flight, and no place beyond."""
    on = machine([axis("lift", latency=[0, 200_000_000]), *machine()["axes"][1:]])
    rig = started(checked(on, move("m", {"lift": 2.0})), ticks=30).run(3, gap=90_000_000)
    motion = rig.runner._host.motions[0]
    assert {place for _, place in motion.history} <= set(rig.points())


def test_a_new_zero_is_known_in_its_own_tick() -> None:
    """R42: from then on the axis is no longer anywhere."""
    zero = {"speed": -0.25, "until": BEAM, "then": 0.125, "once": None}
    on = machine([axis("lift", zero=zero), *machine()["axes"][1:]])
    rig = Rig(checked(on, wait("A", 1.0)), beam=lambda tick: tick >= 20)
    rig.run(2)
    rig.runner.zero("lift")
    rig.run(18)
    motion = rig.runner._host.motions[0]
    assert (motion.occupied_low, motion.occupied_high) == (-3.0, 3.0)
    rig.run(1)
    assert -0.1 < motion.occupied_low <= motion.occupied_high < 0.2
    assert [event.text for event in rig.kinds("zeroed")] == ["lift is at 0.125 m"]
    assert rig.runner.status().not_zeroed == ()


# What is remembered and what is not.


def test_a_step_that_was_done_before_is_not_done_again_by_that() -> None:
    """R22, R23: A is done in tick 5 and active anew; a sibling's timeout in tick 8 interrupts it."""
    steps = [repeat("loop", [wait("A", 0.1)], 3, timeout=9.0), wait("w", until=BEAM, timeout=0.16)]
    rig = started(checked(machine(), *steps), ticks=12)
    assert rig.ends("A") == [(5, "done"), (8, "aborted")]
    assert rig.outcome() == (8, "faulted")


def test_a_lead_as_long_as_the_run_up_is_no_lead_too_long() -> None:
    """M4: 0.25 m are passed after half a second; a lead of that fires at once, and late by nothing."""
    for lead, text in ((0.5, "m passes in 0.000 ms"), (0.52, "m passes too soon: the lead is 0.02 s longer")):
        dependent = pulse("p", {"lamp": True}, 0.1, passing={"step": "m", "at": 0.25, "lead": lead})
        rig = started(checked(machine(), move("m", {"lift": 1.0}), dependent), ticks=3)
        (event,) = rig.kinds("milestone")
        assert (event.tick, event.step) == (0, "p")
        assert event.text.startswith(text)


def test_an_axis_without_a_travel_is_believed_to_be_within_thirty_thousand() -> None:
    """R16: 1e4 m or rad, and as much beyond as there is in between."""
    found = AxisDefinition(0, axis("wrist", "rotary", travel=None), P, 5 * P)
    assert (found.lowest, found.highest) == (-3e4, 3e4)
    found = AxisDefinition(0, axis("lift", travel=[-1.0, 3.0]), P, 5 * P)
    assert (found.lowest, found.highest) == (-5.0, 7.0)


def test_a_runner_takes_a_pack_a_routine_or_several() -> None:
    """R44: the same routines, by name."""
    one, other = checked(machine(), wait("A", 0.1)), checked(machine(), wait("B", 0.1), name="other")
    pack = Pack(one.machine, {"r": one, "other": other}, "")
    for given, names in ((one, ["r"]), ([one, other], ["r", "other"]), (pack, ["r", "other"])):
        assert [allowed.request for allowed in Runner(given).allowed()][: len(names)] == names
