"""What requests do at their edges: jogs that change, routines that others ask for, failures from outside, whole
sentences. SEMANTICS R24, R33, R37, R42, R44, R47.
"""

from __future__ import annotations

from typing import Any

import pytest
from rig import (
    JERKY,
    LIMITS,
    Rig,
    axis,
    checked,
    choose,
    machine,
    move,
    must_stay,
    perform,
    press,
    pulse,
    put,
    started,
    wait,
)

from sequencer.errors import RequestRefused
from sequencer.ports.readings import AxisReading

BEAM = ["holds", "beam"]
ZERO = {"speed": -1.0, "until": BEAM, "then": 0.0, "once": None}


# By hand.


def test_a_zeroing_gives_up_after_its_span_and_three_seconds() -> None:
    """R42: 1.2 travels of 6 m at 1 m/s, and 3 s: 10.2 s; it creeps one travel at the most."""
    rig = Rig(checked(machine([axis("lift", zero=ZERO), *machine()["axes"][1:]]), wait("A", 1.0)))
    rig.runner.zero("lift")
    rig.run(515)
    assert rig.ends("zero") == [(510, "timeout")]
    assert rig.outcome("zero lift")[1] == "faulted"
    assert min(rig.points()) == -6.0


@pytest.mark.parametrize("zeroed", [True, False])
def test_a_jog_may_be_exactly_as_fast_as_its_limit(zeroed: bool) -> None:
    """R42, R44: 1 m/s, or a tenth of it where the axis is not zeroed, in both directions."""
    most = 1.0 if zeroed else 0.1
    for speed in (most, -most):
        rig = Rig(checked(machine(), wait("A", 1.0)))
        rig.readings["lift"] = lambda tick, rig=rig: AxisReading(rig.positions["lift"], 0.0, 0.0, zeroed)
        rig.run(1)
        rig.runner.jog("lift", speed)
        rig.run(4)
        assert rig.refusals() == []
        assert rig.orders[-1].axes["lift"].velocity * speed > 0.0
    if not zeroed:
        for speed in (0.101, -0.101):
            rig.runner.jog("lift", speed)
            rig.run(1)


def test_a_jog_goes_by_the_limits_of_its_direction() -> None:
    """R44: 0.5 m/s down, 1 m/s up."""
    on = machine([axis("lift", limits=[[-0.5, 1.0], [-2.0, 2.0], None]), *machine()["axes"][1:]])
    rig = Rig(checked(on, wait("A", 1.0)))
    with pytest.raises(RequestRefused, match=r"jog lift: -0\.6 m/s is outside -0\.5 m/s to 1 m/s"):
        rig.runner.jog("lift", -0.6)
    for _ in range(40):
        rig.runner.jog("lift", 1.0)
        rig.run(1)
    assert rig.orders[-1].axes["lift"].velocity == 1.0


def test_a_jog_whose_reading_jumps_goes_off() -> None:
    """R42, R48: what is read lies, and the axis would leap after it."""
    rig = Rig(checked(machine(), wait("A", 1.0)))
    for tick in range(30):
        if tick == 20:
            rig.positions["lift"] += 0.5
        rig.runner.jog("lift", 0.8)
        rig.run(1)
    rig.run(40)
    assert rig.runner.status().not_zeroed[0][0] == "lift"
    assert rig.outcomes("jog lift")[0][1] == "faulted"
    assert rig.orders[20].axes["lift"].mode == "off"
    assert rig.orders[-1].axes["lift"].mode == "off"


def test_a_jog_of_another_axis_is_a_run_of_its_own() -> None:
    """R44: each is kept up by its own name."""
    rig = Rig(checked(machine(), wait("A", 1.0)))
    for tick in range(30):
        rig.runner.jog("lift", 0.2)
        if tick < 10:
            rig.runner.jog("wrist", -0.2)
        rig.run(1)
    assert rig.outcomes("jog wrist")[0][1] == "done"
    assert rig.outcomes("jog lift") == []
    assert rig.orders[-1].axes["lift"].velocity == pytest.approx(0.2)
    assert rig.orders[-1].axes["wrist"].velocity == 0.0


def test_letting_go_of_what_is_not_jogged_asks_for_nothing() -> None:
    """R44: a button that is up."""
    rig = Rig(checked(machine(), wait("A", 1.0))).run(1)
    rig.runner.jog("lift", 0.0)
    rig.run(2)
    assert rig.outcomes("jog lift") == []
    assert rig.refusals() == []
    assert not rig.kinds("run")


# Routines that are asked for by others.


def names_another(on: Any, seconds: float = 0.1) -> Any:
    return checked(on, wait("w", until=BEAM, timeout=seconds, on_timeout="s"))


def test_a_routine_that_a_timeout_names_takes_nothing_over_and_restarts_nothing() -> None:
    """R24, R28: it is refused like any other where it runs already, or its axes are in use."""
    on = machine()
    rig = Rig(names_another(on), checked(on, move("n", {"lift": 1.0}), name="s"))
    rig.start()
    rig.start("s")
    rig.run(60)
    assert rig.refusals() == ["s is already running"]
    assert rig.starts("n") == [0]
    other = checked(on, move("o", {"lift": -1.0}), name="t")
    rig = Rig(names_another(on), checked(on, move("n", {"lift": 1.0}), name="s"), other)
    rig.start()
    rig.start("t")
    rig.run(90)
    assert rig.refusals() == ["lift is in use by t"]
    assert [outcome for _, outcome in rig.outcomes("t")] == ["done"]


