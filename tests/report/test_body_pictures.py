"""Pictures of bodies: outlines stand where the machine's tree puts them, and sweeps hold all that a routine does."""

from __future__ import annotations

import random
import re
from collections.abc import Mapping
from dataclasses import replace
from functools import cache
from math import hypot, radians
from pathlib import Path
from typing import NamedTuple
from xml.etree import ElementTree

import pytest
from shapely import Polygon, unary_union
from shapely.geometry import Point as Spot

from sequencer import load_machine, load_routine
from sequencer.check import Examination, examine
from sequencer.check.bodies import bodies_of
from sequencer.check.clearance_advice import PRECISION
from sequencer.check.side_by_side import side_by_side
from sequencer.errors import ModelError
from sequencer.machine.machine import Machine, Preset
from sequencer.report import machine_svg, routine_svg, together_svg
from sequencer.report.nearest import nearest
from sequencer.report.outlines import Outlines, convex_hull
from sequencer.report.routine_story import Story
from sequencer.report.scene import Scene
from sequencer.routine.routine import Routine

DEMO = Path(__file__).parents[2] / "demos" / "lantern"
SVG = "{http://www.w3.org/2000/svg}"
Points = list[tuple[float, float]]


@cache
def demo() -> Machine:
    return load_machine(DEMO / "machine.yaml")


@cache
def examined(name: str) -> tuple[Routine, Examination]:
    routine = load_routine(DEMO / f"{name}.routine.yaml")
    return routine, examine(routine)


@cache
def drawn(name: str) -> ElementTree.Element:
    return read(routine_svg(*examined(name)))


@cache
def story_of(name: str) -> Story:
    return Story(*examined(name))


def read(text: str) -> ElementTree.Element:
    return ElementTree.fromstring(text)


def parts_of(path: ElementTree.Element) -> list[Points]:
    """The polygons of a path in pixels of its group."""
    return [
        [(float(x), float(y)) for x, y in re.findall(r"[ML](-?[\d.]+) (-?[\d.]+)", part)]
        for part in path.attrib["d"].split("Z")
        if part
    ]


def titled(group: ElementTree.Element, name: str) -> list[ElementTree.Element]:
    """The paths of a body, by its title."""
    return [
        path
        for part in group.iter(f"{SVG}g")
        if part.findtext(f"{SVG}title") == name
        for path in part.findall(f"{SVG}path")
    ]


class Fit(NamedTuple):
    """A picture's scale [px/m] and origin, found from a body that is known not to move."""

    scale: float
    x: float
    y: float

    def pixels(self, parts: list[Points]) -> list[Points]:
        return [[(self.x + self.scale * x, self.y - self.scale * y) for x, y in part] for part in parts]


def fitted(group: ElementTree.Element, name: str, machine: Machine) -> Fit:
    """From the first part of a body on the frame."""
    known = bodies_of(machine).tree.placed(name, bodies_of(machine).tree.values({}))[0]
    (path, *_) = titled(group, name)
    drawn = parts_of(path)[0]
    far = max(range(len(known)), key=lambda k: hypot(known[k][0] - known[0][0], known[k][1] - known[0][1]))
    scale = hypot(drawn[far][0] - drawn[0][0], drawn[far][1] - drawn[0][1]) / hypot(
        known[far][0] - known[0][0], known[far][1] - known[0][1]
    )
    return Fit(scale, drawn[0][0] - scale * known[0][0], drawn[0][1] + scale * known[0][1])


def same(drawn: list[Points], expected: list[Points]) -> None:
    assert len(drawn) == len(expected)
    for one, other in zip(drawn, expected, strict=True):
        for point, place in zip(one, other, strict=True):
            assert point == pytest.approx(place, abs=0.4)  # two decimals of the scale's own corners


def cells(root: ElementTree.Element, machine: Machine) -> dict[str, ElementTree.Element]:
    """The small pictures of a machine by the preset whose name stands in them."""
    return {
        name: group
        for group in root.findall(f"{SVG}g")
        for name in machine.presets
        if name in [text.text for text in group.findall(f"{SVG}text")] and group.find(f"{SVG}clipPath") is not None
    }


def test_at_every_preset_each_body_stands_where_the_tree_puts_it() -> None:
    machine, tree = demo(), bodies_of(demo()).tree
    found = cells(read(machine_svg(machine)), machine)
    assert set(found) == set(machine.presets)
    for name, group in found.items():
        fit = fitted(group, "bumper", machine)
        for body in ("hand", "carriage", "lantern", "bumper", "reach_limit"):
            placed = tree.placed(body, tree.values(dict(machine.presets[name].positions)))
            (path,) = titled(group, body)
            same(parts_of(path), fit.pixels(placed))


