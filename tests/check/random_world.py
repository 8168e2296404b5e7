"""Small random routines on two slides; `played_world` plays them.

They grow step by step: a step that is refused is drawn anew, so that most of them are long, and all of them lawful.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from hashlib import sha256
from random import Random
from typing import Any

from hypothesis import strategies as st

from profiles import Limits
from sequencer.machine.axis import Axis, Mount, Tolerance
from sequencer.machine.condition import Condition, parse_condition
from sequencer.machine.interlock import KeepOut
from sequencer.machine.machine import Machine
from sequencer.machine.sensor import Output, Sensor
from sequencer.routine.parameters import NumberParameter
from sequencer.routine.routine import Routine, walk
from sequencer.routine.steps import (
    After,
    At,
    Branch,
    By,
    Cap,
    Choose,
    Flick,
    Following,
    Goal,
    LimitCaps,
    Move,
    Passing,
    Perform,
    Press,
    Repeat,
    Set,
    Start,
    Step,
    Timeout,
    Wait,
    With,
)
from sequencer.units import LENGTH

BAND = 0.02
PLACES = [0.0, 0.25, 0.5, 0.75, 1.0]
AXES = ("along", "across")
SCHEDULES = 20
SPEED, ACCELERATION, SLOW = 1.0, 4.0, 1.0
LATE = Timeout("fixed", 10**13)
LAMPS = tuple(f"lamp{number}" for number in range(10))
SENSORS = {"beam": Sensor("beam", "switch")}
OUTPUTS = {name: Output(name, "switch", False) for name in LAMPS}

Box = tuple[tuple[float, float], tuple[float, float]]
Pairs = Sequence[tuple[str, str]]
"""Of bodies, named by steps in which they may touch."""


@dataclass(frozen=True)
class Source:
    """What routines are drawn from: the axes that they move, the pairs that their steps may let touch, and whether they
    are `plain`: every step does what it says, as soon as it may."""

    random: Random
    touching: Pairs = ()
    axes: tuple[str, ...] = AXES
    plain: bool = False


PERFORMED: dict[str, tuple[Step, ...]] = {}
"""The steps of routines that others perform, by a name that says which they are."""

_TRIES = 4


def axes_with(*mounts: Mount) -> dict[str, Axis]:
    return {
        name: Axis(name, "linear", Limits(SPEED, ACCELERATION), (0.0, 1.0), mount, Tolerance(0.005, following=BAND))
        for name, mount in zip(AXES, mounts, strict=True)
    }


def machine_with(box: Box) -> Machine:
    axes = axes_with(Mount(), Mount())
    rule = KeepOut("box", tuple(zip(AXES, box, strict=True)))
    return Machine("two slides", axes, interlocks=(rule,), sensors=SENSORS, outputs=OUTPUTS)


ASIDE = "aside"
"""A third slide, where one is asked for."""


def with_a_third(machine: Machine) -> Machine:
    third = replace(machine.axes["along"], name=ASIDE)
    presets = {
        name: replace(preset, positions={**preset.positions, ASIDE: 0.5}) for name, preset in machine.presets.items()
    }
    return replace(machine, axes={**machine.axes, ASIDE: third}, presets=presets)


VOCABULARY = with_a_third(machine_with(((0.0, 0.1), (0.0, 0.1)))).vocabulary()
BEAM = parse_condition("beam", VOCABULARY)


def gate(axis: str, sign: str, place: float) -> Condition:
    return parse_condition(f"{axis} {sign} {place} m", VOCABULARY)


@st.composite
def boxes(draw: st.DrawFn) -> Box:
    narrow = st.sampled_from([(0.12, 0.22), (0.37, 0.47), (0.53, 0.63), (0.78, 0.88)])
    wide = st.sampled_from([(0.0, 0.37), (0.12, 0.62), (0.37, 0.88), (0.62, 1.0), (0.0, 1.0)])
    return draw(st.one_of(narrow, wide)), draw(st.one_of(narrow, wide))


def grown(
    source: Source, accepted: Callable[[tuple[Step, ...]], tuple[Step, ...] | None], most: int
) -> tuple[Step, ...]:
    """Steps to which one more was added as long as `accepted` had them, as they were or mended."""
    steps: tuple[Step, ...] = ()
    for index in range(most):
        for _ in range(_TRIES):
            found = accepted((*steps, random_item(source, f"s{index}", steps)))
            if found is not None:
                steps = found
                break
    return steps


def random_item(source: Source, name: str, before: Sequence[Step], depth: int = 0) -> Step:
    """A step, or on the highest level a block as well."""
    random = source.random
    kind = random.randrange(8) if depth == 0 else 9
    if kind < 3:
        start = _start(random, before) if random.random() < 0.5 else Following()
        ways = {} if source.plain else {**_ways_in(source), **_ways_out(random)}
        return Step(name, _block(source, name, kind), start, timeout=LATE, **ways)
    watched = [step for step in before if isinstance(step.body, Flick) or _has_one_goal(step)]
    if watched and not source.plain and random.random() < 0.25:
        return _mark(random, name, watched[-1])
    return random_step(source, name, before)


def ways_back(source: Source) -> dict[str, tuple[Step, ...]]:
    """A few plain moves after a cancel or a fault."""
    steps: list[Step] = []
    for number in range(source.random.randint(1, 3)):
        one = random_step(source, f"back{number}", steps)
        while not isinstance(one.body, Move | Wait):
            one = random_step(source, f"back{number}", steps)
        steps.append(one)
    return {source.random.choice(["on_cancel", "on_fault"]): tuple(steps)}


def random_step(source: Source, name: str, before: Sequence[Step]) -> Step:
    random, touching = source.random, source.touching
    axes = (random.choice(source.axes),) if random.randrange(5) else tuple(random.sample(source.axes, 2))
    start = _start(random, before)
    body: Press | Flick | Move = Move(tuple((axis, _goal(random)) for axis in axes))
    if source.plain:
        return Step(name, body, start)
    # A gate on an axis that the step does not move is the one that matters.
    other = random.choice([axis for axis in source.axes if axis not in axes] or axes)
    kind = random.randrange(10) if len(axes) == 1 else 9
    if kind == 0:
        body = Press(axes[0], 5.0, random.choice(PLACES))
    elif kind == 1:
        body = Flick(axes[0], random.choice([0.3, 0.5, 0.7]), 0.8, random.choice([0.1, 0.4, 0.6, 0.9]))
    elif random.randrange(6) == 0:
        awaited = _condition(random, random.choice(source.axes))
        return Step(name, Wait(awaited), start, timeout=LATE, on_timeout=random.choice(["continue", *["fault"] * 4]))
    late = random.randrange(12)
    return Step(
        name,
        body,
        start=start,
        once=_condition(random, other) if random.randrange(4) else None,
        until=BEAM if kind == 0 or random.randrange(7) == 0 else None,
        only_if=BEAM if random.randrange(10) == 0 else None,
        preempt=random.randrange(10) == 0,
        timeout=LATE if late < 2 else None,
        on_timeout="continue" if late == 0 else "fault",
        retry=1 if late == 1 else 0,
        touching=random.choice(touching) if touching and random.randrange(3) == 0 else None,
        limits=LimitCaps(acceleration=Cap(SLOW)) if kind > 1 and random.randrange(8) == 0 else None,
    )


def routine_of(machine: Machine, steps: tuple[Step, ...], start: str, **more: Any) -> Routine:
    performed = {step.body.routine for step in walk(steps) if isinstance(step.body, Perform)}
    return Routine(
        "random",
        machine,
        steps,
        start,
        default_timeout=Timeout("none"),
        subroutines={name: _performed(name, machine) for name in sorted(performed)},
        **more,
    )


def _performed(name: str, machine: Machine) -> Routine:
    place = NumberParameter("place", 0.25, LENGTH, (0.0, 1.0))
    return Routine(name, machine, PERFORMED[name], parameters={"place": place}, default_timeout=Timeout("none"))


def _start(random: Random, before: Sequence[Step]) -> Start:
    if not before or random.randrange(3) == 0:
        return random.choice([Following(), Following(), After()])
    names = [step.name for step in before]
    several = random.sample(names, min(len(names), random.randint(1, 2)))
    return random.choice(
        [With(names[-1]), With(random.choice(names)), After(tuple(several)), After(tuple(several), len(several) > 1)]
    )


def _goal(random: Random) -> Goal:
    return By(random.choice([-0.25, 0.25])) if random.randrange(10) == 0 else At(random.choice(PLACES))


def _condition(random: Random, axis: str) -> Condition:
    """Mostly a plain comparison, else one that comes to the same or to less."""
    sign, place = random.choice("<>"), random.choice([0.1, 0.35, 0.6, 0.9])
    plain = f"{axis} {sign} {place} m"
    far = f"{axis} {sign} {place + (0.05 if sign == '>' else -0.05)} m"
    opposite = f"{axis} {'<' if sign == '>' else '>'} {place} m"
    words = [f"not {opposite}", f"not ({opposite} or beam)", f"{plain} or {far}", f"{plain} or beam", f"{far} and beam"]
    return parse_condition(random.choice([plain] * 8 + words), VOCABULARY)


def _block(source: Source, name: str, kind: int) -> Repeat | Choose | Perform:
    random = source.random
    inside = _inside(source, f"{name}_")
    if kind == 0:
        return Repeat(inside, times=random.choice([1.0, 2.0, 3.0]))
    if kind == 1:
        return Choose((Branch(BEAM, inside),), _inside(source, f"{name}_else_"))
    if random.random() < 0.5:
        # Where it goes is given by who performs it.
        inside = (*inside, Step(f"{name}_last", Move(((random.choice(source.axes), At("place")),))))
    performed = sha256(repr(inside).encode()).hexdigest()[:12]
    PERFORMED[performed] = inside
    return Perform(performed, (("place", random.choice(PLACES)),))


def _inside(source: Source, prefix: str) -> tuple[Step, ...]:
    random = source.random
    steps: list[Step] = []
    for index in range(random.randint(1, 3)):
        one = random_item(source, f"{prefix}{index}", steps, 1)
        if not isinstance(one.start, Passing) and random.random() < 0.6:
            # Else most blocks are refused, for what is inside them stands together or falls together.
            one = replace(one, start=Following(), once=random.choice([None, one.once]))
        steps.append(one)
    return tuple(steps)


def _mark(random: Random, name: str, watched: Step) -> Step:
    """A lamp that comes on where a step passes."""
    at: Any = "through"
    if not isinstance(watched.body, Flick):
        at = random.choice([0.1, 0.25, 0.5, 0.6, 0.75, 0.9])
    lead = random.choice([0, 0, 100_000_000])
    lag = 0 if lead else random.choice([0, 0, 2_000_000_000])
    return Step(name, Set(((LAMPS[int(name[-1])], True),)), Passing(watched.name, at, lead=lead, lag=lag))


def _has_one_goal(step: Step) -> bool:
    body = step.body
    return isinstance(body, Move) and len(body.goals) == 1 and isinstance(body.goals[0][1], At)


def _ways_in(source: Source) -> dict[str, Any]:
    """Mostly at once, else through a gate."""
    random = source.random
    return {} if random.randrange(4) else {"once": _condition(random, random.choice(source.axes))}


def _ways_out(random: Random) -> dict[str, Any]:
    """What comes of a block whose time is up."""
    return random.choice([{}, {}, {}, {"on_timeout": "continue"}, {"retry": 1}, {"retry": 2, "on_timeout": "continue"}])


def with_gate(steps: tuple[Step, ...], name: str, condition: str) -> tuple[Step, ...]:
    """The same steps, one of them with another gate."""
    once = parse_condition(condition, VOCABULARY)
    return tuple(replace(step, once=once) if step.name == name else step for step in steps)
