"""One run of a routine: which steps are active, how they end, what starts after them (SEMANTICS sections B, D, E and
J).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any

from profiles import ProfileError
from sequencer.run.definition import RoutineDefinition, StepDefinition
from sequencer.run.step_kinds import StartFailed, energise
from sequencer.run.step_state import ACTIVE, DEAD, ENDED, IDLE, Activation, Milestone, motion_of
from sequencer.run.terms import Scope, Watch, build

if TYPE_CHECKING:
    from sequencer.run.host import Host

_ROOT = -1


class Run:
    """A run in progress or over.

    `state` is "running", "finishing" (all steps have ended, something still comes to rest), "stopping", or its outcome:
    "done", "cancelled" or "faulted".
    """

    def __init__(
        self, host: Host, definition: RoutineDefinition, parameters: Mapping[str, float | str], speed: float
    ) -> None:
        self.host = host
        self.definition = definition
        self.name = definition.name
        self.parameters = dict(parameters)
        self.speed = speed
        self.state = "running"
        self.outcome: str | None = None
        self.cause = ""
        self.machine_fault = False
        self.then: str | None = None
        self.started = 0
        self.status = [IDLE] * len(definition.steps)
        self.pending = [0] * len(definition.steps)
        self.timed: list[tuple[int, int]] = []
        self.own: dict[str, Any] = {}
        for step in definition.steps:
            self.own[step.timed_out_key] = False
            self.own[step.elapsed_key] = None
        self.scope = Scope(host.values, self.own, self.parameters, host.definition.presets, host.occupants)
        self.active: list[Activation] = []
        self.by_step: dict[int, Activation] = {}
        self.root_remaining = 0
        self.abandoned: list[int] = []
        self.attempts: dict[int, int] = {}
        self.done_now: dict[int, str] = {}
        self.evaluated = -1
        self.outcome_to_be = ""
        self.used_axes: set[int] = set()
        self.used_outputs: set[int] = set()

    @property
    def over(self) -> bool:
        return self.outcome is not None

    # Phase 3: what must stay true while steps are active.

    def watch_over(self) -> None:
        """Faults the run if a `must_stay` of an active step is not true (R32)."""
        for activation in self.active:
            if activation.must_stay is not None and activation.must_stay() is not True:
                words = self.host.words(activation.step.data["must_stay"], self.scope)
                self.fault(f"{activation.step.name}: must_stay does not hold: {words}", activation, machine=True)
                return

    # Phase 4: completion and timeout of the steps that were active before this tick.

    def completions(self) -> list[tuple[Activation, str, str]]:
        """(activation, outcome, cause) of every step that ends in this tick; completion beats timeout (R23)."""
        host = self.host
        now, gap = host.now, host.gap
        quarter = host.quarter
        ended = []
        self._measure_times(now)
        self.evaluated = host.tick_number
        self.done_now.clear()
        for activation in self.active:
            cause = self._completed(activation, now, gap, quarter)
            if cause is not None:
                ended.append((activation, "done", cause))
                self.done_now[activation.step.index] = cause
            elif activation.timeout is not None and now - activation.since + quarter >= activation.timeout:
                ended.append((activation, "timeout", self._timeout_words(activation)))
        return ended

    def _measure_times(self, now: int) -> None:
        """All elapsed times first, so that every condition sees those of this tick (R6)."""
        for activation in self.active:
            self.own[activation.step.elapsed_key] = (now - activation.since) * 1e-9

    def _completed(self, activation: Activation, now: int, gap: int, quarter: int) -> str | None:
        """Why the step is done, or None."""
        if activation.skipped:
            return "skipped"
        step = activation.step
        kind = step.kind
        if kind in ("choose", "perform", "repeat"):
            if kind == "repeat" and activation.watch is not None:
                for edge in activation.watch.edges:
                    edge.sample()
            return None
        if activation.watch is not None and activation.watch.fulfilled(now, gap):
            return self.host.words(step.data["until"], self.scope)
        if activation.energised is None:
            return None
        if activation.duration is not None:
            return "time" if now - activation.energised + quarter >= activation.duration else None
        if kind == "move" or kind == "flick":
            return "arrived" if self._arrived(activation, gap) else None
        return "set" if kind == "set" else None

    def _arrived(self, activation: Activation, gap: int) -> bool:
        """All profiles ended, and error and speed within tolerance for the settle time (R31)."""
        arrived = True
        values = self.host.values
        period = self.host.definition.period
        for index, motion in enumerate(activation.motions):
            if motion.held is not None or not motion.ended():
                activation.settled[index] = -1
                arrived = False
                continue
            axis = motion.definition
            position = values.get(axis.name)
            speed = values.get(axis.name + ".speed")
            if (
                position is None
                or speed is None
                or not -axis.position_tolerance <= position - motion.goal <= axis.position_tolerance
                or not -axis.speed_tolerance <= speed <= axis.speed_tolerance
            ):
                activation.settled[index] = -1
                arrived = False
                continue
            credit = activation.settled[index]
            credit = 0 if credit < 0 else credit + (gap if gap < period else period)
            activation.settled[index] = credit
            if credit + (period >> 2) < axis.settle:
                arrived = False
        return arrived

    def _timeout_words(self, activation: Activation) -> str:
        assert activation.timeout is not None  # only called once it has passed
        words = f"{activation.step.name} not done after {activation.timeout * 1e-9:.3g} s"
        waits = self.host.waiting_words(activation, self)
        return f"{words}: {waits}" if waits else words

    # Phases 5 and 6: ends, starts, blocks.

    def go_on(self, ended: list[tuple[Activation, str, str]]) -> None:
        """Exit what has ended (newest first), then start everything that this enables, all on one snapshot (R6, R8)."""
        ready: set[int] = set()
        arrived: list[int] = []
        reached = self._milestones_reached()
        for activation, outcome, cause in sorted(ended, key=lambda item: -item[0].sequence):
            if activation.step.index not in self.by_step or self.state != "running":
                continue
            if outcome == "timeout":
                self._timed_out(activation, cause, arrived)
            else:
                self._exit(activation, outcome, cause)
                arrived.append(activation.step.index)
        if self.state != "running":
            return
        ready.update(reached)
        ready.update(self._due())
        ready.update(self.attempts)
        ready.update(self._choices_made(arrived))
        if arrived or ready or self.abandoned:
            self._spread(sorted(arrived), ready)

    def begin(self) -> None:
        """The tick of the request: the first steps are active in it (R5)."""
        self.started = self.host.now
        self.root_remaining = len(self.definition.entries)
        self._spread([], set(self._open_scope(_ROOT, self.definition.entries)))

    def _open_scope(self, parent: int, steps: Iterable[int]) -> list[int]:
        """Make the steps of a block (or the whole routine) ready to be started; returns those that start at once."""
        now = self.host.now
        inside = set(steps)
        self.timed = [(time, index) for time, index in self.timed if index not in inside]
        first = []
        for index in inside:
            self._reset(index)
        for index in steps:
            start = self.definition.steps[index].start
            if start["kind"] == "at":
                if start["time"] <= 0:
                    first.append(index)
                else:
                    self.timed.append((now + start["time"], index))
            elif start["kind"] == "after" and not start["steps"]:
                first.append(index)
        return first

    def _reset(self, index: int) -> None:
        step = self.definition.steps[index]
        self.status[index] = IDLE
        self.attempts.pop(index, None)
        self.pending[index] = len(step.start["steps"]) if step.start["kind"] == "after" else 0
        self.own[step.timed_out_key] = False
        self.own[step.elapsed_key] = None

    def _due(self) -> list[int]:
        """Steps whose `at` time has come."""
        if not self.timed:
            return []
        limit = self.host.now + self.host.quarter
        due = [index for time, index in self.timed if time <= limit]
        if due:
            self.timed = [(time, index) for time, index in self.timed if time > limit]
        return due

    def _milestones_reached(self) -> list[int]:
        """Steps whose milestone is nearer to this tick than to the next (M2), with what remains recorded."""
        return [index for activation in self.active for index in self._passed(activation)]

    def _passed(self, activation: Activation) -> list[int]:
        """The dependents of one step whose milestone is nearer to this tick than to the next."""
        passed = []
        half = self.host.definition.period >> 1
        for milestone in activation.milestones:
            if milestone.instant is None or self.status[milestone.step] != IDLE:
                continue
            motion = motion_of(activation, milestone)
            clock = motion.next_clock if motion.profile is not None else motion.end_clock
            if clock + half > milestone.instant:
                passed.append(milestone.step)
                self._record_milestone(activation, milestone, clock)
        return passed

    def _record_milestone(self, activation: Activation, milestone: Milestone, clock: int) -> None:
        assert milestone.instant is not None
        off = (clock - milestone.instant) * 1e-9
        dependent = self.definition.steps[milestone.step]
        values: tuple[tuple[str, float], ...] = (("late_by", off),)
        if milestone.instant < 0 and clock <= 0:
            missing = -milestone.instant * 1e-9
            text = f"{activation.step.name} passes too soon: the lead is {missing:.4g} s longer than the run-up"
        else:
            text = f"{activation.step.name} passes in {-off * 1000.0 + 0.0:.3f} ms"
        self.host.event("milestone", self.name, dependent.name, text, values)
        milestone.instant = None
        milestone.fired = True

    def _choices_made(self, arrived: list[int]) -> list[int]:
        """The first steps of waiting `choose` blocks whose guard has come true."""
        ready: list[int] = []
        for activation in list(self.active):
            if activation.step.kind == "choose" and activation.branch < 0:
                ready += self._choose(activation, arrived)
        return ready

    def _spread(self, arrived: list[int], ready: set[int]) -> None:
        """Starts and zero-tick ends until nothing more follows in this tick; ends with the run, or with
        active steps.
        """
        while arrived or ready or self.abandoned:
            arrived += self.abandoned
            self.abandoned = []
            for index in arrived:
                ready.update(self._successors(index))
            arrived = []
            while ready and self.state == "running":
                index = min(ready)
                ready.remove(index)
                if self.status[index] == IDLE:
                    ready.update(self._start(self.definition.steps[index], arrived))
            if self.state != "running":
                return
        if self.root_remaining == 0:
            self.host.finish(self)
        elif not self.active and not self.timed:
            left = [step.name for step in self.definition.steps if self.status[step.index] == IDLE]
            self.fault(f"nothing is active, yet these steps have not ended: {', '.join(left)}", None, machine=True)

    def _successors(self, index: int) -> list[int]:
        """What the end of a step enables: successors whose joins are complete, the end or next passage of its block."""
        step = self.definition.steps[index]
        ready = []
        for successor in step.successors:
            self.pending[successor] -= 1
            if self.pending[successor] == 0 and self.status[successor] == IDLE:
                ready.append(successor)
        for successor in step.joins_any:
            if self.status[successor] == IDLE and successor not in ready:
                self._drop_losers(self.definition.steps[successor], index)
                ready.append(successor)
        return ready + self._leave(step.parent)

    def _leave(self, parent: int) -> list[int]:
        """One step fewer in a block; its last one ends the block, or begins a repeat's next passage."""
        if parent == _ROOT:
            self.root_remaining -= 1
            return []
        block = self.by_step.get(parent)
        if block is None:
            return []
        block.remaining -= 1
        return self._block_over(block) if block.remaining == 0 else []

    def _block_over(self, block: Activation) -> list[int]:
        step = block.step
        if step.kind == "repeat":
            block.passes += 1
            again = block.times is None or block.passes < block.times
            if block.watch is not None and block.watch.test() is True:
                again = False
            if again:
                if block.last_entry_tick == self.host.tick_number:
                    self.fault(f"{step.name}: a passage without a single step; it would go round for ever", block)
                    return []
                return self._passage(block)
        self._exit(block, "done", f"{block.passes} passages" if step.kind == "repeat" else "")
        return self._successors(step.index)

    def _first_passage(self, block: Activation, arrived: list[int]) -> list[int]:
        step = block.step
        if not step.entries[0]:
            raise StartFailed("a block without a single step; it would never end")
        if step.kind == "repeat" and step.data["times"] is not None:
            block.times = int(self.scope.number(step.data["times"]))
            if block.times < 1:
                self._exit(block, "done", "no passages")
                arrived.append(step.index)
                return []
        return self._passage(block)

    def _passage(self, block: Activation) -> list[int]:
        block.last_entry_tick = self.host.tick_number
        steps = block.step.entries[0]
        block.remaining = len(steps)
        return self._open_scope(block.step.index, steps)

    def _drop_losers(self, join: StepDefinition, winner: int) -> None:
        """The other branches of a join-any: active steps are interrupted, the rest never start (R12)."""
        start = join.start
        losers = [
            index
            for predecessor, branch in zip(start["steps"], start["branches"], strict=True)
            if predecessor != winner
            for index in branch
        ]
        for index in losers:
            if self.status[index] == IDLE:
                self.status[index] = DEAD
                self._count_out(index)
        active = [self.by_step[index] for index in losers if self.status[index] == ACTIVE]
        for activation in sorted(active, key=lambda one: -one.sequence):
            if self.status[activation.step.index] == ACTIVE:
                self._interrupt_inner(activation, f"{join.name} goes on without it")
                self._exit(activation, "aborted", f"{join.name} goes on without it")
                self._count_out(activation.step.index)

    def _count_out(self, index: int) -> None:
        parent = self.definition.steps[index].parent
        if parent == _ROOT:
            self.root_remaining -= 1
        elif parent in self.by_step:
            self.by_step[parent].remaining -= 1

    # One step.

    def _start(self, step: StepDefinition, arrived: list[int]) -> list[int]:
        """Activate a step; returns the steps that start with it, and inside it. A block that is over at once joins
        `arrived`.
        """
        host = self.host
        activation = Activation(step, host.now, host.tick_number, host.next_sequence())
        self.status[step.index] = ACTIVE
        self.active.append(activation)
        self.by_step[step.index] = activation
        data = step.data
        activation.timeout = step.timeout
        activation.attempt = self.attempts.pop(step.index, 1)
        self.own[step.elapsed_key] = 0.0
        self.own[step.timed_out_key] = False
        ready = [index for index in step.withs if self.status[index] == IDLE]
        if data["only_if"] is not None and build(data["only_if"], self.scope)() is not True:
            activation.skipped = True
            host.event("skip", self.name, step.name, f"not ({host.words(data['only_if'], self.scope)})")
            return ready
        host.event("start", self.name, step.name, step.kind)
        try:
            self._arm(activation)
            if step.kind == "choose":
                ready += self._choose(activation, arrived)
            elif step.kind in ("repeat", "perform"):
                ready += self._first_passage(activation, arrived)
            else:
                self._claim(activation)
                if activation.gate is None or activation.gate() is True:
                    ready += self.energise(activation)
        except StartFailed as failure:
            self.fault(f"{step.name}: {failure}", activation, machine=failure.machine)
        except ProfileError as problem:
            self.fault(f"{step.name}: {problem}", activation)
        return ready

    def _arm(self, activation: Activation) -> None:
        """Read the step's parameters, once, and build its conditions (R25)."""
        step, host, scope = activation.step, self.host, self.scope
        data = step.data
        if data["must_stay"] is not None:
            activation.must_stay = build(data["must_stay"], scope)
            if activation.must_stay() is not True:
                raise StartFailed(f"must_stay does not hold: {host.words(data['must_stay'], scope)}", machine=True)
        if data["once"] is not None:
            activation.gate = build(data["once"], scope, activation.edges, gate=True)
        if data["until"] is not None:
            period = host.definition.period
            steady, blind = scope.time(step.steady), scope.time(step.blind)
            activation.watch = Watch(data["until"], scope, host.now, period, steady, blind)
        if step.duration is not None:
            activation.duration = scope.time(step.duration)
        for index in step.passers:
            start = self.definition.steps[index].start
            place = None if start["at"] == "through" else scope.number(start["at"])
            activation.milestones.append(
                Milestone(index, place, start["axis"], scope.time(start["lead"]), scope.time(start["lag"]))
            )

    def _choose(self, activation: Activation, arrived: list[int]) -> list[int]:
        """The first branch whose guard is true, in file order; none and no else: wait (R11)."""
        data = activation.step.data
        if not activation.guards:
            activation.guards = [build(branch["term"], self.scope, activation.edges) for branch in data["branches"]]
        else:
            for edge in activation.edges:
                edge.sample()
        taken = next((number for number, guard in enumerate(activation.guards) if guard() is True), None)
        if taken is None:
            if data["otherwise"] is None:
                return []
            taken = len(activation.guards)
        activation.branch = taken
        words = (
            "else" if taken == len(activation.guards) else self.host.words(data["branches"][taken]["term"], self.scope)
        )
        self.host.event("branch", self.name, activation.step.name, words)
        steps = activation.step.entries[taken]
        activation.remaining = len(steps)
        if not steps:
            self._exit(activation, "done", "nothing to do")
            arrived.append(activation.step.index)
            return []
        return self._open_scope(activation.step.index, steps)

    def _claim(self, activation: Activation) -> None:
        """Take the axes and outputs that the step drives; one owner each (R28)."""
        host = self.host
        preempt = activation.step.data["preempt"]
        for axis in activation.step.axes:
            motion = host.motions[axis]
            owner = motion.activation.step.name if motion.activation is not None else None
            if owner is None and motion.run is not None and motion.run is not self:
                owner = motion.run.name
            if motion.stop_kind is not None and motion.moving:
                raise StartFailed(f"{motion.definition.name} is stopping")
            if motion.activation is not None and motion.activation.tick == host.tick_number:
                raise StartFailed(f"{motion.definition.name} is taken by {owner} in the same tick")
            if owner is not None and not preempt:
                raise StartFailed(f"{motion.definition.name} is in use by {owner}")
        for output in activation.step.outputs:
            holder = host.output_owner[output]
            if holder is not None and holder is not activation:
                raise StartFailed(f"output {host.definition.outputs[output]['name']} is in use by {holder.step.name}")
        for axis in activation.step.axes:
            motion = host.motions[axis]
            if motion.activation is not None or (motion.run is not None and motion.run is not self):
                host.interrupt_owner(motion, self, activation.step.name)
            motion.activation = activation
            motion.run = self
            motion.taken_at = host.now
            self.used_axes.add(axis)
            activation.motions.append(motion)
            activation.settled.append(-1)
            if motion.moving and motion.stop_kind is None:
                motion.brake()
        for output in activation.step.outputs:
            self.used_outputs.add(output)
            if activation.step.kind == "pulse":
                host.output_owner[output] = activation
                activation.outputs.append(output)

    def open_gates(self) -> None:
        """Steps whose gate is true in this tick start to move in it (R32)."""
        ready: set[int] = set()
        for activation in list(self.active):
            if activation.energised is not None or activation.skipped or self.state != "running":
                continue
            if activation.step.kind in ("choose", "repeat", "perform"):
                continue
            if activation.tick == self.host.tick_number:
                continue
            for edge in activation.edges:
                edge.sample()
            if activation.gate is None or activation.gate() is True:
                try:
                    ready.update(self.energise(activation))
                    if activation.gate is not None and activation.energised is not None:
                        words = self.host.words(activation.step.data["once"], self.scope)
                        self.host.event("gate", self.name, activation.step.name, words)
                except StartFailed as failure:
                    self.fault(f"{activation.step.name}: {failure}", activation, machine=failure.machine)
                except ProfileError as problem:
                    self.fault(f"{activation.step.name}: {problem}", activation)
        if ready and self.state == "running":
            self._spread([], ready)

    def energise(self, activation: Activation) -> list[int]:
        """Let the step act, unless the supervisor does not let a press begin; returns what its milestones start at once
        (M4).
        """
        if not energise(activation, self):
            return []
        activation.energised = self.host.now
        return self._passed(activation) if activation.milestones else []

    def _timed_out(self, activation: Activation, cause: str, arrived: list[int]) -> None:
        step = activation.step
        self.own[step.timed_out_key] = True
        if activation.attempt <= step.retry:
            self._retry(activation, cause)
            return
        self._interrupt_inner(activation, "timeout")
        self._exit(activation, "timeout", cause)
        if step.on_timeout == "continue":
            arrived.append(step.index)
        elif step.on_timeout == "fault":
            self.fault(cause, None)
        else:
            if step.on_timeout != "cancel":
                self.then = step.on_timeout
            self.cancel(cause)

    def _retry(self, activation: Activation, cause: str) -> None:
        """Left and entered in one tick: a new activation with its own clock; outputs do not drop in between (R10).

        It is entered with the other starts of the tick; what waits for its milestones goes on waiting.
        """
        step = activation.step
        attempt = activation.attempt + 1
        self.attempts[step.index] = attempt
        self._interrupt_inner(activation, "retry")
        self._exit(activation, "timeout", cause)
        self.status[step.index] = IDLE
        self.host.event("retry", self.name, step.name, f"attempt {attempt} of {step.retry + 1}")

    def _interrupt_inner(self, activation: Activation, cause: str) -> None:
        """Everything active inside a block ends with it."""
        if activation.step.kind not in ("choose", "repeat", "perform"):
            return
        for step in self.definition.steps:
            if self.status[step.index] == IDLE and self._is_inside(step, activation.step.index):
                self.status[step.index] = DEAD
                self.attempts.pop(step.index, None)
        inside = [other for other in self.active if self._is_inside(other.step, activation.step.index)]
        for other in sorted(inside, key=lambda item: -item.sequence):
            self._exit(other, "aborted", cause)
        self.timed = [(time, index) for time, index in self.timed if self.status[index] == IDLE]

    def _is_inside(self, step: StepDefinition, block: int) -> bool:
        parent = step.parent
        while parent != _ROOT:
            if parent == block:
                return True
            parent = self.definition.steps[parent].parent
        return False

    def _exit(self, activation: Activation, outcome: str, cause: str) -> None:
        """End an activation: its pulses go to rest, its axes brake or hold and stay with the run (R14, R22, R26)."""
        host = self.host
        step = activation.step
        self.status[step.index] = ENDED
        self.active.remove(activation)
        del self.by_step[step.index]
        self.own[step.elapsed_key] = (host.now - activation.since) * 1e-9
        for motion in activation.motions:
            if motion.activation is activation:
                motion.activation = None
                motion.held = None
                if step.kind == "pulse":
                    motion.run = None
                    host.rest(motion)
                elif step.kind != "press" and motion.moving and not motion.ended():
                    motion.brake()
        for output in activation.outputs:
            if host.output_owner[output] is activation:
                host.output_owner[output] = None
                host.outputs[output] = host.definition.outputs[output]["rest"]
        host.event("end", self.name, step.name, f"{outcome}: {cause}" if cause else outcome, (("outcome", outcome),))
        if step.passers and self.state == "running" and step.index not in self.attempts:
            passed = {milestone.step for milestone in activation.milestones if milestone.fired}
            for index in step.passers:
                if self.status[index] == IDLE and index not in passed:
                    self._abandon(index, f"{step.name} ended without passing its place")

    def _abandon(self, index: int, reason: str) -> None:
        """A dependent step whose milestone will never come, and what starts with it: aborted, and the rest goes on
        (M4).
        """
        self.status[index] = DEAD
        dependent = self.definition.steps[index]
        self.host.event("end", self.name, dependent.name, f"aborted: {reason}", (("outcome", "aborted"),))
        self.abandoned.append(index)
        for follower in dependent.withs:
            if self.status[follower] == IDLE:
                self._abandon(follower, f"{dependent.name} never started")

    def preempted(self, activation: Activation, by: str) -> None:
        """Another step of this run takes an axis of this one, which ends aborted; what follows it goes on (R28)."""
        self._exit(activation, "aborted", f"{by} takes its axis")
        self.abandoned.append(activation.step.index)

    # The end of a run.

    def fault(
        self, cause: str, activation: Activation | None, machine: bool = False, stop: Mapping[int, str] | None = None
    ) -> None:
        """Interrupt every step; the run is faulted once nothing moves any more (R13). `stop`: kinds other than the
        axes' own.
        """
        if self.state == "stopping" and self.outcome_to_be == "faulted":
            self._stop_axes(stop)
            return
        self.host.event("fault", self.name, activation.step.name if activation else "", cause)
        self.machine_fault = machine
        self._stop_all("faulted", cause, activation, stop)

    def cancel(self, cause: str, off: bool = False) -> None:
        """Interrupt every step by each axis' own stop, or switch its axes off; idempotent (R34)."""
        stop = dict.fromkeys(self.used_axes, "off") if off else None
        if self.state in ("running", "finishing"):
            self._stop_all("cancelled", cause, None, stop)
        elif not self.over:
            self._stop_axes(stop)

    def _stop_all(self, outcome: str, cause: str, culprit: Activation | None, stop: Mapping[int, str] | None) -> None:
        if self.state == "stopping":
            self.cause = f"{cause} (while being cancelled: {self.cause})"
        else:
            self.cause = cause
        self.state = "stopping"
        self.outcome_to_be = outcome
        self.timed.clear()
        self.attempts.clear()
        for activation in sorted(self.active, key=lambda item: -item.sequence):
            done = self._done_meanwhile(activation)
            if done is not None:
                self._exit(activation, "done", done)
            else:
                self._exit(activation, "error" if activation is culprit else "aborted", cause)
        self._stop_axes(stop)
        for output in self.used_outputs:
            if self.host.output_owner[output] is None:
                self.host.outputs[output] = self.host.definition.outputs[output]["rest"]
        # At rest now; by the time this run stands still, another may have set them.
        self.used_outputs.clear()

    def _done_meanwhile(self, activation: Activation) -> str | None:
        """Why a step that a stop meets in the tick of its completion keeps "done" (R23), or None."""
        host = self.host
        if activation.tick == host.tick_number:
            return None
        if self.evaluated == host.tick_number:
            return self.done_now.get(activation.step.index)
        self._measure_times(host.now)
        return self._completed(activation, host.now, host.gap, host.quarter)

    def _stop_axes(self, stop: Mapping[int, str] | None) -> None:
        """Begin or escalate the stop of every axis: by its own kind, or by what `stop` says (R33)."""
        for axis in sorted(self.used_axes):
            motion = self.host.motions[axis]
            if motion.run is self:
                kind = motion.definition.stop if stop is None else stop.get(axis, motion.definition.stop)
                motion.begin_stop(kind, self.host.now)

    def break_off(self, cause: str) -> None:
        """An error inside the runner: every step ends aborted, without a look at what it would take to do so well
        (R36).
        """
        for activation in sorted(self.active, key=lambda item: -item.sequence):
            self.status[activation.step.index] = ENDED
            self.host.event("end", self.name, activation.step.name, f"aborted: {cause}", (("outcome", "aborted"),))
        self.active.clear()
        self.by_step.clear()
        self.timed.clear()
        self.cause = cause

    def standing(self) -> bool:
        """Whether nothing that this run has set in motion moves any more."""
        return not any(
            motion.run is self and motion.moving for motion in (self.host.motions[axis] for axis in self.used_axes)
        )
