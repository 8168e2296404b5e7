"""The forward pass over a routine: what starts when, from the first step to the last, if all goes punctually."""

from __future__ import annotations

import heapq
from collections.abc import Iterable, Mapping
from typing import Literal

from profiles import Profile, State
from sequencer.machine.machine import NANOSECONDS
from sequencer.plan.gates import Motion, opening_time, thresholds_of, watches_more
from sequencer.plan.motion import Pick, Values, has_way, moved_axes, profiles_of, value_of
from sequencer.plan.resolve import (
    AfterSteps,
    AtInstant,
    FlatRoutine,
    Node,
    PassingStep,
    Reference,
    ResolvedTime,
    WithStep,
)
from sequencer.routine.steps import Choose, Press, Repeat, Wait

Waits = Literal["usual", "shortest", "longest"]
"""How long a wait for a condition takes in a plan: as it says of itself (or one tick), one tick, or its timeout."""

CUT_SHORT = "interrupted in the plan by the branch that comes first"
"""What is said of a step that loses to another branch of a join."""

_INFINITE = float("inf")
_MOST_PASSAGES = 1000
_END, _MOTION, _START = range(3)


class Timed:
    """One step as the pass found it; times in [s], None until they are known. Of a repeated step the first passage.

    `full_end` is when it would have ended if no other step had interrupted it.
    """

    __slots__ = ("about", "end", "full_end", "marks", "motion_start", "opened_by", "profiles", "start")

    def __init__(self, start: float) -> None:
        self.start = start
        self.motion_start: float | None = None
        self.end: float | None = None
        self.full_end: float | None = None
        self.profiles: dict[str, Profile] = {}
        self.marks: dict[str, float] = {}
        self.opened_by: int | None = None
        self.about: list[str] = []


