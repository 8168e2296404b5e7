"""What the rehearsals of a test run exercised: by the plugin in folders of its own, and the counting by itself."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from sequencer.testing.coverage import Coverage, Point, coverage_lines, points_of
from sequencer.testing.rehearsed import Workshop

pytest_plugins = ["pytester"]

MACHINE = """\
machine: lantern hand
period: 20 ms
axes:
  lift:
    kind: linear
    travel: [0 m, 1.18 m]
    limits: {velocity: 1.5 m/s, acceleration: 6 m/s2, jerk: 90 m/s3}
    tolerance: {position: 8 mm, settle: 60 ms}
sensors:
  reach: {kind: number, unit: m, stale_after: 100 ms}
outputs:
  lamp: {kind: switch, rest: false}
presets:
  stow: {lift: 0 m}
  eaves: {lift: 0.6 m}
  ridge: {lift: 1.10 m}
interlocks:
  top: {keep_out: {lift: [1.15 m, 1.18 m]}, because: the hook is there}
  wild: {keep_out: {lift: [1.16 m, 1.18 m]}, when: lift > 2 m, because: never here}
"""

HANG = """\
routine: hang
machine: machine.yaml
from: stow
parameters:
  spot: {preset: ridge, choices: [eaves, ridge]}
defaults: {timeout: planned + 1 s}
steps:
- raise: {move: {lift: spot}}
- near: {wait: reach < 0.3 m, timeout: 1 s, on_timeout: continue}
- which:
    choose:
    - if: reach < 0.3 m
      steps:
      - glow: {set: {lamp: true}}
    - else: []
