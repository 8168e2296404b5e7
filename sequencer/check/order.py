"""What the step graph says about order, whatever the timing: which steps have surely ended before another starts.

Every step is an occurrence with a bit of its own, so that sets of steps are whole numbers. The body of a `repeat`
occurs twice: its first passage, and one that stands for all later ones.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from copy import copy
from dataclasses import dataclass, field

from sequencer.plan.motion import moved_axes, owned, set_outputs
from sequencer.plan.resolve import AfterSteps, FlatRoutine, Node, PassingStep, WithStep
from sequencer.routine.steps import Choose, Repeat


@dataclass(slots=True)
class Occurrence:
    """One step in its place, or in one passage of a repeat. Sets of occurrences are whole numbers with a bit each.

    Attributes:
        number: its bit is 1 << number; those that must come before it have lower numbers.
        node: the step.
        axes: the axes with a position that it moves.
        ended: those that are surely over when it starts.
        started: those that have surely started when it starts, the ended ones included.
        after: those that surely start only when it is over.
        never: those that do not happen where it happens: other branches of a choose around it.
        conditions: what must have turned out for it to happen (branches taken, further passages), a set of such.
        passages: the later passages that it is in, innermost first.
        around: the blocks that it is in.
        uncut: what must have turned out for it not to be interrupted, a set of conditions: its branch of a join-any
            comes first; the time of a block around it is not up.
        inside: of a block its passages in turn, each with its lists of occurrences (of a choose one for each branch).
    """

    number: int
    node: Node
    axes: tuple[str, ...]
    ended: int = 0
    started: int = 0
    after: int = 0
    never: int = 0
    conditions: int = 0
    passages: tuple[int, ...] = ()
    around: int = 0
    uncut: int = 0
    inside: list[list[list[int]]] = field(default_factory=list)

    @property
    def bit(self) -> int:
        """The set of it alone."""
        return 1 << self.number

    @property
    def name(self) -> str:
        """The path of its step."""
        return self.node.name


def members(group: int) -> Iterator[int]:
    """The numbers in a set, lowest first."""
    while group:
        low = group & -group
        yield low.bit_length() - 1
        group ^= low


class Order:
    """The occurrences of a routine's steps and what is sure about their order.

    `owners` maps each axis and output to the set of occurrences that own it while active, `writers` each output to
    those that set it. `passages` maps a later passage to the set of what happens in it. `gated` holds the indices of
    steps that a gate may hold after they have become active.
    """

    def __init__(self, flat: FlatRoutine) -> None:
        self.flat = flat
        self.occurrences: list[Occurrence] = []
        self.gated = frozenset(node.index for node in flat.nodes if node.step.once is not None)
        self.owners: dict[str, int] = {}
        self.writers: dict[str, int] = {}
        self.passages: list[int] = []
        self._base: list[int] = []
        self._conditions = 0
        self._list(flat.roots, 0, 0, 0, (), 0)
        self._look_back()
        for one in self.occurrences:
            for lists in one.inside:
                for number in (number for numbers in lists for number in numbers):
                    self.occurrences[number].around = one.around | one.bit
            for target in owned(one.node):
                self.owners[target] = self.owners.get(target, 0) | one.bit
            for output in set_outputs(one.node):
                self.writers[output] = self.writers.get(output, 0) | one.bit
        self._of_node: dict[int, list[Occurrence]] = {}
        for one in self.occurrences:
            self._of_node.setdefault(one.node.index, []).append(one)

    def with_gates(self, nodes: Iterable[int]) -> Order:
        """The same order with gates on more steps, given by index."""
        other = copy(self)
        other.gated = self.gated.union(nodes)
        return other

    def of(self, node: int) -> Sequence[Occurrence]:
        """The occurrences of a step, by its index."""
        return self._of_node.get(node, ())

    def concurrent(self, one: Occurrence) -> int:
        """The set of those that may be active together with it, blocks around it and steps inside it included."""
        everything = (1 << len(self.occurrences)) - 1
        return everything & ~(one.ended | one.after | one.never | one.bit)

    def holders(self, one: Occurrence, axis: str) -> tuple[int, bool]:
        """Who may have left the axis where it stands when `one` starts: a set, and whether it may stand where the run
        began."""
        found, initial = self.holders_here(one, axis)
        return found | self.holders_earlier(one, axis), initial

    def holders_here(self, one: Occurrence, axis: str) -> tuple[int, bool]:
        """The same without those that did so in an earlier passage of what `one` is in."""
        owners = self.owners.get(axis, 0) & ~one.never
        candidates, initial = owners & one.ended, True
        for number in members(owners & one.started & ~one.ended):
            other = self.occurrences[number]
            if self._has_taken(other, one):
                candidates &= ~other.ended
                initial = False
        found, untaken = self._latest(candidates, one.conditions)
        return found, initial and untaken

    def holders_earlier(self, one: Occurrence, axis: str) -> int:
        """Who may have left the axis where it stands when `one` starts, in an earlier passage of what `one` is in.

        What never happens in the passage of `one`, being in another branch, may have happened in that one.
        """
        found = 0
        for passage in one.passages:
            here = self.owners.get(axis, 0) & self.passages[passage]
            if any(self._has_taken(self.occurrences[number], one) for number in members(here & one.started)):
                break
            found |= self._latest(here, self._base[passage])[0]
        return found

    def _has_taken(self, other: Occurrence, one: Occurrence) -> bool:
        """Whether a step that has surely started when `one` starts has taken its axes: it happens where `one` does, and
        no gate holds it any more."""
        over = bool(one.ended >> other.number & 1)
        return self.certain(other, one.conditions) and (over or other.node.index not in self.gated)

    def _latest(self, candidates: int, conditions: int) -> tuple[int, bool]:
        """Those of an axis' owners, all over by now, that no other one has surely followed; and whether there may be
        none."""
        found, untaken = 0, True
        while candidates:
            other = self.occurrences[candidates.bit_length() - 1]
            candidates ^= other.bit
            found |= other.bit
            if self.certain(other, conditions):
                untaken = False
                candidates &= ~other.ended
        return found, untaken

    def is_complete(self, other: Occurrence, one: Occurrence) -> bool:
        """Whether a step that is over has not been interrupted, if `one` is active: it would have been as well."""
        return not other.uncut & ~one.conditions and not (
            other.uncut and any(self.passages[passage] >> other.number & 1 for passage in one.passages)
        )

    def certain(self, other: Occurrence, conditions: int) -> bool:
        """Whether a step has surely happened, its turn having come, where these conditions have turned out."""
        return not other.conditions & ~conditions

    def _condition(self) -> int:
        self._conditions += 1
        return 1 << (self._conditions - 1)

    def _list(
        self,
        steps: Sequence[int],
        ended: int,
        started: int,
        conditions: int,
        passages: tuple[int, ...],
        uncut: int,
    ) -> list[int]:
        """Lay out one list of steps; the numbers of its own occurrences, in an order in which what comes first stands
        first."""
        nodes = self.flat.nodes
        place: dict[int, Occurrence] = {}
        joined = self._branches(steps)
        unpassed: dict[int, int] = {}
        whole: dict[int, int] = {}
        over: dict[int, int] = {}
        begun: dict[int, int] = {}
        numbers = []
        for index in in_order(steps, nodes):
            node = nodes[index]
            one = Occurrence(len(self.occurrences), node, moved_axes(node))
            self.occurrences.append(one)
            place[index] = one
            numbers.append(one.number)
            one.ended, one.started = ended, started
            match node.start:
                case AfterSteps(steps=awaited, any=False):
                    for before in awaited:
                        one.ended |= over[before]
                        one.started |= begun[before]
                case AfterSteps(steps=awaited, branches=branches):
                    all_over, all_begun = -1, -1
                    for before in awaited:
                        all_over &= over[before]
                        all_begun &= begun[before]
                    for branch in branches:
                        for member in branch:
                            all_over |= whole[member]
                    one.ended |= all_over
                    one.started |= all_begun
                case WithStep(step=before) | PassingStep(step=before):
                    one.ended |= place[before].ended
                    one.started |= place[before].started | place[before].bit
                    # It never happens, nor what starts with it or where it passes, if the other step does not, or
                    # ends before it gets there; a flick that is held near its place never passes it either (M4).
                    unpassed[index] = unpassed.get(before, 0)
                    if isinstance(node.start, PassingStep):
                        unpassed[index] |= self._condition()
                case _:
                    pass
            one.started |= one.ended
            one.conditions = conditions | joined.get(index, 0) | unpassed.get(index, 0)
            one.uncut = uncut | joined.get(index, 0)
            one.passages = passages
            inner = one.conditions
            if node.step.only_if is not None:
                inner = one.conditions = one.conditions | self._condition()
            inside = self._inside(one, inner)
            whole[index] = one.bit | inside
            over[index] = one.ended | whole[index]
            begun[index] = one.started | over[index]
        return numbers

    def _inside(self, one: Occurrence, conditions: int) -> int:
        """Lay out what is inside a block; the set of all of it."""
        first = len(self.occurrences)
        ended, started, step = one.ended, one.started | one.bit, one.node.step
        if step.retry and one.node.groups:
            # Attempts that end anywhere because the time of the block is up, before the one that is the last.
            if step.retry == 1:
                self._turn(one, conditions | self._condition(), ended, started, one.passages, True)
            else:
                base, passage = self._passage(conditions)
                self._turn(one, base, ended, started, (passage, *one.passages), True)
                self.passages[passage] = _span(first, len(self.occurrences))
            earlier = _span(first, len(self.occurrences))
            ended, started = ended | earlier, started | earlier
        self._turn(one, conditions, ended, started, one.passages, step.on_timeout == "continue")
        return _span(first, len(self.occurrences))

    def _turn(
        self, one: Occurrence, conditions: int, ended: int, started: int, passages: tuple[int, ...], cut: bool
    ) -> int:
        """Lay out what is inside a block for one attempt at it, which may be `cut` short; the set of all of it."""
        first = len(self.occurrences)
        body = one.node.step.body
        uncut = one.uncut
        if cut:
            uncut |= self._condition()
            conditions |= uncut
        if isinstance(body, Choose):
            sets, lists = [], []
            for _, group in one.node.groups:
                begin = len(self.occurrences)
                branch = conditions | self._condition()
                lists.append(self._list(group, ended, started, branch, passages, uncut))
                sets.append(_span(begin, len(self.occurrences)))
            one.inside.append(lists)
            whole = _span(first, len(self.occurrences))
            for own in sets:
                for number in members(own):
                    self.occurrences[number].never |= whole & ~own
            return whole
        for _, group in one.node.groups:
            one.inside.append([self._list(group, ended, started, conditions, passages, uncut)])
            if isinstance(body, Repeat) and body.times != 1.0:
                begin = len(self.occurrences)
                earlier = _span(first, begin)
                over, begun = ended | earlier, started | earlier
                if body.times == 2.0:
                    # One more passage, which nothing but a condition takes away.
                    last = conditions if body.until is None else conditions | self._condition()
                    one.inside.append([self._list(group, over, begun, last, passages, uncut)])
                else:
                    base, passage = self._passage(conditions)
                    one.inside.append([self._list(group, over, begun, base, (passage, *passages), uncut)])
                    self.passages[passage] = _span(begin, len(self.occurrences))
        return _span(first, len(self.occurrences))

    def _passage(self, conditions: int) -> tuple[int, int]:
        """What has turned out for sure in a new later passage, and its number."""
        base = conditions | self._condition()
        self.passages.append(0)
        self._base.append(base)
        return base, len(self.passages) - 1

    def _branches(self, steps: Sequence[int]) -> dict[int, int]:
        """Conditions of the steps that a join-any may interrupt: a branch has run to its end only if it came first."""
        found: dict[int, int] = {}
        for index in steps:
            start = self.flat.nodes[index].start
            if isinstance(start, AfterSteps) and start.any:
                for branch in start.branches:
                    condition = self._condition()
                    for member in branch:
                        found[member] = found.get(member, 0) | condition
        return found

    def _look_back(self) -> None:
        """Fill in `after`: those in whose `ended` an occurrence is. What is over when one starts is mostly over when
        the next one does, so that runs of them are noted, not each."""
        over = 0
        since: dict[int, int] = {}
        for count, ended in enumerate([*(one.ended for one in self.occurrences), 0]):
            for number in members(ended ^ over):
                if ended >> number & 1:
                    since[number] = count
                else:
                    self.occurrences[number].after |= _span(since[number], count)
            over = ended


def in_order(steps: Sequence[int], nodes: Sequence[Node]) -> list[int]:
    """The steps of one list so that each stands after those that its start waits for or goes with; file order decides
    ties.

    Steps that wait for each other in a ring are left out.
    """
    awaited = {index: [before for before in _before(nodes[index]) if before != index] for index in steps}
    followers: dict[int, list[int]] = {}
    for index, before in awaited.items():
        for one in before:
            followers.setdefault(one, []).append(index)
    left = {index: len(before) for index, before in awaited.items()}
    ready = [index for index in reversed(steps) if left[index] == 0]
    found = []
    while ready:
        index = ready.pop()
        found.append(index)
        for follower in reversed(followers.get(index, ())):
            left[follower] -= 1
            if left[follower] == 0:
                ready.append(follower)
    return found


def _before(node: Node) -> tuple[int, ...]:
    match node.start:
        case AfterSteps(steps=steps):
            return steps
        case WithStep(step=step) | PassingStep(step=step):
            return (step,)
        case _:
            return ()


def _span(begin: int, end: int) -> int:
    return ((1 << (end - begin)) - 1) << begin
