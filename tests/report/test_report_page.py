"""The report as a file: what is in it, that it needs nothing else, and that it says what was found."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from html.parser import HTMLParser
from math import cos, nan, radians, sin
from pathlib import Path

import pytest

from sequencer import load_routine
from sequencer.check import examine
from sequencer.rehearse import rehearse
from sequencer.report.charts import Level, Line, chart
from sequencer.report.look import KINDS, style_sheet
from sequencer.report.motion_view import MotionView
from sequencer.report.page import Chapter, Section, data_island, inline, page
from sequencer.report.page_look import PAGE_STYLE
from sequencer.report.routine_page import Reported, routines_page
from sequencer.report.session_page import session_page
from sequencer.routine.routine import Routine
from sequencer.trace import Trace, TraceError

LANTERN = Path(__file__).parents[2] / "demos" / "lantern"

VOID = {"meta", "input", "br"}
"""Elements of HTML that have no end tag (WHATWG, HTML, 13.1.2)."""

LARGEST = 600_000
"""A report of a routine of ten seconds is no longer than this [bytes]."""


def reported(name: str) -> Reported:
    routine = load_routine(LANTERN / f"{name}.routine.yaml")
    examination = examine(routine)
    if examination.checked is None:
        return Reported(routine, examination)
    specs = routine.rehearsals
    rehearsals = [rehearse(examination.checked, machine=routine.machine, spec=spec) for spec in specs]
    return Reported(routine, examination, rehearsals, specs)


@pytest.fixture(scope="module")
def hang() -> Reported:
    return reported("hang_ridge")


@pytest.fixture(scope="module")
def hang_page(hang: Reported) -> str:
    return routines_page([hang])


class Balanced(HTMLParser):
    """Follows which elements are open."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.ids: list[str] = []
        self.headings: list[str] = []

    def handle_starttag(self, tag: str, attributes: list[tuple[str, str | None]]) -> None:
        self.ids += [value for name, value in attributes if name == "id" and value is not None]
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attributes: list[tuple[str, str | None]]) -> None:
        self.ids += [value for name, value in attributes if name == "id" and value is not None]

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] == "h3":
            self.headings.append(data)


def parsed(text: str) -> Balanced:
    found = Balanced()
    found.feed(text)
    found.close()
    return found


def test_the_page_is_whole_and_every_id_is_there_once(hang_page: str) -> None:
    found = parsed(hang_page)
    assert found.open == []
    assert len(found.ids) == len(set(found.ids))
    referred = set(re.findall(r"url\(#([^)]+)\)", hang_page)) | set(re.findall(r'href="#([^"]+)"', hang_page))
    assert referred <= set(found.ids)


def test_the_sections_stand_in_the_order_of_reading(hang_page: str) -> None:
    assert parsed(hang_page).headings == [
        "Verdict",
        "From the side",
        "What happens when",
        "Ordered and measured",
        "Clearance",
        "Battery",
        "Rehearsals",
        "Findings",
    ]


def test_the_page_needs_nothing_from_elsewhere(hang_page: str) -> None:
    outside = {address for address in re.findall(r"""(?:https?:)?//[^\s"'<>)]+""", hang_page) if "." in address}
    assert outside <= {"http://www.w3.org/2000/svg"}
    assert not re.search(r"<(?:link|img|iframe|object|embed)\b|@import|@font-face|\bsrc=", hang_page)
    assert "default-src 'none'" in hang_page


def test_a_routine_of_some_seconds_stays_small(hang: Reported, hang_page: str) -> None:
    assert hang.rehearsals[0].duration > 4.0
    assert len(hang_page.encode()) < LARGEST / 2


def test_the_same_routine_gives_the_same_page(hang: Reported, hang_page: str) -> None:
    assert routines_page([reported("hang_ridge")]) == hang_page


def test_the_verdict_stands_with_all_that_it_assumes(hang: Reported, hang_page: str) -> None:
    assert "clear, planned 5.24 s; 2 of 2 rehearsals fine" in hang_page
    assert all(f"<li>{assumed}</li>" in hang_page.replace("&#x27;", "'") for assumed in hang.examination.assumes)
    assert "keep the stop within reach" in hang_page


def test_what_stands_in_a_file_cannot_become_a_part_of_the_page(hang: Reported) -> None:
    evil = "</script><script>alert(1)</script><img src=x onerror=alert(2)>&\"'"
    routine = replace(hang.routine, name=evil, about=evil)
    text = routines_page([replace(hang, routine=routine, rehearsals=(), specs=())], title=evil)
    found = parsed(text)
    assert found.open == []
    assert "<img" not in text
    assert text.count("<script") == 1


