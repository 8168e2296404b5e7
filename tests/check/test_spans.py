"""Spans of positions, gates on them, the cells of a start, and what is kept of many boxes: what they say, position by
position."""

from __future__ import annotations

from dataclasses import replace

import pytest
from crossing import crossing
from hypothesis import given, settings
from hypothesis import strategies as st
from random_world import AXES
from reaching import reacher

from sequencer.check import examine
from sequencer.check.bodies import bodies_of
from sequencer.check.cleared import Cleared
from sequencer.check.gating import Gate
from sequencer.check.scenarios import inflated, is_inside, scenarios_of, start_cells
from sequencer.check.spans import Span, hull, meets, overlap
from sequencer.check.together import Meeting, Part
from sequencer.machine.interlock import KeepOut
from sequencer.machine.machine import Machine, Preset
from sequencer.plan.resolve import flatten
from sequencer.routine.parameters import PresetParameter
from sequencer.routine.routine import Routine
from sequencer.routine.steps import At, Move, Step, Timeout, Wait

GRID = [k / 8 for k in range(17)]
places = st.sampled_from(GRID[::2])
spans = st.tuples(places, places).map(lambda ends: (min(ends), max(ends)))


def inside(span: Span) -> set[float]:
    return {place for place in GRID if span[0] <= place <= span[1]}


@given(spans, spans)
def test_spans_meet_where_they_have_a_position_in_common(one: Span, other: Span) -> None:
    common = inside(one) & inside(other)
    assert meets(one, other) is meets(other, one) is bool(common)
    if common:
        assert inside(overlap(one, other)) == common
    assert hull([one, other]) == (min(one[0], other[0]), max(one[1], other[1]))


gates = st.builds(Gate, st.sampled_from("ab"), st.sampled_from([-1.0, 1.0]), places)


@given(gates, gates)
def test_gates_exclude_each_other_where_no_position_opens_both(one: Gate, other: Gate) -> None:
    """But for the one position at which both edges lie, which opens neither and is left to the rules for conditions."""
    open_ = [{place for place in GRID if (place - gate.position) * gate.sign > 0.0} for gate in (one, other)]
    beyond = {-1.0, 3.0}
    open_ = [
        found | {place for place in beyond if (place - gate.position) * gate.sign > 0.0}
        for found, gate in zip(open_, (one, other), strict=True)
    ]
    if one.axis != other.axis:
        assert not one.excludes(other)
    elif one.position != other.position:
        assert one.excludes(other) is other.excludes(one) is (not open_[0] & open_[1])
    else:
        assert not one.excludes(other)


def with_boxes(*boxes: tuple[Span, Span]) -> Machine:
    rules = tuple(KeepOut(f"box{k}", tuple(zip(AXES, box, strict=True))) for k, box in enumerate(boxes))
    return replace(crossing(), interlocks=rules)


edges = st.sampled_from([0.1, 0.2, 0.35, 0.5, 0.7, 0.9])
sides = st.lists(edges, min_size=2, max_size=2, unique=True).map(lambda ends: (min(ends), max(ends)))


@settings(max_examples=40, deadline=None)
@given(st.lists(st.tuples(sides, sides), min_size=1, max_size=2))
def test_the_cells_of_a_start_are_all_of_it_that_lies_in_no_box(boxes: list[tuple[Span, Span]]) -> None:
    machine = with_boxes(*boxes)
    widened = [inflated(machine, rule) for rule in machine.interlocks if isinstance(rule, KeepOut)]
    cells = start_cells(machine, dict.fromkeys(AXES, (0.0, 1.0)))
    for cell in cells:
        assert not any(is_inside(box, cell) for box in widened)
    for i in range(41):
        for j in range(41):
            place = {"along": i / 40 + 1e-4 * (i < 40), "across": j / 40 + 1e-4 * (j < 40)}
            held = any(all(low <= place[axis] <= high for axis, (low, high) in box) for box in widened)
            in_cells = any(all(low <= place[axis] <= high for axis, (low, high) in cell.items()) for cell in cells)
            assert in_cells is not held
    for axis in AXES:
        assert min(cell[axis][0] for cell in cells) == 0.0
        assert max(cell[axis][1] for cell in cells) == 1.0


def test_a_start_that_lies_in_a_box_as_a_whole_is_one_cell() -> None:
    machine = with_boxes(((0.0, 1.0), (0.0, 1.0)))
    start = dict.fromkeys(AXES, (0.2, 0.8))
    assert start_cells(machine, start) == [start]


