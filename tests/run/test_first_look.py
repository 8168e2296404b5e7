"""What a step sees at its very beginning, and what a tick is looked at for once: edges, own times, losers that were
still to come. SEMANTICS R4, R12, R14, R21, R23.
"""

from __future__ import annotations

from typing import Any

import pytest
from rig import checked, choose, flick, keep_out, machine, move, number_parameter, pulse, put, repeat, started, wait

BEAM = ["holds", "beam"]


def from_tick(*ticks: int) -> Any:
    """True in these ticks."""
    return lambda tick: tick in ticks


@pytest.mark.parametrize("risen", [0, 5])
def test_a_gate_on_an_edge_is_not_open_at_the_activation_whatever_has_just_risen(risen: int) -> None:
    """R14: B begins in tick 5; the sample of that tick is only the reference; the next rise, in tick 9, opens it."""
    steps = [wait("A", 0.1), pulse("B", {"lamp": True}, 0.1, "A", once=["rising", BEAM], timeout=9.0)]
    rig = started(checked(machine(), *steps), beam=lambda tick: risen <= tick < 7 or tick >= 9, ticks=20)
    assert rig.output("lamp") == [False] * 9 + [True] * 5 + [False] * 6


def test_a_guard_on_an_edge_is_not_true_at_the_activation() -> None:
    """R11, R14: the choice begins in tick 5, in which the beam rises; it is made at the next rise, in tick 9."""
    branches: Any = [(["rising", BEAM], [put("s", {"lamp": True})])]
    steps = [wait("A", 0.1), choose("C", branches, after="A", timeout=9.0)]
    rig = started(checked(machine(), *steps), beam=lambda tick: 5 <= tick < 7 or tick >= 9, ticks=20)
    assert rig.starts("s") == [9]


@pytest.mark.parametrize("head", ["rising", "falling"])
def test_a_repeat_that_ends_on_an_edge_looks_for_it_in_every_tick(head: str) -> None:
    """R14, R9: passages end in ticks 5, 10, 15; an edge in tick 7 has gone by, the one in tick 15 ends the block."""
    wanted = from_tick(7, 8, 15, 16)
    beam = wanted if head == "rising" else (lambda tick: not wanted(tick))
    steps = [repeat("loop", [wait("A", 0.1)], until=[head, BEAM], timeout=9.0)]
    rig = started(checked(machine(), *steps), beam=beam, ticks=30)
    assert rig.ends("A") == [(5, "done"), (10, "done"), (15, "done")]
    assert rig.outcome() == (15, "done")


@pytest.mark.parametrize("until", [["rising", BEAM], BEAM])
def test_a_step_that_is_done_in_the_tick_of_anothers_fault_is_looked_at_once(until: Any) -> None:
    """R23, R4: the timeout of the newer step is handled first; a second look would find no edge any more, or would
    count a sample twice.
    """
    steps = [
        wait("old", until=until, steady=0.0 if until is not BEAM else 0.06, timeout=9.0),
        wait("late", until=["holds", "clear"], after=(), timeout=0.16),
    ]
    for begin, outcome in ((8 if until is not BEAM else 5, "done"), (9 if until is not BEAM else 6, "aborted")):
        rig = started(checked(machine(), *steps), beam=lambda tick, begin=begin: tick >= begin, clear=False, ticks=12)
        assert rig.ends("late") == [(8, "timeout")]
        assert rig.ends("old") == [(8, outcome)]


def test_the_elapsed_time_of_a_step_is_known_from_its_first_tick() -> None:
    """R21: B starts with A and looks at once."""
    steps = [
        wait("A", 0.1),
        pulse("B", {"lamp": True}, 0.1, with_="A", only_if=["<=", "A.elapsed", 0.0]),
        pulse("C", {"horn": 1.0}, 0.1, with_="A", only_if=[">", "A.elapsed", 0.0]),
    ]
    rig = started(checked(machine(), *steps), ticks=10)
    assert (rig.output("lamp")[0], rig.output("horn")[0]) == (True, 0.0)
    assert [event.step for event in rig.kinds("skip")] == ["C"]


