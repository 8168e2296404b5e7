"""Plans: what starts when, by hand-worked numbers with trapezoids, whose times are simple."""

from __future__ import annotations

from math import inf
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from profiles import Limits
from sequencer.errors import ModelError
from sequencer.machine.axis import Axis, Tolerance
from sequencer.machine.condition import Condition, parse_condition
from sequencer.machine.machine import Machine, Preset
from sequencer.machine.sensor import Sensor
from sequencer.plan import Plan, plan
from sequencer.plan.planned import PlannedStep
from sequencer.routine.parameters import NumberParameter, PresetParameter
from sequencer.routine.routine import Routine
from sequencer.routine.steps import (
    After,
    At,
    AtTime,
    Branch,
    By,
    Choose,
    Drive,
    Flick,
    FromReading,
    Move,
    Passing,
    Perform,
    Press,
    Pulse,
    Repeat,
    Step,
    Timeout,
    Wait,
    With,
)
from sequencer.units import LENGTH, TIME

SECOND = 1_000_000_000
TICK = 0.02


def slide(name: str, settle: int = 0, latency: int = 0) -> Axis:
    """1 m/s and 2 m/s2: a metre takes 1.5 s, half a metre 1 s."""
    tolerance = Tolerance(0.01, settle)
    return Axis(name, "linear", Limits(1.0, 2.0), (0.0, 2.0), tolerance=tolerance, latency=(0, latency))


def machine(**changes: Any) -> Machine:
    axes = {"lift": slide("lift"), "arm": slide("arm"), "rollers": Axis("rollers", "spin", Limits(100.0, 1000.0))}
    presets = {
        "low": Preset("low", {"lift": 0.0, "arm": 0.0}),
        "high": Preset("high", {"lift": 1.0, "arm": 0.5}),
    }
    sensors = {"beam": Sensor("beam", "switch"), "height": Sensor("height", "number", LENGTH)}
    return Machine("slides", **{"axes": axes, "presets": presets, "sensors": sensors, **changes})


def say(text: str) -> Condition:
    return parse_condition(text, machine().vocabulary(), words=lambda *_: True)


