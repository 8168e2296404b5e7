"""The record of a session: one row a tick, and what can be asked of it."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from math import inf
from typing import Any, NamedTuple

from sequencer.errors import StepgraphError, did_you_mean
from sequencer.trace.channels import channels, channels_of_parts
from sequencer.trace.rows import Row, TraceEvent, Value
from sequencer.units import si_unit

FORMAT_VERSION = 2
"""Of the trace's columns and header; a reader refuses what is newer than itself. Since 2 it has parts and labels."""

LABELS = ("made", "missed")
"""What an attempt can be labelled, by a person or by a note of this value with the name `LABEL`."""
LABEL = "label"

NANOSECONDS = 1e9


class TraceError(StepgraphError, ValueError):
    """A trace that cannot be read, or a name that is not in it; the message says where and why."""


@dataclass(frozen=True, slots=True)
class Header:
    """What a trace is of: machine and hash, period [ns], overlays, routines with their hashes.

    Findings waived in writing are `waived`: (routine, rule, step, because). `axes` are (name, kind);
    `sensors` and `outputs` are (name, unit), the unit "" for switches and words. `labels` are what a person has said
    of runs afterwards: (number from 1, made or missed). `note` says where the trace comes from if not from a session.
    """

    machine: str
    machine_hash: str
    period: int
    axes: tuple[tuple[str, str], ...]
    sensors: tuple[tuple[str, str], ...] = ()
    outputs: tuple[tuple[str, str], ...] = ()
    overlays: tuple[str, ...] = ()
    routines: tuple[tuple[str, str], ...] = ()
    waived: tuple[tuple[str, str, str, str], ...] = ()
    labels: tuple[tuple[int, str], ...] = ()
    note: str = ""
    version: int = FORMAT_VERSION

    @classmethod
    def from_machine_data(cls, machine: Mapping[str, Any], routines: Sequence[Any] = ()) -> Header:
        """The header for a machine's plain data and the checked routines that may run."""
        return cls(
            machine=str(machine["name"]),
            machine_hash=str(machine.get("hash", "")),
            period=int(machine["period"]),
            axes=tuple((axis["name"], axis["kind"]) for axis in machine["axes"]),
            sensors=tuple((sensor["name"], _unit(sensor)) for sensor in machine.get("sensors", ())),
            outputs=tuple((output["name"], _unit(output)) for output in machine.get("outputs", ())),
            overlays=tuple(map(str, machine.get("overlays", ()))),
            routines=tuple((str(checked.name), str(checked.hash)) for checked in routines),
            waived=tuple(
                (str(checked.name), str(waiver["rule"]), str(waiver.get("step") or ""), str(waiver["because"]))
                for checked in routines
                for waiver in checked.routine.get("waived", ())
            ),
        )


class RunRecord(NamedTuple):
    """One run of a routine; times [s] from the first row.

    `outcome` is done, cancelled or faulted; None: the trace ends before the run does. `label` is made or missed, as a
    person said; None: nobody did.
    """

    name: str
    outcome: str | None
    cause: str | None
    start: float
    end: float
    label: str | None = None


class StepRecord(NamedTuple):
    """One activation of a step; times [s] from the first row.

    `outcome` is done, timeout, aborted, error or skipped; None: the trace ends before the step does. `cause` says why
    it ended so; `kind` is move, wait, ... ("" where the trace does not tell).
    """

    name: str
    start: float
    end: float
    outcome: str | None
    kind: str = ""
    cause: str | None = None


class Series(NamedTuple):
    """One quantity over time: `times` [s] from the first row, shape (n,), and as many `values` in `unit`."""

    name: str
    unit: str
    times: tuple[float, ...]
    values: tuple[Value, ...]


