"""Who is stopped, who is taken over in motion, and what does not follow. SEMANTICS R28, R37, R44, R47, R49."""

from __future__ import annotations

from math import inf, nextafter
from typing import Any

import pytest
from rig import (
    Rig,
    axis,
    checked,
    derived,
    flick,
    machine,
    move,
    must_stay,
    press,
    pulse,
    put,
    repeat,
    sensor,
    started,
    wait,
)

from sequencer.ports.readings import AxisReading
from sequencer.run import Confirmations, Runner

BEAM = ["holds", "beam"]


def with_way_out(on: Any, *steps: Any, **changes: Any) -> Any:
    """A routine that would sound the horn after a cancel."""
    return checked(on, *steps, on_cancel=dict(checked(on, put("out", {"horn": 1.0})).routine), **changes)


def test_a_cancelled_routine_sounds_its_horn() -> None:
    """R47: as it would be if those below took the way out."""
    rig = started(with_way_out(machine(), move("m", {"lift": 2.0})), ticks=20)
    rig.runner.cancel()
    assert 1.0 in rig.run(60).output("horn")


def test_what_is_cancelled_for_a_restart_takes_no_way_out() -> None:
    """R37, R47: it stands, and begins anew."""
    rig = started(with_way_out(machine(), move("m", {"lift": 2.0})), ticks=20)
    rig.start(restart=True)
    rig.run(140)
    assert [outcome for _, outcome in rig.outcomes()] == ["cancelled", "done"]
    assert 1.0 not in rig.output("horn")
    assert rig.kinds("run")[1].text == "cancelled: restarted"


@pytest.mark.parametrize("region", [[], [[0, 0.25, 0.35]]])
def test_what_is_cancelled_for_another_routine_takes_no_way_out(region: list[Any]) -> None:
    """R44, R47: taken over in motion, or stopped first because it leaves the start region."""
    on = machine()
    other = checked(on, move("n", {"lift": 0.0}), name="other", region=region)
    rig = started(with_way_out(on, move("m", {"lift": 2.0})), other, ticks=20)
    rig.start("other", preempt=True)
    rig.run(60)
    assert rig.kinds("run", "r")[1].text == "cancelled: other takes its axes"
    assert rig.outcome()[1] == "cancelled"
    assert 1.0 not in rig.output("horn")


@pytest.mark.parametrize("sense", [1.0, -1.0])
def test_a_moving_axis_is_taken_over_if_its_way_to_stop_ends_at_the_very_edge_of_the_region(sense: float) -> None:
    """R44: all that it occupies in the tick of the request; by the least beyond, and it is stopped first."""

    def taken(narrower: bool) -> bool:
        on = machine()
        probe = started(checked(on, move("m", {"lift": 2.0 * sense})), ticks=30)
        motion = probe.runner._host.motions[0]
        motion.next_clock = motion.clock + 20_000_000
        low, high = motion.reach_if_braking_now()
        if narrower:
            low, high = (low, nextafter(high, -inf)) if sense > 0.0 else (nextafter(low, inf), high)
        other = checked(on, move("n", {"lift": 0.0}), name="other", region=[[0, low, high]])
        rig = started(checked(on, move("m", {"lift": 2.0 * sense})), other, ticks=30)
        rig.start("other", preempt=True)
        rig.run(1)
        return bool(rig.starts("n"))

    assert taken(narrower=False)
    assert not taken(narrower=True)


def test_an_axis_that_stands_or_belongs_to_nobody_needs_no_stop_first() -> None:
    """R44: where it stands is the region's affair, and not a motion's."""
    on = machine()
    other = checked(on, move("n", {"wrist": 0.5, "lift": 0.2}), name="other", region=[[1, -0.1, 0.1]])
    rig = started(checked(on, move("m", {"lift": 2.0})), other, ticks=30)
    rig.start("other", preempt=True)
    rig.run(1)
    assert rig.starts("n") == [30]


