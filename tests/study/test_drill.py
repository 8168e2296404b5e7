"""Drills: every single fault at every instant, on the demo's shortest routine."""

from __future__ import annotations

import csv
import io
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import pytest

from sequencer import ModelError, Routine, check, drill, load_routine, rehearse
from sequencer.pack import CheckedRoutine
from sequencer.plant import SensorSilent, SensorStuck
from sequencer.rehearse import MeasuredClearance
from sequencer.study import Drill, DrillReport, DrillRow, single_faults
from sequencer.study.drill_report import AxisWay
from sequencer.study.instants import instants_of
from sequencer.study.trial import left_on

DEMO = Path(__file__).parents[2] / "demos" / "lantern"


@pytest.fixture(scope="module")
def to_stow() -> tuple[CheckedRoutine, Routine]:
    routine = load_routine(DEMO / "to_stow.routine.yaml")
    return check(routine), routine


def drilled(to_stow: tuple[CheckedRoutine, Routine], *words: str, middles_only: bool = True) -> DrillReport:
    checked, routine = to_stow
    return drill(
        checked,
        machine=routine.machine,
        specs=routine.rehearsals,
        choose=lambda fault: any(word in fault.words for word in words),
        middles_only=middles_only,
    )


def row(**changes: object) -> DrillRow:
    plain = DrillRow(
        rehearsal="plain",
        fault="cancel",
        untrue="",
        at=0.5,
        instant="middle of raise",
        steps=("raise",),
        outcome="cancelled",
        cause="cancelled by request",
        noticed=0.01,
        travel=AxisWay("lift", 0.1, "linear"),
        lie=None,
        headline="up cancelled",
        clearance=None,
        conflicts=(),
        struck=(),
        left_on=(),
    )
    return replace(plain, **changes)  # type: ignore[arg-type]


def test_one_dead_motor_of_a_pair_is_noticed_by_nobody_here(to_stow: tuple[CheckedRoutine, Routine]) -> None:
    """The other one is strong enough for this routine, and encoders still turn alike: nothing tells of it."""
    report = drilled(to_stow, "lift: left dead")
    assert [(one.outcome, one.noticed, one.headline) for one in report.rows] == [("done", None, "to_stow done")] * 3
    assert all(one.travel is None and one.untrue == "less force than declared" for one in report.rows)


def test_a_frozen_encoder_is_noticed_when_the_two_differ_too_far(to_stow: tuple[CheckedRoutine, Routine]) -> None:
    report = drilled(to_stow, "encoder left frozen")
    middle = next(one for one in report.rows if one.instant.startswith("middle of lower"))
    assert middle.outcome == "faulted"
    assert middle.headline.startswith("fault: lift: left and right differ by")
    # The lift falls at up to 1.1 m/s, so that 15 mm are over in a tick; the mean of both encoders lies by half of it.
    assert middle.noticed == pytest.approx(0.03, abs=0.0201)
    assert middle.lie is not None
    assert middle.lie.axis == "lift"
    assert middle.lie.way > 0.0075
    assert middle.travel is not None
    assert middle.travel.axis == "lift"


def test_a_cancel_is_noticed_in_the_next_tick_and_the_way_from_there_is_that_of_a_stop(
    to_stow: tuple[CheckedRoutine, Routine],
) -> None:
    """From 1.1 m/s with 5 m/s2 and 80 m/s3: v^2/2a + v a/2J = 121 + 34 mm, and the ticks and latency before it."""
    report = drilled(to_stow, "cancel")
    assert {round(one.noticed or 0.0, 6) for one in report.rows} == {0.01}
    assert {one.headline for one in report.rows} == {"to_stow cancelled"}
    middle = next(one for one in report.rows if one.instant.startswith("middle of lower"))
    assert middle.travel is not None
    braking = 1.1**2 / (2 * 5.0) + 1.1 * 5.0 / (2 * 80.0)
    assert 0.8 * braking < middle.travel.way < braking + 1.1 * (0.03 + 0.02)


def test_where_readings_and_brakes_are_true_nothing_is_met_and_nothing_left_on(
    to_stow: tuple[CheckedRoutine, Routine],
) -> None:
    report = drilled(
        to_stow, "cancel", "hold", "jams", "not read", "silent", "stale", "late", "others draw", middles_only=False
    )
    assert len({one.fault for one in report.rows}) == 12
    assert len({one.at for one in report.rows}) >= 8
    assert all(not one.untrue for one in report.rows)
    assert report.conflicts == report.left_on == ()
    assert report.fine


