"""What runs after a cancel or a fault: clear from every place in which the routine can have been stopped (R47)."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from math import radians
from pathlib import Path

import pytest

from profiles import State, s_curve
from sequencer.check import Examination, examine
from sequencer.files import load_routine, write_routine
from sequencer.machine.machine import Machine
from sequencer.pack import CheckedRoutine
from sequencer.rehearse.rehearsal import rehearse
from sequencer.routine import RoutineBuilder
from sequencer.routine.builder import move
from sequencer.routine.routine import Routine, Waiver
from sequencer.run import Runner

Said = Callable[[Examination, str], list[str]]
LANTERN = Path(__file__).parents[2] / "demos" / "lantern"


def raised(machine: Machine, **after: object) -> Routine:
    """A routine that raises the lift, then tucks the hand away; `after` holds the goals of one move of its
    `on_cancel`."""
    builder = RoutineBuilder("r", machine, start="carry", timeout="planned + 0.5 s")
    builder.step("raise", move(lift="0.6 m"))
    builder.step("tuck", move(wrist="-60 deg"))
    if after:
        builder.on_cancel("back", move(**after))  # type: ignore[arg-type]
    return builder.build()


def test_a_way_back_that_is_clear_from_the_goal_alone_is_not_clear(hand: Machine, said: Said) -> None:
    """R47: lowering the lift is fine before the hand is tucked away, and not after: it is told during which step."""
    assert examine(raised(hand)).verdict == "clear"
    examination = examine(raised(hand, lift="0.1 m"))
    assert examination.verdict == "conflict"
    assert said(examination, "keep_out") == [
        "error: on_cancel/back: low_tuck (the hand meets the bumper): 'back' moves lift within 0.1 m to 0.6 m while "
        "wrist may stand at -60 deg to 92 deg if it is stopped during 'tuck'; so lift at 0.15 m and wrist at -50 deg "
        "can come together | this line mends it: back: once: wrist > -33 deg"
    ]


def test_a_finding_of_what_runs_afterwards_is_mended_or_waived_like_any_other(hand: Machine, said: Said) -> None:
    """R47: the hand first, then the lift."""
    routine = raised(hand, lift="0.1 m")
    accepted = Waiver("keep_out", "on_cancel/back", "only ever pressed at the top")
    assert examine(routine, waive=[accepted]).verdict == "clear"
    builder = RoutineBuilder("after", hand, start="carry", timeout="planned + 0.5 s")
    builder.step("hand", move(wrist="90 deg"))
    builder.step("lift", move(lift="0.1 m"), together_with="hand")
    beside = replace(routine, on_cancel=builder.build().steps)
    (line,) = said(examine(beside), "keep_out")
    assert line.endswith("this line mends it: lift: once: wrist > -33 deg")
    builder = RoutineBuilder("after", hand, start="carry", timeout="planned + 0.5 s")
    builder.step("hand", move(wrist="90 deg"))
    builder.step("lift", move(lift="0.1 m"), together_with="hand", once="wrist > -33 deg")
    assert examine(replace(routine, on_cancel=builder.build().steps)).verdict == "clear"


@pytest.mark.parametrize("stop", ["off", "ramp_then_off"])
def test_an_axis_that_is_not_held_after_its_stop_may_be_anywhere(hand: Machine, said: Said, stop: str) -> None:
    """R47: without power the lift may sink into the keep-out's heights, which no step of the routine comes near."""
    high = replace(hand.presets["carry"], positions={"lift": 0.6, "wrist": radians(90.0)})
    for kind, verdict in (("ramp_then_hold", "clear"), (stop, "conflict")):
        axes = {**hand.axes, "lift": replace(hand.axes["lift"], stop=kind)}  # type: ignore[arg-type]
        machine = replace(hand, axes=axes, presets={**hand.presets, "carry": high})
        builder = RoutineBuilder("r", machine, start="carry", timeout="planned + 0.5 s")
        builder.step("up", move(lift="0.9 m"))
        builder.on_cancel("tuck", move(wrist="-60 deg"))
        examination = examine(builder.build())
        assert examination.verdict == verdict, (kind, examination.findings)


def test_a_way_back_has_its_own_timeout_and_limits(hand: Machine, said: Said) -> None:
    """R47, R24: its longest time counts from the farthest place in which the routine can have been stopped."""
    builder = RoutineBuilder("r", hand, start="carry", timeout="planned + 0.5 s")
    builder.step("raise", move(lift="1.1 m"))
    builder.on_fault("back", move(lift="0.1 m"), timeout="0.5 s")
    longest = s_curve(State(1.1), 0.1, hand.axes["lift"].limits).duration + 0.06
    (line,) = said(examine(builder.build()), "timeouts")
    assert line.startswith(
        f"error: on_fault/back: 'back' takes up to {longest:.4g} s in the plan; its timeout is 0.5 s"
    )


def test_where_the_way_back_may_start_is_kept_for_the_runner(hand: Machine) -> None:
    """R47: the hull of all places, as measured."""
    checked = examine(raised(hand, wrist="90 deg")).checked
    assert isinstance(checked, CheckedRoutine)
    region = checked.routine["on_cancel"]["region"]
    assert region[0] == pytest.approx([0, 0.092 - 0.05, 0.6 + 0.05])
    assert region[1] == pytest.approx([1, radians(-60.0 - 6.0), radians(92.0 + 6.0)])
    assert "on_fault" not in checked.routine


@pytest.mark.parametrize("name", ["pick_up", "drop"])
def test_the_demo_comes_back_from_a_cancel_at_any_time(name: str) -> None:
    """R47: cancelled at any tick, with the supervisor on, it comes back to where it starts and touches nothing."""
    routine = load_routine(LANTERN / f"{name}.routine.yaml")
    checked = examine(routine).checked
    assert checked is not None
    piece = "float" if name == "drop" else None
    for tenth in range(0, 24, 3):
        pressed = [(0.1 * tenth + 0.02, "cancel")]
        rehearsal = rehearse(checked, machine=routine.machine, piece=piece, pressed=pressed)  # type: ignore[arg-type]
        if rehearsal.outcome != "cancelled":
            assert 0.1 * tenth > rehearsal.duration - 0.1
            continue
        (after,) = [run for run in rehearsal.trace.runs() if run.name == f"{name}.on_cancel"]
        assert after.outcome == "done", (tenth, after)
        held = [event for event in rehearsal.trace.events() if event.kind == "held"]
        assert held == [], (tenth, held)
        assert all(one.least > 0.0 for one in rehearsal.keep_outs)


def test_a_file_with_a_way_back_reads_back_as_written(tmp_path: Path) -> None:
    """R47: written in either way, alone and as a list."""
    for name in ("pick_up", "drop"):
        routine = load_routine(LANTERN / f"{name}.routine.yaml")
        again = tmp_path / f"{name}.routine.yaml"
        again.write_text(write_routine(routine))
        assert load_routine(again, routine.machine) == routine


def test_a_checked_way_back_is_taken_by_the_runner(hand: Machine) -> None:
    """R47: the plain data that check writes is what the runner reads."""
    checked = examine(raised(hand, wrist="90 deg")).checked
    assert checked is not None
    Runner(checked)
