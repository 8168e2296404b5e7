"""The record of a session: one row a tick, and what can be asked of it."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from sequencer.errors import StepgraphError, did_you_mean
from sequencer.units import si_unit

FORMAT_VERSION = 1
"""Of the trace's columns and header; a reader refuses what is newer than itself."""

NANOSECONDS = 1e9

Value = bool | float | str | None
"""What a sensor read or an output was set to; None: missing."""


class TraceError(StepgraphError, ValueError):
    """A trace that cannot be read, or a name that is not in it; the message says where and why."""


class Measured(NamedTuple):
    """One axis as it was read: fields and units of an axis reading."""

    position: float | None = None
    speed: float | None = None
    current: float | None = None
    zeroed: bool = True
    age: int = 0
    fault: str | None = None


class Ordered(NamedTuple):
    """What one axis was told: fields and units of an axis order."""

    mode: str
    position: float = 0.0
    velocity: float = 0.0
    acceleration: float = 0.0
    volts: float = 0.0
    current: float = 0.0


class TraceEvent(NamedTuple):
    """Something that happened in a tick: fields of an event among the orders."""

    tick: int
    now_ns: int
    kind: str
    run: str = ""
    step: str = ""
    text: str = ""
    values: tuple[tuple[str, Value], ...] = ()

    def value(self, name: str) -> Value:
        """The value of that name among what caused the event; None where there is none."""
        return next((value for known, value in self.values if known == name), None)


class Row(NamedTuple):
    """One tick: what was read, asked and ordered.

    `measured`, `ordered`, `sensors` (value, age [ns]) and `outputs` stand in the order of the header's names. None
    stands for what was missing altogether. `requests` are (name, arguments...) of plain data.
    """

    tick: int
    now_ns: int
    enabled: bool
    measured: tuple[Measured | None, ...]
    ordered: tuple[Ordered | None, ...]
    sensors: tuple[tuple[Value, int] | None, ...]
    outputs: tuple[Value, ...]
    battery: float | None
    requests: tuple[tuple[Any, ...], ...] = ()
    events: tuple[TraceEvent, ...] = ()


@dataclass(frozen=True, slots=True)
class Header:
    """What a trace is of: machine and hash, period [ns], overlays, routines with their hashes.

    Findings waived in writing are `waived`: (routine, rule, step, because). `axes` are (name, kind);
    `sensors` and `outputs` are (name, unit), the unit "" for switches and words.
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

    `outcome` is done, cancelled or faulted; None: the trace ends before the run does.
    """

    name: str
    outcome: str | None
    cause: str | None
    start: float
    end: float


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


class Channel(NamedTuple):
    """A named quantity of a trace: its unit ("" for switches, words and JSON) and how to take it from a row."""

    name: str
    unit: str
    take: Callable[[Row], Any]


@dataclass(frozen=True, slots=True)
class Trace:
    """A header and one row a tick, oldest first."""

    header: Header
    rows: tuple[Row, ...] = field(default=())

    @property
    def duration(self) -> float:
        """From the first row to the last [s]."""
        return self.seconds(self.rows[-1].now_ns) if self.rows else 0.0

    def seconds(self, now_ns: int) -> float:
        """A time of the rows' clock [ns] as seconds from the first row."""
        return (now_ns - self.rows[0].now_ns) / NANOSECONDS if self.rows else 0.0

    def events(self, kind: str | None = None) -> Iterator[TraceEvent]:
        """Every event in order, or those of one kind."""
        for row in self.rows:
            for event in row.events:
                if kind is None or event.kind == kind:
                    yield event

    def runs(self) -> tuple[RunRecord, ...]:
        """Every run in the order of their starts."""
        runs: list[RunRecord] = []
        open_runs: dict[str, int] = {}
        for event in self.events("run"):
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
        return tuple(runs)

    def steps(self, run: RunRecord | str) -> tuple[StepRecord, ...]:
        """Every activation of a step in one run, in the order of their starts.

        A name stands for the last run of that name.

        Raises:
            TraceError: no run of that name.
        """
        wanted = run if isinstance(run, RunRecord) else self._last_run(run)
        steps: list[StepRecord] = []
        open_steps: dict[str, int] = {}
        for event in self.events():
            time = self.seconds(event.now_ns)
            if event.run != wanted.name or not wanted.start <= time <= wanted.end or not event.step:
                continue
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

    def series(self, name: str) -> Series:
        """One quantity over time: ``lift.measured``, ``lift.ordered``, ``wrist.volts``, a sensor, ``battery``, ...

        Raises:
            TraceError: no such quantity; the nearest right name is given.
        """
        known = {channel.name: channel for channel in channels(self.header)}
        channel = known.get(name) or known.get(f"{name}.measured")
        if channel is None:
            raise TraceError(f"the trace has no '{name}'; {did_you_mean(name, known)}")
        times = tuple(self.seconds(row.now_ns) for row in self.rows)
        return Series(channel.name, channel.unit, times, tuple(channel.take(row) for row in self.rows))

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


def channels(header: Header) -> list[Channel]:
    """Every quantity of a trace in the order of its columns."""
    found = [
        Channel("tick", "", lambda row: row.tick),
        Channel("time", "ns", lambda row: row.now_ns),
        Channel("enabled", "", lambda row: row.enabled),
    ]
    for index, (axis, kind) in enumerate(header.axes):
        length = "m" if kind == "linear" else "rad"
        quantities = (
            ("measured", length),
            ("speed", f"{length}/s"),
            ("current", "A"),
            ("zeroed", ""),
            ("age", "ns"),
            ("fault", ""),
        )
        for place, (quantity, unit) in enumerate(quantities):
            found.append(Channel(f"{axis}.{quantity}", unit, _part("measured", index, place)))
        quantities = (
            ("mode", ""),
            ("ordered", length),
            ("ordered_speed", f"{length}/s"),
            ("ordered_acceleration", f"{length}/s2"),
            ("volts", "V"),
            ("ordered_current", "A"),
        )
        for place, (quantity, unit) in enumerate(quantities):
            found.append(Channel(f"{axis}.{quantity}", unit, _part("ordered", index, place)))
    for index, (sensor, unit) in enumerate(header.sensors):
        found.append(Channel(sensor, unit, _part("sensors", index, 0)))
        found.append(Channel(f"{sensor}.age", "ns", _part("sensors", index, 1)))
    for index, (output, unit) in enumerate(header.outputs):
        found.append(Channel(output, unit, lambda row, index=index: row.outputs[index]))  # type: ignore[misc]
    found.append(Channel("battery", "V", lambda row: row.battery))
    return found


_RUN_OUTCOMES = ("done", "cancelled", "faulted")
_STEP_OUTCOMES = ("done", "timeout", "aborted", "error", "skipped")


def _part(group: str, index: int, place: int) -> Callable[[Row], Any]:
    column = Row._fields.index(group)

    def take(row: tuple[Any, ...]) -> Any:
        item = row[column][index]
        return None if item is None else item[place]

    return take


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
