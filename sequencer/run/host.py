"""Everything of a machine that changes from tick to tick, and the phases of a tick (R3)."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from sequencer.errors import ClockError, did_you_mean
from sequencer.pack import CheckedRoutine
from sequencer.ports.orders import Event, Orders
from sequencer.ports.readings import Readings, SensorValue
from sequencer.run.completion import completions
from sequencer.run.definition import MachineDefinition, RoutineDefinition, parameter_values
from sequencer.run.evolution import begin, go_on, open_gates
from sequencer.run.exits import preempted
from sequencer.run.motion import Motion
from sequencer.run.routine_run import Run
from sequencer.run.snapshot import Snapshot
from sequencer.run.status import guards_words, term_words, unknown_words
from sequencer.run.step_kinds import set_instants
from sequencer.run.step_state import Activation
from sequencer.run.supervisor import Supervisor
from sequencer.run.terms import Scope, Test, build

Request = tuple[Any, ...]
"""A request as plain data: its name, then its arguments."""

_RANK = {"abort": 0, "cancel": 1, "reset": 2, "note": 3, "request": 4}


class Host:
    """Everything that changes, and the phases of one tick (R3). Private to `run`; the `Runner` is its face."""

    def __init__(self, given: list[CheckedRoutine]) -> None:
        self.definition = MachineDefinition(given[0].machine)
        self.routines = {one.name: RoutineDefinition(one.routine, one.hash) for one in given}
        self.quarter = self.definition.period >> 2
        self.values: dict[str, Any] = {}
        self.motions = [Motion(axis) for axis in self.definition.axes]
        self.occupants = {motion.definition.name: motion for motion in self.motions if not motion.definition.is_spin}
        scope = Scope(self.values, presets=self.definition.presets)
        asked = _names_asked([given[0].machine, *(one.routine for one in given)])
        self.snapshot = Snapshot(self.definition, scope, asked)
        self.supervisor = Supervisor(self.definition, self.motions, scope, self._supervised)
        self.must_stay: list[tuple[dict[str, Any], Test]] = [
            (data, build(data["term"], scope)) for data in self.definition.must_stay
        ]
        self.rest_tests = [
            [(case, None if case["when"] is None else build(case["when"], scope)) for case in axis.rest]
            for axis in self.definition.axes
        ]
        self.outputs: list[SensorValue] = [output["rest"] for output in self.definition.outputs]
        self.output_names = [output["name"] for output in self.definition.outputs]
        self.axis_names = [axis.name for axis in self.definition.axes]
        self.output_owner: list[Activation | None] = [None] * len(self.outputs)
        self.runs: list[Run] = []
        self.ended: list[Run] = []
        self.now = -1
        self.gap = self.definition.period
        self.tick_number = -1
        self.late_ticks = 0
        self.enabled = False
        self.fault_cause: str | None = None
        self.events: list[Event] = []
        self._sequence = 0
        self._cancelling = False
        self._waiting_request: Request | None = None

    @property
    def zeroed(self) -> list[bool]:
        return self.snapshot.zeroed

    # The tick.

    def check_time(self, now: object) -> None:
        """Raises ClockError unless `now` is a whole number after the last tick's."""
        if type(now) is not int:
            raise ClockError(f"now_ns is {now!r}; it must be a whole number of nanoseconds")
        if now <= self.now and self.tick_number >= 0:
            raise ClockError(
                f"tick at {now} ns does not come after the tick before, at {self.now} ns; nothing was changed"
            )

    def tick(self, readings: Readings, requests: tuple[Request, ...]) -> Orders:
        """One tick at a checked time. Whatever goes wrong inside, every output and axis gets an order (R36)."""
        now = readings.now_ns
        self.gap = now - self.now if self.tick_number >= 0 else self.definition.period
        self.now = now
        self.tick_number += 1
        self.events = []
        try:
            self._phases(readings, requests)
            return self._orders()
        except Exception as error:
            self._break_off(f"error inside the runner: {named(error)}")
            return self._orders()

    def _phases(self, readings: Readings, requests: tuple[Request, ...]) -> None:
        enabled = bool(readings.enabled)
        lost = self._look(readings)
        self._clocks()
        self._follow_unpowered()
        if self._waiting_request is not None and not self.runs:
            requests = (*requests, self._waiting_request)
            self._waiting_request = None
        self._cancelling = False
        starts = self._requests(requests) if requests else []
        self._enable(enabled)
        if lost is not None:
            for run in self.runs:
                run.fault(lost, None, machine=True)
        if enabled:
            self._interlocks()
        if self._cancelling:
            for run in self.runs:
                run.cancel("cancelled by request")
        ended = [(run, completions(run)) for run in self.runs if run.state == "running"]
        for run, steps in ended:
            if run.state == "running":
                go_on(run, steps)
        for run in self.runs:
            if run.state == "running":
                open_gates(run)
        for request in starts:
            self._start_run(request)
        self.supervisor.commit(self.now)
        self._finish_stops()
        for motion in self.motions:
            if len(motion.history) > 1:
                motion.forget(self.now)

    def _look(self, readings: Readings) -> str | None:
        """Freeze the readings; where their source breaks nothing is known, and what broke is returned (R36)."""
        try:
            self.snapshot.take(readings, self.motions, self.tick_number, self.gap)
        except Exception as error:
            self.snapshot.lose_everything(self.tick_number)
            return f"the readings failed: {named(error)}"
        return None

    def _break_off(self, cause: str) -> None:
        """All runs faulted, all axes off, all outputs at rest: what is left when a tick itself has failed (R36)."""
        self.event("fault", text=cause)
        for run in self.runs:
            run.break_off(cause)
            run.state = run.outcome = "faulted"
            self.event("run", run.name, text=f"faulted: {cause}", values=(("outcome", "faulted"),))
        self.ended = [*self.ended, *self.runs][-8:]
        self.runs = []
        for motion in self.motions:
            motion.drop()
            motion.latched = True
        self.outputs = [output["rest"] for output in self.definition.outputs]
        self.output_owner = [None] * len(self.outputs)
        self._waiting_request = None
        self.fault_cause = cause

    def _clocks(self) -> None:
        """Let every motion clock advance (R20): by the true gap where actuators carry on, else by two periods
        at most.
        """
        gap = self.gap
        period = self.definition.period
        late = gap > period + (period >> 1)
        if late:
            self.late_ticks += 1
            self.event("late", text=f"{gap * 1e-9:.3g} s since the tick before")
        clamped = gap if gap < 2 * period else 2 * period
        for motion in self.motions:
            motion.gain = clamped if motion.clamped else gap
            if motion.profile is not None:
                motion.next_clock = motion.clock + motion.gain
        if gap > self.definition.longest_gap:
            for run in self.runs:
                if any(self._acting(self.motions[axis]) for axis in run.used_axes):
                    run.fault(f"no tick for {gap * 1e-9:.3g} s while moving", None, machine=True)

    @staticmethod
    def _acting(motion: Motion) -> bool:
        """Whether an axis moves or pushes."""
        return motion.profile is not None or (motion.mode == "effort" and not motion.definition.is_spin)

    def _follow_unpowered(self) -> None:
        """Set-points of unpowered and pressing axes follow what is measured (R29, R41, R46)."""
        for motion in self.occupants.values():
            mode = motion.mode
            trusted = self.snapshot.zeroed[motion.definition.index]
            if mode != "track" and mode != "hold":
                measured = self.values[motion.definition.name]
                if measured is None:
                    trusted = trusted and mode == "effort"
                elif measured != motion.position or not motion.known:
                    motion.rebase(measured, self.now)
            if not trusted:
                motion.occupy_everything()
            elif motion.anywhere and motion.known:
                motion.occupy_what_is_known()

    def _requests(self, requests: tuple[Request, ...]) -> list[Request]:
        """Handle requests in rank order abort > cancel > reset > start (R3); starts are kept for phase 5."""
        starts = []
        stopped = aborted = False
        for request in sorted(requests, key=lambda one: _RANK[one[0]]):
            match request[0]:
                case "abort":
                    stopped = aborted = True
                    self.event("request", text="abort")
                    self._forget_followers()
                    for run in self.runs:
                        run.cancel("aborted by request", off=True)
                    for motion in self.motions:
                        motion.stop_kind = "off"
                        motion.switch_off()
                    self.fault_cause = "aborted by request"
                case "cancel":
                    stopped = self._cancelling = True
                    self.event("request", text="cancel")
                    self._forget_followers()
                case "reset":
                    self.event("request", text="reset")
                    if not aborted and not any(run.state == "stopping" for run in self.runs):
                        self.fault_cause = None
                        for motion in self.motions:
                            motion.latched = False
                            motion.stop_kind = None
                case "note":
                    self.event("note", text=str(request[1]), values=((str(request[1]), request[2]),))
                case "request":
                    if stopped:
                        self._refuse(request[1], "a stop was asked for in the same tick")
                    else:
                        starts.append(request)
        return starts

    def _forget_followers(self) -> None:
        """What was to run after a timeout does not: stop beats start (R33)."""
        self._waiting_request = None
        for run in self.runs:
            run.then = None

    def _enable(self, enabled: bool) -> None:
        if not enabled:
            if self.enabled:
                self.event("disabled")
            self._forget_followers()
            for run in list(self.runs):
                run.cancel("disabled", off=True)
                self._over(run, run.outcome_to_be or "done", run.cause)
            for motion in self.motions:
                motion.drop()
            self.enabled = False
            return
        if not self.enabled:
            self.event("enabled")
            self.enabled = True
        for motion in self.motions:
            if motion.run is None and not motion.latched:
                self.rest(motion)

    def _interlocks(self) -> None:
        """Conditions required for motion, faults that axes report, and following errors (phase 3)."""
        for run in self.runs:
            if run.state == "running":
                run.watch_over()
        for data, test in self.must_stay:
            if test() is True:
                continue
            for run in self.runs:
                owned = [self.motions[axis] for axis in data["axes"] if self.motions[axis].run is run]
                if any(motion.profile is not None or motion.mode == "effort" for motion in owned):
                    kind = data["stop"]
                    stop = None if kind is None else dict.fromkeys(data["axes"], kind)
                    words = self.words(data["term"], run.scope)
                    run.fault(f"interlock {data['name']}: {words} does not hold", None, machine=True, stop=stop)
        for motion in self.motions:
            owner = motion.run
            if owner is None or (motion.activation is None and motion.profile is None):
                continue
            axis = motion.definition
            fault = self.snapshot.faults[axis.index]
            if fault is not None:
                owner.fault(f"{axis.name}: {fault}", motion.activation, machine=True)
            elif axis.is_spin or not motion.powered:
                continue
            elif not self.snapshot.zeroed[axis.index]:
                owner.fault(f"{axis.name} has lost its zero", motion.activation, machine=True)
            elif motion.profile is not None:
                self._following(motion, owner)

    def _following(self, motion: Motion, run: Run) -> None:
        """R45: behind by more than the tolerance, a move's clock waits or the axis faults. The clock of a stop never
        waits.
        """
        axis = motion.definition
        if self.values[axis.name] is None:
            run.fault(
                f"the position of {axis.name} is lost while it moves ({self.unknown_reason(axis.name)})",
                motion.activation,
                machine=True,
            )
            return
        error = abs(self.values[axis.name + ".error"]) if axis.is_followed else 0.0
        if error <= axis.following:
            return
        if axis.behind == "fault" or error > 2.0 * axis.following:
            run.fault(
                f"{axis.name} is {error:.4g} away from its set-point; allowed are {axis.following:.4g}",
                motion.activation,
                machine=True,
            )
        elif motion.aim is not None:
            share = 2.0 - error / axis.following
            for member in motion.unit:
                member.next_clock = min(member.next_clock, member.clock + int(member.gain * share))

    def _finish_stops(self) -> None:
        """Runs whose axes have come to rest end; ramps past their deadline fall back to off (R33)."""
        for motion in self.motions:
            if motion.stop_kind == "ramp_then_off" and motion.moving and self.now > motion.deadline:
                motion.begin_stop("off", self.now)
        for run in list(self.runs):
            if run.state == "stopping" and run.standing():
                self._over(run, run.outcome_to_be, run.cause)
            elif run.state == "finishing" and run.standing():
                self._over(run, "done", "")

    def _orders(self) -> Orders:
        axes = {name: motion.write() for name, motion in zip(self.axis_names, self.motions, strict=True)}
        outputs = dict(zip(self.output_names, self.outputs, strict=True))
        return Orders(self.now, axes, outputs, tuple(self.events))

    # Runs.

    def _start_run(self, request: Request) -> None:
        _, name, parameters, speed, preempt = request
        definition = self.routines[name]
        reason = self._why_not(definition, preempt)
        if reason is not None:
            self._refuse(name, reason)
            return
        run = Run(self, definition, parameters, speed)
        if preempt:
            self._take_over(run)
        self.runs.append(run)
        self.event("run", name, text="start", values=tuple(sorted(parameters.items())))
        begin(run)

    def _take_over(self, run: Run) -> None:
        """Cancel the runs that use what a new one will, and give it their axes, braking until its own steps move them
        (R53).
        """
        definition = run.definition
        for other in self.runs:
            common = other.definition.axes & definition.axes
            if not common and not other.definition.outputs & definition.outputs:
                continue
            taken = [self.motions[axis] for axis in sorted(common) if self.motions[axis].run is other]
            for motion in taken:
                self._detach(motion)
            other.cancel(f"{run.name} takes its axes")
            for motion in taken:
                motion.run = run
                run.used_axes.add(motion.definition.index)
                if motion.moving:
                    motion.brake()
                elif motion.mode == "effort":
                    self.rest(motion)

    def _why_not(self, definition: RoutineDefinition, preempt: bool) -> str | None:
        """Why a routine cannot be started now, in words, or None."""
        if not self.enabled:
            return "the machine is not enabled"
        if self.fault_cause is not None:
            return f"reset first; the last fault: {self.fault_cause}"
        for axis in sorted(definition.axes):
            motion = self.motions[axis]
            if motion.stop_kind is not None and motion.moving:
                return f"{motion.definition.name} is stopping"
        for run in self.runs:
            if run.name == definition.name:
                return f"{run.name} is stopping" if run.state == "stopping" else f"{run.name} is already running"
            if preempt:
                continue
            for axis in sorted(definition.alone & run.definition.axes):
                return f"{self.axis_names[axis]} is in use by {run.name}"
            for output in sorted(definition.outputs & run.definition.outputs):
                return f"output {self.output_names[output]} is in use by {run.name}"
        for place, low, high in definition.region:
            name = self.definition.axes[int(place)].name
            position = self.values[name]
            if position is None:
                return f"the position of {name} is unknown ({self.unknown_reason(name)})"
            if not low <= position <= high:
                off = low - position if position < low else position - high
                return f"{name} is at {position:.4g}, {off:.4g} outside the start region of '{definition.start}'"
        return None

    def _refuse(self, name: str, reason: str) -> None:
        self.event("refused", name, text=reason)

    def finish(self, run: Run) -> None:
        """Every step has ended: the run is over once nothing that it moved is still under way."""
        if run.state == "running":
            run.state = "finishing"
            for axis in sorted(run.used_axes):
                motion = self.motions[axis]
                if motion.run is run and motion.mode == "effort" and not motion.definition.is_spin:
                    motion.mode = "hold"

    def _over(self, run: Run, outcome: str, cause: str) -> None:
        """The outcome is final: everything that the run used goes to rest in this tick (R22, R27)."""
        run.state = run.outcome = outcome
        run.cause = cause
        self.runs.remove(run)
        self.ended = [*self.ended[-7:], run]
        for axis in sorted(run.used_axes):
            motion = self.motions[axis]
            if motion.run is run:
                motion.run = None
                motion.activation = None
                motion.stop_kind = None
                self.rest(motion)
        for output in sorted(run.used_outputs):
            if self.output_owner[output] is None:
                self.outputs[output] = self.definition.outputs[output]["rest"]
        self.event("run", run.name, text=f"{outcome}: {cause}" if cause else outcome, values=(("outcome", outcome),))
        if outcome == "faulted":
            self.fault_cause = cause
        elif run.then is not None and outcome == "cancelled":
            following = self.routines.get(run.then)
            if following is None:
                self._refuse(
                    run.then, f"{run.name} asks for it and it is not here; {did_you_mean(run.then, self.routines)}"
                )
            else:
                self._waiting_request = ("request", run.then, parameter_values(following, {}), run.speed, False)

    def rest(self, motion: Motion) -> None:
        """What an axis does when no step has it (R27, R43), without a jump."""
        if motion.latched or not self.enabled:
            return
        cases = self.rest_tests[motion.definition.index]
        case = next((case for case, test in cases if test is None or test() is True), None)
        mode: Any = "off" if case is None else case["mode"]
        if case is not None and mode == "voltage":
            motion.mode, motion.volts, motion.velocity = "effort", case["voltage"], 0.0
        elif mode == "hold":
            if motion.known and motion.profile is None:
                motion.mode = "hold"
                motion.velocity = motion.acceleration = 0.0
        else:
            motion.mode = mode
            motion.profile = None
            motion.volts = 0.0

    def interrupt_owner(self, motion: Motion, taker: Run, by: str) -> None:
        """Another step takes the axis over from the moving state (R28)."""
        run = motion.run
        if run is taker and motion.activation is not None:
            preempted(run, motion.activation, by)
        elif run is not None:
            self._detach(motion)
            run.cancel(f"{by} takes {motion.definition.name}")

    def _detach(self, motion: Motion) -> None:
        activation = motion.activation
        if activation is not None and motion in activation.motions:
            place = activation.motions.index(motion)
            del activation.motions[place], activation.settled[place]
        if motion.run is not None:
            motion.run.used_axes.discard(motion.definition.index)
        if motion.group is not None:
            motion.group = None
        motion.activation = None
        motion.run = None

    def forbidden(self, axis: int) -> str | None:
        """The interlock that does not permit motion of an axis now, in words, or None."""
        for data, test in self.must_stay:
            if axis in data["axes"] and test() is not True:
                return f"interlock {data['name']}: {term_words(data['term'], self.values, {})} does not hold"
        return None

    # Words and events.

    def next_sequence(self) -> int:
        self._sequence += 1
        return self._sequence

    def event(
        self,
        kind: str,
        run: str = "",
        step: str = "",
        text: str = "",
        values: tuple[tuple[str, SensorValue | None], ...] = (),
    ) -> None:
        self.events.append(Event(self.tick_number, self.now, kind, run, step, text, values))

    def words(self, term: Any, scope: Scope) -> str:
        """A condition with the values that decide it."""
        return term_words(term, self.values, scope.own)

    def waiting_words(self, activation: Activation, run: Run) -> str:
        """What a step still waits for, and which of it is unknown, since when."""
        data = activation.step.data
        if activation.step.kind == "choose" and activation.branch < 0:
            return f"waiting for {guards_words(activation, self, run)}"
        term = data["once"] if activation.energised is None and data["once"] is not None else data["until"]
        if term is None:
            return ""
        words = f"waiting for {self.words(term, run.scope)}"
        lost = unknown_words(term, self.snapshot)
        return f"{words}; {lost}" if lost else words

    def unknown_reason(self, name: str) -> str:
        return self.snapshot.reason(name)

    def _supervised(self, what: str, motion: Motion, text: str) -> None:
        """The supervisor holds an axis or lets it go on: say so, and compute the milestones anew (R54)."""
        activation = motion.activation
        run = motion.run
        if what == "stuck" and run is not None:
            run.fault(text, activation)
            return
        self.event(what, run.name if run else "", activation.step.name if activation else "", text)
        if activation is not None:
            set_instants(activation, only=motion)


def _names_asked(data: Any) -> frozenset[str]:
    """Every text in plain data; among them are the names that conditions ask for."""
    found: set[str] = set()
    left = [data]
    while left:
        one = left.pop()
        if isinstance(one, str):
            found.add(one)
        elif isinstance(one, Mapping):
            left.extend(one.values())
        elif isinstance(one, list | tuple):
            left.extend(one)
    return frozenset(found)


def named(error: Exception) -> str:
    """An exception for a sentence: its class and its words."""
    return f"{type(error).__name__}: {error}"
