"""The pytest plugin in folders of its own, run by pytest itself."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

# Pytester forgets what a run has loaded, and some compiled modules cannot be loaded twice.
import sequencer.testing.assertions
import sequencer.testing.snapshot  # noqa: F401

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
  beam: {kind: switch, plant: lift < 3 mm}
  reach: {kind: number, unit: m, stale_after: 100 ms}
presets:
  stow: {lift: 0 m}
  ridge: {lift: 1.10 m}
"""

HANG = """\
routine: hang
machine: machine.yaml
from: stow
defaults: {timeout: planned + 1 s}
steps:
- raise: {move: ridge}
- near: {wait: reach < 0.3 m, timeout: 1 s, on_timeout: cancel}
- retreat: {move: stow}
rehearsals:
- close: {gauges: {reach: 0.2 m}, expect: {outcome: done, order: [raise, near, retreat]}}
- far: {gauges: {reach: 0.5 m}, expect: {outcome: cancelled, never: [retreat]}}
"""


@pytest.fixture
def folder(pytester: pytest.Pytester) -> Path:
    (pytester.path / "machine.yaml").write_text(MACHINE)
    (pytester.path / "hang.routine.yaml").write_text(HANG)
    return pytester.path


def run(pytester: pytest.Pytester, *words: str) -> pytest.RunResult:
    # Blocked by its name first, so that it is there once where it is installed as well.
    return pytester.runpytest("-p", "no:stepgraph", "-p", "sequencer.testing.plugin", "-p", "no:benchmark", *words)


def outcome_of(pytester: pytest.Pytester, body: str, *words: str) -> pytest.RunResult:
    head = "import pytest\nfrom sequencer.testing import *\nfrom sequencer.plant import AxisJammed\n\n\n"
    pytester.makepyfile(head + body)
    return run(pytester, "--no-routines", *words)


def test_importing_the_plugin_loads_pytest_and_nothing_heavy() -> None:
    code = (
        "import sys, pytest; before = set(sys.modules); import sequencer.testing.plugin; "
        "new = {name.split('.')[0] for name in set(sys.modules) - before}; "
        "print(sorted(new & {'numpy', 'networkx', 'yaml', 'pydantic', 'rich'}), "
        "sorted(name for name in sys.modules if name.startswith('sequencer')))"
    )
    said = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    assert said.strip() == "[] ['sequencer', 'sequencer.testing', 'sequencer.testing.plugin']"


def test_the_entry_point_names_the_plugin() -> None:
    import tomllib

    project = tomllib.loads((Path(__file__).parents[2] / "pyproject.toml").read_text())["project"]
    assert project["entry-points"]["pytest11"] == {"stepgraph": "sequencer.testing.plugin"}


def test_every_rehearsal_of_a_routine_file_is_a_test(pytester: pytest.Pytester, folder: Path) -> None:
    result = run(pytester, "-v")
    result.assert_outcomes(passed=2)
    result.stdout.fnmatch_lines(["*hang.routine.yaml::close PASSED*", "*hang.routine.yaml::far PASSED*"])


def test_a_rehearsal_that_falls_short_fails_with_one_sentence(pytester: pytest.Pytester, folder: Path) -> None:
    text = HANG.replace("outcome: cancelled, never: [retreat]", "outcome: done")
    (folder / "hang.routine.yaml").write_text(text)
    result = run(pytester)
    result.assert_outcomes(passed=1, failed=1)
    result.stdout.fnmatch_lines(
        [
            "hang.routine.yaml:11:3: hang, far: outcome: asked for done, and found cancelled"
            " (near not done after 1 s: waiting for reach < 0.3*"
        ]
    )
    assert "Traceback" not in result.stdout.str()


def test_a_routine_that_is_not_clear_says_why_instead_of_running(pytester: pytest.Pytester, folder: Path) -> None:
    keep_out = "interlocks: {bar: {keep_out: {lift: [0.5 m, 0.6 m]}, because: a bar is there}}\n"
    (folder / "machine.yaml").write_text(MACHINE + keep_out)
    result = run(pytester)
    result.assert_outcomes(failed=2)
    result.stdout.fnmatch_lines(
        ["hang.routine.yaml:10:3: hang is not rehearsed, since it is conflict: *hang.routine.yaml:6:3: bar*"]
    )


