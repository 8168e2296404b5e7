"""`order`: what is found is clear by the check, and never gets nearer than its margins however late or held."""

from __future__ import annotations

from dataclasses import replace
from math import radians
from random import Random

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from played_world import Touch, World
from random_world import BAND, axes_with, boxes, machine_with

from sequencer import order
from sequencer.check import examine
from sequencer.check.bodies import bodies_of
from sequencer.check.scenarios import inflated
from sequencer.errors import ModelError
from sequencer.machine.axis import Mount
from sequencer.machine.body import Body
from sequencer.machine.interlock import KeepOut
from sequencer.machine.machine import Machine, Preset
from sequencer.ordering import NoOrder
from sequencer.plan.resolve import flatten
from sequencer.routine.steps import Move

QUIET = [HealthCheck.filter_too_much, HealthCheck.too_slow]
CORNERS = {f"{x:g} {y:g}": Preset(f"{x:g} {y:g}", {"along": x, "across": y}) for x in (0.0, 1.0) for y in (0.0, 1.0)}
CELLS = 32


def crossed(*posts: tuple[float, float, float]) -> Machine:
    """A tip on two crossed slides, and posts by their middle and half their side."""
    bodies = [Body("tip", "across", square(0.0, 0.0, 0.03))]
    bodies += [Body(f"post{k}", "frame", square(*post)) for k, post in enumerate(posts)]
    return Machine(
        "crossed slides",
        axes_with(Mount(), Mount("along", direction=radians(90.0))),
        bodies={body.name: body for body in bodies},
        presets=CORNERS,
    )


def square(x: float, y: float, half: float) -> tuple[tuple[tuple[float, float], ...], ...]:
    return (((x - half, y - half), (x + half, y - half), (x + half, y + half), (x - half, y + half)),)


def keeps_clear_of_bodies(machine: Machine, start: str, goal: str, seed: int) -> None:
    """An order between two corners, if there is one, is clear, and plays without trouble whatever the timing."""
    try:
        routine = order(machine, start, dict(machine.presets[goal].positions), cells=CELLS)
    except NoOrder:
        return
    assert examine(routine).verdict == "clear"
    bodies = bodies_of(routine.machine)
    rules = [inflated(machine, rule) for rule in machine.interlocks if isinstance(rule, KeepOut)]
    for schedule in range(10):
        random = Random(seed + schedule)

        def trouble(place: dict[str, float], touching: Touch, random: Random = random) -> bool:
            off = {axis: position + random.choice([-BAND, 0.0, BAND]) for axis, position in place.items()}
            values = bodies.tree.values(off)
            near = any(pair.distance(values) <= pair.margin for pair in bodies.pairs)
            return near or any(all(low <= place[axis] <= high for axis, (low, high) in rule) for rule in rules)

        at = {
            axis: place + random.uniform(-0.005, 0.005)
            for axis, place in machine.presets[routine.start].positions.items()
        }
        world = World(flatten(routine), trouble, random, at)
        assert world.play() == ""
        for axis, place in machine.presets[goal].positions.items():
            if len(world.over) == len(routine.steps) and axis in world.owner:
                assert world.place[axis] == pytest.approx(place)


@settings(max_examples=25, deadline=None, suppress_health_check=QUIET)
@given(st.lists(st.tuples(*[st.floats(0.0, 1.0)] * 2, st.floats(0.02, 0.3)), max_size=3), st.data())
def test_every_order_among_posts_is_clear_and_keeps_clear_whatever_the_timing(
    posts: list[tuple[float, float, float]], data: st.DataObject
) -> None:
    start, goal = data.draw(st.permutations(list(CORNERS)))[:2]
    keeps_clear_of_bodies(crossed(*posts), start, goal, data.draw(st.integers(0, 2**32)))


