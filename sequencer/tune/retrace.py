"""A recorded session once more through the same or changed routines: what they would have decided on its readings.

The recording holds what the machine did under the orders of its day. While the routines of now give the same orders,
every reading is as good as live; from the first order on that differs, an axis would have moved otherwise, and what
its readings (and all that follows from them) decide is no longer told by the recording.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any, NamedTuple

from sequencer.errors import RequestRefused, counted
from sequencer.pack import CheckedRoutine
from sequencer.ports.orders import AxisOrder, Orders
from sequencer.ports.readings import AxisReading, Parts, Readings, Sensed
from sequencer.run import Runner
from sequencer.trace.rows import Ordered, Row, TraceEvent
from sequencer.trace.trace import Header, Trace, TraceError
from sequencer.tune.origin import machine_note, routine_notes

SAME = 1e-9
"""Orders that differ by no more [SI] are the same."""

DECISIONS = (
    "run",
    "start",
    "skip",
    "branch",
    "end",
    "gate",
    "retry",
    "fault",
    "refused",
    "hold",
    "go",
    "stuck",
    "zero lost",
    "zeroed",
)
"""The kinds of event that are decisions; the others only tell."""

Key = tuple[str, str, str, int]
"""Kind, run, step, and how often these three have come before."""


class Difference(NamedTuple):
    """One decision that came out otherwise, in words; `time` [s] from the first row is the earlier of both."""

    time: float
    kind: str
    run: str
    step: str
    recorded: str | None
    now: str | None

    def __str__(self) -> str:
        who = f"{self.run}, {self.step}" if self.step else self.run
        match self.recorded, self.now:
            case None, now:
                return f"{self.time:.2f} s: {who}: now {now}; recorded was nothing of the kind"
            case recorded, None:
                return f"{self.time:.2f} s: {who}: recorded {recorded}; now nothing of the kind"
        return f"{self.time:.2f} s: {who}: recorded {self.recorded}; now {self.now}"


@dataclass(frozen=True, slots=True)
class Retrace:
    """What came of a recording.

    Attributes:
        ticks: How many were run again.
        differences: Decisions that came out otherwise, the first one first.
        told_until: From this instant [s] on the recording can no longer tell, for an axis would have moved otherwise;
            None: it tells everything.
        departure: The first order that differs, in words; None where none does.
        notes: What the reader should know: another machine, routines that are not there, requests that are refused.
        trace: The session as it would have been recorded now.
    """

    ticks: int
    differences: tuple[Difference, ...]
    told_until: float | None
    departure: str | None
    notes: tuple[str, ...]
    trace: Trace

    @property
    def identical(self) -> bool:
        """Whether every order and every decision is the same."""
        return self.departure is None and not self.differences

    @property
    def certain(self) -> tuple[Difference, ...]:
        """The differences that the recording can vouch for."""
        until = self.told_until
        return tuple(one for one in self.differences if until is None or one.time <= until + SAME)

    def __str__(self) -> str:
        if self.identical:
            return "\n".join(
                [*self.notes, f"identical: {counted(self.ticks, 'tick')}, every order and every decision as recorded"]
            )
        lines = list(self.notes)
        sure = self.certain
        lines += map(str, sure)
        if self.departure is not None:
            lines.append(self.departure)
            lines.append(
                f"from {self.told_until:.2f} s on the recording can no longer tell: the machine would have moved "
                "differently"
            )
        unsure = len(self.differences) - len(sure)
        if unsure:
            lines.append(
                f"{unsure} later {'difference is' if unsure == 1 else 'differences are'} guesses, and not shown"
            )
        return "\n".join(lines)

    def as_json(self) -> dict[str, Any]:
        """The same as plain data; a difference after `told_until` is marked as not told."""
        sure = len(self.certain)
        return {
            "identical": self.identical,
            "ticks": self.ticks,
            "told_until": self.told_until,
            "departure": self.departure,
            "notes": list(self.notes),
            "differences": [{**one._asdict(), "told": number < sure} for number, one in enumerate(self.differences)],
        }


def retrace(
    trace: Trace,
    routines: CheckedRoutine | Iterable[CheckedRoutine],
    advance: Callable[[int], None] | None = None,
) -> Retrace:
    """Run a recording's readings and requests through checked routines.

    A recording that begins in mid-session starts with axes at rest. Those of format 1 lack what several encoders of one
    axis read (`Readings.parts`); a fault that came of it comes back as a difference.

    Args:
        trace: the recording, from its first tick.
        routines: those of now, for one machine. A routine of the recording that is missing is said in the notes.
        advance: called with the number of each tick, to show progress.

    Raises:
        TraceError: nothing is recorded, or it is of a machine with none of these axes.
        ModelError: the routines are not for one machine.
    """
    given = [routines] if isinstance(routines, CheckedRoutine) else list(routines)
    if not trace.rows:
        raise TraceError("the trace has no ticks; there is nothing to run again")
    again = _Again(trace, given)
    for row in trace.rows:
        again.run(row)
        if advance is not None:
            advance(row.tick)
    return again.result()


class _Again:
    """Runs rows through a runner, and keeps both sides' decisions and the first order that differs."""

    def __init__(self, trace: Trace, routines: list[CheckedRoutine]) -> None:
        self.trace = trace
        self.runner = Runner(routines)
        machine = self.runner.machine
        self.header = Header.from_machine_data(machine, routines)
        self.least_latency = {axis["name"]: int(axis["latency"][0]) for axis in machine["axes"]}
        self.notes = _notes(trace.header, self.header)
        self.axes = [name for name, _ in trace.header.axes]
        self.sensors = [name for name, _ in trace.header.sensors]
        self.same_names = (self.axes, self.sensors) == (
            [name for name, _ in self.header.axes],
            [name for name, _ in self.header.sensors],
        )
        self.compared = [(index, name) for index, name in enumerate(self.axes) if name in self.least_latency]
        self.outputs = [
            (index, name)
            for index, (name, _) in enumerate(trace.header.outputs)
            if name in {other for other, _ in self.header.outputs}
        ]
        self.departure: tuple[float, float, str] | None = None
        self.rows: list[Row] = []

    def run(self, row: Row) -> None:
        """One tick: its requests, its readings; what comes of it is compared and kept."""
        self._ask(row)
        sensors = {
            name: None if sensed is None else Sensed(*sensed)
            for name, sensed in zip(self.sensors, row.sensors, strict=True)
        }
        axes = {
            name: AxisReading(*measured)
            for name, measured in zip(self.axes, row.measured, strict=True)
            if measured is not None
        }
        parts = {axis: Parts(encoders, currents) for axis, encoders, currents in row.parts}
        orders = self.runner.tick(Readings(row.now_ns, row.enabled, axes, sensors, row.battery, parts))
        if self.departure is None:
            self._compare(row, orders)
        self.rows.append(self._row(row, orders))

    def _ask(self, row: Row) -> None:
        """Hand on what was asked for before this tick; only what a caller may ask for is repeated."""
        for name, *arguments in row.requests:
            how = _REQUESTS.get(name)
            try:
                if how is None:
                    raise RequestRefused(f"there is no request '{name}'")
                how(self.runner, *arguments)
            except (RequestRefused, TypeError) as refusal:
                self.notes.append(f"{self.trace.seconds(row.now_ns):.2f} s: '{name}' is refused now: {refusal}")

    def _compare(self, row: Row, orders: Orders) -> None:
        time = self.trace.seconds(row.now_ns)
        for index, name in self.compared:
            recorded: Any = row.ordered[index]
            now = orders.axes[name]
            if recorded != now and not _same(recorded, now):
                until = time + self.least_latency[name] * 1e-9
                self.departure = time, until, f"{time:.2f} s: {name}: {_difference(recorded, now)}"
                return
        for index, name in self.outputs:
            if not _equal(row.outputs[index], orders.outputs[name]):
                words = f"{time:.2f} s: {name}: recorded {row.outputs[index]}, now {orders.outputs[name]}"
                self.departure = time, time, words
                return

    def _row(self, row: Row, orders: Orders) -> Row:
        """The row as it would have been recorded now, under the header of now."""
        ordered: tuple[Any, ...] = tuple([orders.axes[name] for name, _ in self.header.axes])
        row = row._replace(
            ordered=row.ordered if ordered == row.ordered else tuple(map(Ordered._make, ordered)),
            outputs=tuple([orders.outputs[name] for name, _ in self.header.outputs]),
            events=tuple(map(TraceEvent._make, orders.events)),
        )
        if self.same_names:
            return row
        measured = dict(zip(self.axes, row.measured, strict=True))
        sensed = dict(zip(self.sensors, row.sensors, strict=True))
        return row._replace(
            measured=tuple(measured.get(name) for name, _ in self.header.axes),
            sensors=tuple(sensed.get(name) for name, _ in self.header.sensors),
        )

    def result(self) -> Retrace:
        made = Trace(self.header, tuple(self.rows))
        differences = _differences(self.trace, made)
        departure = self.departure
        return Retrace(
            ticks=len(self.rows),
            differences=tuple(differences),
            told_until=None if departure is None else departure[1],
            departure=None if departure is None else departure[2],
            notes=tuple(self.notes),
            trace=made,
        )