def test_a_loser_that_was_to_start_by_time_never_starts() -> None:
    """R12: the join goes on in tick 5; the other branch was due in tick 10."""
    steps = [
        wait("A", 0.1),
        pulse("B", {"lamp": True}, 0.1, at=0.2),
        wait("C", 0.4, {"any": ["A", "B"]}),
    ]
    rig = started(checked(machine(), *steps), ticks=40)
    assert rig.starts("B") == []
    assert rig.outcome() == (25, "done")


def test_a_loser_that_was_to_start_from_a_milestone_never_starts() -> None:
    """R12, M1: nor what was to start with it; the move goes on and passes the place."""
    steps = [
        move("m", {"lift": 1.0}),
        pulse("p", {"lamp": True}, 0.1, passing={"step": "m", "at": 0.5}),
        wait("w", 0.1),
        wait("C", 0.1, {"any": ["w", "p"]}, branches_are=[["w"], ["p"]]),
    ]
    rig = started(checked(machine(), *steps), ticks=100)
    assert rig.starts("p") == []
    assert rig.starts("C") == [5]
    assert rig.points()[-1] == 1.0
    assert rig.outcome()[1] == "done"


@pytest.mark.parametrize(("goal", "end"), [(0.500001, 50), (0.50000102, 51)])
def test_a_profile_whose_end_is_a_microsecond_away_has_ended(goal: float, end: int) -> None:
    """R31: durations are no whole nanoseconds; 1.000001 s are over after 50 ticks, 20 ns more are not."""
    rig = started(checked(machine(), move("m", {"lift": goal})), ticks=60)
    assert rig.points()[end - 1] < goal == rig.points()[end]
    assert rig.ends("m") == [(end, "done")]


def test_values_are_told_with_four_figures() -> None:
    """R40: of a number that is measured; the limit with as many as the file gave."""
    rig = started(checked(machine(), wait("A", until=[">", "pressure", 1.23456])), pressure=2.345678, ticks=3)
    assert [event.text for event in rig.kinds("end")] == ["done: pressure > 1.23456 (pressure 2.346)"]


def test_a_flick_may_be_asked_for_backwards_by_a_speed_of_either_sign() -> None:
    """R25: where it goes tells which way; a parameter may give the speed."""
    ends = []
    for speed in (0.5, -0.5, ["parameter", "v"]):
        parameters = [number_parameter("v", -0.5)]
        rig = started(checked(machine(), flick("f", -0.4, speed, -1.0), parameters=parameters), ticks=140)
        assert rig.points("wrist")[-1] == -1.0
        ends.append(rig.points("wrist"))
    assert ends[0] == ends[1] == ends[2]


def test_a_release_that_is_due_before_the_flick_begins_delays_nothing() -> None:
    """M3, M4: its lead is longer than the run-up; the orders are those of a flick that is not phased."""
    seen = []
    for phase in (True, False):
        steps = [
            flick("f", 0.37, 0.5, 1.0, phase=phase),
            pulse("p", {"lamp": True}, 0.1, passing={"step": "f", "lead": 3.0}),
        ]
        rig = started(checked(machine(), *steps), ticks=80)
        assert rig.starts("p") == [0]
        seen.append(rig.points("wrist"))
    assert seen[0] == seen[1]


def test_every_request_is_told_as_it_was_asked_for() -> None:
    """R40: in the order in which they are handled."""
    rig = started(checked(machine(), wait("A", 9.0)), ticks=2)
    for asked in ("hold", "resume", "cancel", "reset", "abort"):
        getattr(rig.runner, asked)()
        rig.run(2)
    assert [(event.tick, event.text) for event in rig.kinds("request")] == [
        (2, "hold"),
        (4, "resume"),
        (6, "cancel"),
        (8, "reset"),
        (10, "abort"),
    ]


def test_an_axis_whose_step_is_over_is_no_longer_called_held() -> None:
    """R54, R24: it gave up in tick 100, standing before the keep-out."""
    on = machine(keep_outs=[keep_out("post", [0, 0.5, 0.7], [1, -1.0, 1.0])])
    steps = [move("m", {"lift": 1.5}, timeout=2.0, on_timeout="continue"), wait("w", 9.0, "m")]
    rig = started(checked(on, *steps), ticks=99)
    assert rig.runner.status().held == (("lift", "post"),)
    rig.run(3)
    assert rig.ends("m") == [(100, "timeout")]
    assert rig.runner.status().held == ()
    assert rig.headline() == "r: w"
