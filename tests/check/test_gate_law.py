"""The law of gates: a step whose gate is said never to open never moves, however a routine is timed; and one of which
nothing is said does with some timing."""

from __future__ import annotations

from random import Random

from hypothesis import given, settings
from hypothesis import strategies as st
from played_world import World
from random_world import PLACES, VOCABULARY, routine_of
from test_meetings_law import machine_of, never

from sequencer.check import examine
from sequencer.machine.condition import parse_condition
from sequencer.plan.resolve import flatten
from sequencer.routine.steps import After, At, Following, Move, Step, With

AXES = ("along", "across", "aside")


def gated_steps(random: Random) -> tuple[Step, ...]:
    """Moves of one axis each, most of them side by side and behind a gate on another axis."""
    steps: list[Step] = []
    for number in range(random.randint(2, 5)):
        axis = random.choice(AXES)
        other = random.choice([one for one in AXES if one != axis])
        text = f"{other} {random.choice('<>')} {random.choice([0.1, 0.3, 0.6, 0.9])} m"
        names = [step.name for step in steps]
        start = (
            random.choice([Following(), With(names[-1]), With(names[0]), After((random.choice(names),))])
            if names
            else After()
        )
        once = parse_condition(text, VOCABULARY) if random.random() < 0.8 else None
        steps.append(Step(f"s{number}", Move(((axis, At(random.choice(PLACES))),)), start, once=once))
    return tuple(steps)


def moved_in(steps: tuple[Step, ...], plays: int, seed: int) -> set[str]:
    """The steps that moved in some of so many plays."""
    machine = machine_of(3)
    flat = flatten(routine_of(machine, steps, "low"))
    moved: set[str] = set()
    for play in range(plays):
        world = World(flat, never, Random(seed + play), dict(machine.presets["low"].positions))
        world.play(150)
        moved |= {flat.nodes[index].name for index, taken in world.started.items() if taken}
        if len(moved) == len(steps):
            break
    return moved


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 2**32))
def test_what_is_said_to_stay_shut_does_and_what_is_not_opens_with_some_timing(seed: int) -> None:
    steps = gated_steps(Random(seed))
    found = examine(routine_of(machine_of(3), steps, "low")).findings
    if {one.rule for one in found if one.severity == "error"} - {"gate", "keep_out"}:
        return
    shut = {one.step for one in found if one.rule == "gate"}
    moved = moved_in(steps, 30 if shut else 400, seed)
    assert not moved & shut
    if not shut:
        assert len(moved) == len(steps), steps


def test_three_steps_that_wait_for_each_other_in_a_ring_are_told_and_no_fourth() -> None:
    def gated(name: str, axis: str, once: str) -> Step:
        return Step(name, Move(((axis, At(1.0)),)), After(), once=parse_condition(once, VOCABULARY))

    ring = (
        gated("a", "along", "across > 0.6 m"),
        gated("b", "across", "aside > 0.6 m"),
        gated("c", "aside", "along > 0.6 m"),
    )
    found = [one for one in examine(routine_of(machine_of(3), ring, "low")).findings if one.rule == "gate"]
    assert [one.message for one in found] == [
        "'a', which waits for 'b', which waits for 'c', which waits for 'a': none of their gates can open"
    ]
    assert moved_in(ring, 50, 1) == set()


def test_a_ring_of_which_one_gate_would_never_open_anyway_is_told_as_a_ring_alone() -> None:
    """`b` waits for `a`, and besides for what nobody does; taken out of the ring, that is what is told."""
    steps = (
        Step("a", Move((("along", At(1.0)),)), After(), once=parse_condition("across > 0.6 m", VOCABULARY)),
        Step(
            "b",
            Move((("across", At(1.0)),)),
            After(),
            once=parse_condition("along > 0.6 m and aside > 0.9 m", VOCABULARY),
        ),
    )

    def told(*steps: Step) -> list[tuple[str | None, str]]:
        found = examine(routine_of(machine_of(3), steps, "low")).findings
        return [(one.step, one.hint) for one in found if one.rule == "gate"]

    ring = "take one of the gates away, or let one of the steps follow another (after)"
    assert told(*steps) == [("a", ring)]
    alone = Step("a", Move((("along", At(1.0)),)), After())
    assert told(alone, steps[1]) == [("b", "start a step beside it that moves aside there, or move the gate")]