def test_a_routine_that_a_timeout_names_runs_as_slowly_as_the_one_before() -> None:
    """R24, R49."""
    on = machine()
    rig = Rig(names_another(on), checked(on, move("n", {"lift": 1.0}), name="s"))
    rig.start(speed=0.5)
    rig.run(120)
    assert max(one.axes["lift"].velocity for one in rig.orders) == pytest.approx(0.5)


def test_a_restart_keeps_its_parameters_and_its_speed() -> None:
    """R37."""
    rig = started(checked(machine(), move("m", {"lift": 2.0})), ticks=20)
    rig.start(restart=True, speed=0.5)
    rig.run(260)
    assert [outcome for _, outcome in rig.outcomes()] == ["cancelled", "done"]
    second = rig.starts("m")[1]
    assert max(one.axes["lift"].velocity for one in rig.orders[second:]) == pytest.approx(0.5)


@pytest.mark.parametrize("key", ["on_cancel", "on_fault"])
def test_what_runs_afterwards_runs_as_slowly_as_the_routine(key: str) -> None:
    """R47, R49."""
    way_out = dict(checked(machine(), move("out", {"lift": -1.0})).routine)
    rig = Rig(checked(machine(), wait("w", until=BEAM, timeout=0.2), **{key: way_out}))
    rig.start(speed=0.5)
    rig.run(5)
    if key == "on_cancel":
        rig.runner.cancel()
    rig.run(170)
    assert rig.points()[-1] == -1.0
    assert min(one.axes["lift"].velocity for one in rig.orders) == pytest.approx(-0.5)


def test_what_runs_after_a_fault_does_not_run_after_a_failure_from_outside() -> None:
    """R47: what fails outside is no fault of the process; the cause is told, and what was done is kept."""
    way_out = dict(checked(machine(), move("out", {"lift": -1.0})).routine)
    rig = Rig(checked(machine(), move("m", {"lift": 2.0}), on_fault=way_out))
    rig.start()
    rig.run(20)
    rig.runner.fail("the bus is gone")
    rig.run(60)
    assert rig.outcome()[1] == "faulted"
    assert rig.runner.status().fault == "the bus is gone"
    assert rig.starts("out") == []


def test_a_failure_while_nothing_runs_is_told_as_a_fault() -> None:
    """R36."""
    rig = Rig(checked(machine(), wait("A", 1.0))).run(1)
    rig.runner.fail("the bus is gone")
    rig.run(1)
    assert [event.text for event in rig.kinds("fault")] == ["the bus is gone"]
    assert rig.headline() == "fault: the bus is gone"


# Causes.


def test_the_causes_that_come_while_a_run_stops_are_kept_in_their_order_and_once() -> None:
    """R40, R13: a fault is not told twice, another one is added."""
    on = machine([axis("lift", limits=JERKY), axis("wrist"), axis("roller", "spin")])
    rig = started(checked(on, move("m", {"lift": 2.0, "wrist": 2.0}, limits={"0": JERKY, "1": LIMITS}, timeout=0.4)))
    rig.run(22)
    rig.readings["lift"] = lambda tick: AxisReading(rig.positions["lift"], 0.0, 0.0, fault="hot")
    rig.readings["wrist"] = lambda tick: AxisReading(rig.positions["wrist"], 0.0, 0.0, fault="cold")
    rig.run(60)
    run = rig.runner.status().runs[-1]
    assert run.chain[1:] == ("lift: hot", "wrist: cold")
    assert run.chain[0].startswith("m not done after 0.4 s")
    assert run.cause == run.chain[0]


def test_a_fault_while_a_run_is_cancelled_says_both() -> None:
    """R23, R40."""
    rig = started(checked(machine(), move("m", {"lift": 2.0})), ticks=40)
    rig.runner.cancel()
    rig.run(3)
    rig.readings["lift"] = lambda tick: AxisReading(rig.positions["lift"], 0.0, 0.0, fault="hot")
    rig.run(40)
    run = rig.runner.status().runs[-1]
    assert run.state == "faulted"
    assert run.cause == "lift: hot (while being cancelled: cancelled by request)"
    assert run.chain == ("cancelled by request", "lift: hot")
    assert rig.runner.status().fault == run.cause