def test_a_press_that_is_taken_over_rests_until_the_new_routine_moves_its_axis() -> None:
    """R44, R46: the effort ends in that tick."""
    on = machine()
    other = checked(on, wait("w", 0.2), move("n", {"wrist": 0.0}, "w"), name="other")
    rig = started(checked(on, press("p", 5.0, 2.0, until=BEAM)), other, ticks=20, stuck=["wrist"])
    rig.start("other", preempt=True)
    rig.run(5)
    rig.stuck.clear()
    rig.run(55)
    assert rig.modes("wrist")[19:21] == ["effort", "hold"]
    assert rig.ends("p") == [(20, "aborted")]
    assert rig.outcome("other")[1] == "done"


def test_a_routine_that_shares_an_output_alone_is_cancelled_too() -> None:
    """R44, R28: and one that shares nothing goes on."""
    on = machine()
    others = [
        checked(on, pulse("p", {"lamp": True}, 9.0), name="lights"),
        checked(on, pulse("q", {"third": 1.0}, 9.0), name="third"),
        checked(on, pulse("o", {"lamp": True}, 0.1), name="other"),
    ]
    rig = Rig(*others)
    rig.start("lights")
    rig.start("third")
    rig.run(5)
    rig.start("other", preempt=True)
    rig.run(3)
    assert rig.outcome("lights") == (5, "cancelled")
    assert rig.outcomes("third") == []
    assert rig.starts("o") == [5]
    assert rig.output("lamp") == [True] * 8


def test_a_request_that_does_not_preempt_names_what_is_in_use() -> None:
    """R44: the axis or the output, and by whom."""
    on = machine()
    others = [
        checked(on, move("m", {"wrist": 1.0}), pulse("p", {"horn": 1.0}, 9.0)),
        checked(on, move("n", {"lift": 1.0, "wrist": 0.5}), name="moves"),
        checked(on, put("s", {"lamp": True, "horn": 0.5}), name="sets"),
    ]
    rig = started(*others, ticks=3)
    for name in ("moves", "sets"):
        rig.start(name)
    rig.run(1)
    assert rig.refusals() == ["wrist is in use by r", "output horn is in use by r"]


@pytest.mark.parametrize(("speed", "slowed"), [(1.0, True), (0.26, True), (0.25, False), (0.1, False)])
def test_an_unconfirmed_routine_is_slowed_to_a_quarter_and_never_quickened(
    speed: float, slowed: bool, tmp_path: Any
) -> None:
    """R49: and says so if it is; its accelerations go by the square: it takes 5 s to a tenth."""
    rig = Rig(checked(machine(), move("m", {"lift": 2.0})))
    rig.runner = Runner([checked(machine(), move("m", {"lift": 2.0}))], confirmations=Confirmations(tmp_path / "file"))
    rig.start(speed=speed)
    rig.run(300)
    assert bool(rig.kinds("slowed")) is slowed
    assert max(one.axes["lift"].velocity for one in rig.orders) == pytest.approx(min(speed, 0.25))
    (run,) = rig.runner.status().runs
    assert run.slowed == f"at {min(speed, 0.25):g} of the limits"


def test_a_run_at_full_speed_and_one_that_is_over_are_not_called_slowed() -> None:
    """R49."""
    rig = started(checked(machine(), wait("w", 0.1)), ticks=2)
    assert rig.runner.status().runs[-1].slowed == ""
    rig = Rig(checked(machine(), wait("w", 0.1)))
    rig.start(speed=0.5)
    rig.run(2)
    assert rig.runner.status().runs[-1].slowed == "at 0.5 of the limits"
    rig.run(10)
    assert rig.runner.status().runs[-1].slowed == ""


# Several ends in one tick, and a second fault.


