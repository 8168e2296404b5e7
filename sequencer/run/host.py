"""Everything of a machine that changes from tick to tick, and the phases of a tick (R3)."""

from __future__ import annotations

from typing import Any

from sequencer.errors import ClockError
from sequencer.pack import CheckedRoutine
from sequencer.pack.ways import expect_ways
from sequencer.ports.orders import Event, Orders
from sequencer.ports.readings import Readings, SensorValue
from sequencer.run.blocked import grids_of
from sequencer.run.completion import completions
from sequencer.run.dead_ends import look_for_dead_ends
from sequencer.run.definition import MachineDefinition, RoutineDefinition, texts_in
from sequencer.run.evolution import go_on, open_gates
from sequencer.run.exits import abandon_missed, preempted
from sequencer.run.motion import Motion
from sequencer.run.requests import Request, handle, start
from sequencer.run.resting import follow_measured
from sequencer.run.routine_run import Run
from sequencer.run.run_ends import break_off, due_requests, enable, finish_stops
from sequencer.run.snapshot import Snapshot
from sequencer.run.status import arrival_words, guards_words
from sequencer.run.step_kinds import follow_ways, set_instants
from sequencer.run.step_state import Activation
from sequencer.run.supervisor import Supervisor
from sequencer.run.terms import Scope, Test, build
from sequencer.run.watches import advance_clocks, forbidden, watch_over
from sequencer.run.words import Words, unknown_words


