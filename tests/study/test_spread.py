"""Spreads: the same seed, the same answer; what is drawn reaches the plant; what fails is told with its reasons."""

from __future__ import annotations

import csv
import io
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import pytest

from sequencer import ModelError, Routine, check, load_routine, rehearse, spread
from sequencer.machine.variation import Varied
from sequencer.pack import CheckedRoutine
from sequencer.plant import EncoderNoisy, EncoderOffset, SensorDropping, SensorLate, SensorNoisy, SensorOffset
from sequencer.rehearse.clearance_batch import SeenClearance
from sequencer.routine.steps import Expectation
from sequencer.study import Spread, SpreadReport, SpreadRow, spreading
from sequencer.study.draws import draw, drawn_machine
from sequencer.study.spread_report import Distribution
from sequencer.units import TIME

DEMO = Path(__file__).parents[2] / "demos" / "lantern"


@pytest.fixture(scope="module")
def to_stow() -> tuple[CheckedRoutine, Routine]:
    routine = load_routine(DEMO / "to_stow.routine.yaml")
    return check(routine), routine


def planned(to_stow: tuple[CheckedRoutine, Routine], runs: int, seed: int = 1) -> Spread:
    checked, routine = to_stow
    return Spread(checked, machine=routine.machine, runs=runs, seed=seed, spec=routine.rehearsals[0])


def row(run: int, failure: str = "", **changes: object) -> SpreadRow:
    plain = SpreadRow(run, (), failure, "cancelled" if failure else "done", None, 1.0, None, None, None, 11.0)
    return plain._replace(**changes)


def test_the_same_seed_gives_the_same_rows_whatever_the_workers_and_the_blocks(
    to_stow: tuple[CheckedRoutine, Routine], monkeypatch: pytest.MonkeyPatch
) -> None:
    alone = list(planned(to_stow, 14).rows())
    assert [one.run for one in alone] == list(range(14))
    monkeypatch.setattr(spreading, "FEWEST_AT_ONCE", 5)
    with ProcessPoolExecutor(2) as processes, ThreadPoolExecutor(2) as threads:
        assert list(planned(to_stow, 14).rows(processes)) == alone
        assert list(planned(to_stow, 14).rows(threads)) == alone
    assert list(planned(to_stow, 4).rows()) == alone[:4]
    assert list(planned(to_stow, 2, seed=2).rows()) != alone[:2]


def test_a_run_is_what_a_rehearsal_of_the_drawn_machine_comes_to(to_stow: tuple[CheckedRoutine, Routine]) -> None:
    checked, routine = to_stow
    scene = planned(to_stow, 3).scene
    for one in planned(to_stow, 3).rows():
        drawn = draw(scene.varied, 1, one.run)
        assert drawn.values == one.values
        preset = routine.machine.presets[str(scene.spec.start or checked.routine["from"])]
        start = {name: at for name, at in preset.positions.items() if routine.machine.axes[name].travel is not None}
        made = drawn_machine(routine.machine, start, dict(zip(scene.varied, drawn.values, strict=True)))
        alone = rehearse(
            checked, machine=made.machine, spec=scene.spec, start=made.start, faults=made.faults, seed=drawn.seed
        )
        assert (alone.outcome, alone.cause) == (one.outcome, one.cause)
        assert one.duration == pytest.approx(alone.duration, abs=1e-9)
        assert one.battery == pytest.approx(alone.least_battery, abs=1e-9)
        assert one.clearance is not None
        assert alone.clearance is not None
        # Looked at every 5 ms here, and there within 0.1 mm of the least at any time.
        assert one.clearance.least == pytest.approx(alone.clearance.least, abs=5e-4)


def test_draws_stay_in_their_ranges_and_depend_on_nothing_but_seed_and_run() -> None:
    varied = (Varied("axis", "lift", "mass", 7.0, 8.0), Varied("axis", "lift", "noise", 0.1, 0.1))
    found = [draw(varied, 3, run) for run in range(400)]
    assert found[7] == draw(varied, 3, 7) != draw(varied, 4, 7)
    masses = [one.values[0] for one in found]
    assert 7.0 <= min(masses) < 7.02
    assert 7.98 < max(masses) <= 8.0
    assert sum(masses) / 400 == pytest.approx(7.5, abs=4 * 0.2887 / 20)
    assert {one.values[1] for one in found} == {0.1}
    assert len({one.seed for one in found}) == 400


def test_what_is_drawn_reaches_start_encoders_and_sensors(to_stow: tuple[CheckedRoutine, Routine]) -> None:
    machine = to_stow[1].machine
    values = {
        Varied("axis", "lift", "start", -1.0, 1.0): 0.003,
        Varied("axis", "wrist", "start", -9.0, 9.0): 9.0,
        Varied("axis", "lift", "reading", -1.0, 1.0): -0.002,
        Varied("axis", "lift", "noise", 0.0, 0.0): 0.0,
        Varied("axis", "wrist", "noise", 0.1, 0.1): 0.1,
        Varied("sensor", "range_to_hook", "offset", -1.0, 1.0): 0.02,
        Varied("sensor", "range_to_hook", "noise", 0.0, 1.0): 0.01,
        Varied("sensor", "range_to_hook", "late", 0.0, 1.0): 0.05,
        Varied("sensor", "range_to_hook", "missing", 0.0, 1.0): 0.1,
    }
    made = drawn_machine(machine, {"lift": 0.4}, values)
    travel = machine.axes["wrist"].travel
    assert travel is not None
    assert made.start == {"lift": pytest.approx(0.403), "wrist": travel[1]}
    assert made.faults == (
        EncoderOffset("lift", -0.002),
        EncoderNoisy("wrist", 0.1),
        SensorOffset("range_to_hook", 0.02),
        SensorNoisy("range_to_hook", 0.01),
        SensorLate("range_to_hook", 0.05),
        SensorDropping("range_to_hook", 0.1),
    )
    assert made.machine == replace(machine, variation=())