def test_no_text_ends_a_data_island() -> None:
    words = "</script><!--\u2028 & é"
    island = data_island("key", {"words": words})
    assert island.count("</script>") == 1
    assert json.loads(island.partition(">")[2].removesuffix("</script>")) == {"words": words}


def test_a_conflict_is_shown_with_its_findings_and_its_picture() -> None:
    one = reported("broken_reach")
    text = routines_page([one])
    assert not one.fine
    assert 'class="verdict wrong">conflict' in text
    assert "overlap by 26.6 mm" in text
    assert "broken_reach.routine.yaml:9:3" in text
    assert 'class="body body-piece culprit"' in text
    assert parsed(text).open == []


def test_several_routines_get_an_index_and_a_card_each(hang: Reported) -> None:
    text = routines_page([hang, reported("to_stow")])
    assert parsed(text).open == []
    assert len(parsed(text).ids) == len(set(parsed(text).ids))
    assert '<a href="#r0">hang_ridge</a>' in text
    assert '<a href="#r1">to_stow</a>' in text
    assert text.count('<section class="card">') == 2


def test_further_sections_stand_at_the_end(hang: Reported) -> None:
    text = routines_page([replace(hang, more=(Section("drill", "Drill", "<p>nothing broke</p>"),))])
    assert parsed(text).headings[-2:] == ["Findings", "Drill"]


def view_of(one: Reported) -> MotionView:
    rehearsal = one.rehearsals[0]
    return MotionView(one.routine.machine, rehearsal.trace, 0.0, rehearsal.duration, rehearsal.steps, "side")


def motion_data(view: MotionView) -> dict[str, list[dict[str, object]]]:
    text = view.html()
    found = re.search(r'<script type="application/json" id="side-data">(.*?)</script>', text, re.DOTALL)
    assert found is not None
    return json.loads(found[1])  # type: ignore[no-any-return]


def test_outlines_are_moved_to_where_the_bodies_are(hang: Reported) -> None:
    """Against the places that the check's own tree of mounts gives: within a tenth of a pixel and of rounding turns."""
    view = view_of(hang)
    outlines = view.outlines
    assert outlines is not None
    data = motion_data(view)
    svg = view.html()
    moved = {part["id"]: part for part in data["parts"]}
    tried = 0
    for number, name in enumerate(outlines.order()):
        part = moved.get(f"side-part-{number}")
        if part is None:
            continue
        path = re.search(rf'<path d="([^"]+)"[^>]*id="side-part-{number}"', svg)
        assert path is not None
        drawn = [tuple(map(float, pair.split())) for pair in re.findall(r"[-\d.]+ [-\d.]+", path[1])]
        place = _place(view, drawn, outlines.placed(name, view.positions[0]))
        at = part["at"]
        assert isinstance(at, list)
        for frame in range(0, len(view.times), 17):
            x, y, turn = at[3 * frame] / 10, at[3 * frame + 1] / 10, radians(at[3 * frame + 2] / 100)
            wanted = [place(point) for one in outlines.placed(name, view.positions[frame]) for point in one]
            for (px, py), (wx, wy) in zip(drawn, wanted, strict=True):
                assert cos(turn) * px - sin(turn) * py + x == pytest.approx(wx, abs=0.25)
                assert sin(turn) * px + cos(turn) * py + y == pytest.approx(wy, abs=0.25)
                tried += 1
    assert tried > 100


def _place(view: MotionView, drawn: list[tuple[float, ...]], parts: list[list[tuple[float, float]]]):  # type: ignore[no-untyped-def]
    """Pixels of a point [m], from two corners of which both are known."""
    points = [point for part in parts for point in part]
    (ax, ay), (bx, by) = points[0], points[2]
    (px, py), (qx, _) = drawn[0], drawn[2]
    scale = (qx - px) / (bx - ax) if abs(bx - ax) > abs(by - ay) else (drawn[2][1] - py) / (ay - by)
    return lambda point: (px + (point[0] - ax) * scale, py - (point[1] - ay) * scale)


def test_a_piece_is_seen_while_it_is_held(hang: Reported) -> None:
    view = view_of(hang)
    there = next(part["there"] for part in motion_data(view)["parts"] if "there" in part)
    assert isinstance(there, str)
    ends = next(step.end for step in hang.rehearsals[0].steps if step.name == "let_go")
    assert there[0] == "1"
    assert there[-1] == "0"
    assert abs(view.times[there.index("0")] - ends) < 0.2