def planned(*steps: Step, start: str | None = None, values: Any = None, **fields: Any) -> Plan:
    settings: dict[str, Any] = {"start": "low", "default_timeout": Timeout("planned", SECOND // 2)}
    made = fields.pop("machine", machine())
    return plan(Routine("r", made, steps, **{**settings, **fields}), start, values)


def lift(place: float | str) -> Move:
    return Move((("lift", At(place)),))


def arm(place: float | str) -> Move:
    return Move((("arm", At(place)),))


def times(found: Plan) -> dict[str, tuple[float, float]]:
    return {step.name: (round(step.start, 9), round(step.end, 9)) for step in found.steps}


def test_steps_follow_what_is_open_above_them() -> None:
    found = planned(Step("up", lift(1.0)), Step("out", arm(0.5), With("up")), Step("down", lift(0.0)))
    assert times(found) == {"up": (0.0, 1.5), "out": (0.0, 1.0), "down": (1.5, 3.0)}
    assert found.duration == 3.0
    assert repr(found) == "<Plan of r: 3 steps, 3.000 s>"
    assert repr(found.step("down")) == "<move down: 1.500 to 3.000 s>"


def test_a_profile_starts_where_the_step_before_left_the_axis() -> None:
    found = planned(Step("up", lift(1.0)), Step("more", Move((("lift", By(0.5)),))))
    assert found.step("more").profiles["lift"].start.position == 1.0
    assert found.step("more").profiles["lift"].goal.position == 1.5
    assert found.state("lift", 0.75).position == 0.5
    assert found.state("lift", 99.0).position == 1.5
    assert found.state("arm", 99.0).position == 0.0


def test_every_step_takes_a_tick_and_a_move_settles() -> None:
    settling = {**machine().axes, "lift": slide("lift", settle=60_000_000)}
    found = planned(Step("stay", lift(0.0)), Step("up", lift(1.0)), machine=machine(axes=settling))
    assert times(found) == {"stay": (0.0, 0.06), "up": (0.06, 1.62)}
    assert times(planned(Step("stay", lift(0.0))))["stay"] == (0.0, TICK)


def test_a_gate_opens_when_the_planned_motion_passes() -> None:
    found = planned(Step("up", lift(1.0)), Step("out", arm(0.5), With("up"), once=say("lift > 0.5 m")))
    out = found.step("out")
    assert (out.start, round(out.motion_start, 9), round(out.end, 9), out.opened_by) == (0.0, 0.75, 1.75, "up")


def test_a_gate_waits_for_a_step_that_comes_to_move_its_axis_later_and_for_its_latency() -> None:
    slow = {**machine().axes, "lift": slide("lift", latency=40_000_000)}
    found = planned(
        Step("out", arm(0.5), After(), once=say("lift > 0.5 m and lift < 1.9 m")),
        Step("pause", Wait(), After(), duration=SECOND),
        Step("up", lift(1.0), After(("pause",))),
        machine=machine(axes=slow),
    )
    assert round(found.step("out").motion_start, 9) == 1.79
    assert found.step("out").opened_by == "up"


def test_a_gate_that_is_already_open_or_never_opens() -> None:
    found = planned(Step("out", arm(0.5), once=say("lift < 0.5 m")), Step("back", arm(0.0), once=say("lift > 0.5 m")))
    assert found.step("out").motion_start == 0.0
    assert found.step("back").about == "nothing in the plan opens its gate (lift > 0.5 m)"
    assert found.step("back").estimated


def test_a_milestone_starts_a_pulse_exactly_with_lead_and_lag() -> None:
    lead = {"early": NumberParameter("early", 0.1, TIME, (0.0, 0.3))}
    pulse = Pulse((Drive("rollers", -6.0, "voltage"),))
    steps = (
        Step("flick", Flick("lift", 1.0, 1.0, 1.5)),
        Step("go", pulse, Passing("flick", "through", lead="early"), duration=SECOND // 10),
        Step("late", pulse, Passing("flick", 0.25, lag=SECOND // 5), duration=SECOND // 10),
    )
    found = planned(*steps, parameters=lead)
    # 0.25 m at 2 m/s2 up to 1 m/s in 0.5 s, 0.75 m at 1 m/s: `through` at 1.25 s.
    assert round(found.step("flick").marks["through"], 9) == 1.25
    assert times(found)["go"] == (1.15, 1.25)
    assert times(found)["late"] == (0.7, 0.8)
    assert times(planned(*steps, parameters=lead, values={"early": 0.3}))["go"] == (0.95, 1.05)


def test_a_wait_spans_from_a_tick_to_its_timeout_or_takes_what_it_usually_does() -> None:
    wait = Wait(say("beam"))
    short = planned(Step("near", wait, timeout=Timeout("fixed", 3 * SECOND)), Step("up", lift(1.0))).step("near")
    assert (short.earliest_end, round(short.end, 9), short.latest_end) == (TICK, TICK, 3.0)
    found = planned(Step("near", wait, timeout=Timeout("fixed", 3 * SECOND), usually=SECOND), Step("up", lift(1.0)))
    assert [round(time, 9) for time in _range(found.step("up"))] == [1.52, 2.5, 4.5]
    endless = planned(Step("near", wait, timeout=Timeout("none")), Step("up", lift(1.0)))
    assert endless.step("up").latest_end == inf
    assert endless.step("near").about == "its condition (beam) is taken as true after one tick"


def _range(step: PlannedStep) -> list[float]:
    return [step.earliest_end, step.end, step.latest_end]


def test_a_press_is_planned_to_the_end_of_its_way() -> None:
    press = planned(Step("lean", Press("lift", 5.0, 1.0), until=say("lift.speed < 0.01 m/s"))).step("lean")
    assert (press.end, press.about) == (1.5, "contact is taken to come at the end of the way")


def test_axes_move_each_as_fast_as_they_can_or_together() -> None:
    both = Move((("lift", At(1.0)), ("arm", At(0.25))))
    apart, joint = (planned(Step("go", both, together=together)).step("go").profiles for together in (False, True))
    assert apart["arm"].duration < apart["lift"].duration == 1.5
    assert joint["arm"].duration == pytest.approx(joint["lift"].duration) == 1.5


def test_a_join_any_takes_the_first_and_interrupts_the_others() -> None:
    found = planned(
        Step("up", lift(1.0), After()),
        Step("out", arm(0.25), After()),
        Step("then", Wait(), After(("up", "out"), any=True), duration=SECOND),
    )
    first = found.step("out").end
    assert found.step("then").start == first
    assert found.step("up").end == first
    assert found.step("up").about == "interrupted in the plan by the branch that comes first"


def test_a_choose_takes_its_first_branch_and_says_so() -> None:
    which = Choose((Branch(say("beam"), (Step("a", lift(1.0)),)),), (Step("b", lift(0.5)),))
    found = planned(Step("which", which), Step("after", Wait(), duration=SECOND))
    assert times(found) == {"which": (0.0, 1.5), "a": (0.0, 1.5), "after": (1.5, 2.5)}
    assert found.step("which").about == "takes the branch if beam"


def test_a_repeat_counts_its_passages_and_shows_the_first() -> None:
    found = planned(
        Step("three", Repeat((Step("up", lift(1.0)), Step("down", lift(0.0))), times=3.0)), Step("out", arm(0.5))
    )
    assert times(found) == {"three": (0.0, 9.0), "up": (0.0, 1.5), "down": (1.5, 3.0), "out": (9.0, 10.0)}
    assert found.step("three").about == "3 passages; times inside are of the first"


def test_a_performed_routine_is_planned_in_place_with_what_it_was_given() -> None:
    made = machine()
    inner = Routine(
        "fetch", made, (Step("go", lift("how_far")),), parameters={"how_far": NumberParameter("how_far", 0.5, LENGTH)}
    )
    perform = Step("get", Perform("fetch", (("how_far", 1.0),)))
    found = planned(perform, Step("out", arm(0.5)), machine=made, subroutines={"fetch": inner})
    assert times(found) == {"get": (0.0, 1.5), "get/go": (0.0, 1.5), "out": (1.5, 2.5)}


def test_a_step_that_takes_over_ends_the_other_and_starts_from_its_motion() -> None:
    found = planned(
        Step("up", lift(1.0), After()),
        Step("down", lift(0.0), AtTime(SECOND // 2), preempt=True),
        Step("out", arm(0.5)),
    )
    assert found.step("up").end == 0.5
    start = found.step("down").profiles["lift"].start
    assert (start.position, start.velocity) == (0.25, 1.0)


def test_from_anywhere_each_axis_is_planned_the_longer_way() -> None:
    found = planned(Step("up", lift(1.5)), start="anywhere")
    assert found.initial["lift"] == 0.0
    assert found.step("up").about == "lift may start anywhere; planned from the far end of the travel"
    assert planned(Step("down", lift(0.2)), start="anywhere").initial["lift"] == 2.0


def test_parameters_and_starts_are_checked_by_name_and_range() -> None:
    parameters = {
        "how_far": NumberParameter("how_far", 0.5, LENGTH, (0.4, 1.0)),
        "where": PresetParameter("where", "high", ("high", "low")),
    }
    steps = (Step("up", lift("how_far")), Step("out", arm("where")))
    found = planned(*steps, parameters=parameters, values={"how_far": 1.0, "where": "low"})
    assert (found.step("up").end, found.step("out").end) == (1.5, 1.5 + TICK)
    for start, values, words in (
        (None, {"how_fat": 1.0}, "'r' has no parameter 'how_fat'; did you mean 'how_far'?"),
        (None, {"how_far": 1.1}, "parameter 'how_far' is 1.1 m; its range is 0.4 m to 1 m"),
        (None, {"how_far": "low"}, "parameter 'how_far' is 'low'; it must be a number in SI units"),
        (None, {"where": "lw"}, "parameter 'where' is 'lw'; it must be one of the presets high, low"),
        ("hihg", {}, "'r' cannot start from 'hihg': there is no such preset; did you mean 'high'?"),
    ):
        with pytest.raises(ModelError) as refused:
            planned(*steps, parameters=parameters, start=start, values=values)
        assert str(refused.value) == words
    with pytest.raises(ModelError, match=r"the plan of 'r' has no step 'upp'; did you mean 'up'\?"):
        found.step("upp")


def test_another_start_may_be_asked_for() -> None:
    assert planned(Step("up", lift(1.0)), start="high").duration == TICK


def test_a_goal_outside_the_travel_is_refused_with_its_place() -> None:
    with pytest.raises(ModelError) as refused:
        planned(Step("up", lift(2.5)))
    assert str(refused.value) == "(in Python): 'up': lift would go to 2.5 m, outside its travel, 0 m to 2 m"


def test_a_goal_that_a_sensor_gives_is_planned_for_the_middle() -> None:
    found = planned(Step("up", Move((("lift", FromReading("height", (0.5, 1.5))),))))
    assert found.step("up").profiles["lift"].goal.position == 1.0


@given(st.lists(st.tuples(st.sampled_from(["lift", "arm"]), st.floats(0.0, 2.0)), min_size=1, max_size=6))
def test_a_chain_lasts_as_long_as_its_moves_and_profiles_join(goals: list[tuple[str, float]]) -> None:
    steps = [Step(f"s{index}", Move(((axis, At(place)),))) for index, (axis, place) in enumerate(goals)]
    found = planned(*steps)
    assert found.duration == pytest.approx(sum(step.duration for step in found.steps))
    for axis in ("lift", "arm"):
        place = found.initial[axis]
        for _, profile in found.trajectories[axis]:
            assert profile.start.position == place
            place = profile.goal.position
