"""What a hold leaves as it is and a resume takes up again, axes that push on, lags within the latency, driven spins,
sensors derived from several axes. SEMANTICS R15, R16, R35, R40, R45, R46, R53, R54.
"""

from __future__ import annotations

from typing import Any

import pytest
from rig import (
    JERKY,
    Rig,
    axis,
    checked,
    choose,
    derived,
    keep_out,
    machine,
    move,
    press,
    pulse,
    put,
    repeat,
    sensor,
    started,
    step,
    wait,
)

from profiles import Limits, ProfileError, State, stop
from sequencer.ports.readings import AxisReading
from sequencer.run import stopping_way
from sequencer.run.blocked import _edge
from sequencer.run.definition import AxisDefinition

BEAM, CLEAR = ["holds", "beam"], ["holds", "clear"]
P = 20_000_000


def pushing(on: Any = None, **sensors: Any) -> Rig:
    """The wrist has pressed towards 1.4 m and pushes on, its step over in tick 5; a wait goes on."""
    steps = [press("p", 5.0, 1.4, until=BEAM), wait("w", 30.0)]
    rig = started(checked(on or machine(), *steps), beam=lambda tick: tick >= 5, **sensors)
    rig.stuck.add("wrist")
    return rig.run(10)


def held_and_resumed(rig: Rig, ticks: int = 10) -> Rig:
    rig.runner.hold()
    rig.run(ticks)
    rig.runner.resume()
    return rig.run(ticks)


# Hold and resume.


def test_an_axis_that_stands_idle_in_its_run_holds_before_during_and_after_a_hold() -> None:
    """R35: only what pushed before pushes on."""
    rig = held_and_resumed(started(checked(machine(), move("m", {"lift": 0.5}), wait("w", 30.0)), ticks=80))
    assert rig.modes()[60:] == ["hold"] * 40
    assert rig.points()[60:] == [0.5] * 40


def test_an_axis_that_pushes_on_occupies_where_it_stands_during_a_hold_and_its_way_after_it() -> None:
    """R35, R46."""
    rig = pushing()
    motion = rig.runner._host.motions[1]
    assert (rig.modes("wrist")[-1], motion.occupied_high) == ("effort", 1.4)
    rig.runner.hold()
    rig.run(5)
    assert (rig.modes("wrist")[-1], motion.occupied_high) == ("hold", rig.positions["wrist"])
    rig.runner.resume()
    rig.run(1)
    assert (rig.modes("wrist")[-1], motion.occupied_high) == ("effort", 1.4)


@pytest.mark.parametrize(
    ("box", "resumed"),
    [
        ([1, 0.5, 2.0], False),  # on its way
        ([1, -0.5, 2.0], True),  # where it stands already
        ([1, 1.5, 2.0], True),  # beyond
    ],
)
def test_an_axis_pushes_on_after_a_hold_unless_a_keep_out_has_come_into_its_way(box: Any, resumed: bool) -> None:
    """R35, R46: what it meets as it stands it met before."""
    on = machine(keep_outs=[keep_out("post", box, [0, -1.0, 1.0], when=CLEAR)])
    rig = pushing(on, clear=lambda tick: tick >= 12)
    held_and_resumed(rig)
    words = "cannot go on: wrist may not push on: post is in its way"
    assert rig.refusals() == ([] if resumed else [words])
    assert rig.modes("wrist")[-1] == ("effort" if resumed else "hold")


def test_what_is_held_is_asked_for_each_axis_that_pushes_on() -> None:
    """R35: one that was moved, or is not read, refuses; it stays held."""
    rig = pushing()
    rig.runner.hold()
    rig.run(3)
    rig.positions["wrist"] += 0.02
    rig.runner.resume()
    rig.run(2)
    assert rig.refusals() == ["cannot go on: wrist is 0.02 m away from where it was held; allowed are 0.01 m"]
    assert rig.runner.status().runs[-1].state == "held"


def test_a_hold_while_a_keep_out_holds_the_axes_names_it_no_more() -> None:
    """R35, R54: after the resume the supervisor looks anew."""
    on = machine(keep_outs=[keep_out("post", [0, 0.5, 0.7], [1, -1.0, 1.0], when=CLEAR)])
    rig = started(checked(on, move("m", {"lift": 1.5})), ticks=80)
    assert rig.runner.status().held == (("lift", "post"),)
    rig.runner.hold()
    rig.run(2)
    assert rig.runner.status().held == ()
    rig.runner.resume()
    rig.run(2)
    assert rig.runner.status().held == (("lift", "post"),)