@pytest.mark.parametrize(("boxes", "cells"), [(3, 49 - 3), (5, 121 - 5), (6, 1)])
def test_more_cells_than_128_are_judged_as_one(boxes: int, cells: int) -> None:
    """Each of k boxes along a diagonal cuts both axes twice: (2 k + 1)^2 cells, of which k are inside."""
    diagonal = [((0.1 + 0.15 * k, 0.12 + 0.15 * k),) * 2 for k in range(boxes)]
    assert len(start_cells(with_boxes(*diagonal), dict.fromkeys(AXES, (0.0, 1.0)))) == cells


@pytest.mark.parametrize(
    ("boxes", "covered"),
    [
        ([((0.0, 1.0), (0.0, 1.0))], True),
        ([((0.0, 0.5), (0.0, 1.0)), ((0.5, 1.0), (0.0, 1.0))], True),
        ([((0.0, 0.4), (0.0, 1.0)), ((0.43, 1.0), (0.0, 1.0))], True),  # the bands are 0.02 m
        ([((0.0, 0.4), (0.0, 1.0)), ((0.45, 1.0), (0.0, 1.0))], False),
        ([((0.0, 0.5), (0.0, 1.0)), ((0.5, 1.0), (0.0, 0.9))], False),
        ([((0.1 + 0.15 * k, 0.12 + 0.15 * k),) * 2 for k in range(6)], False),  # too many cells to tell
    ],
)
def test_a_routine_can_start_nowhere_only_if_boxes_are_shown_to_cover_all(
    boxes: list[tuple[Span, Span]], covered: bool
) -> None:
    routine = Routine("r", with_boxes(*boxes), (Step("w", Wait(), duration=1),), "anywhere")
    found = [one.message for one in examine(routine).findings if one.rule == "start_region"]
    said = "'r' can start nowhere: the keep-outs cover the whole travel, tracking counted"
    assert found == ([said] if covered else [])


def choosing(*counts: int) -> int:
    """How many scenarios a routine has whose parameters choose among so many presets each."""
    presets = {f"at{k}": Preset(f"at{k}", {"along": 0.1 * k, "across": 0.0}) for k in range(9)}
    machine = replace(crossing(), interlocks=(), presets={**crossing().presets, **presets})
    parameters = {
        f"where{n}": PresetParameter(f"where{n}", "at0", tuple(f"at{k}" for k in range(count)))
        for n, count in enumerate(counts)
    }
    step = Step("go", Move((("along", At("where0")),)))
    routine = Routine("r", machine, (step,), "low", default_timeout=Timeout("none"), parameters=parameters)
    return len(scenarios_of(flatten(routine)))


@pytest.mark.parametrize(
    ("counts", "scenarios"), [((1,), 1), ((2,), 2), ((3, 1), 3), ((2, 3), 6), ((8, 2), 16), ((9, 2), 1)]
)
def test_each_combination_of_presets_is_judged_up_to_16_of_them(counts: tuple[int, ...], scenarios: int) -> None:
    assert choosing(*counts) == scenarios


def kept(*boxes: tuple[Span, Span]) -> list[list[float]]:
    bodies = bodies_of(MACHINE)
    pair = next(one for one in bodies.pairs if bodies.axes_of(one) == ("slide", "wrist"))
    cleared = Cleared(bodies)
    cleared.take(
        pair,
        [Meeting((Part("wrist", 0, True, box[1]), Part("slide", 0, True, box[0])), (box[1], box[0])) for box in boxes],
    )
    ((axes, found, steps),) = cleared.data()["clearance"]
    assert (axes, steps) == ([1, 2], [])
    return list(found)


MACHINE = reacher()


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(spans, spans), min_size=1, max_size=8))
def test_of_many_boxes_those_are_kept_that_lie_in_no_other(boxes: list[tuple[Span, Span]]) -> None:
    found = kept(*boxes)
    flat = [[*first, *second] for first, second in boxes]
    for box in flat:
        assert any(o[0] <= box[0] and box[1] <= o[1] and o[2] <= box[2] and box[3] <= o[3] for o in found)
    for one in found:
        assert one in flat
        assert not any(
            o is not one and o[0] <= one[0] and one[1] <= o[1] and o[2] <= one[2] and one[3] <= o[3] for o in found
        )
    sizes = [one[1] - one[0] + one[3] - one[2] for one in found]
    assert sizes == sorted(sizes, reverse=True)


def test_of_more_than_400_boxes_the_largest_are_kept() -> None:
    boxes = [((k / 1000, k / 1000 + 0.0001 * (k + 1)), (-k / 1000, -k / 1000 + 0.0001)) for k in range(450)]
    found = kept(*boxes)
    assert len(found) == 400
    assert min(one[1] - one[0] for one in found) == pytest.approx(0.0001 * 51)
