"""Small random routines on two slides, and a random world that plays them.

The world knows nothing of phases or order: it only starts what the step list says, moves each axis monotonically
towards its goal by random pieces, opens gates when the ordered positions fulfil them, ends waits when what is measured
does, and ends steps and blocks early where a condition or a timeout may. An axis that is interrupted runs on for a
while, towards where it was bound: a step that takes it brakes it first, as fast as it was planned to stop.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from random import Random
from typing import Any

from hypothesis import strategies as st

from profiles import Limits
from sequencer.machine.axis import Axis, Mount, Tolerance
from sequencer.machine.condition import Compare, Condition, Every, Not, Some, Term, parse_condition
from sequencer.machine.interlock import KeepOut
from sequencer.machine.machine import Machine
from sequencer.machine.sensor import Sensor
from sequencer.plan.resolve import AfterSteps, FlatRoutine, Node, WithStep
from sequencer.routine.routine import Routine
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
    Press,
    Repeat,
    Start,
    Step,
    Timeout,
    Wait,
    With,
)

BAND = 0.02
PLACES = [0.0, 0.25, 0.5, 0.75, 1.0]
AXES = ("along", "across")
SCHEDULES = 20
SPEED, ACCELERATION, SLOW = 1.0, 4.0, 1.0
LATE = Timeout("fixed", 10**13)


def axes_with(*mounts: Mount) -> dict[str, Axis]:
    return {
        name: Axis(name, "linear", Limits(SPEED, ACCELERATION), (0.0, 1.0), mount, Tolerance(0.005, following=BAND))
        for name, mount in zip(AXES, mounts, strict=True)
    }


def machine_with(box: tuple[tuple[float, float], tuple[float, float]]) -> Machine:
    axes = axes_with(Mount(), Mount())
    rule = KeepOut("box", tuple(zip(AXES, box, strict=True)))
    return Machine("two slides", axes, interlocks=(rule,), sensors={"beam": Sensor("beam", "switch")})


VOCABULARY = machine_with(((0.0, 0.1), (0.0, 0.1))).vocabulary()
BEAM = parse_condition("beam", VOCABULARY)


def gate(axis: str, sign: str, place: float) -> Condition:
    return parse_condition(f"{axis} {sign} {place} m", VOCABULARY)


@st.composite
def moves(draw: st.DrawFn, name: str, before: list[str]) -> Step:
    axes = draw(st.sampled_from([("along",), ("across",), ("along",), ("across",), AXES]))
    goals: list[tuple[str, Goal]] = []
    for axis in axes:
        by = draw(st.integers(0, 9)) == 0
        goals.append((axis, By(draw(st.sampled_from([-0.25, 0.25]))) if by else At(draw(st.sampled_from(PLACES)))))
    starts: list[st.SearchStrategy[Start]] = [st.just(Following()), st.just(After())]
    if before:
        starts += [
            st.just(With(before[-1])),
            st.sampled_from(before).map(With),
            st.lists(st.sampled_from(before), min_size=1, max_size=2, unique=True).map(lambda one: After(tuple(one))),
        ]
    # A gate on the axis that the step does not move is the one that matters.
    other = draw(st.sampled_from(AXES)) if len(axes) > 1 else AXES[1 - AXES.index(axes[0])]
    asked = parse_condition(draw(conditions(other)), VOCABULARY)
    gated = draw(st.integers(0, 3)) > 0
    kind = draw(st.integers(0, 9)) if len(axes) == 1 else 9
    body: Press | Flick | Move | Wait = Move(tuple(goals))
    if kind == 0:
        body = Press(axes[0], 5.0, draw(st.sampled_from(PLACES)))
    elif kind == 1:
        body = Flick(axes[0], draw(st.sampled_from([0.3, 0.5, 0.7])), 0.8, draw(st.sampled_from([0.1, 0.4, 0.6, 0.9])))
    elif draw(st.integers(0, 5)) == 0:
        return Step(
            name,
            Wait(parse_condition(draw(conditions(draw(st.sampled_from(AXES)))), VOCABULARY)),
            draw(st.one_of(starts)),
            timeout=LATE,
            on_timeout="continue" if draw(st.integers(0, 4)) == 0 else "fault",
        )
    late = draw(st.integers(0, 11))
    return Step(
        name,
        body,
        start=draw(st.one_of(starts)),
        once=asked if gated else None,
        until=BEAM if kind == 0 or draw(st.integers(0, 6)) == 0 else None,
        only_if=BEAM if draw(st.integers(0, 9)) == 0 else None,
        preempt=draw(st.integers(0, 9)) == 0,
        timeout=LATE if late < 2 else None,
        on_timeout="continue" if late == 0 else "fault",
        retry=1 if late == 1 else 0,
        limits=LimitCaps(acceleration=Cap(SLOW)) if kind > 1 and draw(st.integers(0, 7)) == 0 else None,
    )


@st.composite
def conditions(draw: st.DrawFn, axis: str) -> str:
    """Mostly a plain comparison, else one that comes to the same or to less."""
    sign, place = draw(st.sampled_from("<>")), draw(st.sampled_from([0.1, 0.35, 0.6, 0.9]))
    plain = f"{axis} {sign} {place} m"
    far = f"{axis} {sign} {place + (0.05 if sign == '>' else -0.05)} m"
    opposite = f"{axis} {'<' if sign == '>' else '>'} {place} m"
    words = [f"not {opposite}", f"not ({opposite} or beam)", f"{plain} or {far}", f"{plain} or beam", f"{far} and beam"]
    return draw(st.sampled_from([plain] * 8 + words))


@st.composite
def step_lists(draw: st.DrawFn, prefix: str = "s", depth: int = 0) -> tuple[Step, ...]:
    steps: list[Step] = []
    for index in range(draw(st.integers(1, 4 if depth else 5))):
        name = f"{prefix}{index}"
        kind = draw(st.integers(0, 9)) if depth == 0 else 9
        if kind == 0:
            inside = draw(step_lists(f"{name}_", 1))
            times = draw(st.sampled_from([1.0, 2.0, 3.0]))
            steps.append(Step(name, Repeat(inside, times=times), timeout=LATE, **draw(ways_in()), **draw(ways_out())))
        elif kind == 1:
            inside, other = draw(step_lists(f"{name}_", 1)), draw(step_lists(f"{name}_else_", 1))
            choice = Choose((Branch(BEAM, inside),), other)
            steps.append(Step(name, choice, timeout=LATE, **draw(ways_in()), **draw(ways_out())))
        else:
            steps.append(draw(moves(name, [step.name for step in steps])))
    if depth == 0 and len(steps) >= 3 and draw(st.integers(0, 4)) == 0:
        names = [step.name for step in steps[:2]]
        steps[2] = Step(steps[2].name, steps[2].body, After(tuple(names), any=True), steps[2].once)
    return tuple(steps)


@st.composite
def ways_in(draw: st.DrawFn) -> dict[str, Any]:
    """Mostly at once, else through a gate."""
    if draw(st.integers(0, 3)):
        return {}
    return {"once": parse_condition(draw(conditions(draw(st.sampled_from(AXES)))), VOCABULARY)}


def ways_out() -> st.SearchStrategy[dict[str, Any]]:
    """What comes of a block whose time is up."""
    return st.sampled_from(
        [{}, {}, {}, {"on_timeout": "continue"}, {"retry": 1}, {"retry": 2, "on_timeout": "continue"}]
    )


@st.composite
def boxes(draw: st.DrawFn) -> tuple[tuple[float, float], tuple[float, float]]:
    narrow = st.sampled_from([(0.12, 0.22), (0.37, 0.47), (0.53, 0.63), (0.78, 0.88)])
    wide = st.sampled_from([(0.0, 0.37), (0.12, 0.62), (0.37, 0.88), (0.62, 1.0), (0.0, 1.0)])
    return draw(st.one_of(narrow, wide)), draw(st.one_of(narrow, wide))


@dataclass
class World:
    """Plays a routine with random delays, and looks for trouble after every piece of motion."""

    flat: FlatRoutine
    trouble: Callable[[dict[str, float]], bool]
    random: Random
    place: dict[str, float]
    started: dict[int, bool] = field(default_factory=dict)
    ways: dict[int, dict[str, list[float]]] = field(default_factory=dict)
    over: set[int] = field(default_factory=set)
    owner: dict[str, int] = field(default_factory=dict)
    runs_on: dict[str, float] = field(default_factory=dict)
    braking: dict[str, float] = field(default_factory=dict)
    pressed: dict[str, float] = field(default_factory=dict)
    passages: dict[int, int] = field(default_factory=dict)
    attempts: dict[int, int] = field(default_factory=dict)
    taken: dict[int, tuple[int, ...]] = field(default_factory=dict)

    def play(self) -> str:
        """What brought the machine into trouble; "" for nothing."""
        self.begin(self.flat.roots)
        for _ in range(400):
            active = [index for index in self.started if index not in self.over]
            if not active and not self.runs_on:
                return ""
            if active:
                self.act(self.random.choice(active))
            self.drift()
            if self.trouble(self.place):
                return f"trouble at {self.place} with {[self.flat.nodes[index].name for index in active]} active"
        return ""

    def begin(self, steps: tuple[int, ...]) -> None:
        for index in steps:
            start = self.flat.nodes[index].start
            if isinstance(start, AfterSteps) and not start.steps:
                self.start(index)

    def start(self, index: int) -> None:
        if index in self.started or index in self.over:
            return
        node = self.flat.nodes[index]
        self.started[index] = False
        self.attempts[index] = node.step.retry
        for other in self.flat.nodes:
            if other.parent == node.parent and isinstance(other.start, WithStep) and other.start.step == index:
                self.start(other.index)
        if node.step.is_block:
            self.come_in(index)
        elif node.step.only_if is not None and self.random.random() < 0.5:
            self.finish(index)

    def come_in(self, index: int) -> None:
        """What is inside a block begins once its gate is open."""
        if index not in self.taken and self.is_open(self.flat.nodes[index].step.once):
            self.enter(index)

    def enter(self, index: int) -> None:
        node = self.flat.nodes[index]
        if isinstance(node.step.body, Choose):
            self.taken[index] = self.random.choice([group for _, group in node.groups])
        elif isinstance(node.step.body, Repeat):
            self.passages[index] = int(node.step.body.times or 1)
            self.taken[index] = node.children
        self.begin(self.taken[index])

    def act(self, index: int) -> None:
        step = self.flat.nodes[index].step
        if step.is_block or step.retry or step.on_timeout == "continue":
            if (step.retry or step.on_timeout == "continue") and self.random.random() < 0.06:
                self.time_is_up(index)
                return
            if step.is_block:
                self.come_in(index)
                return
        if isinstance(step.body, Wait):
            off = {axis: place + self.random.uniform(-BAND, BAND) for axis, place in self.place.items()}
            if step.body.condition is not None and self.is_true(step.body.condition.term, [off]):
                self.finish(index)
            return
        if step.until is not None and self.random.random() < 0.15:
            self.finish(index)
            return
        if not self.started[index]:
            if self.is_open(step.once) and self.random.random() < 0.7:
                self.take(self.flat.nodes[index])
            return
        ways = self.ways[index]
        for axis in self.random.sample(sorted(ways), len(ways)):
            if self.owner.get(axis) == index and ways[axis]:
                share = self.random.choice([0.0, 0.1, 0.3, 1.0, self.random.random()])
                self.place[axis] += share * (ways[axis][0] - self.place[axis])
                if abs(self.place[axis] - ways[axis][0]) < 1e-12:
                    del ways[axis][0]
                    self.braking.pop(axis, None)
                break
        if not any(ways.values()) and self.random.random() < 0.7:
            self.finish(index)

    def time_is_up(self, index: int) -> None:
        step = self.flat.nodes[index].step
        if self.attempts[index] == 0 and step.on_timeout != "continue":
            return
        for child in self.flat.nodes[index].children:
            self.lose(child)
        if self.attempts[index] == 0:
            self.finish(index)
            return
        self.attempts[index] -= 1
        self.interrupt(index)
        self.started[index] = False
        if step.is_block:
            self.forget(self.flat.nodes[index].children)
            self.taken.pop(index, None)
            self.come_in(index)

    def interrupt(self, index: int) -> None:
        """An axis stops somewhere on its way to where it was bound."""
        for axis, way in self.ways.pop(index, {}).items():
            self.braking.pop(axis, None)
            if self.owner.get(axis) == index and way:
                self.runs_on[axis] = self.place[axis] + self.random.random() * (way[0] - self.place[axis])

    def drift(self) -> None:
        for axis, end in list(self.runs_on.items()):
            if self.random.random() < 0.3:
                self.place[axis] += self.random.choice([0.3, 1.0]) * (end - self.place[axis])
                if self.place[axis] == end or abs(self.place[axis] - end) < 1e-9:
                    del self.runs_on[axis]
        for axis, end in self.pressed.items():
            if axis not in self.runs_on and self.random.random() < 0.1:
                self.place[axis] += self.random.random() * (end - self.place[axis])

    def is_open(self, once: Condition | None) -> bool:
        """A gate looks at all that an axis occupies: where it is ordered to be, and its way to stop."""
        return once is None or self.is_true(
            once.term, [self.place, {**self.place, **self.runs_on, **self.braking, **self.pressed}]
        )

    def is_true(self, term: Term, places: list[dict[str, float]], wanted: bool = True) -> bool:
        match term:
            case Not(term=inner):
                return self.is_true(inner, places, not wanted)
            case Every(terms=terms) | Some(terms=terms):
                parts = [self.is_true(inner, places, wanted) for inner in terms]
                return all(parts) if isinstance(term, Every) is wanted else any(parts)
            case Compare(name=name, operator=operator, value=value):
                above = operator.startswith(">") is wanted
                return all(place[name] > float(value) if above else place[name] < float(value) for place in places)
        return self.random.random() < 0.5

    def take(self, node: Node) -> None:
        self.started[node.index] = True
        ways = dict(self.bound(node))
        for axis in ways:
            old = self.owner.get(axis)
            if old is not None and old not in self.over and old != node.index:
                self.interrupt(old)
                self.finish(old)
            self.owner[axis] = node.index
            self.pressed.pop(axis, None)
            if axis in self.runs_on:
                self.braking[axis] = self.runs_on.pop(axis)
                ways[axis].insert(0, self.braking[axis])
            if isinstance(node.step.body, Press):
                self.pressed[axis] = ways[axis][-1]
        self.ways[node.index] = ways

    def bound(self, node: Node) -> list[tuple[str, list[float]]]:
        """The places to which a step takes its axes, in turn."""
        body = node.step.body
        if isinstance(body, Press):
            return [(body.axis, [float(body.toward)])]
        if isinstance(body, Flick):
            through, to, most = float(body.through), float(body.to), float(body.speed) ** 2 / (2.0 * ACCELERATION)
            sign = 1.0 if to >= through else -1.0
            back, beyond = through - sign * most, through + sign * most
            here = self.place[body.axis]
            way = [back] if sign * (back - here) < 0.0 else []
            way += [through] + ([beyond] if sign * (beyond - to) > 0.0 else []) + [to]
            return [(body.axis, [min(max(place, 0.0), 1.0) for place in way])]
        assert isinstance(body, Move)
        found = []
        for axis, goal in body.goals:
            end = float(goal.position) if isinstance(goal, At) else self.place[axis]
            if isinstance(goal, By):
                end = min(max(self.place[axis] + float(goal.distance), 0.0), 1.0)
            found.append((axis, [end]))
        return found

    def finish(self, index: int) -> None:
        if index in self.over:
            return
        self.over.add(index)
        self.interrupt(index)
        node = self.flat.nodes[index]
        for other in self.flat.nodes:
            if other.parent != node.parent or not isinstance(other.start, AfterSteps) or index not in other.start.steps:
                continue
            if not other.start.any and all(step in self.over for step in other.start.steps):
                self.start(other.index)
            elif other.start.any and other.index not in self.started:
                for branch in other.start.branches:
                    for loser in branch:
                        self.lose(loser)
                self.start(other.index)
        self.left(node.parent)

    def lose(self, index: int) -> None:
        self.interrupt(index)
        self.over.add(index)
        for child in self.flat.nodes[index].children:
            self.lose(child)

    def left(self, block: int) -> None:
        if block < 0 or block in self.over or block not in self.taken:
            return
        if not all(child in self.over for child in self.taken[block]):
            return
        if self.passages.get(block, 1) > 1:
            self.passages[block] -= 1
            self.forget(self.taken[block])
            self.begin(self.taken[block])
        else:
            self.finish(block)

    def forget(self, steps: tuple[int, ...]) -> None:
        for index in steps:
            self.over.discard(index)
            self.started.pop(index, None)
            self.taken.pop(index, None)
            self.owner = {axis: owner for axis, owner in self.owner.items() if owner != index}
            self.forget(self.flat.nodes[index].children)


def routine_of(machine: Machine, steps: tuple[Step, ...], start: str) -> Routine:
    return Routine("random", machine, steps, start, default_timeout=Timeout("none"))