def test_a_body_outside_is_drawn_at_its_nearest_place_and_its_range_is_swept() -> None:
    machine, tree = demo(), bodies_of(demo()).tree
    group = cells(read(machine_svg(machine)), machine)["carry"]
    fit = fitted(group, "bumper", machine)
    (path,) = titled(group, "post")
    same(parts_of(path), fit.pixels(tree.placed("post", tree.values({"post": 0.10}))))
    (swept,) = [one for one in group.iter(f"{SVG}path") if one.attrib.get("class") == "body body-outside reach"]
    xs = [x for part in parts_of(swept) for x, _ in part]
    assert max(xs) == pytest.approx(fit.x + fit.scale * (1.4 + 0.60), abs=0.4)
    assert min(xs) == pytest.approx(fit.x + fit.scale * (0.10 + 0.02), abs=0.4)


def test_the_band_about_a_body_is_as_wide_as_its_largest_margin() -> None:
    machine = demo()
    group = cells(read(machine_svg(machine)), machine)["ridge"]
    fit = fitted(group, "bumper", machine)
    bands = [one for one in group.iter(f"{SVG}path") if one.attrib.get("class") == "margin"]
    widths = sorted(float(band.attrib["stroke-width"]) / fit.scale / 2.0 for band in bands)
    assert widths == pytest.approx([0.010, 0.015], abs=5e-5)  # the lantern's and the hand's; no pair of the carriage


def test_a_machine_without_bodies_is_drawn_in_the_common_style_alone() -> None:
    text = machine_svg(replace(demo(), bodies={}, clearances=()))
    assert "body-" not in text


def scene_of(name: str) -> tuple[ElementTree.Element, Scene, Story]:
    """The large picture of a clear routine, as drawn and as laid out."""
    root, story = drawn(name), story_of(name)
    scene = Scene(story.outlines, 640.0, story.corners())
    large = next(
        group for group in root.findall(f"{SVG}g") if group.find(f"{SVG}clipPath[@id='seen-whole']") is not None
    )
    return large, scene, story


def surface(group: ElementTree.Element, body: str) -> list[Points]:
    (part,) = [
        one
        for one in group.iter(f"{SVG}g")
        if one.findtext(f"{SVG}title") == f"{body}: all places that the proof covers"
    ]
    return parts_of(next(part.iter(f"{SVG}path")))


@pytest.mark.parametrize("name", ["hang_ridge", "drop", "to_stow"])
def test_what_is_shaded_holds_every_configuration_that_the_proof_covers(name: str) -> None:
    """Against shapely: 300 configurations from the boxes of each body."""
    group, scene, story = scene_of(name)
    source = random.Random(3)
    for body in ("hand", "lantern", "carriage"):
        drawn = unary_union([Polygon(part).buffer(0.02) for part in surface(group, body)])
        for _ in range(100):
            sweep = source.choice(story.sweeps[body])
            places = {axis: source.uniform(*span) for axis, span in sweep.box.items()}
            for part in story.outlines.placed(body, places):
                # an arc bulges by less than a thousandth of its radius beyond the hull of its ends
                assert drawn.buffer(0.4).covers(Polygon([scene.place(point) for point in part]))


def test_what_is_shaded_ends_where_the_gate_cuts_it() -> None:
    """In `level` the lift has passed 1.02 m: nothing of the hand is as low as without the gate."""
    routine, story = examined("hang_ridge")[0], story_of("hang_ridge")
    boxes = [sweep.box for sweep in story.sweeps["hand"] if sweep.steps >= {"level"}]
    assert boxes
    assert all(box["lift"][0] >= 1.02 - routine.machine.axes["lift"].tolerance.following - 1e-9 for box in boxes)
    small = next(
        one
        for one in drawn("hang_ridge").findall(f"{SVG}g")
        if one.find(f"{SVG}clipPath[@id='seen-step-1']") is not None
    )
    fit = fitted(small, "bumper", routine.machine)
    low = max(y for part in surface(small, "hand") for _, y in part)
    heights = [y for box in boxes for part in story.outlines.swept("hand", box) for _, y in part]
    assert low == pytest.approx(fit.y - fit.scale * min(heights), abs=1.0)
    assert min(heights) > 0.8


