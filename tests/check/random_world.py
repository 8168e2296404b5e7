"""Small random routines on two slides, and a random world that plays them.

The world knows nothing of phases or order: it only starts what the step list says, moves each axis monotonically
towards its goal by random pieces, opens gates when the ordered positions fulfil them, and ends steps early where a
condition may.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from random import Random

from hypothesis import strategies as st

from profiles import Limits
from sequencer.machine.axis import Axis, Mount, Tolerance
from sequencer.machine.condition import Condition, parse_condition
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
    Choose,
    Following,
    Goal,
    Move,
    Press,
    Repeat,
    Start,
    Step,
    Timeout,
    With,
)

BAND = 0.02
PLACES = [0.0, 0.25, 0.5, 0.75, 1.0]
AXES = ("along", "across")
SCHEDULES = 20


def axes_with(*mounts: Mount) -> dict[str, Axis]:
    return {
        name: Axis(name, "linear", Limits(1.0, 4.0), (0.0, 1.0), mount, Tolerance(0.005, following=BAND))
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
    gated = draw(st.integers(0, 3)) > 0
    is_press = len(axes) == 1 and draw(st.integers(0, 9)) == 0
    return Step(
        name,
        Press(axes[0], 5.0, draw(st.sampled_from(PLACES))) if is_press else Move(tuple(goals)),
        start=draw(st.one_of(starts)),
        once=gate(other, draw(st.sampled_from("<>")), draw(st.sampled_from([0.1, 0.35, 0.6, 0.9]))) if gated else None,
        until=BEAM if is_press or draw(st.integers(0, 6)) == 0 else None,
        only_if=BEAM if draw(st.integers(0, 9)) == 0 else None,
        preempt=draw(st.integers(0, 9)) == 0,
    )


@st.composite
def step_lists(draw: st.DrawFn, prefix: str = "s", depth: int = 0) -> tuple[Step, ...]:
    steps: list[Step] = []
    for index in range(draw(st.integers(1, 4 if depth else 5))):
        name = f"{prefix}{index}"
        kind = draw(st.integers(0, 9)) if depth == 0 else 9
        if kind == 0:
            inside = draw(step_lists(f"{name}_", 1))
            steps.append(Step(name, Repeat(inside, times=2.0)))
        elif kind == 1:
            inside, other = draw(step_lists(f"{name}_", 1)), draw(step_lists(f"{name}_else_", 1))
            steps.append(Step(name, Choose((Branch(BEAM, inside),), other)))
        else:
            steps.append(draw(moves(name, [step.name for step in steps])))
    if depth == 0 and len(steps) >= 3 and draw(st.integers(0, 4)) == 0:
        names = [step.name for step in steps[:2]]
        steps[2] = Step(steps[2].name, steps[2].body, After(tuple(names), any=True), steps[2].once)
    return tuple(steps)


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
    goals: dict[int, dict[str, float]] = field(default_factory=dict)
    over: set[int] = field(default_factory=set)
    owner: dict[str, int] = field(default_factory=dict)
    passages: dict[int, int] = field(default_factory=dict)
    taken: dict[int, tuple[int, ...]] = field(default_factory=dict)

    def play(self) -> str:
        """What brought the machine into trouble; "" for nothing."""
        self.begin(self.flat.roots)
        for _ in range(400):
            active = [index for index in self.started if index not in self.over]
            if not active:
                return ""
            self.act(self.random.choice(active))
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
        for other in self.flat.nodes:
            if other.parent == node.parent and isinstance(other.start, WithStep) and other.start.step == index:
                self.start(other.index)
        if isinstance(node.step.body, Choose):
            self.taken[index] = self.random.choice([group for _, group in node.groups])
            self.begin(self.taken[index])
        elif isinstance(node.step.body, Repeat):
            self.passages[index] = 2
            self.taken[index] = node.children
            self.begin(node.children)
        elif node.step.only_if is not None and self.random.random() < 0.5:
            self.finish(index)

    def act(self, index: int) -> None:
        node = self.flat.nodes[index]
        if node.step.is_block:
            return
        if node.step.until is not None and self.random.random() < 0.15:
            self.finish(index)
            return
        if not self.started[index]:
            if self.is_open(node) and self.random.random() < 0.7:
                self.take(node)
            return
        goals = self.goals[index]
        for axis in self.random.sample(sorted(goals), len(goals)):
            share = self.random.choice([0.0, 0.1, 0.3, 1.0, self.random.random()])
            if self.owner.get(axis) == index:
                self.place[axis] += share * (goals[axis] - self.place[axis])
                break
        if all(abs(self.place[axis] - goal) < 1e-12 for axis, goal in goals.items()) and self.random.random() < 0.7:
            self.finish(index)

    def is_open(self, node: Node) -> bool:
        if node.step.once is None:
            return True
        axis, sign, place, _ = str(node.step.once).split()
        return self.place[axis] > float(place) if sign == ">" else self.place[axis] < float(place)

    def take(self, node: Node) -> None:
        self.started[node.index] = True
        body = node.step.body
        goals: dict[str, float] = {}
        if isinstance(body, Press):
            goals[body.axis] = float(body.toward)
        elif isinstance(body, Move):
            for axis, goal in body.goals:
                goals[axis] = float(goal.position) if isinstance(goal, At) else self.place[axis]
                if isinstance(goal, By):
                    goals[axis] = min(max(self.place[axis] + float(goal.distance), 0.0), 1.0)
        self.goals[node.index] = goals
        for axis in goals:
            old = self.owner.get(axis)
            self.owner[axis] = node.index
            if old is not None and old not in self.over and old != node.index:
                self.finish(old)

    def finish(self, index: int) -> None:
        if index in self.over:
            return
        self.over.add(index)
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
        self.over.add(index)
        for child in self.flat.nodes[index].children:
            self.lose(child)

    def left(self, block: int) -> None:
        if block < 0 or block in self.over or not all(child in self.over for child in self.taken[block]):
            return
        if self.passages.get(block, 1) > 1:
            self.passages[block] -= 1
            for child in self.taken[block]:
                self.over.discard(child)
                self.started.pop(child, None)
            self.begin(self.taken[block])
        else:
            self.finish(block)


def routine_of(machine: Machine, steps: tuple[Step, ...], start: str) -> Routine:
    return Routine("random", machine, steps, start, default_timeout=Timeout("none"))
