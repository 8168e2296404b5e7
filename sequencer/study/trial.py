"""One rehearsal of a drill: what is watched from the instant on at which something goes wrong."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import inf

from sequencer.machine.axis import Axis
from sequencer.machine.machine import NANOSECONDS, Machine
from sequencer.pack import CheckedRoutine
from sequencer.ports.orders import Event
from sequencer.rehearse import Performance, Rehearsal, conflicts, rehearse
from sequencer.routine.steps import RehearsalSpec
from sequencer.study.drill_report import AxisWay, DrillRow
from sequencer.study.instants import Instant
from sequencer.study.single_fault import SingleFault
from sequencer.trace import Trace
from sequencer.trace.rows import TraceEvent

_NEWS = {"fault", "disabled", "late", "hold", "stuck", "zero lost", "retry", "refused", "request", "skip", "branch"}
"""Kinds of events that tell of something out of the ordinary, besides ends that are not "done"."""

_ODD_ENDS = {"timeout", "aborted", "error", "cancelled", "faulted"}

SHOWN_LIE = 0.1
"""A reading counts as false from this share of an axis' position tolerance on [1]: below it there is only backlash."""

Key = tuple[str, str, str, str]


@dataclass(frozen=True, slots=True)
class Scene:
    """What all rehearsals of one drill share, so that it can be sent to another process.

    Attributes:
        machine: the machine.
        checked: the routine.
        others: further routines that the runner hosts.
        spec: the rehearsal in which things go wrong.
        known: what happens in it without a fault, and how often.
        impacts: the hardest impact of each axis at its stops without a fault [N s or N m s].
        limit: the longest time [s].
        seed: of the plant.
    """

    machine: Machine
    checked: CheckedRoutine
    others: tuple[CheckedRoutine, ...]
    spec: RehearsalSpec
    known: Counter[Key]
    impacts: dict[str, float]
    limit: float
    seed: int


def attempt(scene: Scene, tries: Sequence[tuple[SingleFault, Instant]]) -> list[DrillRow]:
    """Let each of these go wrong in a rehearsal of its own; a row each. It runs in whatever process.

    Args:
        scene: what they share.
        tries: what goes wrong, and when.
    """
    return [_attempt(scene, fault, instant) for fault, instant in tries]


def news_in(trace: Trace) -> Counter[Key]:
    """What a trace tells that is out of the ordinary, and how often."""
    return Counter(key for event in trace.events() if (key := _key(event)) is not None)


def left_on(machine: Machine, trace: Trace) -> tuple[str, ...]:
    """Outputs that do not rest in the last row of a trace, and axes that are still driven."""
    row, found = trace.rows[-1], []
    for output, value in zip(machine.outputs.values(), row.outputs, strict=True):
        if value != output.rest:
            found.append(f"{output.name} is {str(value).lower() if isinstance(value, bool) else value}")
    for axis, order in zip(machine.axes.values(), row.ordered, strict=True):
        if order is None or order.mode in ("off", "hold", "brake"):
            continue
        rests = {case.voltage for case in axis.rest if case.mode == "voltage"}
        if not (axis.travel is None and order.mode == "effort" and order.volts in rests):
            found.append(f"{axis.name} is driven ({order.mode})")
    return tuple(found)