def test_a_file_that_cannot_be_read_is_an_error_with_its_line(pytester: pytest.Pytester, folder: Path) -> None:
    (folder / "hang.routine.yaml").write_text(HANG.replace("raise: {move: ridge}", "raise: {move: rigde}"))
    result = run(pytester)
    result.assert_outcomes(errors=1)
    result.stdout.fnmatch_lines(["*hang.routine.yaml:6:*rigde*did you mean 'ridge'*"])


def test_files_without_rehearsals_and_runs_without_routines_collect_none(
    pytester: pytest.Pytester, folder: Path
) -> None:
    assert run(pytester, "--no-routines").ret == pytest.ExitCode.NO_TESTS_COLLECTED
    (folder / "hang.routine.yaml").write_text(HANG.split("rehearsals:")[0])
    assert run(pytester).ret == pytest.ExitCode.NO_TESTS_COLLECTED


def test_fixtures_give_machine_plant_and_rehearsal(pytester: pytest.Pytester, folder: Path) -> None:
    (folder / "deeper").mkdir()
    (folder / "deeper" / "test_it.py").write_text("def test_above(machine): assert machine.name == 'lantern hand'\n")
    result = outcome_of(
        pytester,
        """\
def test_all(machine, plant, rehearsal):
    assert list(machine.axes) == ["lift"]
    assert plant(start="ridge").positions() == {"lift": 1.1}
    hung = rehearsal("hang", gauges={"reach": [("0 s", "0.6 m"), ("1.5 s", "20 cm"), (2.0, 0.1)]})
    assert (hung.outcome, hung.step_names) == ("done", ("raise", "near", "retreat"))
    assert_order(hung, "raise", "near", "retreat")
    assert_reaches(hung, "lift", "ridge")
    assert_reaches(hung, "lift", "1.1 m", by="1.5 s", within="8 mm")
    assert_never(hung, "lift > 1.15 m")
    assert_always(hung, "known(reach) and (lift < 1.11 m or beam)")
    assert_finishes_within(hung, "4 s")
    far = rehearsal("hang.routine.yaml", named="far")
    assert_never(far, "retreat")
""",
    )
    result.assert_outcomes(passed=2)


def test_faults_are_arguments_of_a_rehearsal(pytester: pytest.Pytester, folder: Path) -> None:
    result = outcome_of(
        pytester,
        """\
from sequencer.plant import SensorSilent

def test_it(rehearsal):
    deaf = rehearsal("hang", gauges={"reach": "0.2 m"}, faults=[SensorSilent("reach", at=0.0)])
    assert deaf.outcome == "cancelled"
""",
    )
    result.assert_outcomes(passed=1)


@pytest.mark.parametrize(
    ("claim", "sentence"),
    [
        ('assert_order(hung, "near", "raise")', "the order should be near, raise, and was raise, near"),
        (
            'assert_reaches(hung, "lift", "1.17 m")',
            "lift should reach 1.17 m within 0.008 m, and came nearest with 1.1*",
        ),
        ('assert_reaches(hung, "lift", "ridge", by="0.2 s")', "lift should reach 1.1 m within 0.008 m by 0.2 s, and*"),
        ("assert_clearance(hung)", "no two bodies count, so that no clearance was measured;*"),
        ('assert_never(hung, "near")', "'near' should never begin, and began at 1.*s"),
        ('assert_never(hung, "lift > 0.5 m")', "'lift > 0.5 m' should never be true, and was true at 0.*s"),
        ('assert_always(hung, "lift < 0.5 m")', "'lift < 0.5 m' should always be true, and was false at 0.*s"),
        ('assert_finishes_within(hung, "1 s")', "it should be done within 1 s, and took *s"),
    ],
)
def test_a_claim_that_does_not_hold_fails_with_one_sentence(
    pytester: pytest.Pytester, folder: Path, claim: str, sentence: str
) -> None:
    body = f"def test_it(rehearsal):\n    hung = rehearsal('hang', named='close')\n    {claim}\n"
    result = outcome_of(pytester, body)
    result.assert_outcomes(failed=1)
    result.stdout.fnmatch_lines([f"E*AssertionError: hang, close: {sentence}"])