def _notes(recorded: Header, now: Header) -> list[str]:
    notes = []
    known, mine = {name for name, _ in recorded.axes}, {name for name, _ in now.axes}
    if not known & mine:
        raise TraceError(
            f"the trace is of '{recorded.machine}' with {', '.join(sorted(known))}; "
            f"'{now.machine}' has none of these axes, but {', '.join(sorted(mine))}"
        )
    machine = machine_note(recorded, now.machine, now.machine_hash)
    if machine is not None:
        notes.append(machine)
    for name in sorted(mine - known):
        notes.append(f"axis {name} was not recorded; its readings count as missing")
    sensors = {name for name, _ in recorded.sensors}
    for name, _ in now.sensors:
        if name not in sensors:
            notes.append(f"sensor {name} was not recorded; its readings count as missing")
    notes += routine_notes(recorded, dict(now.routines))
    return notes


def _differences(recorded: Trace, now: Trace) -> list[Difference]:
    """Decisions that one side has and the other has not, or has at another tick or with other words."""
    before, after = _decisions(recorded), _decisions(now)
    found = []
    for key in {**before, **after}:
        one, two = before.get(key), after.get(key)
        if one == two:
            continue
        kind, run, step, _ = key
        times = [event.now_ns for event in (one, two) if event is not None]
        found.append(
            Difference(
                recorded.seconds(min(times)),
                kind,
                run,
                step,
                None if one is None else _words(recorded, one),
                None if two is None else _words(recorded, two),
            )
        )
    return sorted(found, key=lambda one: one.time)