- wink: {set: {lamp: false}, only_if: reach < 0.4 m}
- retreat: {move: stow}
on_cancel: {move: stow}
rehearsals:
REHEARSALS
"""

CLOSE = "- close: {gauges: {reach: 0.2 m}, expect: {outcome: done}}"
FAR = "- far: {gauges: {reach: 0.5 m}, expect: {outcome: done}}"
CALLED_BACK = (
    "- called back: {gauges: {reach: 0.2 m}, pressed: {cancel: 400 ms}, parameters: {spot: eaves}, "
    "expect: {outcome: cancelled}}"
)


def write(folder: Path, *rehearsals: str) -> None:
    (folder / "machine.yaml").write_text(MACHINE)
    (folder / "hang.routine.yaml").write_text(HANG.replace("REHEARSALS", "\n".join(rehearsals)))


def run(pytester: pytest.Pytester, *words: str) -> pytest.RunResult:
    return pytester.runpytest("-p", "no:stepgraph", "-p", "sequencer.testing.plugin", "-p", "no:benchmark", *words)


def counted(folder: Path) -> Coverage:
    coverage = Coverage()
    workshop = Workshop(coverage=coverage)
    routine = workshop.routine(folder / "hang.routine.yaml")
    for spec in routine.rehearsals:
        workshop.rehearse(routine, spec=spec)
    return coverage


def test_every_step_limb_choice_and_written_timeout_is_a_point(tmp_path: Path) -> None:
    write(tmp_path, CLOSE)
    workshop = Workshop()
    checked = workshop.examined(workshop.routine(tmp_path / "hang.routine.yaml")).checked
    assert checked is not None
    assert [str(point) for point in points_of(checked)] == [
        "parameter spot is eaves",
        "parameter spot is ridge",
        "raise runs",
        "near runs",
        "near times out",
        "which runs",
        "which takes branch 1 (if reach < 0.3 m)",
        "which takes branch 2 (else)",
        "glow runs",
        "wink runs",
        "wink is left out",
        "retreat runs",
        "on_cancel: move runs",
    ]


@pytest.mark.parametrize(
    ("rehearsals", "untested"),
    [
        (
            [CLOSE],
            [
                "parameter spot is eaves",
                "near times out",
                "which takes branch 2 (else)",
                "wink is left out",
                "on_cancel: move runs",
            ],
        ),
        (
            [FAR],
            [
                "parameter spot is eaves",
                "which takes branch 1 (if reach < 0.3 m)",
                "glow runs",
                "wink runs",
                "on_cancel: move runs",
            ],
        ),
        ([CLOSE, FAR], ["parameter spot is eaves", "on_cancel: move runs"]),
        ([CLOSE, FAR, CALLED_BACK], []),
    ],
)
def test_what_no_rehearsal_met_is_named(tmp_path: Path, rehearsals: list[str], untested: list[str]) -> None:
    write(tmp_path, *rehearsals)
    coverage = counted(tmp_path)
    (record,) = coverage.routines.values()
    assert [str(point) for point in record.untested] == untested
    assert coverage.share == pytest.approx(1 - len(untested) / 13)
    assert [line for line in coverage_lines(coverage) if "no test in which" in line] == [
        f"hang: no test in which {point}" for point in untested
    ]


def test_outcomes_presets_and_interlocks_are_told(tmp_path: Path) -> None:
    write(tmp_path, CLOSE, FAR, CALLED_BACK)
    coverage = counted(tmp_path)
    (record,) = coverage.routines.values()
    assert record.outcomes["near"] == {"done": 1, "timeout": 1}
    assert record.outcomes["raise"] == {"done": 2, "aborted": 1}
    (met,) = coverage.machines.values()
    assert met.presets == {"stow": 3, "eaves": 0, "ridge": 2}
    assert met.held == {"top": 0, "wild": 0}
    assert met.nearest["wild"] is None
    nearest = met.nearest["top"]
    assert nearest == (pytest.approx(0.05, abs=0.002), "lift")
    lines = list(coverage_lines(coverage))
    assert "lantern hand: no move ended at eaves" in lines
    assert "lantern hand: nothing was held or stopped by wild, which was never in force" in lines


def test_counts_of_two_processes_add_up(tmp_path: Path) -> None:
    whole, first, second = tmp_path / "whole", tmp_path / "first", tmp_path / "second"
    for folder, rehearsals in ((whole, [CLOSE, FAR]), (first, [CLOSE]), (second, [FAR])):
        folder.mkdir()
        write(folder, *rehearsals)
    halves = [
        json.loads(json.dumps(counted(folder).data()).replace(str(folder), str(whole))) for folder in (first, second)
    ]
    merged = Coverage()
    for half in halves:
        merged.merge(half)
    assert merged.data() == counted(whole).data()


def test_a_point_that_does_not_exist_is_never_met(tmp_path: Path) -> None:
    write(tmp_path, CLOSE, FAR, CALLED_BACK)
    (record,) = counted(tmp_path).routines.values()
    assert record.seen <= set(record.points)
    assert Point("glow", "is left out") not in record.seen


def test_the_plugin_prints_the_table(pytester: pytest.Pytester) -> None:
    write(pytester.path, CLOSE, FAR)
    result = run(pytester, "--routine-coverage")
    result.assert_outcomes(passed=2)
    result.stdout.fnmatch_lines(
        [
            "*coverage of routines*",
            "hang *2 *13 *85 %*done*timeout*",
            "hang: no test in which parameter spot is eaves",
            "84.6 % of 13 points of 1 routines were met",
        ]
    )


def test_without_its_options_nothing_is_counted(pytester: pytest.Pytester) -> None:
    write(pytester.path, CLOSE)
    assert "coverage of routines" not in run(pytester).stdout.str()


@pytest.mark.parametrize(("least", "exit_code"), [("84", 0), ("85", 1)])
def test_too_small_a_share_fails_the_run(pytester: pytest.Pytester, least: str, exit_code: int) -> None:
    write(pytester.path, CLOSE, FAR)
    result = run(pytester, "--routine-coverage-min", least)
    assert result.ret == exit_code
    told = "84.6 % of the points of the routines were met; at least 85 % were asked for"
    assert (told in result.stdout.str()) == bool(exit_code)


def test_several_processes_count_as_one(pytester: pytest.Pytester) -> None:
    write(pytester.path, CLOSE, FAR, CALLED_BACK)
    result = run(pytester, "-n", "2", "--routine-coverage-min", "100", "--routine-coverage")
    assert result.ret == 0
    result.stdout.fnmatch_lines(["100.0 % of 13 points of 1 routines were met"])


def test_a_routine_that_no_test_rehearses_is_named(pytester: pytest.Pytester) -> None:
    write(pytester.path, CLOSE)
    (pytester.path / "idle.routine.yaml").write_text(
        "routine: idle\nmachine: machine.yaml\nfrom: stow\nsteps:\n- up: {move: eaves, timeout: planned + 1 s}\n"
    )
    (pytester.path / "wrong.routine.yaml").write_text(
        "routine: wrong\nmachine: machine.yaml\nsteps:\n- up: {mvoe: eaves}\n"
    )
    result = run(pytester, "--routine-coverage")
    result.stdout.fnmatch_lines(["idle: no test in which up runs", "wrong: not counted:*mvoe*"])


def test_the_file_for_the_report_is_json(pytester: pytest.Pytester) -> None:
    write(pytester.path, CLOSE)
    run(pytester, "--routine-coverage-to", "met.json")
    found = json.loads((pytester.path / "met.json").read_text())
    (record,) = found["routines"].values()
    assert (record["name"], record["rehearsals"]) == ("hang", 1)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--routine-coverage-min", "101"], "*--routine-coverage-min: 101 is no share in percent, from 0 to 100*"),
        (["--routine-coverage-to", "no/met.json"], "*--routine-coverage-to: there is no folder for no/met.json*"),
    ],
)
def test_senseless_options_are_refused(pytester: pytest.Pytester, words: list[str], said: str) -> None:
    write(pytester.path, CLOSE)
    result = run(pytester, *words)
    assert result.ret == pytest.ExitCode.USAGE_ERROR
    result.stderr.fnmatch_lines([said])
