"""A stop stays a stop: nothing moves until a new request, whatever else happens in its tick. SEMANTICS R33 to R36,
R41, R42, R44.
"""

from __future__ import annotations

from typing import Any

import pytest
from rig import Rig, axis, checked, machine, move, press, repeat, started, wait

from sequencer.errors import RequestRefused
from sequencer.ports.readings import AxisReading

BEAM = ["holds", "beam"]


def about_to_go_out(key: str = "on_cancel") -> Rig:
    """A rig whose routine has just ended, and whose way out begins in the next tick."""
    on = machine()
    way_out = dict(checked(on, move("out", {"lift": 0.0})).routine)
    steps = [move("m", {"lift": 2.0})] if key == "on_cancel" else [move("m", {"lift": 0.2}), wait("w", until=BEAM)]
    if key == "on_fault":
        steps[1] |= {"timeout": 200_000_000, "after": "m"}
    rig = started(checked(on, *steps, **{key: way_out}), ticks=40)
    if key == "on_cancel":
        rig.runner.cancel()
    while not rig.outcomes():
        rig.run(1)
    return rig


@pytest.mark.parametrize("key", ["on_cancel", "on_fault"])
@pytest.mark.parametrize("what", ["cancel", "abort", "hold", "fail", "disable"])
def test_what_follows_a_run_does_not_start_in_the_tick_of_a_stop(what: str, key: str) -> None:
    """R33, R35, R36, R41."""
    rig = about_to_go_out(key)
    match what:
        case "disable":
            rig.enabled = False
        case "fail":
            rig.runner.fail("a write failed")
        case _:
            getattr(rig.runner, what)()
    before = len(rig.kinds("fault"))
    rig.run(2)
    rig.enabled = True
    rig.run(60)
    assert rig.starts("out") == []
    assert len(set(rig.points()[-60:])) == 1
    assert len(rig.kinds("fault")) == before + (what == "fail")
    if what == "abort":
        assert rig.runner.status().fault == "aborted by request"


def test_without_a_stop_what_follows_a_run_starts_in_the_next_tick() -> None:
    """R47: so that the test above says something."""
    for key in ("on_cancel", "on_fault"):
        rig = about_to_go_out(key)
        rig.run(1)
        assert rig.starts("out") == [rig.count - 1]


def test_a_hold_and_a_request_in_one_tick_move_nothing() -> None:
    """R3, R35: hold goes before start."""
    rig = Rig(checked(machine(), move("m", {"lift": 1.0})))
    rig.run(2)
    rig.start()
    rig.runner.hold()
    rig.run(20)
    assert rig.refusals() == ["a hold was asked for in the same tick"]
    assert set(rig.points()) == {0.0}


def test_a_hold_while_a_restart_waits_for_standstill_forgets_the_restart() -> None:
    """R35, R37."""
    rig = started(checked(machine(), move("m", {"lift": 2.0})), ticks=40)
    rig.start(restart=True)
    rig.run(2)
    rig.runner.hold()
    rig.run(80)
    assert rig.starts("m") == [0]
    assert len(set(rig.points()[-30:])) == 1
    assert rig.refusals() == ["a hold was asked for before it could start"]


def test_a_failure_and_a_reset_in_one_tick_leave_the_failure() -> None:
    """R36, R3: what has failed is acknowledged after it was told, and what is asked for with it is refused."""
    rig = Rig(checked(machine(), move("m", {"lift": 1.0})))
    rig.run(2)
    rig.runner.fail("the bus is gone")
    rig.runner.reset()
    rig.start()
    rig.run(20)
    assert rig.runner.status().fault == "the bus is gone"
    assert rig.refusals() == ["a failure was told in the same tick"]
    assert set(rig.points()) == {0.0}
    rig.runner.reset()
    rig.run(1)
    assert rig.runner.status().fault is None


# Where an axis holds.


@pytest.mark.parametrize("how", ["disable", "abort"])
def test_an_axis_that_is_not_measured_when_it_might_hold_again_stays_off_and_counts_as_anywhere(how: str) -> None:
    """R41, R29: the place that it had before says nothing."""
    rig = started(checked(machine(), move("m", {"lift": 2.0})), ticks=40)
    if how == "abort":
        rig.runner.abort()
    else:
        rig.enabled = False
    rig.run(2)
    rig.readings["lift"] = None
    rig.positions["lift"] = -0.3
    rig.run(3)
    rig.enabled = True
    rig.runner.reset()
    rig.run(4)
    assert rig.modes()[-4:] == ["off"] * 4
    assert rig.runner._host.occupants["lift"].occupied() == (-3.0, 3.0)
    rig.readings.clear()
    rig.run(2)
    assert (rig.modes()[-1], rig.points()[-1]) == ("hold", -0.3)


