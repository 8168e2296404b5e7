"""How steps follow each other: SEMANTICS section B and the scenarios C01 to C21."""

from __future__ import annotations

from itertools import pairwise

import pytest
from rig import checked, choose, machine, move, number_parameter, perform, pulse, put, repeat, started, wait

from sequencer.run import Runner

TRUE = ["known", "beam"]
RATES = pytest.mark.parametrize("hz", [50, 100, 200])


@RATES
def test_the_first_steps_are_active_in_the_tick_of_the_request(hz: int) -> None:
    """R5, R8: C01: A active 0-4, done@5, B active 5-9, end@10 (in ticks of 20 ms, and likewise at other rates)."""
    rate = hz // 50
    rig = started(checked(machine(hz=hz), wait("A", 0.1), wait("B", 0.1, "A")), ticks=10 * rate + 2)
    assert rig.span("A") == (0, 5 * rate - 1, "done")
    assert rig.span("B") == (5 * rate, 10 * rate - 1, "done")
    assert rig.outcome() == (10 * rate, "done")


@RATES
def test_outputs_are_written_in_the_tick_of_the_request(hz: int) -> None:
    """R5: the first outputs are written in the tick that handles the request, with elapsed 0."""
    rig = started(checked(machine(hz=hz), pulse("A", {"lamp": True}, 0.1)), ticks=1)
    assert rig.output("lamp") == [True]


def test_no_gap_between_the_outputs_of_successive_steps() -> None:
    """R8: C02: the roller is at +6 V in ticks 0-4, -6 V in 5-9 and 0 from 10; never 0 between."""
    rig = started(
        checked(machine(), pulse("A", {"roller": 6.0}, 0.1), pulse("B", {"roller": -6.0}, 0.1, "A")), ticks=12
    )
    assert rig.volts() == [6.0] * 5 + [-6.0] * 5 + [0.0] * 2


def test_nothing_is_instantaneous() -> None:
    """R7: C03: three waits whose condition always holds are active at 0, 1 and 2, end@3."""
    rig = started(
        checked(machine(), wait("A", until=TRUE), wait("B", until=TRUE, after="A"), wait("C", until=TRUE, after="B")),
        ticks=5,
    )
    assert [rig.span(name) for name in "ABC"] == [(0, 0, "done"), (1, 1, "done"), (2, 2, "done")]
    assert rig.outcome() == (3, "done")


def test_two_branches_clear_in_one_tick() -> None:
    """R6: C04: beam true from tick 7: both waits are done@7 and both successors write in tick 7."""
    rig = started(
        checked(
            machine(),
            wait("X", until=["holds", "beam"]),
            wait("Y", until=["holds", "beam"]),
            pulse("drive", {"roller": 3.0}, 0.1, "X"),
            pulse("light", {"lamp": True}, 0.1, "Y"),
        ),
        beam=lambda tick: tick >= 7,
        ticks=8,
    )
    assert rig.ends("X") == rig.ends("Y") == [(7, "done")]
    assert rig.volts()[6:] == [0.0, 3.0]
    assert rig.output("lamp")[6:] == [False, True]


def test_starts_of_one_tick_do_not_see_each_other() -> None:
    """R6: a guard that asks for the elapsed time of a step started in the same tick finds the snapshot before it."""
    rig = started(
        checked(
            machine(),
            wait("W", 0.1),
            wait("A", 0.2, "W"),
            choose(
                "pick", [([">", "W.elapsed", 0.09], [put("late", {"horn": 1.0})])], [put("soon", {"horn": 2.0})], "W"
            ),
        ),
        ticks=7,
    )
    assert rig.starts("late") == [5]
    assert rig.starts("soon") == []


@pytest.mark.parametrize(("first", "taken"), [("X", "X"), ("Y", "Y")])
def test_the_first_true_guard_in_file_order_wins(first: str, taken: str) -> None:
    """R11: C08: with a and b both true only the first written branch becomes active."""
    branches = [(["holds", "guard"], [wait("X", 0.1)]), (["holds", "clear"], [wait("Y", 0.1)])]
    if first == "Y":
        branches.reverse()
    rig = started(checked(machine(), choose("c", branches, [wait("Z", 0.1)])), ticks=8)
    assert {name for name in "XYZ" if rig.starts(name)} == {taken}
    assert rig.outcome() == (5, "done")


