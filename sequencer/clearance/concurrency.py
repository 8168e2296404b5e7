"""Two branches that run side by side, whatever their timing: the diagram of their progress, and what it allows.

How far one branch has got is the abscissa, the other the ordinate; where the machine is not certainly clear the
diagram is blocked. Every run is a path from the lower left to the upper right corner that goes neither left nor down.
P. A. O'Donnell and T. Lozano-Perez, Deadlock-free and collision-free coordination of two robot manipulators,
IEEE ICRA 1989.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from math import inf
from typing import Literal, NamedTuple

from profiles import Profile, State
from sequencer.clearance.box import Pair
from sequencer.clearance.course import Course, Moves
from sequencer.clearance.proof import prove
from sequencer.clearance.tree import Tree

FINEST = 1.0 / 256.0
"""A cell is not bisected below this share of a branch [1]."""

BUDGET = 60_000
"""So many cells are looked at before the rest counts as blocked [1]."""

# What else may stand anywhere, or be off its course, is bisected in the finest cells only: into so many [1].
_AT_A_LEAF = 200

Way = Literal[
    "any",
    "first before second",
    "second before first",
    "either before the other",
    "taking turns",
    "detour",
    "undecided",
]


class Branch(NamedTuple):
    """Motions that share one clock: a course for each coordinate, and the time of the last end [s]."""

    courses: Mapping[int, Course]
    duration: float


class Blocked(NamedTuple):
    """A cell in which a pair is not certainly clear: progress of the first and of the second branch, from and to.

    `certain` tells that the pair is not clear anywhere in the cell; else it is only not shown to be.
    """

    first: tuple[float, float]
    second: tuple[float, float]
    pair: Pair
    certain: bool


class Slack(NamedTuple):
    """How much later than planned a branch may start [s] if the other is punctual; inf: as late as it likes, below 0:
    not even punctual. That it stands still at its start or end for ever is accounted for."""

    first_late: float
    second_late: float


@dataclass(frozen=True)
class Diagram:
    """Where two branches block each other.

    Args:
        durations: of the branches [s], the upper right corner.
        blocked: the blocked cells; progress is in seconds of each branch's own clock.
        first_runs_ahead: whether the first branch can run to its end before the second starts, and then the second.
        second_runs_ahead: the same with the branches exchanged.
        complete: whether the budget lasted; if not, some blocked cells are larger than they need be.
    """

    durations: tuple[float, float]
    blocked: tuple[Blocked, ...]
    first_runs_ahead: bool
    second_runs_ahead: bool
    complete: bool = True

    @cached_property
    def way(self) -> Way:
        """What makes the branches clear of each other.

        Nothing at all (any timing is clear), one before the other, taking turns at several places, or, where every
        timing is blocked, a detour of a branch. Where the budget did not last to tell, it is undecided.
        """
        if not self.blocked:
            return "any"
        if self.first_runs_ahead:
            return "either before the other" if self.second_runs_ahead else "first before second"
        if self.second_runs_ahead:
            return "second before first"
        if self._passable():
            return "taking turns"
        return "detour" if self.complete else "undecided"

    @property
    def extent(self) -> tuple[tuple[float, float], tuple[float, float]] | None:
        """From where to where the first and the second branch are blocked somewhere [s]; None if nowhere."""
        if not self.blocked:
            return None
        firsts, seconds = [cell.first for cell in self.blocked], [cell.second for cell in self.blocked]
        return (
            (min(low for low, _ in firsts), max(high for _, high in firsts)),
            (min(low for low, _ in seconds), max(high for _, high in seconds)),
        )

    def slack(self) -> Slack:
        """How late each branch may be beside the other one, if that is punctual [s]."""
        first_late = second_late = inf
        for cell in self.blocked:
            (a0, a1), (b0, b1) = self._extended(cell)
            # a branch that starts late by d is at time t where its own clock says t - d
            if b1 - a0 >= 0.0:
                first_late = min(first_late, max(b0 - a1, 0.0))
            if a1 - b0 >= 0.0:
                second_late = min(second_late, max(a0 - b1, 0.0))
            if b0 - a1 <= 0.0 <= b1 - a0:
                return Slack(-1.0, -1.0)
        return Slack(first_late, second_late)

    def _extended(self, cell: Blocked) -> tuple[tuple[float, float], tuple[float, float]]:
        """A branch rests at its start before it starts and at its end for ever."""
        spans = []
        for (low, high), duration in zip((cell.first, cell.second), self.durations, strict=True):
            spans.append((-inf if low <= 0.0 else low, inf if high >= duration else high))
        return spans[0], spans[1]

    def _passable(self) -> bool:
        """Whether a path of free cells leads to the end; cells are those between all edges of blocked cells."""
        edges = []
        for which, duration in enumerate(self.durations):
            values = {0.0, duration}
            for cell in self.blocked:
                values.update((cell.first, cell.second)[which])
            edges.append(sorted(values))
        firsts, seconds = edges
        column = {value: number for number, value in enumerate(firsts)}
        row = {value: number for number, value in enumerate(seconds)}
        shut = {
            (i, j)
            for cell in self.blocked
            for i in range(column[cell.first[0]], column[cell.first[1]])
            for j in range(row[cell.second[0]], row[cell.second[1]])
        }
        reached: set[tuple[int, int]] = set()
        for i in range(len(firsts) - 1):
            for j in range(len(seconds) - 1):
                if (i, j) in shut:
                    continue
                if (i, j) == (0, 0) or (i - 1, j) in reached or (i, j - 1) in reached:
                    reached.add((i, j))
        return (len(firsts) - 2, len(seconds) - 2) in reached


def timed_branch(tree: Tree, profiles: Mapping[str, Moves]) -> Branch:
    """A branch of axes that move on one clock, each by a profile or by the start time and profile of each move."""
    courses = {tree.number(name): Course(moves) for name, moves in profiles.items()}
    return Branch(courses, max((course.duration for course in courses.values()), default=0.0))


def straight_branch(tree: Tree, ways: Mapping[str, tuple[float, float]]) -> Branch:
    """A branch of axes that go from one position to another [m or rad] in proportion, in 1 s."""
    profiles = {}
    for name, (start, goal) in ways.items():
        pieces = [(0.0, start, goal - start, 0.0, 0.0)]
        profiles[name] = Profile(State(start), State(goal), pieces, 1.0)
    return timed_branch(tree, profiles)


def diagram(
    tree: Tree,
    pairs: Iterable[Pair],
    first: Branch,
    second: Branch,
    others: Mapping[str, tuple[float, float]],
    band: Mapping[str, float] | None = None,
    finest: float = FINEST,
    budget: int = BUDGET,
) -> Diagram:
    """The diagram of two branches.

    Args:
        tree: where bodies are.
        pairs: the watched pairs, each with its margin.
        first: a branch.
        second: another, of other axes.
        others: where the axes are that neither moves [m or rad]; bodies outside may be left to their range.
        band: how far an axis may be from where its course says [m or rad].
        finest: cells are not bisected below this share of a branch.
        budget: the most cells to look at.
    """
    look = _Looking(tree, first, second, others, band or {}, finest, budget)
    watched = list(pairs)
    ends = (first.duration, second.duration)
    runs_ahead = []
    for edges in (
        (((0.0, ends[0]), (0.0, 0.0)), ((ends[0], ends[0]), (0.0, ends[1]))),
        (((0.0, 0.0), (0.0, ends[1])), ((0.0, ends[0]), (ends[1], ends[1]))),
    ):
        runs_ahead.append(not any(look.blocked(watched, *edge) for edge in edges))
    blocked = look.blocked(watched, (0.0, ends[0]), (0.0, ends[1]))
    return Diagram(ends, tuple(blocked), runs_ahead[0], runs_ahead[1], look.left > 0)


Span = tuple[float, float]


class _Looking:
    """Bisects rectangles of progress."""

    def __init__(
        self,
        tree: Tree,
        first: Branch,
        second: Branch,
        others: Mapping[str, Span],
        band: Mapping[str, float],
        finest: float,
        budget: int,
    ) -> None:
        self.branches = (first, second)
        self.low, self.high = tree.box(others)
        self.band = {tree.number(name): width for name, width in band.items()}
        self.finest = tuple(finest * branch.duration for branch in self.branches)
        self.wide = self.low != self.high or any(self.band.values())
        self.left = budget

    def blocked(self, pairs: Sequence[Pair], first: Span, second: Span) -> list[Blocked]:
        """The blocked cells of a rectangle."""
        self.left -= 1
        spans = (first, second)
        low, high, changes = self._box(spans)
        waiting = []
        widest = [0.0, 0.0]
        for pair in pairs:
            lower, centre = pair.bound(low, high)
            if lower > pair.margin:
                continue
            whole = sum(pair.lipschitz[k] * (high[k] - low[k]) for k in pair.concerns)
            if centre + 0.5 * whole <= pair.margin:
                return [Blocked(first, second, pair, True)]
            waiting.append(pair)
            for which in (0, 1):
                change = sum(pair.lipschitz[k] * changes[which].get(k, 0.0) for k in pair.concerns)
                widest[which] = max(widest[which], change)
        if not waiting:
            return []
        split = None
        for which in sorted((0, 1), key=lambda k: -widest[k]):
            begin, end = spans[which]
            if split is None and widest[which] > 0.0 and end - begin > 1.5 * self.finest[which]:
                split = which
        if split is None and self.wide and self.left > 0:
            verdict = prove(waiting, low, high, min(self.left, _AT_A_LEAF))
            self.left -= verdict.cells
            if verdict.outcome == "clear":
                return []
        if split is None or self.left <= 0:
            return [Blocked(first, second, waiting[0], False)]
        begin, end = spans[split]
        middle = 0.5 * (begin + end)
        found = []
        for half in ((begin, middle), (middle, end)):
            found += self.blocked(waiting, *((half, second) if split == 0 else (first, half)))
        return found

    def _box(self, spans: tuple[Span, Span]) -> tuple[list[float], list[float], list[dict[int, float]]]:
        """The box that the rectangle leads to, and how far each axis moves in it by either branch."""
        low, high = list(self.low), list(self.high)
        changes: list[dict[int, float]] = []
        for branch, (begin, end) in zip(self.branches, spans, strict=True):
            change = {}
            for number, course in branch.courses.items():
                low[number], high[number] = course.between(begin, end)
                change[number] = high[number] - low[number]
            changes.append(change)
        for number, width in self.band.items():
            low[number] -= width
            high[number] += width
        return low, high, changes