@settings(max_examples=25, deadline=None, suppress_health_check=QUIET)
@given(boxes(), boxes(), st.data())
def test_every_order_among_keep_outs_alone_is_clear_and_keeps_out_whatever_the_timing(
    one: tuple[tuple[float, float], tuple[float, float]],
    other: tuple[tuple[float, float], tuple[float, float]],
    data: st.DataObject,
) -> None:
    first, second = machine_with(one), machine_with(other)
    (rule,), (more,) = first.interlocks, second.interlocks
    machine = replace(first, interlocks=(rule, replace(more, name="other box")), presets=CORNERS)
    start, goal = data.draw(st.permutations(list(CORNERS)))[:2]
    keeps_clear_of_bodies(machine, start, goal, data.draw(st.integers(0, 2**32)))


def test_all_axes_go_at_once_where_nothing_is_in_the_way() -> None:
    routine = order(crossed(), "0 0", "1 1", cells=CELLS)
    assert [(step.body, step.once) for step in routine.steps] == [(Move(preset="1 1"), None)]
    assert (routine.name, routine.start) == ("0 0_to_1 1", "0 0")


def test_one_gate_is_enough_past_a_post_between_two_corners() -> None:
    routine = order(crossed((0.5, 0.5, 0.1)), "0 0", "1 1", cells=CELLS)
    assert sum(step.once is not None for step in routine.steps) == 1
    assert examine(routine).verdict == "clear"


def test_a_detour_is_found_where_no_sequence_of_axes_is_clear() -> None:
    # Two walls from opposite sides: the way goes up, across and down again.
    walls = crossed((0.3, 0.0, 0.12), (0.3, 0.2, 0.12), (0.7, 0.8, 0.12), (0.7, 1.0, 0.12))
    routine = order(walls, "0 0", {"along": 1.0, "across": 0.0}, cells=64)
    assert sum("across" in dict(step.body.goals) for step in routine.steps if isinstance(step.body, Move)) >= 2
    assert examine(routine).verdict == "clear"


def test_positions_start_a_routine_from_a_preset_of_its_own() -> None:
    routine = order(crossed(), {"along": 0.3, "across": 0.2}, "1 1", cells=CELLS)
    assert routine.start == "here"
    assert dict(routine.machine.presets["here"].positions) == {"along": 0.3, "across": 0.2}
    assert examine(routine).verdict == "clear"


def test_a_goal_that_names_one_axis_leaves_the_others_where_they_are() -> None:
    routine = order(crossed((0.5, 0.5, 0.1)), "0 0", {"along": 1.0}, cells=CELLS)
    assert [dict(step.body.goals).keys() for step in routine.steps if isinstance(step.body, Move)] == [{"along"}]


def test_a_start_that_names_one_axis_counts_the_other_as_anywhere() -> None:
    machine = replace(
        crossed((0.5, 0.5, 0.1)),
        presets={**CORNERS, "half": Preset("half", {"along": 0.5}), "left": Preset("left", {"along": 0.0})},
    )
    with pytest.raises(NoOrder, match="gives no position to across, which may be anywhere in the travel then"):
        order(machine, "half", "1 1", cells=CELLS)
    # At the left nothing is in the way wherever the other axis stands, but the way across is barred.
    with pytest.raises(NoOrder, match="across may stand anywhere at the start, name a position"):
        order(machine, "left", {"along": 1.0}, cells=CELLS)


def test_unknown_names_and_places_outside_are_refused_in_words() -> None:
    machine = crossed()
    with pytest.raises(ModelError, match=r"'1 2' is no preset; did you mean '1 [01]'\?"):
        order(machine, "0 0", "1 2")
    with pytest.raises(ModelError, match=r"'alonk' is no axis with a position; did you mean 'along'\?"):
        order(machine, "0 0", {"alonk": 0.5})
    with pytest.raises(ModelError, match=r"along at 1\.5 m is outside its travel, 0 m to 1 m"):
        order(machine, "0 0", {"along": 1.5})
    with pytest.raises(ModelError, match="no position is given; name at least one axis: along, across"):
        order(machine, {}, "0 0")
    with pytest.raises(ModelError, match="48 cells along an axis; it must be a power of 2 from 2 to 256"):
        order(machine, "0 0", "1 1", cells=48)


