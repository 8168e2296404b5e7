"""Steps and blocks that run again: retries and repeats."""

from __future__ import annotations

import pytest
from rig import checked, choose, machine, move, number_parameter, perform, pulse, put, repeat, started, wait

TRUE = ["known", "beam"]


def test_a_retry_restarts_the_clock() -> None:
    """R10, R21: C14: attempts 0-4, 5-9, 10-14, fault@15."""
    rig = started(checked(machine(), wait("A", until=["holds", "beam"], timeout=0.1, retry=2)), ticks=17)
    assert rig.starts("A") == [0, 5, 10]
    assert [tick for tick, _ in rig.ends("A")] == [5, 10, 15]
    assert rig.outcome() == (15, "faulted")


def test_a_retry_that_succeeds_is_no_time_out() -> None:
    """R10, R24: after an attempt that was done the step's timed_out is false."""
    rig = started(
        checked(
            machine(),
            wait("A", until=["holds", "beam"], timeout=0.1, retry=2),
            choose("c", [(["holds", "A.timed_out"], [put("bad", {"horn": 1.0})])], [put("good", {"horn": 2.0})], "A"),
        ),
        beam=lambda tick: tick >= 7,
        ticks=10,
    )
    assert rig.ends("A") == [(5, "timeout"), (7, "done")]
    assert rig.starts("good") == [7]


def test_the_output_of_a_retried_pulse_does_not_drop() -> None:
    """R10: left and entered in one tick: one write a tick, no drop between."""
    rig = started(
        checked(machine(), pulse("A", {"lamp": True, "roller": 5.0}, until=["holds", "beam"], timeout=0.1, retry=1)),
        ticks=11,
    )
    assert rig.output("lamp") == [True] * 10 + [False]
    assert rig.volts() == [5.0] * 10 + [0.0]


def test_a_retried_block_starts_its_steps_anew() -> None:
    """R10: what was active inside is interrupted, each passage's steps start again, and the run ends once."""
    inside = [wait("A", 0.04), wait("B", until=["holds", "beam"], after="A", timeout=9.0), wait("C", 0.02, "B")]
    rig = started(
        checked(machine(), perform("p", inside, timeout=0.1, retry=3), wait("Z", 0.04, "p")),
        beam=lambda tick: tick >= 13,
        ticks=30,
    )
    assert rig.starts("A") == [0, 5, 10]
    assert rig.ends("B") == [(5, "aborted"), (10, "aborted"), (13, "done")]
    assert rig.span("C") == (13, 13, "done")
    assert rig.span("Z") == (14, 15, "done")
    assert rig.outcome() == (16, "done")


def test_a_retried_block_with_a_pending_milestone_keeps_its_count() -> None:
    """R10, M4: the dependent of an interrupted move inside a retried block does not count twice."""
    inside = [
        move("m", {"lift": 2.0}),
        pulse("mark", {"lamp": True}, 0.04, passing={"step": "m", "at": 1.9}),
        wait("hold", 0.02, "m"),
    ]
    rig = started(
        checked(machine(), perform("p", inside, timeout=0.5, retry=1, on_timeout="continue"), wait("Z", 0.04, "p")),
        ticks=150,
    )
    assert rig.starts("m") == [0, 25]
    assert rig.ends("p") == [(25, "timeout"), (50, "timeout")]
    assert rig.span("Z") == (50, 51, "done")
    assert rig.outcome()[1] == "done"


def test_a_retried_flick_keeps_its_dependent_pulse() -> None:
    """R10, M4: the milestone of a move that is tried again is computed anew; its dependent is not given up."""
    rig = started(
        checked(
            machine(),
            move("m", {"lift": 1.0}, timeout=0.4, retry=3),
            pulse("mark", {"lamp": True}, 0.04, passing={"step": "m", "at": 0.9}),
        ),
        ticks=140,
    )
    assert len(rig.starts("m")) > 1
    assert len(rig.starts("mark")) == 1
    assert rig.ends("m")[-1][1] == "done"
    assert rig.outcome()[1] == "done"


def test_a_repeat_restarts_the_elapsed_time_and_does_not_drop_its_output() -> None:
    """R10: a step left and entered in one tick runs exit, then entry; the output is written once a tick."""
    rig = started(checked(machine(), repeat("loop", [pulse("A", {"lamp": True, "roller": 2.0}, 0.06)], 3)), ticks=11)
    assert rig.starts("A") == [0, 3, 6]
    assert rig.ends("A") == [(3, "done"), (6, "done"), (9, "done")]
    assert rig.output("lamp") == [True] * 9 + [False] * 2
    assert rig.volts() == [2.0] * 9 + [0.0] * 2


def test_a_repeat_ends_when_its_condition_holds_at_the_end_of_a_passage() -> None:
    """R9, R10: the condition is tested at the end of each passage only."""
    rig = started(
        checked(machine(), repeat("loop", [wait("A", 0.1)], until=["holds", "beam"])),
        beam=lambda tick: tick >= 7,
        ticks=20,
    )
    assert rig.starts("A") == [0, 5]
    assert rig.outcome() == (10, "done")


def test_blocks_take_no_ticks_themselves() -> None:
    """R9: a perform in a repeat in a choose: the step inside is active in the tick of the request."""
    inner = repeat("loop", [perform("p", [wait("A", 0.04)])], 2)
    rig = started(checked(machine(), choose("c", [(TRUE, [inner])]), wait("B", 0.04, "c")), ticks=8)
    assert rig.starts("A") == [0, 2]
    assert rig.starts("B") == [4]
    assert rig.outcome() == (6, "done")


@pytest.mark.parametrize("times", [None, 1000])
def test_an_empty_passage_is_a_fault_and_never_a_hang(times: int | None) -> None:
    """R9: C19: a repeat whose passage contains no step faults at once."""
    rig = started(
        checked(machine(), repeat("loop", [choose("c", [(["holds", "beam"], [wait("X", 0.1)])], [])], times)), ticks=2
    )
    assert rig.outcome() == (0, "faulted")
    assert "passage" in rig.runner.status().fault


def test_no_step_starts_after_a_fault_in_the_same_tick() -> None:
    """R23, R9: the empty second passage faults while ends are followed up: what else became ready does not start."""
    rig = started(
        checked(
            machine(),
            wait("w", 0.1),
            repeat("loop", [choose("c", [(["holds", "beam"], [wait("x", 0.1)])], [])], 9, "w"),
            choose("d", [], [], "w"),
            wait("z", 0.1, "d"),
        ),
        ticks=8,
    )
    assert rig.outcome() == (5, "faulted")
    assert rig.starts("z") == []


@pytest.mark.parametrize("block", [repeat("b", [], 2), perform("b", [])], ids=["repeat", "perform"])
def test_a_block_without_steps_is_a_fault_and_never_a_hang(block: dict[str, object]) -> None:
    """R9: C19: nothing inside would never end."""
    rig = started(checked(machine(), block), ticks=2)
    assert rig.outcome() == (0, "faulted")


def test_a_repeat_of_no_times_is_done_at_once() -> None:
    """R9: zero passages by a parameter: its steps do not start."""
    rig = started(
        checked(
            machine(),
            repeat("loop", [wait("A", 0.1)], ["parameter", "n"]),
            wait("B", 0.04, "loop"),
            parameters=[number_parameter("n", 0.0)],
        ),
        ticks=4,
    )
    assert rig.starts("A") == []
    assert rig.outcome() == (2, "done")
