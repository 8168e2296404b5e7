"""Why a recorded run ended as it did: one sentence, with the values that decided it and how near it came."""

from __future__ import annotations

import re
from dataclasses import asdict, dataclass
from typing import Any

from sequencer.errors import StepgraphError
from sequencer.trace.trace import RunRecord, StepRecord, Trace, TraceError
from sequencer.units import Quantity, parse_quantity, parse_unit, show

_COMPARISON = re.compile(
    r"(?P<name>[A-Za-z_][\w.]*) (?P<operator><=|>=|<|>) (?P<limit>-?[0-9.]+(?:e[+-]?[0-9]+)?(?: [A-Za-z%][\w./]*)?)"
)
"""A comparison as causes write it: ``range_to_hook < 0.3 m``."""


@dataclass(frozen=True, slots=True)
class Near:
    """How near a comparison came while a step waited for it.

    Attributes:
        condition: The comparison, as the cause writes it.
        nearest: The value that came nearest, in words with its unit; None: it was never known.
        short: What was missing, in words; None where it was true at times, but not when or as long as it had to be.
        at: When [s] from the first row.
    """

    condition: str
    nearest: str | None
    short: str | None
    at: float | None

    def __str__(self) -> str:
        name = self.condition.split()[0]
        if self.nearest is None:
            return f"{name} was never known"
        if self.short is None:
            once = f"{self.condition} was true at {self.at:.2f} s ({self.nearest})"
            return f"{once}, but not when or as long as it had to be"
        return f"{name} came no nearer than {self.nearest} at {self.at:.2f} s, {self.short} short"


@dataclass(frozen=True, slots=True)
class Account:
    """One run of a recording, and why it ended.

    Attributes:
        number: Its number in the recording, from 1.
        name: The routine.
        start, end: [s] from the first row.
        outcome: done, cancelled, faulted, or None where the recording ends first.
        cause: What ended it, as the runner said.
        step: The step that decided it; None where none did.
        near: For each comparison in the cause, how near it came.
        lowest_battery: [V] during the run; None where it was not recorded.
        late_ticks: How many ticks of the run came late.
    """

    number: int
    name: str
    start: float
    end: float
    outcome: str | None
    cause: str | None
    step: str | None
    near: tuple[Near, ...]
    lowest_battery: float | None
    late_ticks: int

    @property
    def failed(self) -> bool:
        """Whether it came to any other end than done."""
        return self.outcome != "done"

    def __str__(self) -> str:
        head = f"run {self.number}, {self.name}, {self.start:.2f} s to {self.end:.2f} s: "
        if self.outcome is None:
            return head + "the recording ends before the run does"
        if not self.failed:
            return head + f"done after {self.end - self.start:.2f} s"
        words = head + self.outcome + (f": {self.cause}" if self.cause else "")
        for near in self.near:
            words += f"; {near}"
        beside = []
        if self.lowest_battery is not None:
            beside.append(f"battery at least {self.lowest_battery:.3g} V")
        if self.late_ticks:
            beside.append(f"{self.late_ticks} late {'tick' if self.late_ticks == 1 else 'ticks'}")
        return words + (f" [{', '.join(beside)}]" if beside else "")

    def as_json(self) -> dict[str, Any]:
        """The same as plain data, with the sentence."""
        return {**asdict(self), "failed": self.failed, "sentence": str(self)}


def why(trace: Trace, run: int | None = None) -> tuple[Account, ...]:
    """An account of every run of a recording, or of one.

    Args:
        trace: the recording.
        run: its number, from 1, in the order of starts.

    Raises:
        TraceError: there is no run of that number, or none at all.
    """
    runs = trace.runs()
    if not runs:
        raise TraceError("the trace has no runs; nothing was asked for while it was recorded")
    if run is not None and not 1 <= run <= len(runs):
        raise TraceError(f"there is no run {run}; the trace has {len(runs)}, numbered from 1")
    chosen = range(len(runs)) if run is None else [run - 1]
    return tuple(_account(trace, number + 1, runs[number]) for number in chosen)


def _account(trace: Trace, number: int, run: RunRecord) -> Account:
    steps = trace.steps(run)
    deciding = next((step for step in steps if step.outcome in ("timeout", "error")), None)
    failed = run.outcome not in (None, "done")
    near = _near(trace, run.cause or "", deciding) if failed and deciding is not None else ()
    rows = trace.between(run.start, run.end)
    volts = [row.battery for row in rows if row.battery is not None]
    late = sum(1 for row in rows for event in row.events if event.kind == "late")
    return Account(
        number,
        run.name,
        run.start,
        run.end,
        run.outcome,
        run.cause,
        deciding.name if failed and deciding is not None else None,
        near,
        min(volts, default=None),
        late,
    )


def _near(trace: Trace, cause: str, step: StepRecord) -> tuple[Near, ...]:
    """How near each comparison that the cause names came while the step was active."""
    found: dict[str, Near] = {}
    for match in _COMPARISON.finditer(cause):
        near = _nearest(trace, match, step)
        if near is not None:
            found.setdefault(near.condition, near)
    return tuple(found.values())


def _nearest(trace: Trace, match: re.Match[str], step: StepRecord) -> Near | None:
    try:
        limit = _limit(match["limit"])
        series = trace.series(match["name"], step.start, step.end)
    except StepgraphError:
        return None
    below = match["operator"].startswith("<")
    values = [
        (value, time)
        for value, time in zip(series.values, series.times, strict=True)
        if isinstance(value, int | float) and not isinstance(value, bool)
    ]
    if not values:
        return Near(match[0], None, None, None)
    value, time = (min if below else max)(values, key=lambda one: one[0])
    missing = value - limit.value if below else limit.value - value
    dimension = _dimension(series.unit, limit)
    short = show(missing, dimension) if missing > 0.0 else None
    return Near(match[0], show(value, dimension), short, time)


def _limit(text: str) -> Quantity:
    """What stands behind the operator; a word behind a plain number may belong to the sentence."""
    try:
        return parse_quantity(text)
    except StepgraphError:
        return parse_quantity(text.split()[0])


def _dimension(unit: str, limit: Quantity) -> tuple[int, int, int, int, int]:
    """The dimension of what was read: that of the column, which is in SI."""
    try:
        return parse_unit(unit)[1] if unit and unit != "SI" else limit.dimension
    except StepgraphError:
        return limit.dimension