def test_two_timeouts_of_one_tick_end_each_step_once() -> None:
    """R22, R23: the newest faults the run, the other is interrupted by that, and nothing breaks inside."""
    steps = [wait(name, until=BEAM, timeout=0.2) for name in ("A", "B", "C")]
    rig = started(checked(machine(), *steps), ticks=20)
    assert [(event.tick, event.step, event.text.split(":")[0]) for event in rig.kinds("end")] == [
        (10, "C", "timeout"),
        (10, "B", "aborted"),
        (10, "A", "aborted"),
    ]
    assert [event.text for event in rig.kinds("fault")] == [
        "C not done after 0.2 s: waiting for beam (beam false)",
    ]
    assert rig.outcome() == (10, "faulted")


def test_a_second_fault_may_make_the_stop_stricter() -> None:
    """R13, R33: the interlock that trips while the lift brakes asks for off; both causes are kept, in their order."""
    on = machine(must_stay=[must_stay("cover", ["holds", "guard"], [0], "off")])
    steps = [move("m", {"lift": 2.0}), wait("w", until=BEAM, timeout=0.8)]
    rig = started(checked(on, *steps), ticks=60, guard=lambda tick: tick < 45)
    assert rig.modes()[39:48] == ["track"] * 6 + ["off"] * 3
    assert rig.outcome() == (45, "faulted")
    chain = rig.runner.status().runs[-1].chain
    assert [cause.split(":")[0] for cause in chain] == ["w not done after 0.8 s", "interlock cover"]


def test_a_timed_step_beside_a_block_that_times_out_still_comes() -> None:
    """R24, R53: what was inside never starts, what stands outside does."""
    inside = [wait("A", 5.0), pulse("p", {"lamp": True}, 0.1, at=0.6)]
    steps = [
        repeat("loop", inside, 1, timeout=0.2, on_timeout="continue"),
        pulse("q", {"third": 1.0}, 0.1, at=0.5),
    ]
    rig = started(checked(machine(), *steps), ticks=60)
    assert rig.starts("q") == [25]
    assert rig.starts("p") == []
    assert rig.outcome() == (30, "done")


def test_steps_that_can_never_start_are_named_by_the_fault() -> None:
    """R9: data that no check has seen: B and C wait for each other. The machine's fault."""
    steps = [wait("A", 0.1), wait("B", 0.1, "C"), wait("C", 0.1, "B")]
    out = dict(checked(machine(), wait("out", 0.1)).routine)
    rig = started(checked(machine(), *steps, on_fault=out), ticks=10)
    assert rig.starts("out") == []
    (fault,) = rig.kinds("fault")
    assert fault.tick == 5
    assert fault.text == "nothing is active, yet these steps have not ended: B, C"


def test_a_new_move_has_the_whole_time_of_a_stall() -> None:
    """R45: an axis that lags from one move into the next is not blamed for the lag of the first."""
    waits = {"following": 0.05, "behind": "wait", "settle": 100_000_000}
    on = machine([axis("lift", tolerance=waits), *machine()["axes"][1:]])
    steps = [move("m", {"lift": 1.0}, until=BEAM), move("n", {"lift": 2.0}, "m")]
    rig = started(checked(on, *steps), ticks=12, beam=lambda tick: tick >= 17)
    stands = rig.positions["lift"]
    rig.readings["lift"] = lambda tick: AxisReading(stands, 0.0, 0.0)
    rig.run(40)
    (fault,) = [event for event in rig.kinds("fault") if event.run]
    assert "lift is stalled" in fault.text
    # In mid-move: behind from tick 14 on; alone it would be a stall in tick 19.
    assert fault.tick >= 17 + 5


def test_a_speed_at_its_tolerance_is_no_motion_to_wait_for() -> None:
    """R54: nothing can happen any more, said at once; faster, and something may."""
    for speed, lost in ((5.0, True), (-5.0, True), (5.001, False), (-5.001, False)):
        rig = Rig(checked(machine(), wait("w", until=[">", "lift", 1.0])))
        rig.readings["lift"] = AxisReading(0.0, speed, 0.0)
        rig.start()
        rig.run(5)
        assert bool(rig.kinds("stuck")) is lost


# Starts, stops and words at their edges.


