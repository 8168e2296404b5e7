"""Events and status: SEMANTICS R40."""

from __future__ import annotations

from typing import Any

import pytest
from rig import Rig, checked, choose, machine, move, number_parameter, pulse, put, repeat, started, wait

BEAM = ["holds", "beam"]


def step_status(rig: Rig, name: str) -> Any:
    return next(step for run in rig.runner.status().runs for step in run.steps if step.name == name)


def test_starts_and_ends_are_told_with_tick_time_and_cause() -> None:
    """R40: each with its tick, time, cause and the values that caused it."""
    rig = started(
        checked(machine(), wait("A", until=["and", BEAM, ["<", "pressure", 2.0]]), wait("B", 0.04, "A")),
        beam=lambda tick: tick >= 4,
        pressure=1.25,
        ticks=8,
    )
    told = [(event.tick, event.now_ns, event.kind, event.step, event.text) for event in rig.events if event.step]
    assert told == [
        (0, 0, "start", "A", "wait"),
        (4, 80_000_000, "end", "A", "done: beam and pressure < 2 (beam true, pressure 1.25)"),
        (4, 80_000_000, "start", "B", "wait"),
        (6, 120_000_000, "end", "B", "done: time"),
    ]
    assert [(event.tick, event.text) for event in rig.kinds("run")] == [(0, "start"), (6, "done")]


def test_the_start_of_a_run_tells_its_parameters() -> None:
    """R40, R25."""
    routine = checked(machine(), wait("A", 0.1), parameters=[number_parameter("h", 0.5), number_parameter("a", 1.0)])
    rig = Rig(routine)
    rig.start(parameters={"h": 0.75})
    rig.run(1)
    assert rig.kinds("run")[0].values == (("a", 1.0), ("h", 0.75))


def test_a_choice_tells_the_branch_and_the_values() -> None:
    """R40, R11."""
    rig = started(
        checked(machine(), choose("c", [([">", "pressure", 1.0], [wait("X", 0.1)])], [wait("Z", 0.1)])),
        pressure=1.5,
        ticks=2,
    )
    assert rig.kinds("branch")[0].text == "pressure > 1 (pressure 1.5)"


def test_an_active_step_says_what_it_waits_for_since_when_and_for_how_long() -> None:
    """R40: each term's value, false terms first, and the time left to its timeout."""
    rig = started(
        checked(
            machine(),
            wait("W", 0.06),
            wait("A", until=["and", ["holds", "guard"], BEAM, [">", "pressure", 2.0]], timeout=1.0, after="W"),
        ),
        pressure=None,
        ticks=9,
    )
    step = step_status(rig, "A")
    assert step.since == 60_000_000
    assert step.left == 900_000_000
    assert [(term.text, term.value, term.truth) for term in step.terms] == [
        ("beam", False, False),
        ("pressure > 2", None, None),
        ("guard", True, True),
    ]
    assert step.waits_for == "guard and beam and pressure > 2; pressure is missing since tick 0"
    assert rig.runner.status().headline == "r: A"


def test_a_gated_step_says_so() -> None:
    """R40, R32."""
    rig = started(checked(machine(), move("m", {"wrist": 0.5}, once=[">", "lift", 0.4])), ticks=3)
    step = step_status(rig, "m")
    assert step.waits_for == "its gate: lift > 0.4 m (lift 0 m)"
    assert step.terms[0].truth is False


def test_a_gate_on_the_time_of_another_step_shows_its_value() -> None:
    """R40: STEP.elapsed is shown as it is, not as unknown."""
    rig = started(checked(machine(), wait("W", 1.0), move("m", {"wrist": 0.5}, once=[">", "W.elapsed", 0.5])), ticks=6)
    assert step_status(rig, "m").waits_for == "its gate: W.elapsed > 0.5 s (W.elapsed 0.1 s)"


def test_a_choice_that_waits_shows_its_guards() -> None:
    """R40, R11."""
    rig = started(
        checked(machine(), choose("c", [(BEAM, [wait("X", 0.1)]), ([">", "pressure", 2.0], [wait("Y", 0.1)])])), ticks=2
    )
    assert step_status(rig, "c").waits_for == "one of: beam (beam false); pressure > 2 (pressure 0)"


def test_a_move_says_how_far_it_is_from_its_goal() -> None:
    """R40."""
    rig = started(checked(machine(), move("m", {"lift": 1.0})), ticks=1)
    assert step_status(rig, "m").waits_for == "arrival: lift -1 m from the goal"


