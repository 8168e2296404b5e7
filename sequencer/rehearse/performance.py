"""One runner on one plant, tick by tick, until its run and whatever follows it are over."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from sequencer.errors import ModelError, did_you_mean
from sequencer.machine.machine import NANOSECONDS
from sequencer.plant import Plant
from sequencer.ports.orders import Event
from sequencer.ports.readings import Readings
from sequencer.rehearse.gauges import ScriptedGauges
from sequencer.routine.steps import Button
from sequencer.run import Runner

SETTLE = 5
"""Ticks that a rehearsal goes on after its last run has ended: what rests must stay at rest."""
STOPPING = 5.0
"""How long a run that was cancelled at the limit may take to come to rest [s]."""
_FOLLOWER = "; "
"""How a cause begins that adds to the run's own and does not stand for it."""


class Performance:
    """What passes between a runner and a plant; whoever lets time pass calls `tick` and then advances the plant.

    Args:
        runner: hosts the routine; it has been requested.
        plant: the machine, at its start.
        script: of gauges.
        offers: pieces laid before the rollers, each with its time from the start [ns].
        pressed: what a person asks of the runner, each with its time from the start [s].
        name: of the routine.
        limit: longest time for the run [s].

    Attributes:
        now: time of the next tick [ns].
        over: whether it has come to its end.
        readings, events: of the last tick.

    Raises:
        ModelError: a button that there is not.
    """

    def __init__(
        self,
        runner: Runner,
        plant: Plant,
        script: ScriptedGauges,
        offers: Mapping[str, int],
        pressed: Sequence[tuple[float, Button]],
        name: str,
        limit: float,
    ) -> None:
        self.runner, self.plant, self.script = runner, plant, script
        self.name, self.limit = name, limit
        self._offers = sorted((time, piece) for piece, time in offers.items())
        self._buttons = _buttons(runner, pressed)
        self._period = plant.machine.period
        self._last = round(limit * NANOSECONDS)
        self._active: set[str] = set()
        self._told: str | None = None
        self._begun = False
        self._quiet = 0
        self.now = 0
        self.over = False
        self.readings = Readings(0)
        self.events: Sequence[Event] = ()
        self._start = self._end = 0
        self._outcome: str | None = None
        self._own_cause: str | None = None

    def tick(self) -> int:
        """One tick; how long it is to the next [ns]."""
        now, plant = self.now, self.plant
        while self._offers and self._offers[0][0] <= now:
            plant.offer(self._offers.pop(0)[1])
        while self._buttons and self._buttons[0][0] <= now:
            self._buttons.pop(0)[1]()
        self.readings = plant.readings(now, self.script.values(now))
        orders = self.runner.tick(self.readings)
        self.events = orders.events
        for event in orders.events:
            if event.kind in ("run", "refused"):
                self._note(event)
        plant.apply(orders)
        gap = self._period + plant.lateness()
        self._quiet = 0 if self._active or not (self._begun or self._told) else self._quiet + 1
        self.now += gap
        if self.now >= self._last:
            self._stop_at_limit()
        self.over = self.over or self._quiet >= SETTLE
        return gap

    @property
    def outcome(self) -> str:
        """What became of the run: done, cancelled or faulted."""
        return self._outcome or "cancelled"

    @property
    def duration(self) -> float:
        """From the run's start to its end [s]; 0: it never began."""
        if not self._begun:
            return 0.0
        end = self._end if self._outcome is not None else self.readings.now_ns
        return (end - self._start) / NANOSECONDS

    @property
    def cause(self) -> str | None:
        """Why it was not done, or what was refused."""
        told = self._told
        if told is None or not told.startswith(_FOLLOWER):
            return told or self._own_cause
        return f"{self._own_cause or ''}{told}".removeprefix(_FOLLOWER)

    def _note(self, event: Event) -> None:
        if event.kind == "run":
            if event.text == "start":
                self._active.add(event.run)
                if event.run == self.name and not self._begun:
                    self._begun, self._start = True, event.now_ns
                return
            self._active.discard(event.run)
            if event.run == self.name and self._outcome is None:
                self._end = event.now_ns
                self._outcome = str(dict(event.values)["outcome"])
                self._own_cause = event.text.removeprefix(self._outcome).removeprefix(": ") or None
        elif event.run == self.name and not self._begun:
            self._told = f"refused: {event.text}"
        elif event.run != self.name:
            self._told = f"{_FOLLOWER}'{event.run}', which should have followed, was refused: {event.text}"

    def _stop_at_limit(self) -> None:
        if self._active and self._told is None:
            waits = (step for run in self.runner.status().runs for step in run.steps if step.waits_for)
            waiting = "; ".join(f"{step.name} waits for {step.waits_for}" for step in waits)
            self._told = f"not over after {self.limit:g} s" + (f" ({waiting})" if waiting else "")
            self.runner.cancel()
        elif self.now >= self._last + round(STOPPING * NANOSECONDS):
            self.over = True


def _buttons(runner: Runner, pressed: Sequence[tuple[float, Button]]) -> list[tuple[int, Callable[[], None]]]:
    """What is to be called, and when [ns], in order."""
    calls = {"cancel": runner.cancel, "hold": runner.hold, "resume": runner.resume, "abort": runner.abort}
    for _, button in pressed:
        if button not in calls:
            raise ModelError(f"pressed: there is no button '{button}'; {did_you_mean(button, calls)}")
    ordered = sorted((round(time * NANOSECONDS), button) for time, button in pressed)
    return [(time, calls[button]) for time, button in ordered]