def test_else_is_taken_when_no_guard_is_true() -> None:
    """R11: C08: no guard true: the else branch."""
    rig = started(checked(machine(), choose("c", [(["holds", "beam"], [wait("X", 0.1)])], [wait("Z", 0.1)])), ticks=8)
    assert (rig.starts("X"), rig.starts("Z")) == ([], [0])


def test_a_choice_without_else_waits_for_a_guard() -> None:
    """R11: no guard true and no else: it waits as an active step and takes the guard's branch in the tick it turns
    true.
    """
    rig = started(
        checked(machine(), choose("c", [(["holds", "beam"], [wait("X", 0.1)])], timeout=1.0)),
        beam=lambda tick: tick >= 4,
        ticks=12,
    )
    assert rig.span("X") == (4, 8, "done")
    assert rig.span("c") == (0, 8, "done")


def test_a_choice_that_waits_is_under_its_timeout() -> None:
    """R11: C40: a guard that is UNKNOWN is not taken, nor is its negation; the timeout ends it."""
    guards = [
        ([">", "pressure", 2.0], [wait("X", 0.1)]),
        (["not", [">", "pressure", 2.0]], [wait("Y", 0.1)]),
    ]
    rig = started(checked(machine(), choose("c", guards, timeout=0.2)), pressure=float("nan"), ticks=12)
    assert rig.ends("c") == [(10, "timeout")]
    assert rig.starts("X") == rig.starts("Y") == []
    assert "pressure is not a number since tick 0" in rig.runner.status().fault


def test_a_step_whose_only_if_is_false_does_nothing_for_one_tick() -> None:
    """R11: it counts as done after its one tick, is traced as skipped and writes nothing."""
    rig = started(
        checked(machine(), pulse("A", {"lamp": True}, 0.1, only_if=["holds", "beam"]), wait("B", 0.1, "A")), ticks=8
    )
    assert [event.tick for event in rig.kinds("skip", "A")] == [0]
    assert rig.ends("A") == [(1, "done")]
    assert rig.starts("B") == [1]
    assert True not in rig.output("lamp")


def test_an_unknown_only_if_counts_as_false() -> None:
    """R11, R16: UNKNOWN does not let a step act."""
    rig = started(checked(machine(), pulse("A", {"lamp": True}, 0.1, only_if=["holds", "beam"])), beam=None, ticks=3)
    assert True not in rig.output("lamp")
    assert rig.outcome() == (1, "done")


def test_a_join_remembers_earlier_arrivals() -> None:
    """R12: C10: A done@3 with its output at rest from 3, B done@5, C active from 5."""
    rig = started(
        checked(machine(), pulse("A", {"lamp": True}, 0.06), wait("B", 0.1), wait("C", 0.1, ["A", "B"])), ticks=11
    )
    assert rig.ends("A") == [(3, "done")]
    assert rig.output("lamp")[:4] == [True, True, True, False]
    assert rig.ends("B") == [(5, "done")]
    assert rig.starts("C") == [5]


def test_a_join_does_not_await_a_branch_that_was_not_taken() -> None:
    """R12: C11: the choice goes past the move; the join fires@5."""
    rig = started(
        checked(
            machine(),
            choose("c", [(["holds", "beam"], [move("m", {"lift": 1.0})])], []),
            wait("w", 0.1),
            wait("J", 0.1, ["c", "w"]),
        ),
        ticks=11,
    )
    assert rig.starts("m") == []
    assert rig.starts("J") == [5]


def test_a_join_any_goes_on_with_the_first_and_interrupts_the_losers() -> None:
    """R12: the loser's pulse is at rest in that tick, it ends aborted, and the successor is active in that tick."""
    rig = started(
        checked(
            machine(),
            wait("A", 0.06),
            pulse("B", {"lamp": True}, 0.5),
            pulse("C", {"horn": 1.0}, 0.1, {"any": ["A", "B"]}),
        ),
        ticks=12,
    )
    assert rig.ends("A") == [(3, "done")]
    assert rig.ends("B") == [(3, "aborted")]
    assert rig.output("lamp")[:4] == [True, True, True, False]
    assert rig.span("C") == (3, 7, "done")
    assert rig.outcome() == (8, "done")


def test_all_branches_of_a_join_any_that_finish_in_its_tick_count_as_done() -> None:
    """R12: both predecessors finish in tick 3: both done, the successor is started once."""
    rig = started(checked(machine(), wait("A", 0.06), wait("B", 0.06), wait("C", 0.1, {"any": ["A", "B"]})), ticks=10)
    assert rig.ends("A") == rig.ends("B") == [(3, "done")]
    assert rig.starts("C") == [3]
    assert rig.outcome() == (8, "done")


