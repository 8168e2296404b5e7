"""Every flick and release of a routine in recordings: when the rollers were told, when the piece really left, and how
far that was from the instant at which the axis passed its place."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from statistics import fmean, stdev
from typing import Any, NamedTuple

import numpy as np

from sequencer.errors import counted
from sequencer.machine.machine import Machine
from sequencer.routine.routine import Routine, walk
from sequencer.routine.steps import Drive, Flick, Passing, Pulse, Step
from sequencer.trace.trace import RunRecord, Trace
from sequencer.tune.departure import Departure, departure


class Release(NamedTuple):
    """One release of a run.

    Attributes:
        recording, run: which recording, and which run of it, from 1.
        departure: when the piece left.
        passed: when the axis passed its place [s from the first row]; None where it did not.
        place: where the axis was when the piece left [m or rad]; None where that is not known.
    """

    recording: int
    run: int
    departure: Departure
    passed: float | None
    place: float | None

    @property
    def lead(self) -> float | None:
        """How long before the axis passed its place the piece left [s]; below 0: after it."""
        if self.passed is None or self.departure.left is None:
            return None
        return self.passed - self.departure.left


@dataclass(frozen=True, slots=True)
class Releases:
    """All releases of a step; `axis` is what passes a place, `through` that place as the routine has it now."""

    step: str
    axis: str
    through: float | None
    found: tuple[Release, ...]

    def words(self, machine: Machine) -> tuple[str, ...]:
        """A sentence on when pieces left, and one for each reason why others cannot be told."""
        if not self.found:
            return ()
        known = [one for one in self.found if one.departure.left is not None]
        lines = []
        if known:
            takes = [1e3 * one.departure.takes for one in known if one.departure.takes is not None]
            words = f"{self.step}: the piece left {_mean(takes)} after the rollers were told"
            leads = [1e3 * one.lead for one in known if one.lead is not None]
            own = machine.axes[self.axis]
            if leads:
                side = "before" if fmean(leads) >= 0.0 else "after"
                at = own.show(self.through) if self.through is not None else "its place"
                words += f", {_mean([abs(fmean(leads))], leads)} {side} {self.axis} passed {at}"
            places = [one.place for one in known if one.place is not None]
            if places:
                words += f", at {own.show(fmean(places))}"
            by = sorted({one.departure.by for one in known})
            lines.append(f"{words}; {len(known)} of {counted(len(self.found), 'release')}, by {' and '.join(by)}")
        for why in dict.fromkeys(one.departure.why for one in self.found if one.departure.left is None):
            count = sum(one.departure.why == why for one in self.found)
            lines.append(f"{self.step}: when the piece left is not identifiable in {count}: {why}")
        return tuple(lines)

    def as_json(self) -> list[dict[str, Any]]:
        """Plain data, times in SI from the first row of their recording."""
        return [
            {
                "recording": one.recording,
                "run": one.run,
                "step": self.step,
                "told": one.departure.told,
                "left": one.departure.left,
                "interval": None if one.departure.left is None else [one.departure.low, one.departure.high],
                "by": one.departure.by or None,
                "passed": one.passed,
                "lead": one.lead,
                "place": one.place,
                "why": one.departure.why or None,
            }
            for one in self.found
        ]


def releases_of(traces: Sequence[Trace], routine: Routine) -> tuple[Releases, ...]:
    """Every step of a routine that drives rollers as an axis passes a place, in all recordings.

    Args:
        traces: the recordings.
        routine: the routine as it is now, with its machine.
    """
    steps = {step.name: step for step in walk(routine.steps)}
    found = []
    for step in steps.values():
        start, body = step.start, step.body
        if not isinstance(start, Passing) or not isinstance(body, Pulse):
            continue
        rollers = [drive.target for drive in body.drives if _is_spin(drive, routine.machine)]
        passing = steps.get(start.step)
        axis = start.axis or (passing.body.axis if passing is not None and isinstance(passing.body, Flick) else None)
        if not rollers or axis is None or passing is None:
            continue
        place = _place(start, passing, routine)
        releases = _releases(traces, routine, step.name, passing.name, rollers[0], axis, place)
        found.append(Releases(step.name, axis, place, tuple(releases)))
    return tuple(found)


def _is_spin(drive: Drive, machine: Machine) -> bool:
    return drive.target in machine.axes and machine.axes[drive.target].kind == "spin"


def _place(start: Passing, passing: Step, routine: Routine) -> float | None:
    """The place that is passed [m or rad], a parameter with its value of now."""
    operand: Any = start.at
    if operand == "through":
        operand = passing.body.through if isinstance(passing.body, Flick) else None
    if isinstance(operand, str):
        operand = getattr(routine.parameters.get(operand), "value", None)
    return float(operand) if isinstance(operand, int | float) else None


def _releases(
    traces: Sequence[Trace],
    routine: Routine,
    name: str,
    passing: str,
    rollers: str,
    axis: str,
    place: float | None,
) -> Iterator[Release]:
    for number, trace in enumerate(traces):
        names = [known for known, _ in trace.header.axes]
        if rollers not in names or axis not in names:
            continue
        for count, run in enumerate(trace.runs()):
            if run.name != routine.name:
                continue
            steps = {step.name: step for step in trace.steps(run)}
            if name not in steps or steps[name].outcome == "skipped":
                continue
            left = departure(trace, routine.machine, rollers, steps[name].start)
            began = steps[passing].start if passing in steps else run.start
            passed, where = _passage(trace, names.index(axis), began, run, place, left.left)
            yield Release(number + 1, count + 1, left, passed, where)


def _passage(
    trace: Trace, index: int, began: float, run: RunRecord, place: float | None, left: float | None
) -> tuple[float | None, float | None]:
    """When the axis first passed the place [s], and where it was when the piece left; between samples straight."""
    rows = [row for row in trace.between(began, run.end) if row.measured[index] is not None]
    read = [(trace.seconds(row.now_ns), row.measured[index]) for row in rows]
    known = [(time, one.position) for time, one in read if one is not None and one.position is not None]
    if len(known) < 2:
        return None, None
    times, places = np.array(known, dtype=float).T
    where = float(np.interp(left, times, places)) if left is not None else None
    if place is None:
        return None, where
    beyond = np.flatnonzero((places[:-1] - place) * (places[1:] - place) <= 0.0)
    if not len(beyond):
        return None, where
    at = int(beyond[0])
    step = places[at + 1] - places[at]
    share = (place - places[at]) / step if step else 0.0
    return float(times[at] + share * (times[at + 1] - times[at])), where


def _mean(shown: Sequence[float], values: Sequence[float] | None = None) -> str:
    """A mean in milliseconds with the spread of the values it is of."""
    spread = shown if values is None else values
    told = f" (spread {stdev(spread):.2g} ms)" if len(spread) > 1 else ""
    return f"{fmean(shown):.3g} ms{told}"
