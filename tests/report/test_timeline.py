"""Timelines: what is read from plans and traces, and what becomes of it in pictures and on terminals."""

from __future__ import annotations

import random
from collections.abc import Callable
from itertools import pairwise
from typing import Any
from xml.etree import ElementTree

import pytest

from sequencer.plan.planned import Plan
from sequencer.report import Timeline, timeline_of_plan, timeline_of_trace, timeline_svg, timeline_text
from sequencer.report.svg import text_width
from sequencer.report.timeline import Bar, Lane
from sequencer.trace import Header, Trace, TraceError

Golden = Callable[[str, str], None]
SVG = "{http://www.w3.org/2000/svg}"


def test_the_picture_of_a_plan_is_the_golden_one(hang_ridge_plan: Plan, golden: Golden) -> None:
    golden("plan_timeline.svg", timeline_svg(timeline_of_plan(hang_ridge_plan)))


def test_the_text_of_a_plan_is_the_golden_one(hang_ridge_plan: Plan, golden: Golden) -> None:
    golden("plan_timeline.txt", timeline_text(timeline_of_plan(hang_ridge_plan), 100))


def test_the_picture_of_a_run_beside_its_plan_is_the_golden_one(
    hang_ridge_trace: Trace, hang_ridge_checked: Any, hang_ridge_plan: Plan, golden: Golden
) -> None:
    timeline = timeline_of_trace(hang_ridge_trace, "hang_ridge", hang_ridge_checked, hang_ridge_plan)
    golden("run_timeline.svg", timeline_svg(timeline))
    golden("run_timeline.txt", timeline_text(timeline, 110))


def test_a_plan_has_a_lane_for_each_axis_and_output_and_one_for_waits(hang_ridge_plan: Plan) -> None:
    lanes = {lane.name: [bar.name for bar in lane.bars] for lane in timeline_of_plan(hang_ridge_plan).lanes}
    assert lanes == {
        "lift": ["raise", "retreat"],
        "wrist": ["level", "flick", "retreat"],
        "rollers": ["let_go"],
        "lamp": ["shine"],
        "waits": ["near"],
    }


def test_gates_milestones_and_the_critical_path_are_kept(hang_ridge_plan: Plan) -> None:
    bars = {bar.name: bar for bar in timeline_of_plan(hang_ridge_plan).bars()}
    assert bars["level"].gate == "lift > 0.40 m"
    assert bars["level"].moving == hang_ridge_plan.step("level").motion_start
    assert bars["let_go"].passing == "flick"
    assert [mark.text for mark in bars["flick"].marks] == ["through"]
    assert [name for name, bar in bars.items() if bar.critical] == ["raise", "near", "flick", "retreat"]


def test_positions_are_drawn_in_the_units_people_use(hang_ridge_plan: Plan) -> None:
    lanes = {lane.name: lane for lane in timeline_of_plan(hang_ridge_plan).lanes}
    assert (lanes["lift"].unit, lanes["wrist"].unit) == ("m", "deg")
    assert lanes["wrist"].curves[0].points[0] == pytest.approx((0.0, 95.0))
    assert lanes["wrist"].curves[0].points[-1] == pytest.approx((hang_ridge_plan.duration, 100.0))
    assert lanes["rollers"].curves == ()


def test_without_its_routine_a_trace_shows_its_steps_beside_the_axes(hang_ridge_trace: Trace) -> None:
    lanes = {lane.name: len(lane.bars) for lane in timeline_of_trace(hang_ridge_trace).lanes}
    assert lanes == {"lift": 0, "wrist": 0, "steps": 6, "waits": 1}


def test_a_trace_without_that_run_says_so(hang_ridge_trace: Trace) -> None:
    with pytest.raises(TraceError, match="the trace has no run 'fetch'; it has hang_ridge"):
        timeline_of_trace(hang_ridge_trace, "fetch")
    empty = Trace(Header("m", "", 1, ()))
    with pytest.raises(TraceError, match="the trace has no run; nothing was started while it was recorded"):
        timeline_of_trace(empty)


@pytest.mark.parametrize("width", [80, 100, 120])
def test_a_text_is_no_wider_than_asked(hang_ridge_plan: Plan, width: int) -> None:
    lines = timeline_text(timeline_of_plan(hang_ridge_plan), width).splitlines()
    assert max(map(len, lines)) <= width
    assert max(map(len, lines)) > width - 12


