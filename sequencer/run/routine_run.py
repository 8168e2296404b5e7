"""One run of a routine: which steps are active, how they end, what starts after them (SEMANTICS sections B, D, E and
J).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from sequencer.run.completion import done_meanwhile
from sequencer.run.definition import RoutineDefinition
from sequencer.run.exits import leave
from sequencer.run.step_state import ENDED, IDLE, Activation
from sequencer.run.terms import Scope

if TYPE_CHECKING:
    from sequencer.run.host import Host
    from sequencer.run.motion import Motion

_NUMBERS = str.maketrans("", "", "0123456789.-")


class Run:
    """A run in progress or over.

    `state` is "running", "held", "finishing" (all steps have ended, something still comes to rest), "stopping", or its
    outcome: "done", "cancelled" or "faulted". `chain` holds every cause of its end, the first one first. `goes_after`:
    what the routine asks for after a cancel or a fault may run. `kept`: axes that go on pushing after a resume although
    their step is over. `jog_speed` serves jogging alone.
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
        self.chain: list[str] = []
        self.machine_fault = False
        self.goes_after = True
        self.held_at: int
        self.hopeless: str | None = None
        self.asked_hopeless = -1
        self.jog_speed: float
        self.jog_renewed: int
        self.then: str | None = None
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
        self.root_remaining: int
        self.abandoned: list[int] = []
        self.attempts: dict[int, int] = {}
        self.done_now: dict[int, str] = {}
        self.evaluated = -1
        self.outcome_to_be: str
        self.ended_tick: int
        self.kept: list[Motion] = []
        self.used_axes: set[int] = set()
        self.used_outputs: set[int] = set()

    @property
    def over(self) -> bool:
        return self.outcome is not None

    def touching(self) -> frozenset[int]:
        """The active steps, by index, that let bodies touch."""
        may = self.definition.touching
        return frozenset(one.step.index for one in self.active if one.step.index in may) if may else may

    # Phase 3: what must stay true while steps are active.

    def watch_over(self) -> None:
        """Faults the run if a `must_stay` of an active step is not true (R32)."""
        for activation in self.active:
            if activation.must_stay is not None and activation.must_stay() is not True:
                words = self.host.words(activation.step.data["must_stay"], self.scope)
                self.fault(f"{activation.step.name}: must_stay does not hold: {words}", activation, machine=True)
                return

    # The end of a run.

    def fault(
        self, cause: str, activation: Activation | None, machine: bool = False, stop: Mapping[int, str] | None = None
    ) -> None:
        """Interrupt every step; the run is faulted once nothing moves any more (R13). `stop`: kinds other than the
        axes' own.
        """
        if self.state == "stopping" and self.outcome_to_be == "faulted":
            if all(_without_numbers(cause) != _without_numbers(one) for one in self.chain):
                self.chain.append(cause)
            self._stop_axes(stop)
            return
        self.host.event("fault", self.name, activation.step.name if activation else "", cause)
        self.machine_fault = machine
        self._stop_all("faulted", cause, activation, stop)

    def cancel(self, cause: str, off: bool = False) -> None:
        """Interrupt every step by each axis' own stop, or switch its axes off; idempotent (R34)."""
        stop = dict.fromkeys(self.used_axes, "off") if off else None
        if off:
            self.goes_after = False
        if self.state in ("running", "finishing", "held"):
            self._stop_all("cancelled", cause, None, stop)

    def _stop_all(self, outcome: str, cause: str, culprit: Activation | None, stop: Mapping[int, str] | None) -> None:
        self.chain.append(cause)
        if self.state == "stopping":
            self.cause = f"{cause} (while being cancelled: {self.cause})"
        else:
            self.cause = cause
        was_held = self.state == "held"
        self.state = "stopping"
        self.outcome_to_be = outcome
        self.timed.clear()
        self.attempts.clear()
        for activation in sorted(self.active, key=lambda item: -item.sequence):
            done = None if was_held else done_meanwhile(self, activation)
            if done is not None:
                leave(self, activation, "done", done)
            else:
                leave(self, activation, "error" if activation is culprit else "aborted", cause)
        self._stop_axes(stop)
        for output in self.used_outputs:
            if self.host.output_owner[output] is None:
                self.host.outputs[output] = self.host.definition.outputs[output]["rest"]
        # At rest now; by the time this run stands still, another may have set them.
        self.used_outputs.clear()

    def _stop_axes(self, stop: Mapping[int, str] | None) -> None:
        """Begin or escalate the stop of every axis: by its own kind, or by what `stop` says (R33)."""
        for axis in sorted(self.used_axes):
            motion = self.host.motions[axis]
            if motion.run is self:
                kind = motion.definition.stop if stop is None else stop.get(axis, motion.definition.stop)
                motion.begin_stop(kind, self.host.now)

    def finish(self) -> None:
        """Every step has ended: the run is over once nothing that it moved is still under way."""
        if self.state == "running":
            self.state = "finishing"
            for axis in sorted(self.used_axes):
                motion = self.host.motions[axis]
                if motion.run is self and motion.mode == "effort" and not motion.definition.is_spin:
                    motion.end_push()

    def break_off(self, cause: str) -> None:
        """An error inside the runner: every step ends aborted, without a look at what it would take to do so well
        (R36).
        """
        for activation in sorted(self.active, key=lambda item: -item.sequence):
            self.status[activation.step.index] = ENDED
            self.host.event("end", self.name, activation.step.name, f"aborted: {cause}", (("outcome", "aborted"),))
        self.active.clear()
        self.cause = cause

    def standing(self) -> bool:
        """Whether nothing that this run has set in motion moves any more."""
        return not any(
            motion.run is self and motion.moving for motion in (self.host.motions[axis] for axis in self.used_axes)
        )


def _without_numbers(cause: str) -> str:
    """A cause whose figures alone change from tick to tick is told once."""
    return cause.translate(_NUMBERS)
