"""Starts from anywhere with bodies: judged from all boxes that are clear themselves, and from no others."""

from __future__ import annotations

from dataclasses import replace
from math import radians
from random import Random

import pytest
from crossing import condition, to
from played_world import Touch, World
from random_world import BAND, axes_with
from test_clearance_law import square

from sequencer.check import Examination, examine
from sequencer.check.bodies import bodies_of
from sequencer.machine.axis import Mount
from sequencer.machine.body import Body
from sequencer.machine.interlock import KeepOut
from sequencer.machine.machine import Machine
from sequencer.machine.sensor import Sensor
from sequencer.plan.resolve import flatten
from sequencer.routine.routine import ANYWHERE, Routine
from sequencer.routine.steps import Step, Timeout

SINK, BACK = to("sink", "across", 0.0), to("back", "along", 0.0)


def slides(x: float, y: float, half: float = 0.1, **fields: object) -> Machine:
    """A tip of 6 cm on two crossed slides of 1 m, and a post about a place."""
    bodies = [Body("tip", "across", square(0.0, 0.0, 0.03)), Body("post", "frame", square(x, y, half))]
    machine = Machine(
        "crossed slides",
        axes_with(Mount(), Mount("along", direction=radians(90.0))),
        bodies={body.name: body for body in bodies},
        sensors={"beam": Sensor("beam", "switch")},
    )
    return replace(machine, **fields)  # type: ignore[arg-type]


def routine(machine: Machine, *steps: Step, start: str = ANYWHERE) -> Routine:
    return Routine("home", machine, steps, start, default_timeout=Timeout("none"))


def judged(machine: Machine, *steps: Step) -> Examination:
    return examine(routine(machine, *steps))


def test_a_start_in_a_conflict_is_no_fault_of_the_routine() -> None:
    """From beside a post in the corner the tip goes down and back; from within it nothing starts."""
    found = judged(slides(0.95, 0.95), SINK, BACK)
    assert found.verdict == "clear"
    assert found.checked is not None
    assert any("where all bodies are shown to keep clear (9" in one for one in found.assumes), found.assumes


def test_a_start_from_which_the_first_step_meets_a_body_is_one() -> None:
    """Above the post the way down is not free, wherever else it is."""
    found = judged(slides(0.5, 0.5), SINK, BACK)
    assert found.verdict == "conflict"
    (line,) = {one.message.partition(" while ")[0] for one in found.findings if one.rule == "clearance"}
    assert line.startswith("'sink' moves across within")
    assert all("punctual" not in one.message for one in found.findings)


def test_the_boxes_hold_what_is_clear_and_nothing_else() -> None:
    """Of the travel 96 % is clear of the post, tracking counted; a start is lost only near it."""
    machine = slides(0.95, 0.95)
    found = judged(machine, SINK, BACK)
    assert found.checked is not None
    boxes = [{int(axis): (low, high) for axis, low, high in box} for box in found.checked.routine["starts"]]
    random, inside = Random(3), 0
    bodies = bodies_of(machine)
    for _ in range(4_000):
        place = (random.random(), random.random())
        if any(all(low <= place[axis] <= high for axis, (low, high) in box.items()) for box in boxes):
            inside += 1
            for off in ((-BAND, -BAND), (-BAND, BAND), (BAND, -BAND), (BAND, BAND)):
                values = bodies.tree.values({"along": place[0] + off[0], "across": place[1] + off[1]})
                assert all(pair.distance(values) > pair.margin for pair in bodies.pairs)
    assert inside / 4_000 > 0.94
    ends = [box[0][1] for box in boxes if box[1][0] < 0.0]
    assert max(ends) == pytest.approx(1.005), "an axis at its end may be measured beyond it by its tolerance"


def test_what_is_clear_from_anywhere_keeps_clear_from_every_start() -> None:
    machine = slides(0.95, 0.95, 0.2)
    passes = to("back", "along", 0.0, once=condition("across < 0.5 m"))
    asked = routine(machine, SINK, passes)
    checked = examine(asked).checked
    assert checked is not None
    bodies = bodies_of(machine)
    for seed in range(300):
        random = Random(seed)
        box = random.choice(checked.routine["starts"])
        place = {("along", "across")[int(axis)]: random.uniform(low, high) for axis, low, high in box}

        def too_near(place: dict[str, float], touching: Touch, random: Random = random) -> bool:
            off = {axis: position + random.choice([-BAND, 0.0, BAND]) for axis, position in place.items()}
            values = bodies.tree.values(off)
            return any(pair.distance(values) <= pair.margin for pair in bodies.pairs)

        assert World(flatten(asked), too_near, random, place).play() == ""


def test_where_nothing_is_clear_nothing_can_start() -> None:
    found = judged(slides(0.5, 0.5, 0.8), SINK)
    assert [one.message for one in found.findings if one.rule == "start_region"] == [
        "'home' can start nowhere: no place in the travel is shown to keep all bodies clear, tracking counted"
    ]


def test_pairs_that_the_first_step_lets_touch_do_not_count_at_the_start() -> None:
    lean = replace(SINK, touching=("tip", "post"))
    found = judged(slides(0.5, 0.5), lean)
    assert any("(100 % of it)" in one for one in found.assumes)


def test_a_box_that_counts_at_times_is_no_start_either() -> None:
    """R51: from inside it nothing was judged, whether it counts at the start or not."""
    rule = KeepOut("low", (("across", (0.0, 0.2)), ("along", (0.0, 0.5))), when=condition("beam"))
    machine = replace(slides(0.5, 0.5), bodies={}, interlocks=(rule,))
    checked = examine(routine(machine, to("up", "across", 1.0))).checked
    assert checked is not None
    along, across = zip(*[[(low, high) for _, low, high in box] for box in checked.routine["starts"]], strict=True)
    assert all(x[0] > 0.52 or y[0] > 0.22 for x, y in zip(along, across, strict=True))
    plain = replace(machine, interlocks=(replace(rule, when=None),))
    assert "starts" not in examine(routine(plain, to("up", "across", 1.0))).checked.routine  # type: ignore[union-attr]
