"""What makes a routine impossible before any motion is planned (R39), with place, rule and what to do."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

from sequencer.errors import did_you_mean
from sequencer.routine.afterwards import afterwards_of, afterwards_problems, within
from sequencer.routine.body_reader import axes_of
from sequencer.routine.clearance_problems import outside_problems, touching_problems
from sequencer.routine.graph import StepGraph, StepNode, referred
from sequencer.routine.route_problems import route_problems
from sequencer.routine.routine import ANYWHERE, Routine, walk
from sequencer.routine.step_values import RoutineProblem, StepValues, problem
from sequencer.routine.steps import (
    After,
    Choose,
    Flick,
    Move,
    Passing,
    Perform,
    Press,
    Pulse,
    Repeat,
    Set,
    Step,
    Wait,
    With,
)
from sequencer.routine.takeover import takes_over_well


def problems_of(routine: Routine, written: frozenset[str] = frozenset()) -> list[RoutineProblem]:
    """Every contradiction of a routine, in file order; none for one that can be planned.

    What is inside performed routines counts where it meets the steps of this one. `written` holds names of steps that
    stand in the file but could not be read: references to them are no mistakes, and what depends on the whole graph
    is then left for the next time.
    """
    search = _Search(routine, StepGraph(routine), written, StepValues(routine, written, routine.vocabulary()))
    found = list(search.all())
    found.sort(key=lambda problem: (problem.place.line, problem.place.column))
    return found


@dataclass(slots=True)
class _Search:
    routine: Routine
    graph: StepGraph
    written: frozenset[str]
    values: StepValues
    own: list[StepNode] = field(default_factory=list)

    def all(self) -> Iterator[RoutineProblem]:
        self.own = [node for node in self.graph.nodes.values() if node.routine is self.routine]
        machine = self.routine.machine
        if self.routine.start != ANYWHERE and self.routine.start not in machine.presets:
            near = did_you_mean(self.routine.start, [*machine.presets, ANYWHERE])
            yield RoutineProblem(self.routine.place, "", "R51", f"unknown preset '{self.routine.start}'", near)
        if not self.own and not self.written:
            yield RoutineProblem(self.routine.place, "", "R9", "the routine has no step", "add one")
        yield from self.duplicates()
        for node in self.own:
            yield from self.references(node)
            yield from self.milestone(node)
            yield from self.real_steps(node)
            yield from self.timeout(node)
            yield from self.values.all(node)
            yield from touching_problems(node, machine)
            yield from route_problems(node, self.routine)
        yield from outside_problems(self.routine, self.written)
        yield from afterwards_problems(self.routine)
        for key, after in afterwards_of(self.routine):
            for found in problems_of(after):
                yield within(key, after, found)
        yield from self.loops()
        if not self.written - {step.name for step in walk(self.routine.steps)}:
            yield from self.joins()
            yield from self.overlaps()

    def duplicates(self) -> Iterator[RoutineProblem]:
        seen: dict[str, Step] = {}
        for step in walk(self.routine.steps):
            first = seen.setdefault(step.name, step)
            if first is not step:
                where = f" (the other in line {first.place.line})" if first.place.line else ""
                message = f"two steps are called '{step.name}'{where}"
                yield RoutineProblem(step.place, step.name, "R39", message, "give each its own name")

    def references(self, node: StepNode) -> Iterator[RoutineProblem]:
        if len(self.graph.predecessors(node.path)) == len(referred(node.start)):
            return
        known = [self.graph.nodes[path].step.name for path in self.graph.siblings(node.path)]
        everywhere = {other.step.name for other in self.own} | self.written
        for name in dict.fromkeys(referred(node.start)):
            if name in known or (name in self.written and name not in {other.step.name for other in self.own}):
                continue
            if name in everywhere:
                message = f"'{name}' stands in another list of steps"
                hint = "a step refers only to steps of its own list; refer to the block that holds it"
            else:
                message, hint = f"unknown step '{name}'", did_you_mean(name, set(known) - {node.step.name})
            yield problem(node, "R39", message, hint, _start_key(node))

    def loops(self) -> Iterator[RoutineProblem]:
        ringed: set[str] = set()
        for ring in self.graph.loops():
            nodes = [self.graph.nodes[path] for path in ring]
            if nodes[0].routine is not self.routine:
                continue
            ringed.update(ring)
            named = [f"'{node.step.name}'{_line(node.step)}" for node in nodes]
            if len(nodes) == 1:
                message = f"{named[0]} waits for itself"
            else:
                message = f"a loop: {', which waits for '.join([*named, named[0].split(' (')[0]])}"
            yield problem(nodes[0], "R39", message, "a routine has no loops; use repeat", _start_key(nodes[0]))
        if not ringed:
            return
        for node in self.own:
            if node.path in ringed:
                continue
            stuck = [name for name in self.graph.ancestors(node.path) if name in ringed]
            if stuck:
                first = self.graph.nodes[min(stuck, key=list(self.graph.nodes).index)].step.name
                message = f"'{node.step.name}' can never start: it waits for '{first}', which is in a loop"
                yield problem(node, "R39", message, key=_start_key(node))

    def joins(self) -> Iterator[RoutineProblem]:
        for node in self.own:
            if not (isinstance(node.start, After) and node.start.any):
                continue
            if not node.start.steps:
                yield problem(node, "R12", "'any' names no step", "name at least two", "after")
                continue
            branches = {name for branch in self.graph.join_branches(node.path) for name in branch}
            for name in self.graph.siblings(node.path):
                if name not in branches:
                    continue
                for leads in self.graph.successors(name):
                    if leads != node.path and leads not in branches:
                        step, other = self.graph.nodes[name].step, self.graph.nodes[leads].step
                        message = (
                            f"'{node.step.name}' takes the first of several branches, and '{step.name}'{_line(step)} "
                            f"in one of them leads to '{other.name}'{_line(other)} as well"
                        )
                        hint = "the steps of such branches lead nowhere but to the join"
                        yield problem(node, "R12", message, hint, "after")

    def milestone(self, node: StepNode) -> Iterator[RoutineProblem]:
        start = node.start
        if not isinstance(start, Passing):
            return
        if not isinstance(node.step.body, Pulse | Set):
            message = f"'passing' starts pulses and sets only, and '{node.step.name}' is a {node.step.kind}"
            yield problem(node, "M1", message, "start it with 'with' and a gate (once)", "passing")
        watched = self.graph.nodes.get(node.prefix + start.step)
        if watched is None:
            return
        body, name = watched.step.body, watched.step.name
        if not isinstance(body, Move | Flick):
            message = f"'{name}' is a {watched.step.kind}, which has no profile that could pass a place"
            yield problem(node, "M1", message, "a move or a flick has one", "passing")
            return
        if watched.step.route is not None:
            message = f"where '{name}' passes is looked up when it starts (route: clear)"
            yield problem(node, "M1", message, "start it with 'with' and a gate (once)", "passing")
            return
        if start.at == "through":
            if not isinstance(body, Flick):
                message = f"'{name}' is a move, which has no 'through'"
                yield problem(node, "M1", message, "give the position: passing: {step: ..., at: 0.4 m}", "passing")
            return
        axes = axes_of(body, self.routine.machine, self.routine.parameters)
        axis_name = start.axis or (axes[0] if len(axes) == 1 else None)
        if axis_name is None:
            message = f"'{name}' moves {' and '.join(axes)}; 'axis' must say whose position is passed"
            yield problem(node, "M1", message, "add axis: " + (axes[0] if axes else "..."), "passing")
            return
        if axis_name not in axes:
            yield problem(node, "M1", f"'{name}' does not move {axis_name}", did_you_mean(axis_name, axes), "passing")
            return
        yield from self.values.within(node, self.routine.machine.axes[axis_name], start.at, "the milestone", "passing")

    def real_steps(self, node: StepNode) -> Iterator[RoutineProblem]:
        body = node.step.body
        hint = "a passage must hold a step that takes time, such as a wait"
        if isinstance(body, Repeat) and not self.surely_real(body.steps, self.routine):
            message = f"a passage of '{node.step.name}' can go by without a real step"
            yield problem(node, "R9", message, hint)
        if isinstance(body, Perform):
            performed = self.routine.subroutines.get(body.routine)
            if performed is not None and not self.surely_real(performed.steps, performed):
                message = f"the routine '{body.routine}' can go by without a real step"
                yield problem(node, "R9", message, hint)

    def surely_real(self, steps: tuple[Step, ...], routine: Routine) -> bool:
        """Whether every way through the list takes at least one step that is no block."""
        for step in steps:
            match step.body:
                case Choose(branches=branches, otherwise=otherwise):
                    lists = [branch.steps for branch in branches] + ([] if otherwise is None else [otherwise])
                    if all(self.surely_real(inner, routine) for inner in lists):
                        return True
                case Repeat(steps=inner):
                    if self.surely_real(inner, routine):
                        return True
                case Perform(routine=name):
                    performed = routine.subroutines.get(name)
                    if performed is None or self.surely_real(performed.steps, performed):
                        return True
                case _:
                    return True
        return False

    def timeout(self, node: StepNode) -> Iterator[RoutineProblem]:
        step = node.step
        timeout = step.timeout or self.routine.default_timeout
        if not _needs_timeout(step):
            return
        if timeout is None:
            message = f"'{step.name}' has no timeout"
            hint = 'add timeout: a time, planned + TIME, or none; or one for all under "defaults"'
            yield problem(node, "R24", message, hint, "timeout")
            return
        awaited = isinstance(step.body, Wait | Choose) or (isinstance(step.body, Pulse) and step.duration is None)
        if timeout.kind == "planned" and awaited and step.usually is None:
            message = (
                f"the timeout of '{step.name}' counts from its planned time, and a {step.kind} for a condition has none"
            )
            yield problem(
                node, "R24", message, "add 'usually' (its time in the plan), or a timeout of its own", "timeout"
            )

    def overlaps(self) -> Iterator[RoutineProblem]:
        users: dict[str, list[StepNode]] = {}
        for node in self.graph.nodes.values():
            for target in _taken(node):
                users.setdefault(target, []).append(node)
        for target, nodes in users.items():
            above: dict[str, StepNode] = {}
            for later in nodes:
                suspects = above.keys() - self.graph.ended_before(later.path)
                above[later.path] = later
                for earlier in (above[path] for path in sorted(suspects)):
                    preempting = later.step.preempt or earlier.step.preempt
                    why = takes_over_well(self.graph, earlier.path, later.path) if preempting else ""
                    if preempting and not why:
                        continue
                    if self.routine not in (later.routine, earlier.routine) and _outer(earlier) == _outer(later):
                        continue
                    if self.graph.may_overlap(earlier.path, later.path):
                        message = (
                            f"'{earlier.path}'{_line(earlier.step)} and '{later.path}'{_line(later.step)} both use "
                            f"{target} and can be active together" + (f"; {why}" if why else "")
                        )
                        hint = "start one after the other, or write preempt: true on the one that starts later"
                        mine = (
                            later
                            if later.routine is self.routine
                            else self.graph.nodes[self.graph.blocks(later.path)[0]]
                        )
                        yield RoutineProblem(mine.step.place, mine.path, "R28", message, hint)


def _outer(node: StepNode) -> str:
    return node.path.partition("/")[0]


def _taken(node: StepNode) -> tuple[str, ...]:
    """The axes and outputs that a step owns while it is active."""
    body = node.step.body
    if isinstance(body, Set):
        return tuple(name for name, _ in body.values)
    if isinstance(body, Pulse):
        return tuple(drive.target for drive in body.drives)
    return axes_of(body, node.routine.machine, node.routine.parameters)


def _needs_timeout(step: Step) -> bool:
    """Every wait and every move (R24); a wait or pulse for a time ends by itself."""
    match step.body:
        case Move() | Flick() | Press():
            return True
        case Wait() | Pulse():
            return step.duration is None
        case Choose(otherwise=otherwise):
            return otherwise is None
    return False


def _line(step: Step) -> str:
    return f" (line {step.place.line})" if step.place.line else ""


def _start_key(node: StepNode) -> str:
    """The key that says what starts the step, or its kind where the file says nothing."""
    match node.step.start:
        case After():
            return "after"
        case With():
            return "with"
        case Passing():
            return "passing"
    return node.step.kind
