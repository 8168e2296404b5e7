"""A random world that plays a routine, knowing nothing of phases or order.

It only starts what the step list says, moves each axis monotonically towards its goal by random pieces, opens gates
when the ordered positions fulfil them, ends waits when what is measured does, and ends steps and blocks early where a
condition or a timeout may. An axis that is interrupted runs on for a while, towards where it was bound: a step that
takes it brakes it first, as fast as it was planned to stop. What is to start where a step passes does so there, or up
to its lead before; where the step does not pass, or is held so near the place that it has no throw left, it never
starts.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from random import Random

from random_world import ACCELERATION, BAND

from sequencer.machine.condition import Compare, Condition, Every, Not, Some, Term
from sequencer.plan.resolve import AfterSteps, FlatRoutine, Node, PassingStep, WithStep, flatten
from sequencer.routine.afterwards import afterwards_of
from sequencer.routine.routine import Routine
from sequencer.routine.steps import At, By, Choose, Flick, Move, Press, Repeat, Set, Wait

Touch = frozenset[frozenset[str]]
"""Pairs of bodies that may touch now."""


@dataclass
class World:
    """Plays a routine with random delays, and looks for trouble after every piece of motion."""

    flat: FlatRoutine
    trouble: Callable[[dict[str, float], Touch], bool]
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
    passed: set[int] = field(default_factory=set)
    faulted: bool = False

    def play(self, most: int = 400) -> str:
        """What brought the machine into trouble in so many acts; "" for nothing."""
        self.begin(self.flat.roots)
        for _ in range(most):
            active = self.active()
            if not active and not self.runs_on and not self.passed:
                return ""
            for index in sorted(self.passed):
                if self.random.random() < 0.5:
                    self.passed.discard(index)
                    self.start(index)
            if active:
                self.act(self.random.choice(active))
            if self.faulted:
                return self.stop()
            self.drift()
            if self.trouble(self.place, self.touching()):
                return self.words()
        return ""

    def stop(self) -> str:
        """What brought the machine into trouble while everything comes to a stop; what may touch still may."""
        touching = self.touching()
        self.pressed.clear()
        for index in list(self.ways):
            self.interrupt(index)
        while self.runs_on:
            self.drift()
            if self.trouble(self.place, touching):
                return f"in a stop: {self.words()}"
        return ""

    def words(self) -> str:
        return f"trouble at {self.place} with {[self.flat.nodes[index].name for index in self.active()]} active"

    def active(self) -> list[int]:
        return [index for index in self.started if index not in self.over]

    def touching(self) -> Touch:
        steps = [self.flat.nodes[index].step for index in self.active()]
        return frozenset(frozenset(step.touching) for step in steps if step.touching is not None)

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
        else:
            self.taken[index] = node.children
        self.begin(self.taken[index])

    def act(self, index: int) -> None:
        step = self.flat.nodes[index].step
        if isinstance(step.body, Set):
            self.finish(index)
            return
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
                before = self.place[axis]
                share = self.random.choice([0.0, 0.1, 0.3, 1.0, self.random.random()])
                self.place[axis] += share * (ways[axis][0] - self.place[axis])
                self.note_passing(index, axis, before)
                if abs(self.place[axis] - ways[axis][0]) < 1e-12:
                    del ways[axis][0]
                    self.braking.pop(axis, None)
                break
        if not any(ways.values()) and self.random.random() < 0.7:
            self.finish(index)

    def note_passing(self, index: int, axis: str, before: float) -> None:
        """What is to start where a step passes, once it has moved an axis on from `before`."""
        low, high = sorted((before, self.place[axis]))
        for other in self.flat.nodes:
            start = other.start
            if not isinstance(start, PassingStep) or start.step != index or start.axis not in (None, axis):
                continue
            if other.index in self.started or other.index in self.over or other.index in self.passed:
                continue
            body = self.flat.nodes[index].step.body
            if isinstance(body, Flick):
                # On its way back to wind up it passes nothing, and held near its place it has no throw left.
                through, bound = float(body.through), self.ways[index][axis][0]
                there = abs(self.place[axis] - through) < 1e-12 and abs(bound - through) < 1e-12
                comes = there and self.random.random() < 0.8
            else:
                at = float(start.at)  # type: ignore[arg-type]
                comes = low < at < high or (low <= at <= high and self.random.random() < 0.5)
            if comes or (start.lead and self.random.random() < 0.1):
                self.passed.add(other.index)

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
        owners = [self.owner.get(axis) for axis, _ in self.bound(node)]
        if any(owner is not None and owner not in self.over and owner != node.index for owner in owners):
            self.faulted = not node.step.preempt  # who takes what is owned, and may not, fails
            if self.faulted:
                return
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
            end = float(node.scope.operand(goal.position, axis)) if isinstance(goal, At) else self.place[axis]  # type: ignore[arg-type]
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
            if isinstance(other.start, WithStep | PassingStep) and other.start.step == index:
                if other.index in self.passed and self.random.random() < 0.5:
                    self.passed.discard(other.index)
                    self.start(other.index)
                elif other.index not in self.passed and other.index not in self.started:
                    self.finish(other.index)  # it never comes, and what is after it does not wait for it
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
        self.passed.discard(index)
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
            self.passed.discard(index)
            self.started.pop(index, None)
            self.taken.pop(index, None)
            self.owner = {axis: owner for axis, owner in self.owner.items() if owner != index}
            self.forget(self.flat.nodes[index].children)


def played(
    routine: Routine, trouble: Callable[[dict[str, float], Touch], bool], random: Random, place: dict[str, float]
) -> str:
    """What brings the machine into trouble in one play of a routine; or, where it has steps for after a cancel or a
    fault, in a play that is stopped at some time, and in those steps from where the axes stand then."""
    world = World(flatten(routine), trouble, random, place)
    afterwards = [after for _, after in afterwards_of(routine)]
    if not afterwards or random.random() < 0.3:
        return world.play()
    found = world.play(random.randrange(60)) or world.stop()
    if found:
        return found
    after = World(flatten(random.choice(afterwards)), trouble, random, world.place)
    found = after.play()
    return found and f"afterwards: {found}"
