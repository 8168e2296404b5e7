"""What a drill found: a row for every fault at every instant, and what they add up to."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

from sequencer.machine.axis import AxisKind
from sequencer.rehearse import MeasuredClearance
from sequencer.units import ANGLE, LENGTH, show


class AxisWay(NamedTuple):
    """How far an axis went [m or rad]."""

    axis: str
    way: float
    kind: AxisKind

    def __str__(self) -> str:
        dimension = LENGTH if self.kind == "linear" else ANGLE
        return f"{self.axis} {show(float(f'{round(self.way, 4):.3g}'), dimension)}"


@dataclass(frozen=True, slots=True)
class DrillRow:
    """One fault at one instant. Times are in [s].

    Attributes:
        rehearsal: the rehearsal in which it goes wrong.
        fault: what goes wrong, in words.
        untrue: why readings or brakes are not to be trusted with it; "": they are true.
        at: when, from the first tick.
        instant: the same in words.
        steps: those active then.
        outcome: done, cancelled, faulted, or "not over" where nothing but the limit of time ended it.
        cause: why it was not done.
        noticed: time until anything out of the ordinary is told; None: never.
        travel: the longest way of an axis from then until all stand still; None where the run goes on and is done.
        lie: how far the reading of an axis was from the truth at most, until all stood still; None: they were true.
        headline: what the operator sees when it is noticed, or at the end.
        clearance: the least distance between bodies; None where none are watched.
        conflicts: keep-outs entered and margins not kept.
        struck: axes that struck an end of their travel harder than without the fault.
        left_on: outputs that do not rest after the end, and axes still driven.
    """

    rehearsal: str
    fault: str
    untrue: str
    at: float
    instant: str
    steps: tuple[str, ...]
    outcome: str
    cause: str | None
    noticed: float | None
    travel: AxisWay | None
    lie: AxisWay | None
    headline: str
    clearance: MeasuredClearance | None
    conflicts: tuple[str, ...]
    struck: tuple[str, ...]
    left_on: tuple[str, ...]

    @property
    def fine(self) -> bool:
        """Whether nothing is left on and, where readings and brakes are true, nothing was met."""
        return not self.left_on and (bool(self.untrue) or not self.conflicts)

    def as_json(self) -> dict[str, Any]:
        """The row as plain data."""
        return {
            "rehearsal": self.rehearsal,
            "fault": self.fault,
            "untrue": self.untrue or None,
            "at": self.at,
            "instant": self.instant,
            "steps": list(self.steps),
            "outcome": self.outcome,
            "cause": self.cause,
            "noticed": self.noticed,
            "travel": _plain(self.travel),
            "lie": _plain(self.lie),
            "headline": self.headline,
            "clearance": None if self.clearance is None else self.clearance.as_json(),
            "conflicts": list(self.conflicts),
            "struck": list(self.struck),
            "left_on": list(self.left_on),
            "fine": self.fine,
        }


class FaultSummary(NamedTuple):
    """What one fault came to over all its instants; times and ways are the worst of them."""

    fault: str
    untrue: str
    tried: int
    outcomes: Counter[str]
    noticed: float | None
    unnoticed: int
    travel: AxisWay | None
    lie: AxisWay | None
    headlines: Counter[str]
    clearance: MeasuredClearance | None
    conflicts: int
    left_on: int


@dataclass(frozen=True, slots=True)
class DrillReport:
    """All rows of a drill, in the order of faults and instants.

    Attributes:
        routine: its name.
        rows: one each.
        planned: how many there were to be; more than there are rows where it was interrupted.
        left_out: what was not tried and why, a phrase each.
    """

    routine: str
    rows: tuple[DrillRow, ...]
    planned: int
    left_out: tuple[str, ...] = ()

    @property
    def complete(self) -> bool:
        """Whether everything was tried."""
        return len(self.rows) == self.planned

    @property
    def conflicts(self) -> tuple[DrillRow, ...]:
        """The rows in which something was met although readings and brakes are true."""
        return tuple(row for row in self.rows if row.conflicts and not row.untrue)

    @property
    def left_on(self) -> tuple[DrillRow, ...]:
        """The rows after which something is left on."""
        return tuple(row for row in self.rows if row.left_on)

    @property
    def fine(self) -> bool:
        """Whether everything was tried and every row is fine."""
        return self.complete and all(row.fine for row in self.rows)

    def by_fault(self) -> tuple[FaultSummary, ...]:
        """One summary a fault, in the order of the rows."""
        groups: dict[str, list[DrillRow]] = {}
        for row in self.rows:
            groups.setdefault(row.fault, []).append(row)
        return tuple(_summary(rows) for rows in groups.values())

    def as_json(self) -> dict[str, Any]:
        """The report as plain data, every row in it."""
        return {
            "routine": self.routine,
            "fine": self.fine,
            "planned": self.planned,
            "tried": len(self.rows),
            "conflicts": len(self.conflicts),
            "left_on": len(self.left_on),
            "left_out": list(self.left_out),
            "rows": [row.as_json() for row in self.rows],
        }

    def as_csv(self) -> str:
        """The rows as CSV (RFC 4180), numbers in SI, their units in the headings."""
        import csv
        import io

        text = io.StringIO()
        writer = csv.writer(text)
        writer.writerow([*_HEADINGS])
        writer.writerows(_cells(row) for row in self.rows)
        return text.getvalue()

    def __repr__(self) -> str:
        return (
            f"<DrillReport of {self.routine}: {len(self.rows)} of {self.planned} tried, "
            f"{len(self.conflicts)} conflicts, {len(self.left_on)} with something left on>"
        )


_HEADINGS = (
    "rehearsal",
    "fault",
    "untrue",
    "at [s]",
    "instant",
    "steps",
    "outcome",
    "cause",
    "noticed [s]",
    "travel axis",
    "travel [m or rad]",
    "lie axis",
    "lie [m or rad]",
    "headline",
    "clearance [m]",
    "between",
    "conflicts",
    "struck",
    "left on",
)


def _cells(row: DrillRow) -> list[str | float | None]:
    near = row.clearance
    return [
        row.rehearsal,
        row.fault,
        row.untrue,
        round(row.at, 6),
        row.instant,
        " ".join(row.steps),
        row.outcome,
        row.cause,
        None if row.noticed is None else round(row.noticed, 6),
        row.travel.axis if row.travel is not None else None,
        row.travel.way if row.travel is not None else None,
        row.lie.axis if row.lie is not None else None,
        row.lie.way if row.lie is not None else None,
        row.headline,
        near.least if near is not None else None,
        " ".join(near.between) if near is not None else None,
        "; ".join(row.conflicts),
        "; ".join(row.struck),
        "; ".join(row.left_on),
    ]


def _summary(rows: Sequence[DrillRow]) -> FaultSummary:
    times = [row.noticed for row in rows if row.noticed is not None]
    nearest = min((row.clearance for row in rows if row.clearance is not None), key=_spare, default=None)
    return FaultSummary(
        rows[0].fault,
        rows[0].untrue,
        len(rows),
        Counter(row.outcome for row in rows),
        max(times, default=None),
        len(rows) - len(times),
        _farthest([row.travel for row in rows]),
        _farthest([row.lie for row in rows]),
        Counter(row.headline for row in rows if row.noticed is not None),
        nearest,
        sum(1 for row in rows if row.conflicts),
        sum(1 for row in rows if row.left_on),
    )


def _spare(measured: MeasuredClearance) -> float:
    return measured.least - measured.margin


def _farthest(ways: Sequence[AxisWay | None]) -> AxisWay | None:
    """The longest; a rotary one counts as at an arm of a metre."""
    return max((way for way in ways if way is not None), key=lambda way: way.way, default=None)


def _plain(way: AxisWay | None) -> dict[str, Any] | None:
    return None if way is None else {"axis": way.axis, "way": way.way}