def test_what_a_lying_encoder_leads_to_is_listed_and_not_judged(to_stow: tuple[CheckedRoutine, Routine]) -> None:
    report = drilled(to_stow, "encoder turner frozen")
    met = [one for one in report.rows if one.conflicts]
    assert met
    assert all(one.untrue == "an encoder lies" and one.fine for one in met)
    assert any("top_bar" in words for one in met for words in one.conflicts)


def test_rows_depend_neither_on_the_executor_nor_on_its_workers(to_stow: tuple[CheckedRoutine, Routine]) -> None:
    checked, routine = to_stow
    planned = Drill(
        checked,
        machine=routine.machine,
        specs=routine.rehearsals,
        middles_only=True,
        choose=lambda fault: "frozen" in fault.words or fault.words == "cancel",
    )
    alone = planned.report(planned.rows())
    assert len(alone.rows) == planned.count == 12
    with ThreadPoolExecutor(3) as threads, ProcessPoolExecutor(2) as processes:
        assert planned.report(planned.rows(threads)) == alone
        assert planned.report(planned.rows(processes)) == alone


def test_a_drill_that_is_broken_off_tells_what_is_done(to_stow: tuple[CheckedRoutine, Routine]) -> None:
    checked, routine = to_stow
    planned = Drill(
        checked,
        machine=routine.machine,
        specs=routine.rehearsals,
        middles_only=True,
        choose=lambda fault: fault.words == "cancel",
    )
    rows = planned.rows()
    report = planned.report([next(rows)])
    assert (len(report.rows), report.planned, report.complete, report.fine) == (1, 3, False, False)


def test_a_routine_that_never_ends_well_cannot_be_disturbed(to_stow: tuple[CheckedRoutine, Routine]) -> None:
    checked, routine = to_stow
    late = replace(routine.rehearsals[0], expect=replace(routine.rehearsals[0].expect, finishes_within=100_000_000))
    with pytest.raises(ModelError, match=r"'to_stow' has no rehearsal .* 'from the ridge' \(done\); a drill needs one"):
        drill(checked, machine=routine.machine, specs=[late])


def test_instants_are_start_middle_and_end_of_every_step_and_those_that_coincide_are_one(
    to_stow: tuple[CheckedRoutine, Routine],
) -> None:
    checked, routine = to_stow
    plain = rehearse(checked, machine=routine.machine, spec=routine.rehearsals[0])
    instants = instants_of(plain.trace, plain.steps)
    assert instants[0].words == "start of tuck and lower"
    assert instants[0].at == 0.0
    tuck = next(step for step in plain.steps if step.name == "tuck")
    end = next(one for one in instants if one.words.startswith("end of tuck"))
    assert end.at == pytest.approx(tuck.end - 0.01)
    assert "tuck" in end.steps
    assert [one.at for one in instants] == sorted({one.at for one in instants})
    assert len(instants_of(plain.trace, plain.steps, middles_only=True)) == 3


def test_every_kind_of_single_fault_is_tried() -> None:
    machine = load_routine(DEMO / "hang_ridge.routine.yaml").machine
    words = [fault.words for fault in single_faults(machine, seen={"range_to_hook": [0.6, 0.29]})]
    assert len(set(words)) == len(words)
    for needed in (
        "lift: left dead",
        "rollers: feeder has half its force",
        "lift: right has lost its chain",
        "wrist: jams",
        "lift: encoder left frozen",
        "wrist: encoder turner reads 18 deg more",
        "wrist: encoder turner reads 18 deg less",
        "wrist: encoder turner counts the wrong way",
        "wrist: not read",
        "lift_bottom: stuck at false",
        "lift_bottom: stuck at true",
        "piece: stuck at lantern",
        "range_to_hook: stuck at 0.29 m",
        "range_to_hook: stuck at 0.6 m",
        "range_to_hook: stuck as it reads",
        "piece: bounces",
        "piece: stale",
        "piece: silent",
        "the piece is missing",
        "the piece is dropped",
        "one tick 0.06 s late",
        "every tick a period late",
        "no tick for 0.2 s",
        "battery spent (11.5 V, 2 times the resistance)",
        "others draw 60 A",
        "controllers start anew",
        "disabled",
        "cancel",
        "hold, then resume",
    ):
        assert needed in words
    assert not any(word.startswith("lantern_in") for word in words), "it is derived from what is read"


