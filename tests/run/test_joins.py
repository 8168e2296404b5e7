"""Joins of branches, all of them or any, and what they interrupt."""

from __future__ import annotations

from itertools import pairwise

import pytest
from rig import checked, choose, machine, move, pulse, repeat, started, wait


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