def crowded(seed: int) -> Timeline:
    """Many short steps with long names, close together."""
    rng = random.Random(seed)
    bars = []
    for index in range(30):
        start = rng.uniform(0.0, 5.0)
        kind = rng.choice(["move", "pulse", "set", "wait"])
        end = start + (0.02 if kind == "set" else rng.choice([0.02, 0.1, 0.8]))
        bars.append(Bar(f"{'step ' * rng.randint(1, 4)}{index}", kind, start, start, end))
    return Timeline("crowded", "made up", 6.0, (Lane("lift", "axis", tuple(bars)),))


@pytest.mark.parametrize("seed", range(6))
def test_names_never_lie_over_each_other_nor_over_the_bars_of_others(seed: int) -> None:
    root = ElementTree.fromstring(timeline_svg(crowded(seed)))
    lane = root.find(f"{SVG}g")
    assert lane is not None
    rows: dict[float, list[tuple[float, float, int]]] = {}
    for owner, part in enumerate(lane.findall(f"{SVG}g")):
        text = part.find(f"{SVG}text")
        assert text is not None
        middle = float(text.attrib["y"]) - 4.0
        left = float(text.attrib["x"])
        rows.setdefault(middle, []).append((left, left + text_width(text.text or "", 12.0), owner))
        for rect in part.findall(f"{SVG}rect"):
            left = float(rect.attrib["x"])
            rows[middle].append((left, left + float(rect.attrib["width"]), owner))
    pieces = 0
    for row in rows.values():
        row.sort()
        for (_, end, owner), (begin, _, other) in pairwise(row):
            if owner != other:
                pieces += 1
                assert begin >= end - 0.51
    assert pieces > 10


def test_ranges_of_uncertain_ends_do_not_run_through_each_other() -> None:
    near = Bar("near", "wait", 0.0, 0.0, 0.5, earliest=0.02, latest=4.0, estimated=True)
    away = Bar("away", "wait", 1.5, 1.5, 2.0, earliest=1.52, latest=float("inf"), estimated=True)
    root = ElementTree.fromstring(timeline_svg(Timeline("t", "s", 5.0, (Lane("waits", "waits", (near, away)),))))
    whiskers = [
        line
        for line in root.iter(f"{SVG}line")
        if line.attrib.get("class") == "range" and line.attrib["y1"] == line.attrib["y2"]
    ]
    assert len({line.attrib["y1"] for line in whiskers[:2]}) == 2


def test_names_are_escaped_and_the_picture_describes_itself() -> None:
    bar = Bar("<raise & 'go'>", "move", 0.0, 0.0, 1.0)
    text = timeline_svg(Timeline("a < b", 'says "x"', 1.0, (Lane("lift", "axis", (bar,)),)))
    root = ElementTree.fromstring(text)
    assert root.findtext(f"{SVG}title") == "Timeline of a < b"
    assert root.findtext(f"{SVG}desc") == 'says "x"'
    assert "<raise & 'go'>" in [found.text for found in root.iter(f"{SVG}text")]


def test_a_notebook_shows_the_picture(hang_ridge_plan: Plan) -> None:
    timeline = timeline_of_plan(hang_ridge_plan)
    assert timeline._repr_svg_() == timeline_svg(timeline)


def test_a_timeline_of_nothing_is_still_a_picture() -> None:
    empty = Timeline("nothing", "no step", 0.0, ())
    assert ElementTree.fromstring(timeline_svg(empty)) is not None
    assert timeline_text(empty).startswith("nothing: no step")


def test_the_legend_has_only_the_signs_in_use() -> None:
    text = timeline_svg(Timeline("t", "s", 1.0, (Lane("lift", "axis", (Bar("go", "move", 0.0, 0.0, 1.0),)),)))
    words = [found.text for found in ElementTree.fromstring(text).iter(f"{SVG}text")]
    assert "move" in words
    assert not {"flick", "milestone", "planned", "critical path"} & set(words)


def test_what_was_not_done_is_named_and_framed(hang_ridge_trace: Trace) -> None:
    text = timeline_svg(timeline_of_trace(hang_ridge_trace))
    assert "retreat: error" in text
    assert "faulted: lift does not follow" in text
    assert 'class="bad"' in text


def test_a_step_entered_again_is_compared_with_the_plan_only_once(
    hang_ridge_trace: Trace, hang_ridge_plan: Plan
) -> None:
    rows = list(hang_ridge_trace.rows)
    first = [event for row in rows[:60] for event in row.events if event.step == "raise"]
    again = tuple(event._replace(tick=event.tick + 60, now_ns=event.now_ns + 1_200_000_000) for event in first)
    rows[110] = rows[110]._replace(events=(*rows[110].events, *again))
    timeline = timeline_of_trace(Trace(hang_ridge_trace.header, tuple(rows)), plan=hang_ridge_plan)
    assert [bar.planned is not None for bar in timeline.bars() if bar.name == "raise"] == [True, False]
