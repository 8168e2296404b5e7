"""``stepgraph why``."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

Call = Callable[..., Any]


def recorded(folder: Path, call: Call) -> str:
    call("rehearse", "good/hang.routine.yaml", "--name", "plain", "--trace", "run.csv")
    (found,) = folder.glob("run*.csv")
    return found.name


def test_runs_that_were_done_are_counted(folder: Path, call: Call) -> None:
    log = recorded(folder, call)
    done = call("why", log)
    assert done.code == 0
    assert done.out.strip() == "1 of 1 run was done"
    assert "run 1, hang" in call("why", log, "--run", "1").out


def test_a_failed_run_is_told_in_a_sentence_and_fails(folder: Path, call: Call) -> None:
    file = folder / "good/hang.routine.yaml"
    file.write_text(
        file.read_text().replace("- pause: {wait: 200 ms}", "- pause: {wait: lift > 1.17 m, timeout: 300 ms}")
    )
    done = call("why", recorded(folder, call), "--json")
    assert done.code == 1
    (found,) = done.data
    assert (found["outcome"], found["step"]) == ("faulted", "pause")
    assert found["near"][0]["short"].startswith("0.07")
    assert "lift came no nearer than 1.1 m" in found["sentence"]


def test_a_run_or_log_that_is_not_there_is_said(folder: Path, call: Call) -> None:
    log = recorded(folder, call)
    done = call("why", log, "--run", "4")
    assert done.code == 2
    assert "there is no run 4" in done.err
    assert call("why", "lost.csv").code == 2


def test_several_logs_are_told_one_after_the_other_by_their_names(folder: Path, call: Call) -> None:
    demo = Path(__file__).parents[2] / "demos" / "lantern" / "logs"
    logs = [str(demo / f"attempts_{number}.csv") for number in (1, 2)]
    done = call("why", *logs)
    assert done.code == 1
    first, last = done.out.splitlines()[0], done.out.splitlines()[-1]
    assert first.startswith(f"{logs[0]}: run 3, hang_ridge, 8.78 s to 13.06 s: cancelled: near not done after 3 s")
    assert last.endswith("runs were done")
    both = call("why", *logs, "--json").data
    assert {one["log"] for one in both} == set(logs)
    assert "name one trace" in call("why", *logs, "--run", "1").err


def test_a_log_of_another_machine_or_another_pack_is_named(folder: Path, call: Call) -> None:
    log = recorded(folder, call)
    call("pack", "good/hang.routine.yaml", "-o", "same.pack")
    assert call("why", log, "--pack", "same.pack").out.strip() == "1 of 1 run was done"
    file = folder / "good/hang.routine.yaml"
    file.write_text(file.read_text().replace("pause: {wait: 200 ms}", "pause: {wait: 300 ms}"))
    call("pack", "good/hang.routine.yaml", "-o", "later.pack")
    done = call("why", log, "--pack", "later.pack")
    assert (done.code, done.out.startswith("routine hang has changed: ")) == (0, True)
    machine = folder / "good/machine.yaml"
    machine.write_text(machine.read_text().replace("machine: lantern hand", "machine: pond hand"))
    call("pack", "good/hang.routine.yaml", "-o", "other.pack")
    done = call("why", log, "--pack", "other.pack")
    assert done.out.startswith("another machine was recorded: lantern hand (")
    assert call("why", log, "--pack", "none.pack").code == 2
    assert call("why", log, "--pack", log).code == 1