def test_a_flick_starts_on_an_axis_that_is_read_zeroed_and_permitted_alone() -> None:
    """R30: like a move."""
    for reading, words in (
        (AxisReading(None, 0.0, 0.0), "f: the position of wrist is unknown (wrist is missing"),
        (AxisReading(0.0, 0.0, 0.0, zeroed=False), "wrist is not zeroed"),
    ):
        rig = Rig(checked(machine(), flick("f", 0.9, 0.8, 1.4)))
        rig.readings["wrist"] = reading
        rig.start()
        rig.run(2)
        told = rig.refusals() or [event.text for event in rig.kinds("fault")]
        assert told[0].startswith(words)
    on = machine(must_stay=[must_stay("cover", BEAM, [1])])
    rig = started(checked(on, flick("f", 0.9, 0.8, 1.4)), ticks=2)
    assert rig.kinds("fault")[0].text.startswith("f: wrist may not move: interlock cover")


def test_zeroing_an_axis_in_use_is_refused() -> None:
    """R42, R44: and what would be taken says so."""
    zero = {"speed": -0.5, "until": BEAM, "then": 0.0, "once": None}
    on = machine([axis("lift", zero=zero), *machine()["axes"][1:]])
    rig = started(checked(on, move("m", {"lift": 2.0})), ticks=5)
    answer = next(one for one in rig.runner.allowed() if one.request == "zero lift")
    assert (answer.taken, answer.why_not) == (False, "lift is in use by r")
    rig.runner.zero("lift")
    rig.run(1)
    assert rig.refusals() == ["lift is in use by r"]


def test_a_derived_sensor_of_several_axes_is_blind_after_the_one_taken_last() -> None:
    """R15: 0.2 s after tick 10, in which the second is taken; one of no axis never is."""
    far = ["or", [">", "lift", -1.0], [">", "wrist", -1.0]]
    sensors = [
        sensor("far", derived=derived(far, blind=0.2, axes=(0, 1))),
        sensor("always", derived=derived(["holds", "guard"], blind=0.1)),
    ]
    steps = [move("m", {"lift": 2.0}), wait("w", 0.2), move("n", {"wrist": 1.0}, "w")]
    rig = started(checked(machine(more_sensors=sensors), *steps), ticks=0)
    seen = []
    for _ in range(30):
        rig.run(1)
        seen.append((rig.runner._host.values["far"], rig.runner._host.values["always"]))
    assert [far for far, _ in seen].index(True, 11) == 20
    assert [far for far, _ in seen][11:20] == [False] * 9
    assert all(always for _, always in seen)


def test_a_timed_step_of_a_run_that_is_stopped_never_starts() -> None:
    """R13, R33: though its time comes while the lift still brakes."""
    steps = [move("m", {"lift": 2.0}), pulse("p", {"lamp": True}, 0.1, at=0.9)]
    rig = started(checked(machine(), *steps), ticks=40)
    rig.runner.cancel()
    rig.run(60)
    assert rig.starts("p") == []
    assert rig.runner._host.ended[-1].timed == []


@pytest.mark.parametrize(("value", "shown"), [(1.23456789, "1.235"), (123456.0, "1.235e+05")])
def test_values_are_shown_with_four_digits(value: float, shown: str) -> None:
    """R40."""
    rig = started(checked(machine(), wait("A", until=[">", "battery", 1e6])), ticks=1)
    rig.runner._host.values["battery"] = value
    assert f"battery {shown} V" in rig.runner._host.words(["<", "battery", 1e6], rig.runner._host.runs[0].scope)


@pytest.mark.parametrize(("head", "truth", "first"), [("rising", "true", "fall"), ("falling", "false", "rise")])
def test_an_edge_that_is_past_when_its_step_begins_says_what_must_come_first(head: str, truth: str, first: str) -> None:
    """R14, R40."""
    rig = started(checked(machine(), wait("A", until=[head, BEAM])), beam=head == "rising", ticks=2)
    (step,) = rig.runner.status().runs[-1].steps
    assert step.waits_for == f"{head}(beam); beam was already {truth} when the step began and must first {first}"