class TrialWatch:
    """Watches a rehearsal tick by tick from an instant [ns] on: when it is noticed, and how far axes still get."""

    def __init__(self, machine: Machine, at: int, known: Counter[Key], limit: float) -> None:
        self.noticed: int | None = None
        self.headline = ""
        self.impacts: dict[str, float] = {}
        self._axes = [axis for axis in machine.axes.values() if axis.travel is not None]
        self._at, self._left, self._limit = at, Counter(known), limit * NANOSECONDS
        self._from: dict[str, float] = {}
        self._ways = dict.fromkeys((axis.name for axis in self._axes), 0.0)
        self._lies = dict.fromkeys((axis.name for axis in self._axes), 0.0)
        self._stands = False

    def __call__(self, performance: Performance) -> None:
        """See one tick; no time has passed since its readings."""
        now = performance.readings.now_ns
        state = performance.plant.state
        self.impacts = dict(state.impacts)
        told = self._told(performance.events, now)
        ended = any(
            event.kind == "run" and event.run == performance.name and event.text != "start"
            for event in performance.events
        )
        if ended or (told and self.noticed is None):
            self.headline = performance.runner.status().headline
        if now < self._at:
            return
        if told and self.noticed is None:
            self.noticed, self._from = now, dict(state.positions)
        if self._stands:
            return
        for axis in self._axes:
            read = performance.readings.axes.get(axis.name)
            if read is not None and read.position is not None and read.zeroed:
                lie = abs(read.position - state.positions[axis.name])
                self._lies[axis.name] = max(self._lies[axis.name], lie)
        if self.noticed is None:
            return
        for axis in self._axes:
            self._ways[axis.name] = max(self._ways[axis.name], abs(state.positions[axis.name] - self._from[axis.name]))
        # The readings that tell of it find the machine in motion or at rest; orders act from then on.
        self._stands = now > self.noticed and all(
            abs(state.speeds[axis.name]) <= axis.tolerance.arrived_speed for axis in self._axes
        )

    @property
    def travel(self) -> AxisWay | None:
        """The longest way from being noticed to standing still; None: never noticed."""
        return None if self.noticed is None else _longest(self._axes, self._ways)

    @property
    def lie(self) -> AxisWay | None:
        """The farthest that a reading was from the truth before all stood still; None: they were true."""
        longest = _longest(self._axes, self._lies)
        if longest is None:
            return None
        tolerance = next(axis.tolerance.position for axis in self._axes if axis.name == longest.axis)
        return longest if longest.way > SHOWN_LIE * tolerance else None

    def _told(self, events: Iterable[Event], now: int) -> bool:
        told = False
        for event in events:
            key = _key(event)
            if key is None or now >= self._limit:
                continue
            if self._left[key] > 0:
                self._left[key] -= 1
            else:
                told = True
        return told and now >= self._at


def _attempt(scene: Scene, fault: SingleFault, instant: Instant) -> DrillRow:
    machine, spec = scene.machine, scene.spec
    watch = TrialWatch(machine, round(instant.at * NANOSECONDS), scene.known, scene.limit)
    found = rehearse(
        scene.checked,
        machine=machine,
        spec=spec,
        seed=scene.seed,
        faults=fault.faults_at(instant.at, instant.sensors),
        pressed=fault.pressed_at(instant.at),
        limit=scene.limit,
        others=scene.others,
        each_tick=watch,
    )
    noticed = None if watch.noticed is None else watch.noticed / NANOSECONDS - instant.at
    stopped = found.outcome != "done" or bool(fault.pressed)
    return DrillRow(
        rehearsal=spec.name,
        fault=fault.words,
        untrue=fault.untrue,
        at=instant.at,
        instant=instant.words,
        steps=instant.steps,
        outcome=_outcome(found),
        cause=found.cause,
        noticed=noticed,
        travel=watch.travel if stopped else None,
        lie=watch.lie,
        headline=watch.headline,
        clearance=found.clearance,
        conflicts=conflicts(found, machine),
        struck=tuple(
            f"{name} ({impact:.2g} {'N s' if machine.axes[name].kind == 'linear' else 'N.m.s'})"
            for name, impact in watch.impacts.items()
            if impact > scene.impacts.get(name, 0.0) + _TOUCH
        ),
        left_on=left_on(machine, found.trace),
    )


_TOUCH = 0.05
"""An impact at a stop that is harder by this much than without a fault is told [N s or N m s]."""


def _outcome(found: Rehearsal) -> str:
    cut = found.cause is not None and found.cause.startswith("not over after")
    return "not over" if cut else found.outcome


def _longest(axes: Sequence[Axis], ways: dict[str, float]) -> AxisWay | None:
    """The way that is longest as a share of its axis' travel."""
    longest, share = None, -inf
    for axis in axes:
        assert axis.travel is not None
        part = ways[axis.name] / (axis.travel[1] - axis.travel[0])
        if part > share:
            longest, share = AxisWay(axis.name, ways[axis.name], axis.kind), part
    return longest


def _key(event: Event | TraceEvent) -> Key | None:
    kind, text = event.kind, event.text
    if kind in ("end", "run"):
        outcome = str(dict(event.values).get("outcome", ""))
        return (kind, event.run, event.step, outcome) if outcome in _ODD_ENDS else None
    if kind not in _NEWS:
        return None
    return kind, event.run, event.step, text if kind in ("branch", "request") else ""