def _decisions(trace: Trace) -> dict[Key, TraceEvent]:
    counted: Counter[tuple[str, str, str]] = Counter()
    found: dict[Key, TraceEvent] = {}
    for event in trace.events():
        if event.kind in DECISIONS:
            which = event.kind, event.run, event.step
            found[(*which, counted[which])] = event._replace(tick=0)
            counted[which] += 1
    return found


def _words(trace: Trace, event: TraceEvent) -> str:
    what = f"{event.kind} {event.text}".strip() if event.kind != "end" else event.text
    return f"'{what}' at {trace.seconds(event.now_ns):.2f} s"


def _same(recorded: Ordered | None, now: AxisOrder) -> bool:
    if recorded is None or recorded.mode != now.mode:
        return False
    return all(_equal(one, other) for one, other in zip(recorded[1:], now[1:], strict=True))


def _equal(one: Any, other: Any) -> bool:
    if one == other:
        return True
    numbers = isinstance(one, int | float) and isinstance(other, int | float)
    return numbers and abs(one - other) <= SAME


def _difference(recorded: Ordered | None, now: AxisOrder) -> str:
    if recorded is None:
        return f"recorded no order, now {now.mode}"
    if recorded.mode != now.mode:
        return f"ordered was {recorded.mode}, now {now.mode}"
    named = zip(Ordered._fields[1:], recorded[1:], now[1:], strict=True)
    field, one, other = next(item for item in named if not _equal(item[1], item[2]))
    return f"ordered {field} was {one:.6g}, now {other:.6g}"


def _request(runner: Runner, name: str, values: Mapping[str, Any], speed: float, preempt: bool, restart: bool) -> None:
    runner.request(name, values, speed, preempt, restart)


_REQUESTS: dict[Any, Callable[..., None]] = {
    "request": _request,
    "cancel": Runner.cancel,
    "abort": Runner.abort,
    "hold": Runner.hold,
    "resume": Runner.resume,
    "reset": Runner.reset,
    "jog": Runner.jog,
    "zero": Runner.zero,
    "assume": Runner.assume,
    "confirm": Runner.confirm,
    "failure": Runner.fail,
    "note": Runner.note,
}
"""How a recorded request is asked for again: by the runner's own methods, which refuse what they cannot take."""