def test_axes_that_wait_together_each_name_the_keep_out_in_their_own_way() -> None:
    """R54: the one that held both has gone; of the next two each blocks one of them."""
    boxes = [
        keep_out("both", [0, 0.3, 2.0], [2, -1.0, 1.0], when=BEAM),
        keep_out("of the wrist", [1, 0.9, 2.0], [2, -1.0, 1.0], when=["not", BEAM]),
        keep_out("of the lift", [0, 0.9, 2.0], [2, -1.0, 1.0], when=["not", BEAM]),
    ]
    on = machine([axis("lift"), axis("wrist"), axis("arm")], keep_outs=boxes)
    step = move("m", {"lift": 1.0, "wrist": 1.0}, together=True)
    rig = started(checked(on, step), beam=lambda tick: tick < 100, ticks=100)
    assert rig.runner.status().held == (("lift", "both"), ("wrist", "both"))
    rig.run(5)
    assert rig.runner.status().held == (("lift", "of the lift"), ("wrist", "of the wrist"))
    holds = [event.text for event in rig.kinds("hold")]
    assert holds[2:] == [
        "lift is held by of the lift, waiting for arm",
        "wrist is held by of the wrist, waiting for arm",
    ]


# Lags.


@pytest.mark.parametrize("sense", [1.0, -1.0])
def test_a_set_point_that_may_still_be_in_flight_is_no_error(sense: float) -> None:
    """R45: the axis follows three ticks later, which is its latency, and may be behind by next to nothing more."""
    tight = {"following": 1e-6, "behind": "fault"}
    on = machine([axis("lift", tolerance=tight, latency=[0, 3 * P]), *machine()["axes"][1:]])
    steps = [move("m", {"lift": 1.0 * sense}), move("n", {"lift": -0.5 * sense}, "m")]
    rig = started(checked(on, *steps), delays={"lift": 2})
    rig.run(250)
    assert rig.outcome()[1] == "done"


# Sensors derived from several axes.


@pytest.mark.parametrize("later", ["lift", "wrist"])
def test_a_derived_sensor_is_blind_from_the_last_taking_of_any_of_its_axes(later: str) -> None:
    """R15: the moves begin in ticks 10 and 20, after the look of these ticks; before, nothing has been taken."""
    term = ["and", [">", "lift", -9.0], ["<", "wrist", 9.0]]
    on = machine(more_sensors=[sensor("both", derived=derived(term, blind=0.2, axes=[0, 1]))])
    first = "wrist" if later == "lift" else "lift"
    steps = [wait("A", 0.2), move("m", {first: 0.1}, "A"), wait("B", 0.4), move("n", {later: 0.1}, "B"), wait("w", 9.0)]
    rig = started(checked(on, *steps))
    seen = []
    for _ in range(45):
        rig.run(1)
        seen.append(rig.runner._host.values["both"])
    assert seen == [True] * 11 + [False] * 9 + [True] + [False] * 9 + [True] * 15


@pytest.mark.parametrize(("early", "seen"), [(5_000_000, True), (5_000_001, False)])
def test_a_derived_sensor_sees_again_a_quarter_of_a_period_before_its_time(early: int, seen: bool) -> None:
    """R15, R17: the axis is taken in tick 10; ten ticks later, less 5 ms."""
    on = machine(more_sensors=[sensor("near", derived=derived([">", "lift", -9.0], blind=0.2, axes=[0]))])
    rig = started(checked(on, wait("A", 0.2), move("m", {"lift": 0.1}, "A"), wait("w", 9.0)), ticks=20)
    rig.run(1, gap=P - early)
    assert rig.runner._host.values["near"] is seen


def test_a_step_is_blind_from_its_own_beginning() -> None:
    """R15: B begins in tick 10 and looks from tick 15 on."""
    steps = [wait("A", 0.2), wait("B", until=["not", BEAM], after="A", blind=0.1)]
    assert started(checked(machine(), *steps), ticks=20).ends("B") == [(15, "done")]


# What is told, what is over.


