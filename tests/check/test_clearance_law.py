"""The law of clearance: what is called clear never comes nearer than its margin, however late, slow or held its steps
are, and however far within their bands its axes are off."""

from __future__ import annotations

from math import radians
from random import Random

import pytest
from clear_routines import clear_routine
from hypothesis import HealthCheck, Phase, assume, given, settings
from hypothesis import strategies as st
from played_world import Touch, played
from random_world import BAND, OUTPUTS, SCHEDULES, SENSORS, axes_with, gate, routine_of

from sequencer.check import examine
from sequencer.check.bodies import bodies_of
from sequencer.machine.axis import Mount
from sequencer.machine.body import Body, Clearance
from sequencer.machine.machine import Machine, Preset
from sequencer.routine.routine import Routine
from sequencer.routine.steps import At, Move, Step, With

Parts = tuple[tuple[tuple[float, float], ...], ...]


def square(x: float, y: float, half: float) -> Parts:
    return (((x - half, y - half), (x + half, y - half), (x + half, y + half), (x - half, y + half)),)


@st.composite
def machines(draw: st.DrawFn) -> Machine:
    """A tip on two crossed slides, the carriage below it, and a post or two in the way or nearly so."""
    places = st.sampled_from([0.12, 0.4, 0.5, 0.63, 0.88, 1.3])
    posts = [
        Body(f"post{k}", "frame", square(draw(places), draw(places), draw(st.sampled_from([0.02, 0.1, 0.25]))))
        for k in range(draw(st.integers(1, 2)))
    ]
    carriage = Body("carriage", "along", square(0.0, -0.3, 0.05))
    tip = Body("tip", "across", (((-0.03, -0.03), (0.03, -0.03), (0.0, 0.04)),))
    bodies = {body.name: body for body in (tip, carriage, *posts)}
    margin = draw(st.sampled_from([0.0, 0.01, 0.03]))
    return Machine(
        "crossed slides",
        axes_with(Mount(), Mount("along", direction=radians(90.0))),
        bodies=bodies,
        clearances=tuple(Clearance(("tip", post.name), margin) for post in posts),
        presets={
            f"{x:g} {y:g}": Preset(f"{x:g} {y:g}", {"along": x, "across": y}) for x in (0.0, 1.0) for y in (0.0, 1.0)
        },
        sensors=SENSORS,
        outputs=OUTPUTS,
    )


QUIET = [HealthCheck.filter_too_much, HealthCheck.too_slow]


STARTS = st.sampled_from(["0 0", "0 1", "1 0", "1 1"])


@settings(max_examples=15, deadline=None)
@given(machines(), STARTS, st.integers(0, 2**32))
def test_what_is_called_clear_keeps_its_margins_whatever_the_timing(machine: Machine, start: str, seed: int) -> None:
    keeps_clear(clear_one(machine, start, seed), seed, SCHEDULES)


@pytest.mark.slow
@settings(max_examples=500, deadline=None, phases=[Phase.generate])
@given(machines(), STARTS, st.integers(0, 2**32))
def test_what_is_called_clear_keeps_its_margins_in_a_long_search(machine: Machine, start: str, seed: int) -> None:
    keeps_clear(clear_one(machine, start, seed), seed, 100)


def clear_one(machine: Machine, start: str, seed: int) -> Routine:
    touching = [pair for post in machine.bodies if "post" in post for pair in (("tip", post), (post, "tip"))]
    routine, _ = clear_routine(Random(seed), machine, start, touching)
    assume(routine.steps)
    return routine


def keeps_clear(routine: Routine, seed: int, schedules: int) -> None:
    machine = routine.machine
    bodies = bodies_of(machine)
    known = machine.presets[routine.start].positions
    for schedule in range(schedules):
        random = Random(seed + schedule)

        def too_near(place: dict[str, float], touching: Touch, random: Random = random) -> bool:
            off = {axis: position + random.choice([-BAND, 0.0, BAND]) for axis, position in place.items()}
            values = bodies.tree.values(off)
            return any(
                pair.distance(values) <= pair.margin for pair in bodies.pairs if frozenset(pair.names) not in touching
            )

        place = {axis: position + random.uniform(-0.005, 0.005) for axis, position in known.items()}
        assert played(routine, too_near, random, place) == "", (routine.steps, routine.on_cancel, routine.on_fault)


@settings(max_examples=40, deadline=None, suppress_health_check=QUIET)
@given(st.sampled_from([0.3, 0.5, 0.7]), st.sampled_from([0.3, 0.5, 0.7]), st.sampled_from([None, 0.1, 0.35, 0.6, 0.9]))
def test_two_slides_that_pass_a_post_side_by_side_keep_clear_of_it_if_they_are_called_so(
    x: float, y: float, place: float | None
) -> None:
    """Directed, since random play seldom meets a post in the middle: one of many timings leads into it."""
    bodies = [Body("tip", "across", square(0.0, 0.0, 0.03)), Body("post", "frame", square(x, y, 0.1))]
    machine = Machine(
        "crossed slides",
        axes_with(Mount(), Mount("along", direction=radians(90.0))),
        bodies={body.name: body for body in bodies},
        presets={"0 0": Preset("0 0", {"along": 0.0, "across": 0.0})},
        sensors=SENSORS,
    )
    gated = None if place is None else gate("along", ">", place)
    steps = (
        Step("s0", Move((("along", At(1.0)),))),
        Step("s1", Move((("across", At(1.0)),)), With("s0"), once=gated),
    )
    free = place is not None and place > x + 0.1 + 0.03 + BAND
    verdict = examine(routine_of(machine, steps, "0 0")).verdict
    assert verdict == ("clear" if free else "conflict")
    if free:
        keeps_clear(routine_of(machine, steps, "0 0"), 11, 100)