@pytest.mark.parametrize(
    ("step", "words"),
    [
        (wait("A", until=BEAM), "A not done after 0.1 s: waiting for beam (beam false)"),
        (move("A", {"lift": 1.0}, once=BEAM), "A not done after 0.1 s: waiting for beam (beam false)"),
        (
            move("A", {"lift": 1.0}, once=["not", BEAM]),
            "A not done after 0.1 s: waiting for arrival: lift -0.9936 m from the goal",
        ),
        (move("A", {"lift": 1.0}), "A not done after 0.1 s: waiting for arrival: lift -0.9936 m from the goal"),
        (
            pulse("A", {"lamp": True}, once=["not", BEAM], until=["known", "nothing"]),
            "A not done after 0.1 s: waiting for known(nothing) (nothing unknown)",
        ),
        (
            choose("A", [(BEAM, [wait("x", 1.0)]), ([">", "pressure", 1.0], [wait("y", 1.0)])]),
            "A not done after 0.1 s: waiting for one of: beam (beam false); pressure > 1 (pressure 0)",
        ),
        (
            choose("A", [(["not", BEAM], [wait("x", 1.0)])]),
            "A not done after 0.1 s",
        ),
        (perform("A", [wait("x", 1.0)]), "A not done after 0.1 s"),
    ],
)
def test_a_timeout_says_what_the_step_still_waited_for(step: Any, words: str) -> None:
    """R40: its gate before it acts, its condition after, the guards of a choice that has not been made."""
    step["timeout"] = 100_000_000
    rig = started(checked(machine(), step), ticks=20)
    assert rig.ends("A") == [(5, "timeout")]
    assert rig.runner.status().fault == words


# Outputs and rests.


def test_what_was_set_goes_to_rest_when_its_run_is_told_to_stop_and_may_be_set_by_another_at_once() -> None:
    """R27, R28: while the first still brakes its outputs are free, and its end does not touch them."""
    on = machine()
    rig = started(
        checked(on, put("s", {"horn": 1.0}), move("m", {"lift": 2.0})),
        checked(on, put("t", {"horn": 2.0}), wait("w", 2.0, "t"), name="other"),
        ticks=40,
    )
    rig.runner.cancel()
    rig.run(1)
    assert rig.output("horn")[-2:] == [1.0, 0.0]
    rig.start("other", preempt=True)
    rig.run(50)
    assert rig.outcome() == (65, "cancelled")
    assert rig.starts("t") == [41]
    assert rig.output("horn")[41:] == [2.0] * 50


def test_a_press_that_a_finished_run_leaves_holds_where_it_pushed() -> None:
    """R46, R27: its effort ends with the run, without a jump."""
    rig = started(
        checked(machine(), press("p", 8.0, 2.0, until=["holds", "guard"], blind=0.2)), ticks=40, stuck=["wrist"]
    )
    end = rig.outcome()[0]
    assert rig.modes("wrist")[end - 1 : end + 1] == ["effort", "hold"]
    assert rig.points("wrist")[end] == pytest.approx(rig.points("wrist")[-1])
    assert rig.points("wrist")[end] < 0.5


def test_a_slow_zeroing_is_given_the_time_that_its_span_takes() -> None:
    """R42: 1.2 travels of 6 m at 0.5 m/s, and 3 s: 17.4 s."""
    rig = Rig(checked(machine([axis("lift", zero={**ZERO, "speed": -0.5}), *machine()["axes"][1:]]), wait("A", 1.0)))
    rig.runner.zero("lift")
    rig.run(875)
    assert rig.ends("zero") == [(870, "timeout")]


@pytest.mark.parametrize("zeroed", [True, False])
def test_a_jog_against_an_interlock_or_of_an_axis_that_is_not_read_is_an_error(zeroed: bool) -> None:
    """R42, R44, R32: nothing moves."""
    on = machine(must_stay=[must_stay("cover", BEAM, [0])])
    rig = Rig(checked(on, wait("A", 1.0)))
    rig.readings["lift"] = lambda tick: AxisReading(0.0, 0.0, 0.0, zeroed)
    rig.run(1)
    rig.runner.jog("lift", 0.1)
    rig.run(3)
    assert rig.kinds("fault")[0].text == "jog: lift may not move: interlock cover: beam (beam false) does not hold"
    assert rig.ends("jog") == [(1, "error")]
    assert set(rig.points()) == {0.0}
    rig = Rig(checked(machine(), wait("A", 1.0)))
    rig.run(1)
    rig.readings["lift"] = AxisReading(None, 0.0, 0.0, zeroed)
    rig.runner.jog("lift", 0.1)
    rig.run(3)
    assert rig.kinds("fault")[0].text == "jog: the position of lift is unknown (lift is missing since tick 1)"


def test_a_jog_of_an_axis_that_is_not_zeroed_is_planned_once_for_each_speed() -> None:
    """R42: a tenth of a metre a second, up to a travel on, kept up for 20 ticks; then back at half of that."""
    rig = Rig(checked(machine(), wait("A", 1.0)))
    rig.readings["lift"] = lambda tick: AxisReading(rig.positions["lift"], 0.0, 0.0, False)
    rig.run(1)
    profiles = set()
    for tick in range(40):
        rig.runner.jog("lift", 0.1 if tick < 20 else -0.05)
        rig.run(1)
        profiles.add(id(rig.runner._host.motions[0].profile))
        if tick == 15:
            assert rig.orders[-1].axes["lift"].velocity == pytest.approx(0.1)
    assert len(profiles) <= 2
    assert rig.orders[-1].axes["lift"].velocity == pytest.approx(-0.05)
