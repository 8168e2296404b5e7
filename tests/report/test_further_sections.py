"""Sections that need more than a check: a drill, labelled attempts, what tests have met."""

from __future__ import annotations

import re
from dataclasses import replace
from html import unescape
from pathlib import Path
from typing import Any

import pytest

from sequencer import load_routine, read_trace
from sequencer.check import examine
from sequencer.rehearse import rehearse
from sequencer.report.further_sections import (
    MOST_ROWS,
    coverage_section,
    drill_section,
    spread_section,
    tuning_section,
)
from sequencer.report.routine_page import Reported, routines_page
from sequencer.routine.routine import Routine
from sequencer.study import Drill, DrillReport, DrillRow, Spread, SpreadReport
from sequencer.tune.timing import timing_of

LANTERN = Path(__file__).parents[2] / "demos" / "lantern"
LOGS = sorted((LANTERN / "logs").glob("attempts_*.csv"))

LARGEST = 600_000
"""A report of a routine of ten seconds, with all its sections, is no longer than this [bytes]."""

RECORD: dict[str, Any] = {
    "name": "hang_ridge",
    "points": [["raise", "runs"], ["near", "runs"], ["near", "times out"], ["parameter spot", "is gable"]],
    "seen": [["near", "runs"], ["raise", "runs"]],
    "outcomes": {"raise": {"done": 2}, "near": {"done": 1, "timeout": 1}},
    "rehearsals": 2,
    "reason": "",
}
MACHINE: dict[str, Any] = {
    "name": "lantern hand",
    "linear": ["lift"],
    "presets": {"carry": 2, "gable": 0},
    "held": {"low_tuck": 0},
    "nearest": {"low_tuck": [0.181, "lift"]},
}


def words_of(html: str) -> str:
    """What a person reads, without tags."""
    return re.sub(r"\s+", " ", unescape(re.sub(r"<[^>]+>", " ", html)))


@pytest.fixture(scope="module")
def hang_ridge() -> Routine:
    return load_routine(LANTERN / "hang_ridge.routine.yaml")


@pytest.fixture(scope="module")
def drilled() -> DrillReport:
    routine = load_routine(LANTERN / "to_stow.routine.yaml")
    checked = examine(routine).checked
    assert checked is not None
    drill = Drill(
        checked,
        machine=routine.machine,
        specs=routine.rehearsals,
        choose=lambda fault: "frozen" in fault.words or fault.words == "cancel",
        middles_only=True,
    )
    return drill.report(drill.rows())


def test_a_drill_is_told_a_line_a_fault_and_what_was_met(drilled: DrillReport) -> None:
    section = drill_section(drilled)
    words = words_of(section.body)
    assert (
        f"Fine: {len(drilled.rows)} of {drilled.planned} tried: 0 conflicts where readings and brakes are true" in words
    )
    assert all(one.fault in words for one in drilled.by_fault())
    (met,) = [row for row in drilled.rows if row.conflicts]
    assert f"{met.fault}, {met.instant} ({met.at:.2f} s) {met.conflicts[0]} not judged: an encoder lies" in words
    assert "* readings or brakes are not true with it" in words


def test_a_drill_that_is_not_fine_says_what_is_left_on(drilled: DrillReport) -> None:
    bad = replace(drilled.rows[-1], left_on=("lamp is blinking",))
    words = words_of(drill_section(replace(drilled, rows=(*drilled.rows[:-1], bad))).body)
    assert words.strip().startswith("Not fine: ")
    assert f"{bad.fault}, {bad.instant} ({bad.at:.2f} s) lamp is blinking left on" in words


def test_of_many_conflicts_some_are_told_and_all_are_counted(drilled: DrillReport) -> None:
    bad: DrillRow = replace(drilled.rows[-1], untrue="", conflicts=("hand and post overlapped",))
    words = words_of(drill_section(replace(drilled, rows=(bad,) * (MOST_ROWS + 3))).body)
    assert words.count("hand and post overlapped") == MOST_ROWS
    assert "... and 3 more; stepgraph drill --csv writes every row." in words


@pytest.fixture(scope="module")
def spread_out(hang_ridge: Routine) -> SpreadReport:
    checked = examine(hang_ridge).checked
    assert checked is not None
    spread = Spread(checked, machine=hang_ridge.machine, runs=24, seed=1, spec=hang_ridge.rehearsals[0])
    return spread.report(list(spread.rows()))


