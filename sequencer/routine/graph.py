"""The graph of a routine's steps: what starts each, what it waits for, and what is surely over before what.

A step that names no start follows everything still open above it in its list: the steps to which no step listed before
it refers through `after`. Steps refer only to steps of their own list, so the graph is one small graph for each list.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from sequencer.routine.routine import Routine, blocks_of
from sequencer.routine.steps import After, Choose, Following, Passing, Perform, Start, Step, With


def starts_of(steps: tuple[Step, ...]) -> dict[str, Start]:
    """What starts each step of one list, `Following` written out as `After`.

    >>> from sequencer.routine.steps import Wait
    >>> starts_of((Step("a", Wait(), duration=1), Step("b", Wait(), duration=1)))["b"]
    After(steps=('a',), any=False)
    """
    closed: set[str] = set()
    still_open: dict[str, None] = {}
    found: dict[str, Start] = {}
    for step in steps:
        start = step.start
        if isinstance(start, Following):
            start = After(tuple(still_open))
        if isinstance(start, After):
            closed.update(start.steps)
            for name in start.steps:
                still_open.pop(name, None)
        found.setdefault(step.name, start)
        if step.name not in closed:
            still_open[step.name] = None
    return found


def referred(start: Start) -> tuple[str, ...]:
    """The steps that a start names."""
    match start:
        case After(steps=steps):
            return steps
        case With(step=step) | Passing(step=step):
            return (step,)
    return ()


@dataclass(frozen=True, slots=True)
class StepNode:
    """A step in its graph. `path` is its name, after that of the step that performs its routine: ``outer/inner``.

    `block` is the path of the step whose list it stands in ("" at the top) and `branch` which of that step's lists.
    `start` is resolved: never `Following`; the names in it are those of the step's own list.
    """

    path: str
    step: Step
    block: str
    branch: int
    start: Start
    routine: Routine = field(repr=False)

    @property
    def prefix(self) -> str:
        """What stands before the step's own name in its path."""
        return self.path[: len(self.path) - len(self.step.name)]