def test_a_sensor_that_nothing_asks_for_is_left_out_and_said(to_stow: tuple[CheckedRoutine, Routine]) -> None:
    report = drilled(to_stow, "silent")
    assert {one.fault for one in report.rows} == {"piece: silent"}
    assert report.left_out == ("lift_bottom, range_to_hook: nothing asks for them",)


def test_what_does_not_rest_after_the_end_is_left_on(to_stow: tuple[CheckedRoutine, Routine]) -> None:
    checked, routine = to_stow
    trace = rehearse(checked, machine=routine.machine, spec=routine.rehearsals[0]).trace
    assert left_on(routine.machine, trace) == ()
    last = trace.rows[-1]
    driven = tuple(
        order and order._replace(mode=mode, volts=volts)
        for order, mode, volts in zip(last.ordered, ("track", "hold", "effort"), (0.0, 0.0, -8.0), strict=True)
    )
    bad = replace(trace, rows=(*trace.rows[:-1], last._replace(outputs=("dark", True), ordered=driven)))
    assert left_on(routine.machine, bad) == (
        "chassis_may_leave is true",
        "lift is driven (track)",
        "rollers is driven (effort)",
    )


def test_a_conflict_counts_where_readings_and_brakes_are_true_and_an_output_left_on_always() -> None:
    met = row(conflicts=("it entered low_tuck by 2 deg of wrist",))
    lied = row(conflicts=met.conflicts, untrue="an encoder lies")
    on = row(untrue="no power", left_on=("lamp is steady",))
    report = DrillReport("up", (row(), met, lied, on), 4)
    assert report.conflicts == (met,)
    assert report.left_on == (on,)
    assert [one.fine for one in report.rows] == [True, False, True, False]
    assert not report.fine
    assert DrillReport("up", (row(), lied), 2).fine


def test_a_summary_holds_the_worst_of_a_fault() -> None:
    near = MeasuredClearance(0.02, 0.019, 0.015, ("hand", "post"), 1.0)
    rows = (
        row(noticed=None, travel=None, outcome="done", clearance=near),
        row(noticed=0.3, travel=AxisWay("wrist", 0.2, "rotary"), clearance=near._replace(least=0.5)),
        row(fault="hold", noticed=0.1),
    )
    first, second = DrillReport("up", rows, 3).by_fault()
    assert (first.tried, first.noticed, first.unnoticed, first.clearance) == (2, 0.3, 1, near)
    assert str(first.travel) == "wrist 11.46 deg"
    assert dict(first.outcomes) == {"done": 1, "cancelled": 1}
    assert second.fault == "hold"


def test_rows_are_written_as_csv_with_units() -> None:
    report = DrillReport("up", (row(conflicts=("a, b", "c")),), 1)
    (read,) = csv.DictReader(io.StringIO(report.as_csv()))
    assert (read["fault"], read["at [s]"], read["noticed [s]"]) == ("cancel", "0.5", "0.01")
    assert (read["travel axis"], read["travel [m or rad]"], read["conflicts"]) == ("lift", "0.1", "a, b; c")
    assert report.as_json()["rows"][0]["travel"] == {"axis": "lift", "way": 0.1}


def test_what_happens_without_a_fault_too_is_not_noticing() -> None:
    """With nothing on the floor the pull times out anyhow; that the rollers jam is no news."""
    routine = load_routine(DEMO / "pick_up.routine.yaml")
    specs = [spec for spec in routine.rehearsals if spec.name == "nothing there"]
    report = drill(
        check(routine),
        machine=routine.machine,
        specs=[*specs, *specs],
        middles_only=True,
        choose=lambda fault: fault.words == "rollers: jams",
    )
    assert [(one.outcome, one.noticed) for one in report.rows] == [("done", None)] * len(report.rows)
    assert any("pull_in" in one.steps for one in report.rows)
    # The same rehearsal twice has no step that the first has not.
    assert len(report.rows) == len({one.at for one in report.rows})
    assert report.left_out[-1] == "glow: no rehearsal that ends well comes to it"


def test_a_sensor_stuck_as_it_reads_keeps_the_value_of_the_instant() -> None:
    machine = load_routine(DEMO / "hang_ridge.routine.yaml").machine
    (stuck,) = [one for one in single_faults(machine) if one.words == "range_to_hook: stuck as it reads"]
    (fault,) = stuck.faults_at(0.5, {"range_to_hook": 0.42})
    assert fault == SensorStuck("range_to_hook", 0.42, at=0.5)
    assert stuck.faults_at(0.5, {"range_to_hook": None}) == (SensorSilent("range_to_hook", at=0.5),)