@pytest.mark.parametrize(
    ("claim", "sentence"),
    [
        ('assert_never(hung, "retraet")', "hang has no step 'retraet'; did you mean 'retreat'?"),
        ('assert_order(hung, "rais")', "hang has no step 'rais'; did you mean 'raise'?"),
        ('assert_reaches(hung, "lfit", 1.0)', "unknown axis 'lfit'; did you mean 'lift'?"),
        ('assert_finishes_within(hung, "3 m")', "the time is a time (such as s), and '3 m' is a length (such as m)"),
        ('assert_always(hung, "rising(beam)")', "'rising(beam)': a claim is about single ticks, and an edge lies *"),
        ('rehearsal("hnag")', "hnag.routine.yaml is neither in *; did you mean 'hang.routine.yaml'?"),
        ('rehearsal("hang", named="clsoe")', "hang keeps no rehearsal 'clsoe'; did you mean 'close'?"),
    ],
)
def test_a_misspelt_name_never_passes(pytester: pytest.Pytester, folder: Path, claim: str, sentence: str) -> None:
    body = f"def test_it(rehearsal):\n    hung = rehearsal('hang', named='close')\n    {claim}\n"
    result = outcome_of(pytester, body)
    result.assert_outcomes(failed=1)
    result.stdout.fnmatch_lines([f"E*ModelError: {sentence}"])


def test_what_is_unknown_supports_no_claim(pytester: pytest.Pytester, folder: Path) -> None:
    body = "def test_it(rehearsal):\n    assert_never(rehearsal('hang'), 'reach < 0.1 m')\n"
    result = outcome_of(pytester, body)
    result.stdout.fnmatch_lines(["E*'reach < 0.1 m' should never be true, and was unknown at 0.00 s"])


def test_a_timeline_is_kept_and_held_against_later_runs(pytester: pytest.Pytester, folder: Path) -> None:
    body = "def test_it(rehearsal, timeline_snapshot):\n    timeline_snapshot(rehearsal('hang', named='close'))\n"
    first = outcome_of(pytester, body)
    first.stdout.fnmatch_lines(["E*no timeline is kept in *timelines*test_it.txt; run once with --timelines-update*"])
    run(pytester, "--no-routines", "--timelines-update").assert_outcomes(passed=1)
    run(pytester, "--no-routines").assert_outcomes(passed=1)
    kept = folder / "timelines" / "test_it.txt"
    assert [line.split()[0] for line in kept.read_text().splitlines()] == ["raise", "near", "retreat"]
    machine = folder / "machine.yaml"
    machine.write_text(MACHINE.replace("velocity: 1.5 m/s", "velocity: 1.2 m/s"))
    slower = run(pytester, "--no-routines")
    slower.stdout.fnmatch_lines(["E*'raise' ended at *, and test_it.txt keeps *"])
    kept.write_text("nonsense\n")
    run(pytester, "--no-routines").stdout.fnmatch_lines(["E*test_it.txt:1: no line of a timeline;*"])


def test_an_overlay_is_laid_over_every_machine(pytester: pytest.Pytester, folder: Path) -> None:
    (folder / "day.yaml").write_text("over: machine.yaml\nbecause: higher posts\npresets: {ridge: {lift: 1.15 m}}\n")
    body = "def test_it(rehearsal):\n    assert_reaches(rehearsal('hang', named='close'), 'lift', '1.15 m')\n"
    outcome_of(pytester, body).assert_outcomes(failed=1)
    run(pytester, "--routine-over", "day.yaml").assert_outcomes(passed=3)
    missing = run(pytester, "--routine-over", "dya.yaml")
    assert missing.ret == pytest.ExitCode.USAGE_ERROR