@pytest.mark.parametrize("jumps", [True, False])
def test_an_idle_axis_that_loses_its_zero_does_not_go_to_its_old_place(jumps: bool) -> None:
    """R42, R48: its encoder reads 0 again: off where only the jump tells, held where it is where the actuator says so
    without a jump.
    """
    rig = Rig(checked(machine(), move("m", {"lift": 1.0})))
    rig.positions["lift"] = 0.5 if jumps else 0.001
    rig.run(3)
    rig.positions["lift"] = 0.0
    rig.readings["lift"] = lambda tick: AxisReading(rig.positions["lift"], 0.0, 0.0, zeroed=jumps)
    rig.run(5)
    if jumps:
        assert set(rig.modes()[3:]) == {"off"}
        assert next(one for one in rig.runner.allowed() if one.request == "reset").taken
        rig.runner.reset()
        rig.run(1)
    assert (rig.modes()[-1], rig.points()[-1]) == ("hold", 0.0)


@pytest.mark.parametrize("value", ["false", "no", float("nan"), object(), 1, [0]])
def test_nothing_but_true_enables(value: Any) -> None:
    """R41."""
    rig = started(checked(machine(), move("m", {"lift": 1.0})), ticks=5)
    rig.enabled = value
    rig.run(3)
    assert set(rig.modes()[5:]) == {"off"}
    assert rig.headline() == "disabled"


def test_a_hold_stops_what_a_finished_press_still_pushes_and_a_resume_pushes_again() -> None:
    """R35, R46."""
    steps = [press("p", 8.0, 2.0, until=BEAM), wait("w", 0.4, "p")]
    rig = started(checked(machine(), *steps), ticks=4, stuck=["wrist"], beam=True)
    assert rig.modes("wrist")[-1] == "effort"
    rig.runner.hold()
    rig.run(1)
    stands = rig.positions["wrist"]
    rig.run(30)
    assert set(rig.modes("wrist")[4:]) == {"hold"}
    assert rig.positions["wrist"] == stands
    rig.runner.resume()
    rig.run(2)
    assert rig.modes("wrist")[-1] == "effort"
    rig.run(40)
    assert rig.outcome()[1] == "done"


# What is refused, and said beforehand.


@pytest.mark.parametrize(
    ("call", "given"),
    [
        ("jog", ("lift", "fast")),
        ("jog", ("lift", None)),
        ("jog", ("lift", True)),
        ("jog", ("lift", float("nan"))),
        ("jog", (None, 1)),
        ("jog", ("lift", 10**400)),
        ("zero", (["lift"],)),
        ("confirm", (["r"],)),
        ("assume", (["a"], 1)),
        ("assume", ("pressure", 10**400)),
        ("assume", ("piece", ["none"])),
        ("fail", (None,)),
    ],
)
def test_a_request_of_the_wrong_kind_is_refused_in_words(call: str, given: tuple[Any, ...]) -> None:
    """R4, R44: and nothing of it reaches the tick."""
    rig = Rig(checked(machine(), wait("A", 1.0)))
    with pytest.raises(RequestRefused):
        getattr(rig.runner, call)(*given)
    rig.run(1)
    assert not rig.kinds("fault")


def test_a_jog_of_an_axis_that_a_running_routine_will_move_is_refused() -> None:
    """R44, R28: the routine would fault when it comes to that."""
    rig = started(checked(machine(), wait("A", 0.4), move("m", {"lift": 1.0}, "A")), ticks=3)
    assert not next(one for one in rig.runner.allowed() if one.request == "jog lift").taken
    rig.runner.jog("lift", 0.2)
    rig.run(100)
    assert rig.refusals() == ["lift is in use by r"]
    assert rig.outcome()[1] == "done"


def test_between_a_cancel_and_its_way_out_what_needs_its_axes_is_not_allowed() -> None:
    """R44, R47."""
    rig = about_to_go_out()
    taken = {one.request: one.why_not for one in rig.runner.allowed()}
    assert taken["r"] == taken["jog lift"] == "lift is in use by r.on_cancel"