def test_a_machine_without_bodies_is_shown_as_sticks(hang: Reported) -> None:
    bare = replace(hang.routine.machine, bodies={}, clearances=(), pieces={}, variation=())
    rehearsal = hang.rehearsals[0]
    view = MotionView(bare, rehearsal.trace, 0.0, rehearsal.duration, rehearsal.steps, "side")
    parts = motion_data(view)["parts"]
    assert [part["id"] for part in parts] == ["side-rail-0", "side-slide-0", "side-slide-1"]
    lift = parts[1]["at"]
    assert isinstance(lift, list)
    assert len(lift) == 4 * len(view.times)
    # Up is up: the slide's upper end is drawn higher when the lift is high than when it is low.
    highest = max(range(len(view.times)), key=lambda frame: view.positions[frame]["lift"])
    assert lift[4 * highest + 3] < lift[3] - 100


def test_a_missing_value_interrupts_a_curve() -> None:
    line = Line("measured", "measured", [(0.0, 1.0), (1.0, 2.0), (2.0, nan), (3.0, 2.0), (4.0, 1.0)])
    assert chart("lift", "m", 4.0, [line]).count('class="measured"') == 2
    assert "nan" not in chart("lift", "m", 4.0, [line])
    assert chart("lift", "m", 4.0, [], [Level("least", 3.0)]).count('class="limit"') == 1


def test_ordered_and_measured_are_told_apart_without_colours() -> None:
    ordered, measured = (re.search(rf"svg \.{name}\{{([^}}]*)\}}", PAGE_STYLE) for name in ("ordered", "measured"))
    assert ordered is not None
    assert measured is not None
    assert "stroke-dasharray" in ordered[1]
    assert "stroke-dasharray" not in measured[1]


def test_pictures_in_one_page_do_not_share_ids() -> None:
    svg = '<svg xmlns="x" width="1" height="2">\n <style>a{}</style>\n <g id="a" fill="url(#a)"/>\n</svg>\n'
    text = inline(svg, "one")
    assert 'id="one-a" fill="url(#one-a)"' in text
    assert "<style>" not in text
    assert 'width="1"' not in text


def luminance(colour: str) -> float:
    """Relative luminance (W3C, Web Content Accessibility Guidelines 2.1)."""
    parts = [int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5)]
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    """Contrast ratio (the same guidelines); 4.5 is the least for text (success criterion 1.4.3)."""
    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_the_contrast_of_black_and_white_is_that_of_the_guidelines() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.01)  # a well known example just below 4.5


@pytest.mark.parametrize("dark", [False, True])
def test_text_stands_out_from_what_it_stands_on(dark: bool) -> None:
    light, _, night = style_sheet().partition("@media (prefers-color-scheme:dark){")
    found = dict(re.findall(r"(?:^|\})(text|\.soft|\.paper|\.band)\{fill:(#[0-9a-f]{6})", light))
    if dark:
        found |= dict(re.findall(r"(?:^|\})(text|\.soft|\.paper|\.band)\{fill:(#[0-9a-f]{6})", night))
    for text in ("text", ".soft"):
        for ground in (".paper", ".band"):
            assert contrast(found[text], found[ground]) >= 4.5, (text, ground)
    for kind, (pale, _, deep) in KINDS.items():
        assert contrast(found["text"], deep if dark else pale) >= 4.5, kind


def test_a_session_has_its_runs_with_why_they_ended(hang: Reported) -> None:
    never = hang.rehearsals[1]
    text = session_page(never.trace, hang.routine.machine)
    assert parsed(text).open == []
    assert parsed(text).headings == [
        "Why it ended so",
        "From the side",
        "What happened when",
        "Ordered and measured",
        "Clearance",
        "Battery",
        "Steps",
    ]
    assert "cancelled" in text
    without = parsed(session_page(never.trace)).headings
    assert "From the side" not in without
    assert "Clearance" not in without


def test_a_session_of_several_runs_has_an_index() -> None:
    one = reported("pick_up")
    trace = one.rehearsals[1].trace
    assert len(trace.runs()) == 2
    text = session_page(trace, one.routine.machine)
    assert '<a href="#run1">Run 1: pick_up</a>' in text
    assert '<a href="#run2">Run 2: pick_up.on_cancel</a>' in text
    assert parsed(text).open == []


def test_a_trace_without_runs_is_refused(hang: Reported) -> None:
    with pytest.raises(TraceError, match="no runs"):
        session_page(Trace(hang.rehearsals[0].trace.header))


def test_a_page_of_nothing_is_still_a_page() -> None:
    assert parsed(page("empty", [])).open == []
    chapter = Chapter("a", "A", "line", [Section("b", "B", "<p>c</p>")], "")
    assert parsed(page("one", [chapter])).headings == ["B"]


def test_a_routine_without_rehearsals_has_its_plan() -> None:
    one = reported("to_stow")
    bare: Routine = replace(one.routine, rehearsals=())
    text = routines_page([Reported(bare, one.examination)])
    assert parsed(text).headings == ["Verdict", "What happens when", "Findings"]