def test_a_word_is_told_as_it_is() -> None:
    """R40."""
    rig = started(checked(machine(), wait("A", until=["is", "piece", "lantern"])), piece="lantern", ticks=3)
    assert [event.text for event in rig.kinds("end")] == ["done: piece is lantern (piece lantern)"]


def test_a_repeat_of_no_passages_is_over_at_once_and_says_so() -> None:
    """R9."""
    rig = started(checked(machine(), repeat("loop", [wait("A", 0.1)], times=0), wait("B", 0.1, "loop")), ticks=3)
    assert [event.text for event in rig.kinds("end", "loop")] == ["done: no passages"]
    assert [one.name for one in rig.runner.status().runs[-1].steps] == ["B"]


def test_a_spin_that_is_driven_by_speed_may_still_change_something() -> None:
    """R40: nothing is told as long as it turns; it is once it does not."""
    drives = [["axis", 2, "speed", 0.5]]
    steps = [
        step("spin", "pulse", drives=drives, duration=0.6),
        wait("A", until=[">", "lift", 5.0], timeout=9.0),
    ]
    rig = started(checked(machine(), *steps), ticks=30)
    assert rig.kinds("stuck") == []
    rig.run(10)
    (told,) = rig.kinds("stuck")
    assert told.tick in (30, 31)


def test_a_choice_inside_a_passage_is_made_anew_each_time() -> None:
    """R11: the second time by what is true then."""
    branches: Any = [(BEAM, [put("s", {"lamp": True})])]
    steps = [repeat("loop", [choose("C", branches, [put("t", {"horn": 1.0})]), wait("A", 0.1, "C")], times=2)]
    rig = started(checked(machine(), *steps), beam=lambda tick: tick >= 4, ticks=20)
    assert [event.text for event in rig.kinds("branch")] == ["else", "beam (beam true)"]


def test_a_run_of_blocked_positions_that_goes_on_to_the_end_has_no_edge_there() -> None:
    """R54: the last step falls exactly on the end."""
    infinite = float("inf")
    assert _edge(lambda place: place <= 1.0, 0.5, 0.25, 1.0) == infinite
    assert _edge(lambda place: place >= -1.0, -0.5, -0.25, -1.0) == -infinite
    assert _edge(lambda place: place <= 0.8, 0.5, 0.25, 1.0) == pytest.approx(0.8, abs=1e-6)


