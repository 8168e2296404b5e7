"""``stepgraph rehearse``."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from sequencer import check, load_routine
from sequencer.cli.output import Output
from sequencer.cli.rehearse import _clearance_words
from sequencer.rehearse import MeasuredClearance, rehearse, shortfalls
from sequencer.trace import read_trace

DEMO = Path(__file__).parents[2] / "demos" / "lantern" / "hang_ridge.routine.yaml"

Call = Callable[..., Any]


def test_a_rehearsal_that_holds_what_it_expects_is_fine(folder: Path, call: Call) -> None:
    done = call("rehearse", "good/hang.routine.yaml", "--name", "plain", "--json")
    assert done.code == 0
    assert done.data["outcome"] == "done"
    assert [step["name"] for step in done.data["steps"]] == ["raise", "level", "pause", "retreat"]
    (rehearsal,) = done.data["rehearsals"]
    assert rehearsal["name"] == "plain"
    assert all(expectation["held"] for expectation in rehearsal["expectations"])
    assert set(done.data) >= {"outcome", "cause", "duration", "steps", "rehearsals", "late_ticks", "battery", "trace"}


def test_an_expectation_that_is_not_held_fails_and_says_found_and_allowed(folder: Path, call: Call) -> None:
    done = call("rehearse", "good/hang.routine.yaml")
    assert done.code == 1
    assert "hang, plain: fine, done after" in done.out
    assert "hang, hasty: failed, done after" in done.out
    assert "finishes within: not held, found" in done.out


def test_the_trace_and_the_picture_are_written(folder: Path, call: Call) -> None:
    done = call(
        "rehearse", "good/hang.routine.yaml", "--name", "plain", "--trace", "run.csv", "--svg", "run.svg", "--json"
    )
    assert done.code == 0
    assert done.data["trace"] == "run.csv"
    trace = read_trace(folder / "run.csv")
    assert [run.outcome for run in trace.runs()] == ["done"]
    assert [step.name for step in trace.steps("hang")] == ["raise", "level", "pause", "retreat"]
    assert max(value for value in trace.series("lift").values if isinstance(value, float)) == pytest.approx(
        1.1, abs=0.02
    )
    assert "retreat" in (folder / "run.svg").read_text()


def test_several_rehearsals_go_to_several_files(folder: Path, call: Call) -> None:
    call("rehearse", "good", "--trace", "run.csv")
    assert sorted(path.name for path in folder.glob("*.csv")) == ["run-hang-hasty.csv", "run-hang-plain.csv"]


def test_a_given_parameter_is_run_with(folder: Path, call: Call) -> None:
    call("rehearse", "good", "--name", "plain", "--given", "height=0.95 m", "--trace", "run.csv")
    lift = read_trace(folder / "run.csv").series("lift.ordered").values
    assert max(value for value in lift if isinstance(value, float)) == pytest.approx(0.95)


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["--name", "plane"], "no routine has a rehearsal 'plane'; did you mean 'plain'?"),
        (["--given", "height"], "'height' gives no parameter; write it as name=value, such as 'release_lead=40 ms'"),
        (["--given", "hight=1 m"], "hang has no parameter 'hight'; did you mean 'height'?"),
        (["--given", "height=1 deg"], "height is a length (such as m), and '1 deg' is an angle (such as deg)"),
        (["--given", "height=2 m"], "height may be 0.9 m to 1.15 m, and '2 m' is outside"),
        (["--given", "spot=rigde"], "spot cannot be 'rigde'; did you mean 'ridge'?"),
        (["--trace", "run.txt"], "traces are written as .csv, and run.txt ends otherwise"),
        (
            ["--svg", "good/hang.routine.yaml"],
            "good/hang.routine.yaml is one of the files to read; choose another name to write to",
        ),
    ],
)
def test_what_cannot_be_rehearsed_is_said_in_a_sentence(
    folder: Path, call: Call, words: list[str], message: str
) -> None:
    done = call("rehearse", "good", *words)
    assert (done.code, done.out, done.err) == (2, "", f"stepgraph: {message}\n")


def test_a_routine_that_is_not_clear_is_not_run(folder: Path, call: Call) -> None:
    done = call("rehearse", "bad/fold.routine.yaml", "--json")
    assert done.code == 1
    assert (done.data["outcome"], done.data["rehearsals"]) == (None, [])
    assert done.data["cause"] == "the check found it conflict; nothing was run"


def test_a_seed_gives_the_same_run_again(folder: Path, call: Call) -> None:
    for name in ("one.csv", "two.csv"):
        call("rehearse", "good", "--name", "plain", "--seed", "7", "--trace", name)
    assert (folder / "one.csv").read_bytes() == (folder / "two.csv").read_bytes()


def test_the_measured_clearance_is_printed_and_given(folder: Path, call: Call) -> None:
    words = call("rehearse", str(DEMO), "--name", "never close")
    assert words.code == 0
    assert "  clearance: reach_limit and lantern nearest to its margin, 0.09" in words.out
    data = call("rehearse", str(DEMO), "--name", "never close", "--json").data
    assert set(data["clearance"]) == {"least", "bound", "margin", "between", "at"}
    assert data["clearance"]["between"] == ["reach_limit", "lantern"]
    assert data["rehearsals"][0]["clearance"] == data["clearance"]


def test_a_margin_that_was_not_kept_fails_although_nothing_was_asked() -> None:
    routine = load_routine(DEMO)
    spec = routine.rehearsals[0]
    found = rehearse(check(routine), machine=routine.machine, spec=spec)
    assert shortfalls(found, routine.machine, spec) == ()
    near = MeasuredClearance(0.012, 0.012, 0.015, ("hand", "post"), 1.2)
    sentence = "hand and post came within 0.012 m at 1.20 s, where 0.015 m must remain"
    assert shortfalls(replace(found, clearance=near), routine.machine, spec) == (sentence,)
    unsure = near._replace(least=0.0151, bound=0.0149)
    sentence = "hand and post may have come within 0.0149 m at 1.20 s, where 0.015 m must remain"
    assert shortfalls(replace(found, clearance=unsure), routine.machine, spec) == (sentence,), "unknown is not fine"


def test_bodies_that_overlapped_are_not_said_to_be_apart() -> None:
    routine = load_routine(DEMO)
    spec = routine.rehearsals[0]
    found = rehearse(check(routine), machine=routine.machine, spec=spec)
    deep = MeasuredClearance(-0.09, -0.0905, 0.015, ("hand", "post"), 1.2)
    sentence = "hand and post overlapped by 0.09 m at 1.20 s, where 0.015 m must remain"
    assert shortfalls(replace(found, clearance=deep), routine.machine, spec) == (sentence,)
    words = _clearance_words(deep, Output(as_json=False))
    assert words == "clearance: hand and post too near, overlapping by 0.09 m at 1.20 s, margin 0.015 m"