@dataclass(frozen=True, slots=True)
class Trace:
    """A header and one row a tick, oldest first."""

    header: Header
    rows: Sequence[Row] = field(default=())

    @property
    def duration(self) -> float:
        """From the first row to the last [s]."""
        return self.seconds(self.rows[-1].now_ns) if self.rows else 0.0

    def seconds(self, now_ns: int) -> float:
        """A time of the rows' clock [ns] as seconds from the first row."""
        return (now_ns - self.rows[0].now_ns) / NANOSECONDS if self.rows else 0.0

    def between(self, start: float, end: float) -> tuple[Row, ...]:
        """The rows from `start` to `end` [s] from the first row, both included."""

        def time(row: Row) -> float:
            return self.seconds(row.now_ns)

        return tuple(self.rows[bisect_left(self.rows, start, key=time) : bisect_right(self.rows, end, key=time)])

    def events(self, kind: str | None = None) -> Iterator[TraceEvent]:
        """Every event in order, or those of one kind."""
        for row in self.rows:
            for event in row.events:
                if kind is None or event.kind == kind:
                    yield event

    def runs(self) -> tuple[RunRecord, ...]:
        """Every run in the order of their starts.

        A note named "label" from the robot labels the run that began last before it; what the header says goes before.
        """
        runs: list[RunRecord] = []
        open_runs: dict[str, int] = {}
        for event in self.events():
            if event.kind == "note" and runs and event.value(LABEL) in LABELS:
                runs[-1] = runs[-1]._replace(label=str(event.value(LABEL)))
            if event.kind != "run":
                continue
            time = self.seconds(event.now_ns)
            # A parameter may be called "outcome"; the text tells a start from an end.
            outcome = None if event.text == "start" else _outcome(event, _RUN_OUTCOMES)
            if outcome is None:
                if event.run not in open_runs:
                    open_runs[event.run] = len(runs)
                    runs.append(RunRecord(event.run, None, None, time, self.duration))
            elif event.run in open_runs:
                index = open_runs.pop(event.run)
                runs[index] = runs[index]._replace(outcome=outcome, cause=_cause(event, outcome), end=time)
        for number, label in self.header.labels:
            if number <= len(runs):
                runs[number - 1] = runs[number - 1]._replace(label=label)
        return tuple(runs)

    def labelled(self, labels: Mapping[int, str | None]) -> Trace:
        """The same trace with labels of runs by their number from 1: made, missed, or None to take one away.

        Raises:
            TraceError: no run of that number, or another word.
        """
        count = len(self.runs())
        for number, label in labels.items():
            if not 1 <= number <= count:
                raise TraceError(f"there is no run {number}; {_counted(count)}")
            if label is not None and label not in LABELS:
                raise TraceError(f"'{label}' is no label; {did_you_mean(label, LABELS)}")
        kept = {**dict(self.header.labels), **labels}
        stated = tuple((number, label) for number, label in sorted(kept.items()) if label is not None)
        return replace(self, header=replace(self.header, labels=stated, version=FORMAT_VERSION))

    def steps(self, run: RunRecord | str) -> tuple[StepRecord, ...]:
        """Every activation of a step in one run, in the order of their starts.

        A name stands for the last run of that name.

        Raises:
            TraceError: no run of that name.
        """
        wanted = run if isinstance(run, RunRecord) else self._last_run(run)
        steps: list[StepRecord] = []
        open_steps: dict[str, int] = {}
        for event in (event for row in self.between(wanted.start, wanted.end) for event in row.events):
            if event.run != wanted.name or not event.step:
                continue
            time = self.seconds(event.now_ns)
            if event.kind in ("start", "skip"):
                open_steps[event.step] = len(steps)
                started = StepRecord(event.step, time, wanted.end, None)
                skipped = started._replace(outcome="skipped", cause=event.text or None)
                steps.append(skipped if event.kind == "skip" else started._replace(kind=event.text))
            elif event.kind == "end":
                # A step whose milestone never came ends without having begun.
                index = open_steps.pop(event.step, len(steps))
                begun = steps[index] if index < len(steps) else StepRecord(event.step, time, time, None)
                outcome = begun.outcome or _outcome(event, _STEP_OUTCOMES)
                cause = begun.cause or (_cause(event, outcome) if outcome else None)
                steps[index : index + 1] = [begun._replace(end=time, outcome=outcome, cause=cause)]
        return tuple(steps)

    def series(self, name: str, start: float = -inf, end: float = inf) -> Series:
        """One quantity over time: ``lift.measured``, ``lift.ordered``, ``wrist.volts``, a sensor, ``battery``, ...

        Args:
            name: the quantity, as its column is headed; an axis alone stands for what was measured.
            start, end: [s] from the first row.

        Raises:
            TraceError: no such quantity; the nearest right name is given.
        """
        known = {channel.name: channel for channel in channels(self.header)}
        channel = known.get(name) or known.get(f"{name}.measured")
        if channel is None:
            known.update((channel.name, channel) for channel in channels_of_parts(self.header, self.rows))
            channel = known.get(name)
        if channel is None:
            raise TraceError(f"the trace has no '{name}'; {did_you_mean(name, known)}")
        rows = self.rows if (start, end) == (-inf, inf) else self.between(start, end)
        times = tuple([self.seconds(row.now_ns) for row in rows])
        return Series(channel.name, channel.unit, times, tuple(map(channel.take, rows)))

    def _last_run(self, name: str) -> RunRecord:
        runs = self.runs()
        found = [run for run in runs if run.name == name]
        if not found:
            raise TraceError(f"the trace has no run '{name}'; {did_you_mean(name, {run.name for run in runs})}")
        return found[-1]

    def __repr__(self) -> str:
        return (
            f"<Trace of {self.header.machine}: {len(self.rows)} ticks, {self.duration:.3g} s, {len(self.runs())} runs>"
        )


_RUN_OUTCOMES = ("done", "cancelled", "faulted")
_STEP_OUTCOMES = ("done", "timeout", "aborted", "error", "skipped")


def _counted(count: int) -> str:
    return f"the trace has {count}, numbered from 1" if count else "the trace has no runs"


def _outcome(event: TraceEvent, allowed: tuple[str, ...]) -> str | None:
    """An event names its outcome among its values, or as the first word of its text."""
    stated = event.value("outcome")
    if isinstance(stated, str):
        return stated
    first = event.text.split(maxsplit=1)[0].rstrip(":;,.") if event.text.strip() else ""
    return first if first in allowed else None


def _cause(event: TraceEvent, outcome: str) -> str | None:
    stated = event.value("cause")
    if isinstance(stated, str) and stated:
        return stated
    text = event.text
    if text.startswith(outcome):
        text = text[len(outcome) :].lstrip(":;,. ")
    return text or None


def _unit(item: Mapping[str, Any]) -> str:
    if item.get("kind") != "number":
        return ""
    dimension = item.get("dimension")
    if dimension is None:
        return str(item.get("unit") or "SI")
    m, kg, s, amp, rad = dimension
    return si_unit((m, kg, s, amp, rad))