class ForwardPass:
    """Plays a routine once, from event to event. The result is in `timed` (by node) and `trajectories` (by axis).

    Args:
        flat: the routine.
        values: a value for every parameter.
        initial: where each axis stands at the start [m or rad].
        waits: how long waits take.
        branch: which branch each choose takes, counted from 0 (the last one where there are fewer).
        forced: which branch some take whatever `branch` says, by step index.
        pick: which end of a range goals take that a sensor gives.

    Raises:
        MotionError: a step cannot move as it says.
    """

    def __init__(
        self,
        flat: FlatRoutine,
        values: Values,
        initial: dict[str, float],
        waits: Waits = "usual",
        branch: int = 0,
        pick: Pick = "middle",
        forced: Mapping[int, int] | None = None,
    ) -> None:
        self.flat = flat
        self.values = values
        self.initial = initial
        self.waits = waits
        self.branch = branch
        self.forced = forced or {}
        self.pick = pick
        self.period = flat.machine.period / NANOSECONDS
        self.timed: dict[int, Timed] = {}
        self.current: dict[str, Motion] = {
            axis: Motion(0.0, Profile(State(place), State(place), (), 0.0), -1) for axis, place in initial.items()
        }
        self.trajectories: dict[str, list[tuple[float, Profile]]] = {axis: [] for axis in initial}
        self.running: dict[int, Timed] = {}
        self.ended: set[int] = set()
        self.gated: set[int] = set()
        self.passages: dict[int, int] = {}
        self.open_children: dict[int, set[int]] = {}
        self.events: list[tuple[float, int, int, int]] = []
        self.turn: dict[int, int] = {}
        self.afters, self.withs, self.passers = _dependents(flat)
        self._begin_list(flat.roots, 0.0)
        self._play()
        self.duration = max((timed.end for timed in self.timed.values() if timed.end is not None), default=0.0)

    def _play(self) -> None:
        while self.events or self.gated:
            if not self.events:
                self._open_by_force()
                continue
            time, kind, index, turn = heapq.heappop(self.events)
            if time == _INFINITE:
                return
            if kind == _START:
                self._start(index, time)
            elif turn != self.turn.get(index, 0):
                continue
            elif kind == _MOTION:
                self._begin_motion(index, time)
            else:
                self._finish(index, time)

    def _put(self, time: float, kind: int, index: int) -> None:
        heapq.heappush(self.events, (time, kind, index, self.turn.get(index, 0)))

    def _begin_list(self, steps: Iterable[int], time: float) -> None:
        for index in steps:
            start = self.flat.nodes[index].start
            if isinstance(start, AfterSteps) and not start.steps:
                self._put(time, _START, index)
            elif isinstance(start, AtInstant):
                self._put(time + start.time / NANOSECONDS, _START, index)

    def _start(self, index: int, time: float) -> None:
        if index in self.running or index in self.ended:
            return
        node = self.flat.nodes[index]
        record = Timed(time)
        self.running[index] = record
        self.timed.setdefault(index, record)
        for follower in self.withs.get(index, ()):
            self._put(time, _START, follower)
        if node.step.is_block:
            self._enter(node, record, time)
        elif moved_axes(node):
            self._await_gate(index, time)
        else:
            self._last(node, record, time)

    def _last(self, node: Node, record: Timed, time: float) -> None:
        record.motion_start = time
        if node.step.once is not None:
            record.about.append(f"its gate ({node.step.once}) is taken as open")
        record.full_end = time + max(self._time_taken(node, record), self.period)
        self._put(record.full_end, _END, node.index)

    def _time_taken(self, node: Node, record: Timed) -> float:
        step = node.step
        if step.duration is not None:
            return self._seconds(node.scope.time(step.duration))
        condition = step.body.condition if isinstance(step.body, Wait) else step.until
        if condition is None:
            return 0.0
        if self.waits == "longest":
            return self._longest(node)
        if step.usually is not None and self.waits == "usual":
            record.about.append(f"it usually waits this long for: {condition}")
            return self._seconds(node.scope.time(step.usually))
        record.about.append(f"its condition ({condition}) is taken as true after one tick")
        return self.period + self._seconds(node.scope.time(step.steady)) + self._seconds(node.scope.time(step.blind))

    def _longest(self, node: Node) -> float:
        timeout = node.step.timeout or node.scope.routine.default_timeout
        if timeout is None or timeout.kind == "none":
            return _INFINITE
        usual = node.step.usually if timeout.kind == "planned" else None
        planned = self.period if usual is None else self._seconds(node.scope.time(usual))
        limit = self._seconds(node.scope.time(timeout.time)) + (planned if timeout.kind == "planned" else 0.0)
        return limit * (1 + node.step.retry)

    def _enter(self, node: Node, record: Timed, time: float) -> None:
        record.motion_start = time
        inside = node.children
        body = node.step.body
        if isinstance(body, Choose):
            taken = node.groups[self.forced.get(node.index, min(self.branch, len(node.groups) - 1))]
            inside = taken[1]
            record.about.append(f"takes the branch {'else' if taken[0] is None else f'if {taken[0]}'}")
        if isinstance(body, Repeat):
            if body.times is not None:
                self.passages[node.index] = max(self._times(node, body), 1)
                record.about.append(f"{self.passages[node.index]} passages; times inside are of the first")
            else:
                self.passages[node.index] = 1
                record.about.append(f"one passage; it repeats until: {body.until or node.step.until}")
        self._enter_group(node.index, inside, time)

    def _times(self, node: Node, body: Repeat) -> int:
        assert body.times is not None
        wanted = round(value_of(node.scope.operand(body.times), self.values, self.flat.machine))
        return min(wanted, _MOST_PASSAGES)

    def _enter_group(self, block: int, inside: tuple[int, ...], time: float) -> None:
        self.open_children[block] = set(inside)
        if inside:
            self._begin_list(inside, time)
        else:
            self._put(time + self.period, _END, block)

    def _await_gate(self, index: int, time: float) -> None:
        """Move now if the gate is open, at the time at which it will open, or keep the step for when an axis gets a
        new motion."""
        node, record = self.flat.nodes[index], self.running[index]
        opening, opener = time, -1
        for threshold in thresholds_of(node, self.values):
            motion = self.current[threshold.axis]
            found = opening_time(threshold, motion, time)
            if found is None:
                self.gated.add(index)
                return
            if found > time:
                found += self.flat.machine.axes[threshold.axis].latency[1] / NANOSECONDS
            if found > opening:
                opening, opener = found, motion.owner
        if opener >= 0:
            record.opened_by = opener
        if opening > time:
            self.gated.add(index)
            self._put(opening, _MOTION, index)
        else:
            self._begin_motion(index, time)

    def _open_by_force(self) -> None:
        index = min(self.gated)
        record = self.running[index]
        time = max(record.start, max((timed.end or 0.0 for timed in self.timed.values()), default=0.0))
        record.about.append(f"nothing in the plan opens its gate ({self.flat.nodes[index].step.once})")
        self.gated.discard(index)
        self._move(index, time)

    def _begin_motion(self, index: int, time: float) -> None:
        node = self.flat.nodes[index]
        for threshold in thresholds_of(node, self.values):
            motion = self.current[threshold.axis]
            if not threshold.passed(motion.at(time).position):
                self._retry_gate(index, time)
                return
        self.gated.discard(index)
        self._move(index, time)

    def _retry_gate(self, index: int, time: float) -> None:
        self.turn[index] = self.turn.get(index, 0) + 1
        self.running[index].opened_by = None
        self._await_gate(index, time)

    def _move(self, index: int, time: float) -> None:
        node, record = self.flat.nodes[index], self.running[index]
        axes = moved_axes(node)
        looked_at = axes if node.step.route is None else self.current
        starts = {axis: self.current[axis].at(time) for axis in looked_at}
        found = profiles_of(node, starts, self.values, self.pick)
        if node.step.route is not None and not has_way(node, starts, self.values):
            record.about.append("it is planned straight to its goal; its way is looked up where it starts")
        record.motion_start, record.profiles = time, found
        if watches_more(node):
            record.about.append(
                f"its gate ({node.step.once}) is taken as open where it asks for more than axis positions"
            )
        if isinstance(node.step.body, Press):
            record.about.append("contact is taken to come at the end of the way")
        elif node.step.until is not None:
            record.about.append(f"taken to run to its end, not to be ended by: {node.step.until}")
        lasts, settle = 0.0, 0.0
        for axis, profile in found.items():
            self._take(axis, Motion(time, profile, index), time)
            lasts = max(lasts, profile.duration)
            settle = max(settle, self.flat.machine.axes[axis].tolerance.settle / NANOSECONDS)
            record.marks.update({name: time + at for name, at in profile.marks.items()})
        if isinstance(node.step.body, Press):
            settle = self._seconds(node.scope.time(node.step.steady))
            if self.waits == "longest" and self._longest(node) < _INFINITE:
                lasts = max(lasts, self._longest(node) - settle)
        record.full_end = max(time + lasts + settle, record.start + self.period)
        self._put(record.full_end, _END, index)
        for follower in self.passers.get(index, ()):
            self._pass(follower, record, time)
        for waiting in sorted(self.gated):
            if waiting in self.gated:
                self._retry_gate(waiting, time)

    def _take(self, axis: str, motion: Motion, time: float) -> None:
        owner = self.current[axis].owner
        self.current[axis] = motion
        self.trajectories[axis].append((time, motion.profile))
        if owner in self.running and owner != motion.owner:
            # Taken over while it moved: the step that had the axis ends here.
            self.turn[owner] = self.turn.get(owner, 0) + 1
            self._put(time, _END, owner)

    def _pass(self, follower: int, watched: Timed, time: float) -> None:
        start = self.flat.nodes[follower].start
        assert isinstance(start, PassingStep)
        if isinstance(start.at, str):
            instant = watched.marks.get(start.at)
        else:
            axis = start.axis or next(iter(watched.profiles))
            passing = watched.profiles[axis].first_time_at(value_of(start.at, self.values, self.flat.machine))
            instant = None if passing is None else time + passing
        if instant is None:
            # Never passed: it will end aborted when the watched step does; the plan shows it there, and the check
            # says so.
            instant = time + max(profile.duration for profile in watched.profiles.values())
        self._put(max(time, instant - self._seconds(start.lead) + self._seconds(start.lag)), _START, follower)

    def _finish(self, index: int, time: float) -> None:
        record = self.running.pop(index, None)
        if record is None:
            return
        self.ended.add(index)
        self.gated.discard(index)
        record.end = time
        if self.timed[index] is not record:
            self.timed[index].end = self.timed[index].end or time
        for follower in self.afters.get(index, ()):
            self._joined(follower, index, time)
        self._left(self.flat.nodes[index].parent, index, time)

    def _joined(self, follower: int, ended: int, time: float) -> None:
        start = self.flat.nodes[follower].start
        assert isinstance(start, AfterSteps)
        if not start.any:
            if all(step in self.ended for step in start.steps):
                self._put(time, _START, follower)
            return
        if follower in self.running or follower in self.ended:
            return
        self._put(time, _START, follower)
        for step, branch in zip(start.steps, start.branches, strict=True):
            if step != ended:
                for loser in branch:
                    self._lose(loser, time)

    def _lose(self, index: int, time: float) -> None:
        for child in self.flat.nodes[index].children:
            self._lose(child, time)
        self.turn[index] = self.turn.get(index, 0) + 1
        self.gated.discard(index)
        record = self.running.pop(index, None)
        self.ended.add(index)
        if record is not None:
            record.end = time
            record.about.append(CUT_SHORT)
        self._left(self.flat.nodes[index].parent, index, time)

    def _left(self, block: int, index: int, time: float) -> None:
        waiting = self.open_children.get(block)
        if waiting is None:
            return
        waiting.discard(index)
        if waiting or block not in self.running:
            return
        passages = self.passages.get(block, 1)
        if passages > 1 and time < _INFINITE:
            self.passages[block] = passages - 1
            inside = self.flat.nodes[block].children
            self._forget(inside)
            self._enter_group(block, inside, time)
        elif self.waits == "longest" and self.flat.nodes[block].step.until is not None:
            self._put(max(time, self.running[block].start + self._longest(self.flat.nodes[block])), _END, block)
        else:
            self._put(time, _END, block)

    def _forget(self, steps: tuple[int, ...]) -> None:
        for index in steps:
            self.ended.discard(index)
            self._forget(self.flat.nodes[index].children)

    def _seconds(self, time: ResolvedTime) -> float:
        if isinstance(time, Reference):
            return value_of(time, self.values, self.flat.machine)
        return time / NANOSECONDS


def _dependents(flat: FlatRoutine) -> tuple[dict[int, list[int]], dict[int, list[int]], dict[int, list[int]]]:
    afters: dict[int, list[int]] = {}
    withs: dict[int, list[int]] = {}
    passers: dict[int, list[int]] = {}
    for node in flat.nodes:
        match node.start:
            case AfterSteps(steps=steps):
                for step in steps:
                    afters.setdefault(step, []).append(node.index)
            case WithStep(step=step):
                withs.setdefault(step, []).append(node.index)
            case PassingStep(step=step):
                passers.setdefault(step, []).append(node.index)
            case _:
                pass
    return afters, withs, passers