def test_the_closest_approach_is_measured_between_its_two_bodies() -> None:
    for name in ("hang_ridge", "drop", "pick_up"):
        group, scene, _ = scene_of(name)
        advice = examined(name)[1].clearance
        assert advice is not None
        (part,) = [one for one in group.iter(f"{SVG}g") if one.findtext(f"{SVG}title") == " and ".join(advice.between)]
        line = part.find(f"{SVG}line")
        assert line is not None
        x1, y1, x2, y2 = (float(line.attrib[key]) for key in ("x1", "y1", "x2", "y2"))
        assert hypot(x2 - x1, y2 - y1) / scene.scale == pytest.approx(advice.least, abs=PRECISION)
        assert part.findtext(f"{SVG}text") == f"{advice.least * 1e3:.3g} mm"
        ends = [unary_union([Polygon(p) for p in parts_of(titled(group, one)[-1])]) for one in advice.between]
        assert ends[0].distance(Spot(x1, y1)) < 0.05
        assert ends[1].distance(Spot(x2, y2)) < 0.05


def test_a_conflict_shows_its_two_bodies_where_they_meet() -> None:
    routine, examination = examined("broken_order")
    root = drawn("broken_order")
    findings = [finding for finding in examination.findings if finding.witness is not None]
    assert [finding.witness.between for finding in findings if finding.witness] == [
        ("hand", "bumper"),
        ("bumper", "lantern"),
    ]
    tree = bodies_of(routine.machine).tree
    for number, finding in enumerate(findings):
        group = next(
            one
            for one in root.findall(f"{SVG}g")
            if one.find(f"{SVG}clipPath[@id='seen-conflict-{number}']") is not None
        )
        assert finding.witness is not None
        values = tree.values({k: v for k, v in finding.witness.places.items() if k in tree.index})
        fit = fitted(group, "height_limit", routine.machine)
        shapes = []
        for name in finding.witness.between:
            (red,) = [path for path in titled(group, name) if "culprit" in path.attrib["class"]]
            same(parts_of(red), fit.pixels(tree.placed(name, values)))
            shapes.append(unary_union([Polygon(part) for part in parts_of(red)]))
        assert shapes[0].intersects(shapes[1])
        (ring,) = group.iter(f"{SVG}circle")
        meeting = Spot(float(ring.attrib["cx"]), float(ring.attrib["cy"]))
        assert shapes[0].intersection(shapes[1]).distance(meeting) < 0.05
    words = " ".join(text.text or "" for text in root.iter(f"{SVG}text"))
    assert "this line mends it: tilt: once: lift > 0.34 m" in words


def test_the_diagram_of_a_conflict_has_the_gate_that_mends_it_beyond_what_is_shaded() -> None:
    examination = examined("broken_order")[1]
    finding = next(one for one in examination.findings if one.witness is not None)
    assert finding.witness is not None
    assert examination.plan is not None
    shown = side_by_side(story_of("broken_order").swept, examination.plan, "rise", "tilt", finding.witness)
    (gate,) = shown.gates
    assert (gate.step, gate.wanted, gate.words) == ("tilt", True, "tilt waits for lift > 0.34 m")
    profile = examination.plan.step("rise").profiles["lift"]
    assert profile.at(gate.progress).position == pytest.approx(0.34)
    assert max(cell.first[1] for cell in shown.found.blocked) <= gate.progress + shown.found.durations[0] / 48


def test_a_detour_is_told_by_a_diagram_that_is_blocked_from_side_to_side() -> None:
    words = " ".join(text.text or "" for text in drawn("broken_reach").iter(f"{SVG}text"))
    assert "neither 'rise' nor 'tilt' can go first: a detour is needed" in words
    assert "Every way across is blocked: a detour is needed." in words


def test_steps_that_end_too_near_each_other_are_told_so() -> None:
    routine, _ = examined("broken_reach")
    presets = {**routine.machine.presets, "ridge": Preset("ridge", {"lift": 0.95, "wrist": radians(15.0)})}
    moved = load_routine(DEMO / "broken_reach.routine.yaml", replace(routine.machine, presets=presets))
    words = " ".join(text.text or "" for text in read(routine_svg(moved, examine(moved))).iter(f"{SVG}text"))
    assert "They end in what is shaded: another goal is needed." in words