class StepGraph:
    """All steps of a routine by path, performed routines included, in file order (a block before what is inside)."""

    def __init__(self, routine: Routine) -> None:
        self.routine = routine
        nodes: dict[str, StepNode] = {}
        self._lists: dict[tuple[str, int], list[str]] = {}
        for node in _nodes(routine, routine.steps, "", "", 0):
            if node.path not in nodes:
                nodes[node.path] = node
                self._lists.setdefault((node.block, node.branch), []).append(node.path)
        self.nodes: Mapping[str, StepNode] = MappingProxyType(nodes)
        self._successors: dict[str, list[str]] = {path: [] for path in nodes}
        self._predecessors: dict[str, tuple[str, ...]] = {}
        for path, node in nodes.items():
            named = (nodes.get(node.prefix + name) for name in referred(node.start))
            beside = (one for one in named if one is not None and (one.block, one.branch) == (node.block, node.branch))
            self._predecessors[path] = tuple(one.path for one in beside)
            for before in self._predecessors[path]:
                self._successors[before].append(path)
        self._ended: dict[str, frozenset[str]] = {}

    def predecessors(self, path: str) -> tuple[str, ...]:
        """The steps that the start of this one names, by path; those that are not in its list are left out."""
        return self._predecessors[path]

    def successors(self, path: str) -> tuple[str, ...]:
        """The steps whose start names this one."""
        return tuple(self._successors[path])

    def siblings(self, path: str) -> tuple[str, ...]:
        """The steps of its list, itself included; none for an unknown path."""
        node = self.nodes.get(path)
        return tuple(self._lists[node.block, node.branch]) if node else ()

    def lists(self) -> Iterator[tuple[str, ...]]:
        """Each list of steps as paths."""
        return (tuple(paths) for paths in self._lists.values())

    def inside(self, path: str) -> tuple[str, ...]:
        """Every step inside a block, at any depth."""
        return tuple(other for other in self.nodes if path in self.blocks(other))

    def blocks(self, path: str) -> tuple[str, ...]:
        """The blocks that a step is in, outermost first."""
        found: list[str] = []
        block = self.nodes[path].block
        while block:
            found.append(block)
            block = self.nodes[block].block
        return tuple(reversed(found))

    def ancestors(self, path: str) -> frozenset[str]:
        """The steps of its list from which it can be reached, itself included."""
        found: set[str] = set()
        waiting = [path]
        while waiting:
            here = waiting.pop()
            if here not in found:
                found.add(here)
                waiting += self.predecessors(here)
        return frozenset(found)

    def join_branches(self, path: str) -> tuple[tuple[str, ...], ...]:
        """Of a join-any, per predecessor the steps that are interrupted if it loses, itself included, in file order.

        A step that leads to every predecessor is the fork, not a branch.
        """
        before = self.predecessors(path)
        sets = [self.ancestors(one) for one in before]
        shared = frozenset.intersection(*sets) if sets else frozenset()
        order = self.siblings(path)
        return tuple(
            tuple(name for name in order if name == one or (name in reach and name not in shared))
            for one, reach in zip(before, sets, strict=True)
        )

    def ended_before(self, path: str) -> frozenset[str]:
        """The steps of its list that have surely ended when it starts."""
        if path not in self._ended:
            self._find_ended(path)
        return self._ended[path]

    def surely_before(self, first: str, second: str) -> bool:
        """Whether `first` has surely ended (or will never run in this passage) when `second` starts."""
        one, other = self._fork(first, second)
        return one != "" and other != "" and one in self.ended_before(other)

    def may_overlap(self, first: str, second: str) -> bool:
        """Whether the two steps can be active together. Steps in different branches of a choose cannot."""
        if first == second:
            return True
        one, other = self._fork(first, second)
        if not one or not other:
            return True
        here, there = self.nodes[one], self.nodes[other]
        if here.branch != there.branch:
            return False
        return one not in self.ended_before(other) and other not in self.ended_before(one)

    def loops(self) -> list[tuple[str, ...]]:
        """Rings of steps that wait for each other, each once, from its first step in file order."""
        found: dict[frozenset[str], tuple[str, ...]] = {}
        state: dict[str, int] = {}
        for root in self.nodes:
            if root in state:
                continue
            trail: list[str] = [root]
            state[root] = 1
            pending = [iter(self.predecessors(root))]
            while pending:
                following = next(pending[-1], None)
                if following is None:
                    state[trail.pop()] = 2
                    pending.pop()
                elif state.get(following) == 1:
                    ring = trail[trail.index(following) :]
                    found.setdefault(frozenset(ring), self._turned(ring))
                elif following not in state:
                    state[following] = 1
                    trail.append(following)
                    pending.append(iter(self.predecessors(following)))
        return list(found.values())

    def _turned(self, ring: list[str]) -> tuple[str, ...]:
        order = list(self.nodes)
        first = min(range(len(ring)), key=lambda index: order.index(ring[index]))
        return tuple(ring[first:] + ring[:first])

    def _find_ended(self, path: str) -> None:
        """Fill `_ended` for a step and all it needs, without recursion: chains may be thousands of steps long.

        Steps that wait for each other in a ring (an error of its own) count as not known to have ended.
        """
        open_steps: dict[str, None] = {path: None}
        while open_steps:
            top = next(reversed(open_steps))
            missing = [one for one in self.predecessors(top) if one not in self._ended and one not in open_steps]
            if missing:
                open_steps[missing[-1]] = None
                continue
            del open_steps[top]
            self._ended[top] = self._ended_of(top)

    def _ended_of(self, path: str) -> frozenset[str]:
        before = self.predecessors(path)
        sets = [self._ended.get(one, frozenset()) for one in before]
        start = self.nodes[path].start
        if isinstance(start, After) and start.any:
            found = frozenset(name for branch in self.join_branches(path) for name in branch)
            return found | frozenset.intersection(*sets) if sets else found
        if isinstance(start, After):
            return frozenset(before).union(*sets)
        if isinstance(start, With | Passing) and sets:
            return sets[0]
        return frozenset()

    def _fork(self, first: str, second: str) -> tuple[str, str]:
        """The blocks or steps where the ways down to two steps part; "" where one contains the other."""
        one, other = (*self.blocks(first), first), (*self.blocks(second), second)
        for here, there in zip(one, other, strict=False):
            if here != there:
                return here, there
            if here in (first, second):
                break
        return "", ""


OrderFacts = StepGraph
"""What is surely over before what: `surely_before` and `may_overlap`, by step path."""


def graph_of(routine: Routine) -> StepGraph:
    """The graph of a routine."""
    return StepGraph(routine)


def order_facts(routine: Routine) -> OrderFacts:
    """For each pair of steps whether one surely has ended before the other starts (`surely_before`), and whether the
    two can be active together (`may_overlap`). Paths are step names, ``outer/inner`` in performed routines.
    """
    return StepGraph(routine)


def _nodes(
    routine: Routine, steps: tuple[Step, ...], prefix: str, block: str, branch: int, performing: tuple[str, ...] = ()
) -> Iterator[StepNode]:
    starts = starts_of(steps)
    for step in steps:
        path = prefix + step.name
        yield StepNode(path, step, block, branch, starts[step.name], routine)
        for index, (_, inner) in enumerate(blocks_of(step)):
            yield from _nodes(routine, inner, prefix, path, index, performing)
        if isinstance(step.body, Perform):
            performed = routine.subroutines.get(step.body.routine)
            if performed is not None and performed.name not in performing:
                inside = (*performing, performed.name)
                yield from _nodes(performed, performed.steps, f"{path}/", path, 0, inside)


def is_choice(step: Step) -> bool:
    """Whether only one of the step's lists runs."""
    return isinstance(step.body, Choose)
