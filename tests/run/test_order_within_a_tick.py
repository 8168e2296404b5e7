"""What comes before what within a tick, steps at a time, and runs that do not touch each other."""

from __future__ import annotations

import pytest
from rig import checked, machine, perform, pulse, repeat, started, wait

from sequencer.run import Runner


def test_entries_in_file_order_and_exits_newest_first() -> None:
    """R3: C21: entry A before B; on cancel in tick 6 exit B, then A."""
    rig = started(
        checked(machine(), pulse("A", {"lamp": True}, 1.0), pulse("B", {"horn": 1.0}, 1.0), wait("C", 0.1, ["A", "B"]))
    )
    rig.run(6)
    rig.runner.cancel()
    rig.run(1)
    assert [event.step for event in rig.kinds("start")] == ["A", "B"]
    assert [(event.step, event.tick) for event in rig.kinds("end")] == [("B", 6), ("A", 6)]


def test_exits_come_before_entries_in_a_tick() -> None:
    """R3: in the tick of two completions and a retry all exits are told before all entries, entries in file order."""
    rig = started(
        checked(
            machine(),
            wait("B", 0.1),
            wait("A", until=["holds", "beam"], timeout=0.1, retry=1),
            wait("D", 0.1, "B"),
            wait("E", 0.1, with_="D"),
            wait("C", 0.1, "B"),
        ),
        ticks=6,
    )
    told = [(event.kind, event.step) for event in rig.events if event.tick == 5 and event.kind in ("start", "end")]
    assert told == [("end", "A"), ("end", "B"), ("start", "A"), ("start", "D"), ("start", "E"), ("start", "C")]


def test_a_step_with_another_starts_in_its_tick() -> None:
    """R8: `with` starts together with the other step's start."""
    rig = started(
        checked(machine(), wait("A", 0.1), wait("B", 0.1, "A"), pulse("C", {"lamp": True}, 0.04, with_="B")), ticks=12
    )
    assert rig.starts("B") == rig.starts("C") == [5]


def test_steps_at_a_time_do_not_drift() -> None:
    """R21: C32: 20 pulses at 0.25 s ... 5.0 s from the start: the last starts@250; chained waits of 0.25 s end@260."""
    anchored = [pulse(f"p{n}", {"lamp": True}, 0.02, at=0.25 * n) for n in range(1, 21)]
    chained = [wait(f"w{n}", 0.25, [f"w{n - 1}"] if n > 1 else []) for n in range(1, 21)]
    rig = started(checked(machine(), *anchored, *chained), ticks=262)
    assert rig.starts("p20") == [250]
    assert rig.ends("w20") == [(260, "done")]


def test_times_in_a_block_count_from_its_start() -> None:
    """R21: `at` inside a block counts from the block's own start."""
    rig = started(checked(machine(), wait("A", 0.1), perform("p", [wait("B", 0.02, at=0.1)], "A")), ticks=13)
    assert rig.starts("B") == [10]


def test_two_runs_of_one_definition_are_independent() -> None:
    """R1: the definition holds nothing of a run: the second run repeats the first, and the plain data is unchanged."""
    routine = checked(machine(), repeat("loop", [pulse("A", {"lamp": True}, 0.06)], 2), wait("B", 0.1, "loop"))
    before = routine.hash
    rig = started(routine, ticks=20)
    rig.start()
    rig.run(20)
    assert rig.starts("A") == [0, 3, 20, 23]
    assert rig.outcomes() == [(11, "done"), (31, "done")]
    from sequencer.pack import CheckedRoutine

    assert CheckedRoutine(routine.machine, routine.routine).hash == before


def test_two_runners_share_a_definition_without_touching_each_other() -> None:
    """R1: any number of runs of one definition are independent."""
    routine = checked(machine(), wait("A", 0.1))
    one, two = started(routine), started(routine)
    one.run(3)
    two.run(6)
    one.run(3)
    assert one.orders == two.orders


def test_a_second_request_for_a_running_routine_is_refused() -> None:
    """R28: a routine cannot be started while it runs."""
    rig = started(checked(machine(), wait("A", 0.1)), ticks=2)
    rig.start()
    rig.run(1)
    assert rig.refusals() == ["r is already running"]


def test_a_runner_needs_routines_of_one_machine() -> None:
    """R39: routines checked for different machines are refused together, by name."""
    from sequencer.errors import ModelError

    one, other = checked(machine(), wait("A", 0.1)), checked(machine(hz=100), wait("A", 0.1), name="s")
    with pytest.raises(ModelError, match="routine 's' was checked for another machine than 'r'"):
        Runner([one, other])
    with pytest.raises(ModelError, match="two routines are called 'r'"):
        Runner([one, one])
    with pytest.raises(ModelError, match="at least one"):
        Runner([])
