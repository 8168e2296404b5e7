"""How a routine goes on from tick to tick: starts, branches, what only_if leaves out (SEMANTICS R8 to R12)."""

from __future__ import annotations

import pytest
from rig import checked, choose, machine, pulse, put, started, wait

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