def test_a_spread_is_told_with_its_figures_and_drawn(spread_out: SpreadReport) -> None:
    section = spread_section(spread_out, "s")
    words = words_of(section.body)
    assert f"good approach: worked in {spread_out.success}; seed 1." in words
    assert all(one.name in words for one in spread_out.distributions)
    assert section.body.count("<svg") == 1
    assert 'class="bar"' in section.body


def test_a_spread_that_fails_tells_the_reasons_and_what_goes_with_them(spread_out: SpreadReport) -> None:
    rows = tuple(row._replace(failure="it was <late>" if row.run % 2 else "") for row in spread_out.rows)
    body = spread_section(replace(spread_out, rows=rows), "s").body
    assert "12 it was <late>" in words_of(body)
    assert "<late>" not in body
    assert "What goes with failing: " in words_of(body)


def test_attempts_are_told_as_stepgraph_tune_tells_them(hang_ridge: Routine) -> None:
    timing = timing_of([read_trace(path) for path in LOGS], hang_ridge)
    section = tuning_section(timing, "t")
    assert all(line.rstrip(".") in words_of(section.body) for line in timing.words(0))
    assert section.body.count("<svg") == 1
    assert len(re.findall(r'class="(?:made|missed)"', section.body)) == len(timing.success.attempts)


def test_without_a_label_there_is_nothing_to_draw(hang_ridge: Routine) -> None:
    section = tuning_section(timing_of([], hang_ridge), "t")
    assert "no labelled attempt" in section.body
    assert "<svg" not in section.body


def test_untested_points_are_named() -> None:
    words = words_of(coverage_section(RECORD, [MACHINE]).body)
    assert "50 % of 4 points met in 2 rehearsals." in words
    assert "no test in which near times out" in words
    assert "no test in which parameter spot is gable" in words
    assert "no test in which raise" not in words
    assert "near 1 done, 1 timeout" in words
    assert "lantern hand: no move ended at gable." in words
    assert "lantern hand: nothing was held or stopped by low_tuck." in words


def test_a_routine_that_was_not_counted_says_why() -> None:
    assert "Not counted: it is in conflict." in coverage_section({**RECORD, "reason": "it is in conflict"}).body


def test_what_was_measured_cannot_become_a_part_of_the_page(drilled: DrillReport) -> None:
    evil = "<img src=x>"
    bad = replace(drilled.rows[-1], fault=evil, headline=evil, conflicts=(evil,), untrue="")
    record = {**RECORD, "points": [[evil, evil]], "outcomes": {evil: {"done": 1}}}
    body = drill_section(replace(drilled, rows=(bad,), left_out=(evil,))).body + coverage_section(record).body
    assert "<img" not in body


def test_a_report_of_ten_seconds_with_every_section_stays_small(
    hang_ridge: Routine, drilled: DrillReport, spread_out: SpreadReport
) -> None:
    examination = examine(hang_ridge)
    assert examination.checked is not None
    spec = hang_ridge.rehearsals[0]
    slow = {"range_to_hook": [(0, 0.60), (1_500_000_000, 0.29), (9_000_000_000, 0.29), (10_000_000_000, 0.70)]}
    rehearsal = rehearse(examination.checked, machine=hang_ridge.machine, spec=spec, gauges=slow)
    assert rehearsal.duration > 10.0
    timing = timing_of([read_trace(path) for path in LOGS], hang_ridge)
    more = (
        drill_section(drilled),
        spread_section(spread_out, "s"),
        tuning_section(timing, "t"),
        coverage_section(RECORD, [MACHINE]),
    )
    text = routines_page([Reported(hang_ridge, examination, [rehearsal], [spec], more)])
    headings = re.findall(r"<h3 [^>]*>([^<]+)</h3>", text)
    assert headings[-5:] == [
        "Findings",
        "If something breaks",
        "On machines as they may really be",
        "Tuning from labelled attempts",
        "What the tests have met",
    ]
    assert len(text.encode()) < LARGEST
    ids = re.findall(r'\bid="([^"]+)"', text)
    assert len(ids) == len(set(ids))
    assert ".chance-band{" in text