def test_the_unstarted_rest_of_a_losing_branch_never_starts() -> None:
    """R12: steps of a losing branch that wait for an active one are left out, and the routine still ends."""
    rig = started(
        checked(
            machine(),
            wait("A", 0.06),
            wait("B1", 0.5),
            wait("B2", 0.5, "B1"),
            wait("B3", 0.5, "B2"),
            wait("C", 0.1, {"any": ["A", "B3"]}),
        ),
        ticks=60,
    )
    assert rig.ends("B1") == [(3, "aborted")]
    assert rig.starts("B2") == rig.starts("B3") == []
    assert rig.outcome() == (8, "done")


def test_a_join_any_inside_a_block_keeps_the_count_of_its_open_steps() -> None:
    """R12: the losers inside a repeat count as over, so that each passage ends once."""
    inside = [wait("A", 0.04), wait("B", 0.5), wait("C", 0.04, {"any": ["A", "B"]})]
    rig = started(checked(machine(), repeat("loop", inside, 3), wait("after", 0.1, "loop")), ticks=25)
    assert rig.starts("A") == [0, 4, 8]
    assert rig.ends("B") == [(2, "aborted"), (6, "aborted"), (10, "aborted")]
    assert rig.starts("after") == [12]
    assert rig.outcome() == (17, "done")


def test_an_axis_of_a_loser_passes_to_the_successor_by_the_interrupt() -> None:
    """R12, R53: the losing move brakes and the successor takes the axis over from its motion in the same tick."""
    rig = started(
        checked(
            machine(),
            wait("A", 0.4),
            move("B", {"lift": 2.0}),
            move("C", {"lift": 0.0}, {"any": ["A", "B"]}),
        ),
        ticks=150,
    )
    assert rig.ends("B") == [(20, "aborted")]
    assert rig.starts("C") == [20]
    velocities = [one.axes["lift"].velocity for one in rig.orders]
    assert max(abs(b - a) for a, b in pairwise(velocities)) <= 2.0 * 0.02 + 1e-9
    assert rig.outcome()[1] == "done"
    assert rig.points()[-1] == 0.0


def test_a_late_at_step_of_a_losing_branch_does_not_start_in_a_later_passage() -> None:
    """R12, R21: a step that was to start 0.2 s into a passage and was dropped starts 0.2 s into the next one, not
    before.
    """
    inside = [wait("A", 0.1, until=["holds", "beam"]), wait("B", 0.02, at=0.2), wait("C", 0.02, {"any": ["A", "B"]})]
    rig = started(checked(machine(), repeat("loop", inside, 3)), beam=lambda tick: tick == 2, ticks=40)
    assert rig.starts("A")[:2] == [0, 3]
    assert rig.starts("B") == []


@pytest.mark.parametrize("failing", ["fault", "reading"])
def test_a_failing_sibling_interrupts_every_other_step_in_the_same_tick(failing: str) -> None:
    """R13: C13: lift faults in tick 9: roller = 0 in tick 9, wrist begins its stop, no successor starts."""
    from sequencer.ports.readings import AxisReading

    rig = started(
        checked(
            machine(),
            move("up", {"lift": 2.0}),
            move("turn", {"wrist": 2.0}),
            pulse("drive", {"roller": 4.0}, 5.0),
            wait("J", 0.1, ["up", "turn", "drive"]),
        )
    )
    rig.run(9)
    lift = rig.positions["lift"]
    rig.readings["lift"] = (
        AxisReading(lift, 0.0, 0.0, fault="the chain is off") if failing == "fault" else AxisReading(None)
    )
    rig.run(1)
    assert [event.tick for event in rig.kinds("fault")] == [9]
    assert rig.volts()[8:] == [4.0, 0.0]
    wrist = [one.axes["wrist"].velocity for one in rig.orders]
    rig.run(1)
    assert rig.orders[-1].axes["wrist"].velocity < wrist[8] + 0.04
    assert rig.outcomes() == []
    rig.run(40)
    assert rig.outcome()[1] == "faulted"
    assert rig.outcome()[0] > 9
    assert rig.starts("J") == []
    assert rig.ends("up") == [(9, "error")]
    assert rig.ends("turn") == rig.ends("drive") == [(9, "aborted")]


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