def test_an_end_in_conflict_is_refused_with_what_it_meets() -> None:
    with pytest.raises(NoOrder, match="the goal 1 1 lies in tip and post0 overlap by") as caught:
        order(crossed((1.0, 1.0, 0.1)), "0 0", "1 1", cells=CELLS)
    assert caught.value.verdict == "conflict"
    boxed = replace(machine_with(((0.8, 1.0), (0.8, 1.0))), presets=CORNERS)
    with pytest.raises(NoOrder, match="the start 1 1 lies in box, tolerances and tracking counted"):
        order(boxed, "1 1", "0 0")


# The tip stands 3 mm clear of a post: the band is 20 mm, so cells of half a metre certify nothing there.
NEAR_POST = (1.0 + 0.03 + 0.02 + 0.05 + 0.006 + 0.003, 1.0, 0.05)


def test_an_end_that_cells_are_too_coarse_for_is_looked_at_by_itself() -> None:
    for cells in (2, 128):
        assert examine(order(crossed(NEAR_POST), "0 0", "1 1", cells=cells)).verdict == "clear"


def test_cells_too_coarse_for_an_end_are_named_with_a_finer_size_where_no_way_is_found() -> None:
    wall = [(0.5, at, 0.12) for at in (0.0, 0.2, 0.4, 0.6, 0.8, 1.0)]
    with pytest.raises(
        NoOrder,
        match=r"and no detour by \d+ places in between; besides, the goal 1 1 cannot be certified with cells of this "
        r"size: along 0\.5 m to 1\.02 m, across 0\.5 m to 1\.02 m; try 16 cells an axis instead of 2",
    ) as caught:
        order(crossed(NEAR_POST, *wall), "0 0", "1 1", cells=2)
    assert caught.value.verdict == "undecided"


def test_a_time_limit_gives_the_best_so_far_or_says_that_there_is_none() -> None:
    with pytest.raises(NoOrder, match="no way from 0 0 to 1 1 was found within 1e-09 s: all axes at once meet tip and"):
        order(crossed((0.5, 0.5, 0.1)), "0 0", "1 1", cells=CELLS, within=1e-9)


def test_one_axis_is_ordered_too() -> None:
    axes = axes_with(Mount(), Mount())
    machine = Machine(
        "one",
        {"along": axes["along"]},
        presets={"in": Preset("in", {"along": 0.0}), "out": Preset("out", {"along": 1.0})},
        interlocks=(KeepOut("middle", (("along", (0.4, 0.5)),)),),
    )
    with pytest.raises(NoOrder, match="all axes at once meet middle; no sequence of single axes is clear"):
        order(machine, "in", "out")
    assert len(order(replace(machine, interlocks=()), "in", "out").steps) == 1


def test_where_a_body_outside_stands_may_be_narrowed_and_the_routine_says_so() -> None:
    post = Body("post", "outside", square(0.0, 0.5, 0.1), range=(0.0, 2.0), along="x")
    whole = crossed()
    machine = replace(whole, bodies={**whole.bodies, "post": post})
    far = order(machine, "0 0", "1 1", cells=CELLS, outside={"post": (1.6, 2.0)})
    assert [(one.body, one.range) for one in far.outside] == [("post", (1.6, 2.0))]
    assert len(far.steps) == 1
    with pytest.raises(NoOrder, match="no way from 0 0 to 1 1 was found"):
        order(machine, "0 0", "1 1", cells=CELLS)
    with pytest.raises(ModelError, match="post from -1 m to 1 m; the machine allows 0 m to 2 m"):
        order(machine, "0 0", "1 1", outside={"post": (-1.0, 1.0)})
    with pytest.raises(ModelError, match=r"'past' is no body outside; did you mean 'post'\?"):
        order(machine, "0 0", "1 1", outside={"past": (0.0, 1.0)})