@pytest.mark.parametrize(("velocity", "acceleration"), [(0.5, 0.3), (-0.5, -0.3), (0.5, -0.3), (0.0, 0.4)])
def test_the_way_to_rest_is_the_same_by_the_stopping_profile(
    velocity: float, acceleration: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """R32: which is asked where rounding puts a state beyond what the closed form knows."""
    limits = Limits((-1.0, 1.0), (-2.0, 2.0), 20.0)
    known = stopping_way.way_to_stop(velocity, acceleration, limits)

    def unknown(*given: Any) -> Any:
        raise ValueError("beyond")

    monkeypatch.setattr(stopping_way, "stop_travel", unknown)
    found = stopping_way.way_to_stop(velocity, acceleration, limits)
    assert found == pytest.approx(known, abs=1e-12)
    places = [stop(State(0.0, velocity, acceleration), limits).at(0.01 * n).position for n in range(100)]
    assert found[0] <= min(places) + 1e-12
    assert found[1] >= max(places) - 1e-12


def test_what_a_pulse_sets_after_a_hold_is_what_it_set_before() -> None:
    """R35, R26: outputs, volts and speeds alike; at rest in between."""
    drives = [["output", 1, "value", 0.5], ["axis", 2, "speed", -0.5]]
    rig = started(checked(machine(), step("p", "pulse", drives=drives, duration=1.0), pulse("q", {"lamp": True}, 1.0)))
    rig.run(10)
    rig.runner.hold()
    rig.run(5)
    rig.runner.resume()
    rig.run(5)
    assert rig.output("horn") == [0.5] * 10 + [0.0] * 5 + [0.5] * 5
    assert rig.output("lamp") == [True] * 10 + [False] * 5 + [True] * 5
    turning = [(one.axes["roller"].mode, one.axes["roller"].velocity) for one in rig.orders]
    assert turning == [("track", -0.5)] * 10 + [("effort", 0.0)] * 5 + [("track", -0.5)] * 5


def test_a_step_that_can_not_be_planned_anew_after_a_hold_is_a_fault_of_the_machine() -> None:
    """R35, R47: nothing is ordered but the stop."""

    def fail(states: Any) -> Any:
        raise ProfileError("by hand")

    out = dict(checked(machine(), wait("out", 0.1)).routine)
    rig = started(checked(machine(), move("m", {"lift": 2.0}), on_fault=out), ticks=30)
    rig.runner.hold()
    rig.run(60)
    rig.runner._host.motions[0].aim = fail
    rig.runner.resume()
    rig.run(10)
    (fault,) = [event for event in rig.kinds("fault") if event.run]
    assert (fault.tick, fault.step, fault.text) == (90, "m", "m: by hand")
    assert rig.ends("m") == [(90, "error")]
    assert rig.starts("out") == []


def test_the_battery_is_read_like_a_sensor() -> None:
    """R16: in volts, unknown where it is not read or no number."""
    rig = started(checked(machine(), wait("A", until=[">", "battery", 11.5], timeout=9.0)))
    told: list[Any] = [None, float("nan"), 11.5, "full", 12.25]
    reading = rig.reading

    def with_battery(now: int) -> Any:
        found = reading(now)
        found.battery = told[min(rig.count, 4)]
        return found

    rig.reading = with_battery  # type: ignore[method-assign]
    seen = []
    for _ in told:
        rig.run(1)
        seen.append(rig.runner._host.values["battery"])
    assert seen == [None, None, 11.5, None, 12.25]
    assert rig.ends("A") == [(4, "done")]
    assert rig.kinds("end")[0].text == "done: battery > 11.5 V (battery 12.25 V)"


def test_a_branch_that_is_taken_is_told_by_its_steps() -> None:
    """R40: the first as well as the second; before, by its guards."""
    branches: Any = [(BEAM, [wait("A", 9.0)]), (CLEAR, [wait("B", 9.0)])]
    for beam, inside in ((True, "A"), (False, "B")):
        rig = started(checked(machine(), choose("C", branches, timeout=9.0)), clear=False, ticks=3)
        told = {one.name: one.waits_for for one in rig.runner.status().runs[-1].steps}
        assert told == {"C": "one of: beam (beam false); clear (clear false)"}
        rig.sensors |= {"beam": beam, "clear": not beam}
        rig.run(2)
        told = {one.name: one.waits_for for one in rig.runner.status().runs[-1].steps}
        assert told == {"C": f"its steps: {inside}", inside: "time"}


@pytest.mark.parametrize("which", [0, 1])
def test_a_routine_may_start_while_others_axes_stand_in_a_keep_out(which: int) -> None:
    """R51: not where one of its own does."""
    box = keep_out("post", [1, -1.0, 1.0], [2, -1.0, 1.0])
    on = machine([axis("lift"), axis("wrist"), axis("arm")], keep_outs=[box])
    rig = Rig(checked(on, move("m", {"lift": 0.5} if which == 0 else {"wrist": 2.0}))).run(3)
    rig.start()
    rig.run(2)
    assert rig.refusals() == ([] if which == 0 else ["the machine stands in post; jog it out first"])


def test_a_routine_that_leaves_an_axis_alone_does_not_bring_it_to_a_start_region() -> None:
    """R51: the lift must be between 1 and 3 m."""
    on = machine()
    near = checked(on, wait("A", 0.1), **{"from": "near", "region": [[0, 1.0, 3.0]]})
    rig = Rig(near, checked(on, move("n", {"wrist": 2.0}), name="other"))
    rig.start()
    rig.run(1)
    words = "lift is at 0 m, 1 m outside the start region of 'near'; jog it there, or run a routine that ends there"
    assert rig.refusals() == [words]


@pytest.mark.parametrize(
    ("velocity", "acceleration", "down", "up"),
    [
        (0.5, 1.0, 0.0, 0.009),  # 2 m/s2 over 0.1 s: 10 mm
        (0.5, 3.0, 0.0, 0.014),  # 3 m/s2: 15 mm
        (0.01, 1.0, 0.0, 0.0025),  # it reaches 0.035 m/s: 3.5 mm
        (0.01, -1.0, 0.0005, 0.0),  # it reaches 0.015 m/s downwards: 1.5 mm
        (-0.01, -1.0, 0.0025, 0.0),
        (-0.01, 1.0, 0.0, 0.0005),  # 0.015 m/s upwards
        (-0.5, -1.0, 0.019, 0.0),  # 4 m/s2 downwards: 20 mm
    ],
)
def test_a_late_tick_carries_an_axis_on_by_what_it_reaches_in_the_longest_gap(
    velocity: float, acceleration: float, down: float, up: float
) -> None:
    """R20, R52: with 20 m/s3, braking with 2 m/s2 upwards and 4 m/s2 downwards; less a band of 1 mm."""
    made = AxisDefinition(0, axis("lift", tolerance={"position": 0.001}), P, 5 * P)
    limits = Limits((-1.0, 1.0), (-2.0, 4.0), 20.0)
    assert stopping_way.carried_on(made, velocity, acceleration, limits) == pytest.approx((down, up), abs=1e-12)


@pytest.mark.parametrize(("by", "lies"), [(2.0**-7, False), (2.0**-7 + 2.0**-40, True)])
def test_an_axis_that_goes_the_wrong_way_by_its_tolerance_is_slow_and_by_more_is_lying(by: float, lies: bool) -> None:
    """R48: counted from where the lag began."""
    tolerance = {"position": 2.0**-7, "following": 0.0625, "behind": "fault"}
    on = machine([axis("lift", tolerance=tolerance), *machine()["axes"][1:]])
    rig = started(checked(on, move("m", {"lift": 2.0})), ticks=35)
    place = 0.390625
    assert 0.03125 < rig.points()[-1] - place < 0.0625
    rig.readings["lift"] = lambda tick: AxisReading(place if tick == 35 else place - by, 0.0, 0.0)
    rig.run(12)
    words = "lift: it moves against its order: 0.007813 m the wrong way" if lies else "lift is "
    assert rig.kinds("fault")[0].text.startswith(words)


def test_an_axis_that_is_held_while_it_settles_settles_anew() -> None:
    """R31, R35: 0.2 s from the resume on; it had stood for 0.1 s before."""
    on = machine([axis("lift", tolerance={"settle": 200_000_000}), *machine()["axes"][1:]])
    rig = started(checked(on, move("m", {"lift": 0.5})), ticks=55)
    assert rig.ends("m") == []
    rig.runner.hold()
    rig.run(5)
    rig.runner.resume()
    rig.run(20)
    assert rig.ends("m") == [(70, "done")]


@pytest.mark.parametrize("together", [False, True])
@pytest.mark.parametrize("how", ["hold", "cancel"])
def test_a_move_by_trapezoids_that_is_stopped_in_mid_acceleration_keeps_its_speed_limit(
    how: str, together: bool
) -> None:
    """R53, R33: though its axis has a jerk limit, by which it would end the acceleration too late."""
    on = machine([axis("lift", limits=JERKY), axis("wrist", limits=JERKY), axis("roller", "spin")])
    step = move("m", {"lift": 2.0, "wrist": -2.0}, limits=JERKY, profile="trapezoid", together=together)
    rig = started(checked(on, step), ticks=25)
    assert rig.orders[-1].axes["lift"].velocity == pytest.approx(0.96)
    getattr(rig.runner, how)()
    rig.run(40)
    for name in ("lift", "wrist"):
        assert max(abs(one.axes[name].velocity) for one in rig.orders) <= 1.0
        assert abs(rig.points(name)[-1] - rig.points(name)[25]) <= 0.5 * 1.0**2 / 2.0 + 1e-9


@pytest.mark.parametrize(("slowing", "place"), [(2.0, 0.489999998), (0.5, 0.488125)])
def test_an_axis_comes_to_an_edge_within_the_limits_of_its_step(slowing: float, place: float) -> None:
    """R54, R25: it could go faster, and does not; a step too weak to stop at the edge brakes at once, by 2 m/s2."""
    on = machine(keep_outs=[keep_out("post", [0, 0.5, 2.0], [1, -1.0, 1.0])])
    limits = [[-0.25, 0.25], [-slowing, slowing], None]
    rig = started(checked(on, move("m", {"lift": 1.5}, limits=limits)), ticks=150)
    assert rig.runner.status().held == (("lift", "post"),)
    assert rig.points()[-1] == pytest.approx(place, abs=1e-9)
    assert max(one.axes["lift"].velocity for one in rig.orders) == pytest.approx(0.25, abs=1e-12)