class Host:
    """Everything that changes, and the phases of one tick (R3). Private to `run`; the `Runner` is its face."""

    def __init__(self, given: list[CheckedRoutine], like: Host | None = None) -> None:
        if like is None:
            self.definition = MachineDefinition(given[0].machine)
            for one in given:
                expect_ways(one.machine, one.routine)
            self.routines = {one.name: RoutineDefinition(one.routine, one.hash) for one in given}
            self.asked = texts_in([given[0].machine, *(one.routine for one in given)])
            self.grids = grids_of(self.definition.data)
        else:
            self.definition, self.routines = like.definition, dict(like.routines)
            self.asked, self.grids = like.asked, like.grids
        self.quarter = self.definition.period >> 2
        self.values: dict[str, Any] = {}
        self.motions = [Motion(axis) for axis in self.definition.axes]
        self.occupants = {motion.definition.name: motion for motion in self.motions if not motion.definition.is_spin}
        scope = Scope(self.values, presets=self.definition.presets)
        self.snapshot = Snapshot(self.definition, scope, self.asked)
        self.supervisor = Supervisor(self.definition, self.motions, scope, self._supervised, self.grids)
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
        self._named_motions = list(zip(self.axis_names, self.motions, strict=True))
        self.output_owner: list[Activation | None] = [None] * len(self.outputs)
        self.runs: list[Run] = []
        self.ended: list[Run] = []
        self.now = -1
        self.gap: int
        self.tick_number = -1
        self.late_ticks = 0
        self.enabled = False
        self.fault_cause: str | None = None
        self.events: list[Event] = []
        self._sequence = 0
        self.cancelling: bool
        self.waiting: list[tuple[list[Run], Request]] = []
        self.confirmed: set[str] | None = None
        self.bypasses = _bypasses(given)
        self.no_way = ""
        self.vocabulary = Words(self.definition)

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
            break_off(self, f"error inside the runner: {named(error)}")
            return self._orders()

    def _phases(self, readings: Readings, requests: tuple[Request, ...]) -> None:
        now = self.now
        enabled = readings.enabled is True
        lost = self._look(readings)
        if self.tick_number == 0:
            for bypass in self.bypasses:
                self.event("bypass", text=bypass)
        advance_clocks(self)
        follow_measured(self)
        if self.waiting:
            requests = (*requests, *due_requests(self))
        self.cancelling = False
        starts = handle(self, requests) if requests else []
        enable(self, enabled)
        if lost is not None:
            for run in self.runs:
                run.fault(lost, None, machine=True)
        if enabled:
            watch_over(self)
        if self.cancelling:
            for run in self.runs:
                run.cancel("cancelled by request")
        ended = [(run, completions(run)) for run in self.runs if run.state == "running"]
        for run, steps in ended:
            if run.state == "running":
                go_on(run, steps)
        for run in self.runs:
            if run.state == "running":
                open_gates(run)
                if run.definition.ways:
                    follow_ways(run)
        for request in starts:
            start(self, request)
        self.tell_supervisor()
        self.supervisor.commit(self.now, self.gap)
        if self.runs:
            look_for_dead_ends(self)
        finish_stops(self)
        for motion in self.motions:
            history = motion.history
            if len(history) > 1 and history[1][0] <= now - motion.latest:
                motion.forget(now)

    def tell_supervisor(self) -> None:
        """Tell it what runs, and which active steps let bodies touch."""
        if self.supervisor.tables:
            self.supervisor.go_by(self.runs)

    def _look(self, readings: Readings) -> str | None:
        """Freeze the readings; where their source breaks nothing is known, and what broke is returned (R36)."""
        try:
            self.snapshot.take(readings, self.motions, self.tick_number, self.gap)
            if self.snapshot.lost_now:
                self._tell_lost_zeros()
        except Exception as error:
            self.snapshot.lose_everything(self.tick_number)
            return f"the readings failed: {named(error)}"
        return None

    def _orders(self) -> Orders:
        axes = {}
        for name, motion in self._named_motions:
            axes[name] = motion.write()
        outputs = dict(zip(self.output_names, self.outputs, strict=True))
        return Orders(self.now, axes, outputs, tuple(self.events))

    # Runs.

    def reset(self) -> None:
        """Acknowledge a fault, unless something still stops."""
        if any(run.state == "stopping" for run in self.runs):
            return
        self.fault_cause = None
        self.snapshot.trust_again()
        for motion in self.motions:
            motion.latched = motion.watched = False
            motion.stop_kind = None

    def fail(self, cause: str) -> None:
        """Something outside has failed: every run faults; a reset is needed even if none was running (R36)."""
        for run in self.runs:
            run.fault(cause, None, machine=True)
        if not self.runs:
            self.event("fault", text=cause)
        self.fault_cause = cause

    def assume(self, sensor: str, value: SensorValue | None) -> None:
        """From now on a sensor reads `value`, whatever it says; None: it is believed again (R50)."""
        self.snapshot.assume(sensor, value)
        self.event("assume", text=f"{sensor} is {'read again' if value is None else f'assumed to be {value}'}")

    def assumed(self) -> tuple[str, ...]:
        return tuple(f"assumed: {name} is {value}" for name, value in self.snapshot.assumed.items())

    def confirm(self, name: str, who: str) -> None:
        """A person says that a routine ran well at a quarter of its speed (R49)."""
        if self.confirmed is not None:
            self.confirmed.add(self.routines[name].hash)
        self.event("confirmed", name, text=f"confirmed by {who}" if who else "confirmed")

    def set_zero(self, motion: Motion) -> None:
        """An axis stands where its zero procedure says (R42)."""
        zero = motion.definition.zero
        assert zero is not None  # only a zero step ends here
        motion.rezero(self.snapshot.set_zero(motion.definition.index, zero["then"]))
        self.event("zeroed", text=f"{motion.definition.name} is at {motion.definition.show(zero['then'])}")

    def _tell_lost_zeros(self) -> None:
        for index in self.snapshot.lost_now:
            self.event("zero lost", text=f"{self.axis_names[index]}: {self.snapshot.lost[index]}")
        self.snapshot.lost_now.clear()

    def interrupt_owners(self, motions: list[Motion], taker: Run, by: str) -> None:
        """Another step takes axes over from the moving state (R28). All leave their runs before any of these is
        cancelled: a stop of one axis must not switch off another that is taken over too.
        """
        others: list[tuple[Run, str]] = []
        for motion in motions:
            run = motion.run
            if run is taker and motion.activation is not None:
                preempted(run, motion.activation, by)
            elif run is not None and run is not taker:
                motion.run = motion.activation = None
                others.append((run, motion.definition.name))
        for run, name in others:
            run.cancel(f"{by} takes {name}")

    def forbidden(self, axis: int) -> str | None:
        """The interlock that does not permit motion of an axis now, in words, or None."""
        return forbidden(self, axis)

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
        return self.vocabulary.decided(term, self.values, scope.own)

    def waiting_words(self, activation: Activation, run: Run) -> str:
        """What a step still waits for, and which of it is unknown, since when."""
        data = activation.step.data
        if activation.step.kind == "choose" and activation.branch < 0 and activation.energised is not None:
            return f"waiting for {guards_words(activation, self, run)}"
        term = data["once"] if activation.energised is None and data["once"] is not None else data["until"]
        if term is None:
            moves = activation.step.kind in ("move", "flick")
            return f"waiting for {arrival_words(activation, self)}" if moves else ""
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
            run.fault(text, activation, machine=True)
            return
        self.event(what, run.name if run else "", activation.step.name if activation else "", text)
        if activation is not None:
            set_instants(activation, only=motion)
            if what == "go" and run is not None:
                abandon_missed(run, activation)


def _bypasses(given: list[CheckedRoutine]) -> tuple[str, ...]:
    """What is accepted or out of service in what was checked (R50)."""
    found = [str(overlay) for overlay in given[0].machine["overlays"]]
    for one in given:
        for entry in one.routine["waived"]:
            step = f", step {entry['step']}" if entry.get("step") else ""
            found.append(f"waived in {one.name}: {entry['rule']}{step}: {entry['because']}")
    return tuple(dict.fromkeys(found))


def named(error: BaseException) -> str:
    """An exception for a sentence: its class and its words."""
    return f"{type(error).__name__}: {error}"
