"""``stepgraph report``."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

Call = Callable[..., Any]


def test_a_routine_becomes_a_page(folder: Path, call: Call) -> None:
    done = call("report", "good/hang.routine.yaml", "-o", "hang.html", "--json")
    assert done.code == 1  # the rehearsal 'hasty' asks for more than can be
    assert done.data == {
        "report": "hang.html",
        "routines": [{"routine": "hang", "verdict": "clear", "fine": False}],
        "unread": 0,
    }
    text = (folder / "hang.html").read_text()
    assert text.startswith("<!DOCTYPE html>")
    assert "hasty: finishes within: asked for 0.5 s" in text


def test_a_routine_that_is_fine_ends_with_0(folder: Path, call: Call) -> None:
    file = folder / "good/hang.routine.yaml"
    file.write_text("\n".join(line for line in file.read_text().splitlines() if "hasty" not in line))
    done = call("report", "good/hang.routine.yaml", "-o", "hang.html")
    assert done.code == 0
    assert done.out.strip() == "wrote hang.html: 1 routine, 1 fine"


def test_without_a_name_the_page_is_report_html(folder: Path, call: Call) -> None:
    call("report", "good/hang.routine.yaml")
    assert (folder / "report.html").is_file()
    call("report", "good/hang.routine.yaml", "-o", "good")
    assert (folder / "good" / "report.html").is_file()


def test_a_trace_becomes_a_page_of_its_runs(folder: Path, call: Call) -> None:
    call("rehearse", "good/hang.routine.yaml", "--name", "plain", "--trace", "run.csv")
    (log,) = folder.glob("run*.csv")
    done = call("report", log.name, "-o", "run.html", "--json")
    assert (done.code, done.data) == (0, {"report": "run.html", "runs": 1})
    bare = (folder / "run.html").read_text()
    assert "data-motion=" not in bare
    machine = next(folder.rglob("machine.yaml"))
    call("report", log.name, "-o", "run.html", "--machine", str(machine))
    assert "data-motion=" in (folder / "run.html").read_text()


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("good/hang.routine.yaml", "-o", "page.txt"), "page.txt does not end in .html"),
        (("good/hang.routine.yaml", "--machine", "good/hang.routine.yaml"), "--machine goes with a trace"),
        (("run.csv", "good/hang.routine.yaml"), "run.csv is a trace; it gets a report of its own"),
        (("no.csv",), "no.csv: there is no such file"),
        (("no.routine.yaml",), "no.routine.yaml: there is no such file"),
    ],
)
def test_what_cannot_be_done_is_said_and_nothing_is_written(
    folder: Path, call: Call, words: tuple[str, ...], said: str
) -> None:
    done = call("report", *words)
    assert done.code == 2
    assert said in done.err
    assert not list(folder.rglob("*.html"))


def test_the_trace_of_another_machine_is_refused(folder: Path, call: Call) -> None:
    call("rehearse", "good/hang.routine.yaml", "--name", "plain", "--trace", "run.csv")
    (log,) = folder.glob("run*.csv")
    other = folder / "other.yaml"
    other.write_text(next(folder.rglob("machine.yaml")).read_text().replace("wrist", "elbow"))
    done = call("report", log.name, "--machine", "other.yaml")
    assert done.code == 2
    assert "of another machine: other.yaml has no axis wrist" in done.err


def test_a_page_is_never_written_over_what_is_read(folder: Path, call: Call) -> None:
    source = folder / "good/hang.routine.yaml"
    before = source.read_text()
    (folder / "link.html").symlink_to(source)
    assert call("report", "good/hang.routine.yaml", "-o", "link.html").code == 2
    assert source.read_text() == before


def test_of_several_files_those_that_can_be_read_are_shown(folder: Path, call: Call) -> None:
    good = next(folder.rglob("hang.routine.yaml")).parent
    (good / "odd.routine.yaml").write_text("routine: odd\nmachine: machine.yaml\nsteps:\n- a: {mvoe: stow}\n")
    done = call("report", str(good), "-o", "all.html")
    assert done.code == 1
    assert "1 of" in done.out
    assert "could not be read" in done.out
    assert "mvoe" in done.err
    assert (folder / "all.html").is_file()


def test_a_report_takes_in_a_drill_labelled_attempts_and_what_tests_have_met(
    folder: Path, call: Call, tmp_path: Path
) -> None:
    call("rehearse", "good/hang.routine.yaml", "--name", "plain", "--trace", "run.csv")
    (log,) = folder.glob("run*.csv")
    call("label", log.name, "1", "made")
    file = folder / "good" / "hang.routine.yaml"
    record = {"name": "hang", "points": [["raise", "runs"]], "seen": [], "outcomes": {}, "rehearsals": 0, "reason": ""}
    (folder / "met.json").write_text(json.dumps({"routines": {str(file): record}, "machines": {}}))
    file.write_text(
        file.read_text().replace(
            "- pause: {wait: 200 ms}", "- shine: {passing: {step: raise, at: 0.5 m, lead: lead}, set: {lamp: true}}"
        )
    )
    file.write_text(
        file.read_text().replace("parameters:\n", "parameters:\n  lead: {value: 20 ms, range: [0 ms, 60 ms]}\n")
    )
    machine = file.with_name("machine.yaml")
    machine.write_text(machine.read_text() + "outputs:\n  lamp: {kind: switch, rest: false}\n")
    file.write_text(
        "\n".join(line for line in file.read_text().splitlines() if "hasty" not in line).replace("pause, ", "")
    )
    done = call("report", str(file), "-o", "all.html", "--drill", "--attempts", log.name, "--coverage", "met.json")
    assert done.code == 0, done.err
    text = (folder / "all.html").read_text()
    headings = re.findall(r"<h3 [^>]*>([^<]+)</h3>", text)
    assert headings[-3:] == ["If something breaks", "Tuning from labelled attempts", "What the tests have met"]
    assert "no test in which raise runs" in text


def test_a_report_takes_in_a_spread(folder: Path, call: Call) -> None:
    demo = Path(__file__).parents[2] / "demos" / "lantern" / "to_stow.routine.yaml"
    assert call("report", str(demo), "-o", "spread.html", "--spread", "3").code == 0
    text = (folder / "spread.html").read_text()
    assert "On machines as they may really be" in text
    assert "3 of 3" in text
    assert "at least one run is needed" in call("report", str(demo), "--spread", "0").err


def test_what_goes_with_routines_is_refused_for_a_trace_and_no_other_json_is_taken(folder: Path, call: Call) -> None:
    (folder / "run.csv").write_text("")
    (folder / "other.json").write_text('{"routines": {"x": {}}}')
    for words in (("--drill",), ("--attempts", "run.csv"), ("--coverage", "other.json")):
        assert f"{words[0]} goes with routines, and run.csv is a trace" in call("report", "run.csv", *words).err
    done = call("report", "good/hang.routine.yaml", "--coverage", "other.json")
    assert done.code == 2
    assert (
        "other.json is not what tests have met; pytest --routine-coverage-to other.json writes such a file" in done.err
    )
