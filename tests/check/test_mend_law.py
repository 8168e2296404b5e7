"""The law of mending: a line that is offered does what is said of it when it is pasted, and so does other advice."""

from __future__ import annotations

import re
from dataclasses import replace
from math import radians
from random import Random

import pytest
from clear_routines import lawful_steps, lines_of
from crossing import crossing
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st
from random_world import PLACES, Box, Source, axes_with, boxes, with_gate
from test_clearance_law import machines, square

from sequencer.check import Examination, Finding, examine
from sequencer.check.bodies import bodies_of
from sequencer.machine.axis import Mount
from sequencer.machine.body import Body
from sequencer.machine.machine import Machine, Preset
from sequencer.routine.routine import Routine
from sequencer.routine.steps import After, At, Move, Step, Timeout, With

QUIET = [HealthCheck.filter_too_much, HealthCheck.too_slow, HealthCheck.data_too_large]


def examined(machine: Machine, steps: tuple[Step, ...], start: str) -> Examination:
    return examine(Routine("random", machine, steps, start, default_timeout=Timeout("none")))


def refusals(found: Examination) -> list[Finding]:
    return [one for one in found.findings if one.severity in ("error", "undecided")]


def offered(found: Examination) -> list[tuple[Finding, str, str]]:
    lines = [(one, lines_of(one)) for one in refusals(found)]
    return [(one, *line) for one, line in lines if line is not None]


def keeps_its_word(machine: Machine, start: str, seed: int) -> None:
    """Each offered line takes away what it was offered for and brings nothing new; where all that refuses has a line,
    pasting one after the other ends in a clear verdict."""
    steps = lawful_steps(Source(Random(seed)), machine, start, frozenset({"keep_out", "clearance"}), 4)
    assume(not any(step.is_block for step in steps))
    found = examined(machine, steps, start)
    assume(offered(found))
    for one, name, condition in offered(found):
        after = examined(machine, with_gate(steps, name, condition), start)
        assert one.message not in [other.message for other in refusals(after)], (one, name, condition)
        assert len(refusals(after)) < len(refusals(found)), (one, name, condition)
    for _ in range(len(refusals(found))):
        lines = offered(found)
        if len(lines) < len(refusals(found)):
            return
        _, name, condition = lines[0]
        steps = with_gate(steps, name, condition)
        found = examined(machine, steps, start)
        if not refusals(found):
            break
    assert found.verdict == "clear"


@settings(max_examples=15, deadline=None, suppress_health_check=QUIET)
@given(boxes(), st.sampled_from(["low", "high"]), st.integers(0, 2**32))
def test_a_line_that_is_offered_keeps_steps_out_of_a_box(box: Box, start: str, seed: int) -> None:
    keeps_its_word(crossing(box), start, seed)


@pytest.mark.slow
@settings(max_examples=400, deadline=None, suppress_health_check=QUIET)
@given(machines(), st.sampled_from(["0 0", "0 1", "1 0", "1 1"]), st.integers(0, 2**32))
def test_a_line_that_is_offered_keeps_bodies_apart(machine: Machine, start: str, seed: int) -> None:
    keeps_its_word(machine, start, seed)


@st.composite
def crossings(draw: st.DrawFn) -> tuple[Machine, tuple[float, float], tuple[float, float]]:
    """Two slides side by side, posts near their ways, and from where to where each goes."""
    spots = st.sampled_from([0.12, 0.3, 0.5, 0.7, 0.88])
    posts = [
        Body(f"post{k}", "frame", square(draw(spots), draw(spots), draw(st.sampled_from([0.05, 0.1, 0.2]))))
        for k in range(draw(st.integers(1, 3)))
    ]
    first = draw(st.lists(st.sampled_from(PLACES), min_size=2, max_size=2, unique=True))
    second = draw(st.lists(st.sampled_from(PLACES), min_size=2, max_size=2, unique=True))
    bodies = [Body("tip", "across", square(0.0, 0.0, 0.03)), *posts]
    machine = Machine(
        "crossed slides",
        axes_with(Mount(), Mount("along", direction=radians(90.0))),
        bodies={body.name: body for body in bodies},
        presets={"begin": Preset("begin", {"along": first[0], "across": second[0]})},
    )
    return machine, (first[0], first[1]), (second[0], second[1])


def meets_on_the_way(machine: Machine, ways: list[tuple[tuple[float, float], tuple[float, float]]]) -> bool:
    """Whether a place on one of the ways has the tip in a post, looked at every 2 mm."""
    bodies = bodies_of(machine)
    for (x, to_x), (y, to_y) in ways:
        for k in range(501):
            place = {"along": x + (to_x - x) * k / 500, "across": y + (to_y - y) * k / 500}
            values = bodies.tree.values(place)
            if any(pair.distance(values) <= 0.025 * 2**0.5 for pair in bodies.pairs):
                return True
    return False


@settings(max_examples=20, deadline=None, suppress_health_check=QUIET)
@given(crossings())
def test_what_is_said_of_two_steps_that_no_gate_mends_is_true(
    given_: tuple[Machine, tuple[float, float], tuple[float, float]],
) -> None:
    machine, along, across = given_
    first, second = Step("s0", Move((("along", At(along[1])),))), Step("s1", Move((("across", At(across[1])),)))
    found = examined(machine, (first, replace(second, start=With("s0"))), "begin")
    hints = [one.hint or "" for one in refusals(found) if one.rule == "clearance"]
    assume(hints)
    first_goes = [(along, (across[0], across[0])), ((along[1], along[1]), across)]
    second_goes = [((along[0], along[0]), across), (along, (across[1], across[1]))]
    for hint in hints:
        if "neither 's0' nor 's1' can go first" in hint:
            assert meets_on_the_way(machine, first_goes)
            assert meets_on_the_way(machine, second_goes)
        told = re.search(r"let '(\w+)' start after '(\w+)' is over", hint)
        if told and len(hints) == 1:
            late, early = (second, first) if told[1] == "s1" else (first, second)
            steps = (replace(early, start=After()), replace(late, start=After((early.name,))))
            assert examined(machine, steps, "begin").verdict == "clear", hint