def test_blocked_cells_gate_and_course_are_drawn_to_scale() -> None:
    routine, examination = examined("drop")
    assert examination.plan is not None
    root = read(together_svg(routine, examination, "rise", "tilt"))
    (plot,) = [one for one in root.iter(f"{SVG}rect") if one.attrib.get("class") == "travel"]
    x, y, wide, high = (float(plot.attrib[key]) for key in ("x", "y", "width", "height"))
    shown = side_by_side(story_of("drop").swept, examination.plan, "rise", "tilt")
    first, second = shown.found.durations
    drawn = [one for one in root.iter(f"{SVG}rect") if one.attrib.get("class", "").startswith("blocked")]
    assert len(drawn) == len(shown.found.blocked) > 0
    for rect, cell in zip(drawn, shown.found.blocked, strict=True):
        assert float(rect.attrib["x"]) == pytest.approx(x + cell.first[0] / first * wide, abs=0.02)
        assert float(rect.attrib["y"]) == pytest.approx(y + (1.0 - cell.second[1] / second) * high, abs=0.02)
        assert float(rect.attrib["width"]) == pytest.approx((cell.first[1] - cell.first[0]) / first * wide, abs=0.02)
    plan = examination.plan
    (line,) = [one for one in root.iter(f"{SVG}line") if one.attrib["class"] == "gate-line" and "x2" in one.attrib][:1]
    opens = plan.step("rise").profiles["lift"].first_time_at(0.36)
    assert opens is not None
    assert float(line.attrib["x1"]) == pytest.approx(x + opens / first * wide, abs=0.02)
    (course,) = [one for one in root.iter(f"{SVG}path") if one.attrib.get("class") == "course"]
    points = parts_of(course)[0]
    held = (plan.step("tilt").motion_start - plan.step("rise").motion_start) / first
    assert points[0] == pytest.approx((x, y + high), abs=0.02)
    assert points[1] == pytest.approx((x + held * wide, y + high), abs=0.02)
    assert points[-1] == pytest.approx((x + wide, y), abs=0.02)


def test_steps_that_are_never_together_or_share_an_axis_have_no_diagram() -> None:
    routine, examination = examined("drop")
    for first, second, said in (
        ("rise", "untilt", "are never active together"),
        ("tilt", "untilt", "both move wrist"),
        ("spit", "rise", "'spit' moves no axis;"),
        ("rise", "tlit", "did you mean 'tilt'?"),
    ):
        with pytest.raises(ModelError, match=re.escape(said)):
            together_svg(routine, examination, first, second)


def test_names_from_files_are_escaped_in_every_picture() -> None:
    machine = demo()
    odd = 'a <b> & "c"'
    bodies = {
        odd if name == "bumper" else name: replace(body, name=odd if name == "bumper" else name)
        for name, body in machine.bodies.items()
    }
    clearances = tuple(
        replace(one, between=tuple(odd if name == "bumper" else name for name in one.between))  # type: ignore[arg-type]
        for one in machine.clearances
    )
    renamed = replace(machine, name=odd, bodies=bodies, clearances=clearances)
    for name in ("pick_up", "broken_order"):
        routine = load_routine(DEMO / f"{name}.routine.yaml", renamed)
        root = read(routine_svg(routine, examine(routine)))
        assert any(odd in (title.text or "") for title in root.iter(f"{SVG}title"))
    assert any(odd == title.text for title in read(machine_svg(renamed)).iter(f"{SVG}title"))


def test_the_same_routine_gives_the_same_picture() -> None:
    routine = load_routine(DEMO / "pick_up.routine.yaml")
    assert routine_svg(routine, examine(routine)) == routine_svg(routine, examine(routine))


def test_a_routine_on_a_machine_without_bodies_has_no_picture_from_the_side() -> None:
    routine, examination = examined("drop")
    bare = replace(routine, machine=replace(routine.machine, bodies={}, clearances=()))
    with pytest.raises(ModelError, match="'lantern hand' has no bodies, so there is nothing to draw from the side"):
        routine_svg(bare, examination)


def test_nearest_points_are_as_far_apart_as_shapely_says() -> None:
    source = random.Random(11)
    for _ in range(300):
        parts = []
        for _ in range(2):
            x, y = source.uniform(-1.0, 1.0), source.uniform(-1.0, 1.0)
            parts.append([convex_hull((x + source.uniform(0, 0.6), y + source.uniform(0, 0.6)) for _ in range(7))])
        found = nearest(*parts)
        one, other = (Polygon(some[0]) for some in parts)
        assert found.overlap == one.intersects(other)
        if found.overlap:
            assert one.intersection(other).distance(Spot(found.first)) < 1e-9
        else:
            between = hypot(found.first[0] - found.second[0], found.first[1] - found.second[1])
            assert between == pytest.approx(one.distance(other), abs=1e-9)


def test_a_turn_is_swept_without_gaps() -> None:
    outlines = Outlines(demo())
    box: Mapping[str, tuple[float, float]] = {"lift": (0.2, 0.5), "wrist": (radians(-30.0), radians(60.0))}
    swept = unary_union([Polygon(part) for part in outlines.swept("hand", box)])
    assert swept.geom_type == "Polygon"
    assert not swept.interiors
    assert all(polygon.is_valid for polygon in [swept])


def test_a_step_in_which_bodies_may_touch_says_so_under_its_picture() -> None:
    words = " ".join(text.text or "" for text in drawn("hang_ridge").iter() if text.tag.endswith("text"))
    assert "may touch and overlap here" in words
