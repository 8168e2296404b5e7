"""Scenarios of how routines run that are decided when a routine is read."""

from __future__ import annotations

from collections.abc import Callable

from sequencer.routine import Routine, problems_of

Read = Callable[..., Routine]


def test_steps_that_wait_for_each_other_are_a_loop(routine_from: Read) -> None:
    """C16, R39: both names and both lines."""
    (problem,) = problems_of(routine_from("- a: {wait: 1 s, after: b}\n- b: {wait: 1 s, after: a}"))
    assert problem.message == "a loop: 'a' (line 4), which waits for 'b' (line 5), which waits for 'a'"


def test_two_moves_of_one_axis_in_parallel_branches_are_a_conflict(routine_from: Read) -> None:
    """C45, R28: both steps, both lines and the axis, although one would start 0.1 s later."""
    steps = (
        "- up: {move: {lift: 1.0 m}, timeout: 3 s}\n"
        "- later: {wait: 100 ms, after: []}\n"
        "- down: {move: {lift: 0.2 m}, after: later, timeout: 3 s}"
    )
    (problem,) = problems_of(routine_from(steps))
    assert problem.message == "'up' (line 4) and 'down' (line 6) both use lift and can be active together"


def test_two_moves_of_one_axis_in_exclusive_branches_are_none(routine_from: Read) -> None:
    """C46, R28."""
    steps = (
        "- way:\n    choose:\n"
        "    - if: cover_closed\n      steps:\n      - up: {move: {lift: 1.0 m}, timeout: 3 s}\n"
        "    - else:\n      - down: {move: {lift: 0 m}, timeout: 3 s}"
    )
    assert problems_of(routine_from(steps)) == []