def test_failures_are_counted_with_what_goes_with_them(to_stow: tuple[CheckedRoutine, Routine]) -> None:
    """A start beyond the tolerance of the routine's is refused: that and nothing else fails, and is pointed at."""
    checked, routine = to_stow
    machine = replace(routine.machine, variation=(Varied("axis", "wrist", "start", -0.05, 0.05),))
    report = spread(checked, machine=machine, runs=60, seed=5, spec=routine.rehearsals[0])
    assert report.complete
    place = next(place for place, one in enumerate(report.varied) if one.name == "wrist.start")
    failed = [abs(one.values[place]) for one in report.rows if one.failure]
    worked = [abs(one.values[place]) for one in report.rows if not one.failure]
    assert failed
    assert min(failed) > max(worked)
    assert report.success.made == len(worked)
    assert report.influences[0].name == "wrist.start"
    assert (report.influences[0].where, report.influences[0].counts) == ("both ends", True)
    assert report.reasons[0].words.startswith("cancelled: refused: ")
    assert not any(character.isdigit() for character in report.reasons[0].words)
    assert report.reasons[0].influences[0].name == "wrist.start"


def test_an_expectation_that_is_not_held_is_a_failure(to_stow: tuple[CheckedRoutine, Routine]) -> None:
    checked, routine = to_stow
    spec = replace(routine.rehearsals[0], expect=Expectation("done", finishes_within=1))
    report = spread(checked, machine=routine.machine, runs=2, spec=spec)
    assert {one.failure for one in report.rows} == {"not over within 1e-09 s"}
    spec = replace(spec, expect=Expectation("done", never=("lower",)))
    assert {one.failure for one in spread(checked, machine=routine.machine, runs=2, spec=spec).rows} == {
        "'lower' began"
    }
    spec = replace(spec, expect=Expectation("done", clearance=0.5))
    report = spread(checked, machine=routine.machine, runs=2, spec=spec)
    assert {one.failure for one in report.rows} == {"bumper and carriage within 0.5 m"}
    spec = replace(spec, expect=Expectation("done", order=("lower", "tuck")))
    report = spread(checked, machine=routine.machine, runs=2, spec=spec)
    assert {one.failure for one in report.rows} == {"steps in another order"}


def test_what_cannot_be_spread_is_refused(to_stow: tuple[CheckedRoutine, Routine]) -> None:
    checked, routine = to_stow
    machine = routine.machine
    with pytest.raises(ModelError, match="a spread of 0 runs says nothing"):
        spread(checked, machine=machine, runs=0)
    with pytest.raises(ModelError, match="the seed is -1"):
        spread(checked, machine=machine, runs=1, seed=-1)
    axes = {name: replace(axis, latency=(0, 0), load=None) for name, axis in machine.axes.items()}
    still = replace(machine, axes=axes, variation=(), battery=None)
    with pytest.raises(ModelError, match="nothing varies on 'lantern hand'"):
        spread(checked, machine=still, runs=1)


def test_figures_lie_as_the_rows_say(to_stow: tuple[CheckedRoutine, Routine]) -> None:
    machine = to_stow[1].machine
    near = SeenClearance(0.013, 0.010, ("hand", "bumper"), 0.4)
    rows = (row(0), row(1, "cancelled: late", duration=None), row(2, duration=3.0, clearance=near, released=1.5))
    report = SpreadReport("to_stow", "plain", machine, (), rows, 4, 1)
    assert not report.complete
    assert (report.success.made, report.success.tried) == (2, 3)
    found = {one.name: one for one in report.distributions}
    assert found["duration"].values == (1.0, 3.0)
    assert found["clearance to spare"].values == (pytest.approx(0.003),)
    assert found["lowest battery"].level == 6.8
    assert "release angle" not in found
    assert [one.quantile(0.5) for one in (Distribution("d", TIME, (1.0, 2.0, 3.0)), found["duration"])] == [2.0, 1.0]
    plain = report.as_json()
    assert (plain["planned"], plain["runs"], plain["failures"][0]["runs"]) == (4, 3, 1)
    assert plain["distributions"]["duration"]["unit"] == "s"
    read = list(csv.DictReader(io.StringIO(report.as_csv())))
    assert [one["failure"] for one in read] == ["", "cancelled: late", ""]
    assert read[2]["between"] == "hand bumper"
    assert repr(report) == "<SpreadReport of to_stow: 3 of 4 runs, seed 1>"