def test_a_fault_stays_in_the_status_until_reset() -> None:
    """R40, R32."""
    rig = started(
        checked(machine(), wait("A", 1.0, must_stay=["holds", "guard"])), guard=lambda tick: tick < 3, ticks=6
    )
    status = rig.runner.status()
    assert status.fault == "A: must_stay does not hold: guard (guard false)"
    assert status.headline == "fault: A: must_stay does not hold: guard"[:40]
    rig.runner.reset()
    rig.run(1)
    assert rig.runner.status().fault is None


def test_a_stop_is_told_with_its_cause() -> None:
    """R40: the causes of aborted steps."""
    rig = started(checked(machine(), pulse("p", {"lamp": True}, 1.0)), ticks=2)
    rig.runner.cancel()
    rig.run(1)
    assert [event.text for event in rig.events if event.tick == 2] == [
        "cancel",
        "aborted: cancelled by request",
        "cancelled: cancelled by request",
    ]


def test_a_note_is_in_the_events() -> None:
    """R40."""
    rig = Rig(checked(machine(), wait("A", 0.1)))
    rig.runner.note("wind", 3.5)
    rig.run(1)
    assert rig.kinds("note")[0].values == (("wind", 3.5),)


def test_the_status_before_the_first_tick_is_there() -> None:
    """R40: at any time."""
    status = Rig(checked(machine(), wait("A", 0.1))).runner.status()
    assert (status.tick, status.enabled, status.headline) == (-1, False, "disabled")


TERMS: list[Any] = [
    BEAM,
    ["not", BEAM],
    ["rising", BEAM],
    ["falling", ["not", BEAM]],
    ["not", ["rising", BEAM]],
    ["and", ["rising", BEAM], ["is", "piece", "lantern"]],
    ["or", ["known", "pressure"], [">", "pressure", 1.0], ["not", ["is", "piece", "none"]]],
    [">=", "lift.ordered", 0.5],
    ["<", "lift.error", 0.5],
    [">", "roller.speed", 0.5],
    [">", "roller.current", 0.5],
    [">", "battery", 11.0],
    ["holds", "P.timed_out"],
    [">", "P.elapsed", 0.1],
    ["<", "pressure", ["parameter", "h"]],
    ["<", "lift", ["preset", "spot", "lift"]],
]


@pytest.mark.parametrize("place", ["until", "once", "must_stay", "only_if", "guard"])
@pytest.mark.parametrize("term", TERMS, ids=[str(number) for number in range(len(TERMS))])
def test_the_status_never_raises(term: Any, place: str) -> None:
    """R40: whatever an active step waits for, in every tick (the rig asks for the status after each)."""
    on = machine(presets={"ridge": [[0, 0.6]]})
    more = {} if place in ("guard",) else {place: term}
    step = (
        choose("A", [(term, [wait("X", 0.04)])], timeout=0.2)
        if place == "guard"
        else wait("A", 0.1 if place != "until" else None, timeout=0.2, **more)
    )
    rig = started(
        checked(
            on,
            wait("P", 0.1),
            step,
            parameters=[
                number_parameter("h", 0.9),
                {"name": "spot", "kind": "preset", "value": "ridge", "choices": ["ridge"]},
            ],
        ),
        beam=lambda tick: [False, None, True][tick % 3],
        pressure=lambda tick: [None, 0.5, float("nan")][tick % 3],
        piece=lambda tick: ["none", None, "lantern"][tick % 3],
        ticks=14,
    )
    assert len(rig.outcomes()) == 1


def test_the_status_never_raises_while_a_routine_is_stopped_in_any_tick() -> None:
    """R40: the rig asks after every tick, here of a routine with every kind of step."""
    for tick in range(1, 40):
        rig = started(
            checked(
                machine(),
                move("m", {"lift": 0.3}),
                repeat("loop", [pulse("p", {"lamp": True}, 0.04), put("s", {"horn": 1.0}, "p")], 3),
                choose("c", [(BEAM, [wait("X", 0.1)])], timeout=0.4, on_timeout="continue"),
                wait("w", 0.2, ["m", "loop"], once=["holds", "clear"]),
            ),
            ticks=tick,
        )
        rig.runner.cancel()
        rig.run(30)
        assert len(rig.outcomes()) == 1