def test_an_axis_that_is_not_zeroed_makes_a_routine_not_allowed_and_refused() -> None:
    """R42, R44: before it starts, not by a fault."""
    rig = Rig(checked(machine([axis("lift"), axis("wrist")]), move("m", {"lift": 1.0})))
    rig.readings["lift"] = AxisReading(0.0, 0.0, 0.0, zeroed=False)
    rig.run(1)
    assert rig.runner.allowed()[0].why_not == "lift is not zeroed"
    rig.start()
    rig.run(2)
    assert rig.refusals() == ["lift is not zeroed"]
    assert not rig.kinds("fault")


def test_a_preempting_request_that_would_be_refused_at_standstill_takes_nothing() -> None:
    """R44, R51: judged by where the axis comes to rest."""
    on = machine()
    other = checked(on, move("n", {"lift": 1.2}), name="other", region=[[0, 0.9, 1.1]])
    rig = Rig(checked(on, move("m", {"lift": 1.0})), other)
    rig.start()
    rig.run(20)
    rig.start("other", preempt=True)
    rig.run(1)
    assert rig.refusals()[0].startswith("lift comes to rest at 0.32 m, 0.58 m outside")
    rig.run(100)
    assert rig.outcome() == (rig.outcomes()[0][0], "done")
    assert rig.points()[-1] == 1.0


# What the status says.


def test_a_run_that_is_over_is_not_hopeless_any_more() -> None:
    """R40: the headline goes on."""
    on = machine()
    rig = Rig(checked(on, wait("w", until=[">", "lift", 0.5])), checked(on, move("m", {"lift": 0.2}), name="other"))
    rig.start()
    rig.run(5)
    assert rig.headline() == "r: nothing can happen"
    rig.runner.cancel()
    rig.run(2)
    rig.start("other")
    rig.run(3)
    assert rig.headline() == "other: m"


def test_the_time_left_stands_still_in_a_hold() -> None:
    """R35, R40."""
    rig = started(checked(machine(), wait("w", until=BEAM, timeout=1.0)), ticks=10)
    rig.runner.hold()
    rig.run(1)
    left = rig.runner.status().runs[-1].steps[0].left
    rig.run(80)
    assert rig.runner.status().runs[-1].steps[0].left == left


def test_a_move_that_took_too_long_says_where_it_is() -> None:
    """R24, R40."""
    rig = started(checked(machine(), move("m", {"lift": 1.0}, timeout=0.2)), ticks=12)
    assert rig.kinds("fault")[0].text.startswith("m not done after 0.2 s: waiting for arrival: lift -0.9")


def test_runs_that_end_in_one_tick_are_all_told_with_their_causes() -> None:
    """R40."""
    on = machine()
    rig = Rig(checked(on, wait("w", 9.0)), checked(on, wait("v", 9.0), name="other"))
    rig.start()
    rig.start("other")
    rig.run(5)
    rig.runner.fail("the bus is gone")
    rig.run(3)
    assert [(run.name, run.chain) for run in rig.runner.status().runs] == [
        ("r", ("the bus is gone",)),
        ("other", ("the bus is gone",)),
    ]


def test_a_cause_that_comes_again_with_other_figures_is_told_once() -> None:
    """R40: a jam is one cause, however far it gets."""
    on = machine([axis("lift", tolerance={"following": 0.05}), *machine()["axes"][1:]])
    rig = started(checked(on, move("m", {"lift": 2.0})), ticks=20)
    rig.stuck.add("lift")
    rig.run(100)
    assert len(rig.runner.status().runs[-1].chain) <= 2


def test_blocks_say_what_is_active_inside_and_a_headline_ends_with_a_word() -> None:
    """R40."""
    rig = started(checked(machine(), repeat("loop", [wait("inner", 0.5)], 2)), ticks=5)
    assert rig.runner.status().runs[-1].steps[0].waits_for == "its steps: inner"
    long = "a_step_with_a_name_of_so_many_characters_that_nothing_fits"
    rig = started(checked(machine(), wait(long, 0.5)), ticks=5)
    assert rig.headline() == "r"


def test_confirmations_and_the_sink_of_a_process_of_its_own_are_found_at_the_face() -> None:
    """The package offers what its guide speaks of."""
    import sequencer
    from sequencer.run import Confirmations
    from sequencer.trace import ChildSink

    assert sequencer.Confirmations is Confirmations
    assert sequencer.ChildSink is ChildSink
