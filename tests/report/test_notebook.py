"""What notebooks show: the methods they ask for are there once `sequencer.report` is imported, and what they give."""

from __future__ import annotations

import subprocess
import sys
from base64 import b64decode
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from xml.etree import ElementTree

import pytest

from sequencer import load_routine
from sequencer.check import examine
from sequencer.check.finding import Examination, Finding
from sequencer.pack import CheckedRoutine
from sequencer.plan import Plan
from sequencer.rehearse import Rehearsal, rehearse
from sequencer.report import notebook
from sequencer.trace import Trace

ROOT = Path(__file__).parents[2]
LANTERN = ROOT / "demos" / "lantern"
SVG = "{http://www.w3.org/2000/svg}svg"


class Seen(HTMLParser):
    """Texts and pictures of a piece of HTML; every element that is opened must be closed."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.words: list[str] = []
        self.pictures: list[ElementTree.Element] = []
        self.feed(text)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag: str, attributes: list[tuple[str, str | None]]) -> None:
        if tag == "img":
            kind, _, data = (dict(attributes)["src"] or "").partition(";base64,")
            assert kind == "data:image/svg+xml"
            self.pictures.append(ElementTree.fromstring(b64decode(data)))
        elif tag != "br":
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join(self.words)


@pytest.fixture(scope="module")
def clear() -> Examination:
    return examine(load_routine(LANTERN / "to_stow.routine.yaml"))


@pytest.fixture(scope="module")
def rehearsed(clear: Examination) -> Rehearsal:
    assert clear.checked is not None
    assert clear.plan is not None
    routine = clear.plan.routine
    return rehearse(clear.checked, machine=routine.machine, spec=routine.rehearsals[0])


@pytest.fixture(scope="module")
def conflict() -> Examination:
    return examine(load_routine(LANTERN / "broken_order.routine.yaml"))


def test_importing_the_report_registers_and_nothing_before_it_does() -> None:
    code = (
        "import sys\n"
        "from sequencer.plan import Plan\nfrom sequencer.check.finding import Finding\n"
        "print(hasattr(Plan, '_repr_svg_'), hasattr(Finding, '_repr_html_'))\n"
        "import sequencer.report\n"
        "print(hasattr(Plan, '_repr_svg_'), hasattr(Finding, '_repr_html_'), 'IPython' in sys.modules)\n"
    )
    told = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    assert told.stdout.split() == ["False", "False", "True", "True", "False"]


@pytest.mark.parametrize("kind", [Plan, CheckedRoutine, Trace, Rehearsal, Finding, Examination])
def test_every_result_has_one_method_for_notebooks(kind: type) -> None:
    assert hasattr(kind, "_repr_svg_") != hasattr(kind, "_repr_html_")


def test_a_plan_is_shown_as_its_timeline(clear: Examination) -> None:
    assert clear.plan is not None
    root = ElementTree.fromstring(clear.plan._repr_svg_())  # type: ignore[attr-defined]
    assert root.tag == SVG
    words = {text.text for text in root.iter("{http://www.w3.org/2000/svg}text")}
    assert {"to_stow", *clear.plan.names} <= words


def test_a_checked_routine_is_shown_with_what_starts_its_steps_and_its_hash(clear: Examination) -> None:
    assert clear.checked is not None
    seen = Seen(clear.checked._repr_html_())  # type: ignore[attr-defined]
    assert clear.checked.hash[:16] in seen.text
    assert "at the beginning" in seen.words
    assert all(step["name"] in seen.words for step in clear.checked.routine["steps"])
    assert set(clear.checked.assumes) <= set(seen.words)


def test_the_ways_in_which_steps_start_are_told_in_words() -> None:
    checked = examine(load_routine(LANTERN / "hang_ridge.routine.yaml")).checked
    assert checked is not None
    words = Seen(notebook.checked_html(checked)).words
    assert {"with raise", "passing flick", "after raise, level", "until range_to_hook < 0.3 m"} <= set(words)
    steps = [{"name": "one"}, {"name": "two"}]
    some = {"start": {"kind": "after", "steps": [0, 1], "any": True}}
    assert notebook._starts(some, steps) == "after one or two"
    assert notebook._starts({"start": {"kind": "at", "time": 250_000_000}}, steps) == "at 0.25 s"


def test_a_rehearsal_is_shown_with_its_outcome_and_what_was_asked_of_it(rehearsed: Rehearsal) -> None:
    seen = Seen(rehearsed._repr_html_())  # type: ignore[attr-defined]
    assert seen.words[0] == f"{rehearsed.name}: done"
    assert seen.words.count("held") == len(rehearsed.expectations) > 0
    assert [picture.tag for picture in seen.pictures] == [SVG]


def test_what_failed_says_why(rehearsed: Rehearsal) -> None:
    failed = replace(rehearsed, outcome="cancelled", cause="no lantern was seen")
    assert f"after {failed.duration:.2f} s: no lantern was seen" in Seen(notebook.rehearsal_html(failed)).words


def test_a_trace_is_shown_with_its_runs_and_the_latest_of_them_drawn() -> None:
    from sequencer import read_trace

    trace = read_trace(LANTERN / "logs" / "attempts_1.csv")
    seen = Seen(trace._repr_html_())  # type: ignore[attr-defined]
    assert seen.words.count("hang_ridge") == 3
    assert seen.words.count("cancelled") == 1
    assert len(seen.pictures) == 3


def test_a_trace_without_a_run_is_shown_too() -> None:
    from sequencer import read_trace

    trace = read_trace(LANTERN / "logs" / "attempts_1.csv")
    seen = Seen(notebook.trace_html(replace(trace, rows=trace.rows[:2])))
    assert "2 ticks in 0.0 s, 0 runs" in seen.text
    assert seen.pictures == []


def test_a_long_table_tells_how_many_rows_are_left_out() -> None:
    seen = Seen(notebook._table(("row",), [(str(number),) for number in range(notebook.MOST_ROWS + 5)]))
    assert seen.words[-1] == "... and 5 before them"
    assert "4" not in seen.words
    assert "5" in seen.words


def test_an_examination_is_shown_with_its_conflicts(conflict: Examination) -> None:
    seen = Seen(conflict._repr_html_())  # type: ignore[attr-defined]
    assert seen.words[0] == "broken_order: conflict"
    assert all(finding.hint in seen.words for finding in conflict.findings)
    assert len(seen.pictures) == 1
    assert "this line mends it" in "".join(seen.pictures[0].itertext())


def test_a_clear_examination_is_shown_with_its_plan(clear: Examination) -> None:
    seen = Seen(notebook.examination_html(clear))
    assert seen.words[0] == "to_stow: clear"
    assert "Timeline of to_stow" in [node.text for node in seen.pictures[0]]


def test_an_examination_without_a_plan_is_shown(conflict: Examination) -> None:
    seen = Seen(notebook.examination_html(replace(conflict, plan=None)))
    assert seen.words[0] == "routine: conflict"
    assert seen.pictures == []


def test_a_finding_that_was_waived_says_why_and_its_text_is_escaped(conflict: Examination) -> None:
    finding = replace(conflict.findings[0], message="<b>near</b>", waived="the bar is foam")
    text = finding._repr_html_()  # type: ignore[attr-defined]
    assert "<b>" not in text
    assert "Accepted in writing: the bar is foam." in Seen(text).text
    assert "waived" in Seen(text).words
