"""What the rehearsals of a test run exercised of the routines, and what they left out.

Counted are the points of a routine: each step and each limb of a block has to run, each step with `only_if` has to be
left out once too, each timeout for which the routine says what follows has to happen, and each preset that a parameter
offers has to be chosen. A default timeout, which only ends the run, counts for nothing, and neither do the interlocks
and presets of the machine, which are told beside: a routine that the check calls clear never meets an interlock.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from sequencer.machine.interlock import KeepOut
from sequencer.machine.machine import Machine
from sequencer.pack import CheckedRoutine
from sequencer.rehearse import Rehearsal
from sequencer.run.definition import MachineDefinition
from sequencer.run.words import Words
from sequencer.trace import Row, Trace, TraceEvent
from sequencer.units import ANGLE, LENGTH, show

OUTCOMES = ("done", "timeout", "aborted", "error")
"""How the activation of a step may end, apart from being left out."""

RUNS, LEFT_OUT, TIMES_OUT = "runs", "is left out", "times out"
_PARAMETER = "parameter "


class Point(NamedTuple):
    """One thing that a test may exercise: of a step, by its path, or of a parameter."""

    owner: str
    what: str

    def __str__(self) -> str:
        return f"{self.owner} {self.what}"


@dataclass(slots=True)
class RoutineCoverage:
    """What was exercised of one routine.

    `points` are all there are, in the order of the file; `seen` those that were met; `outcomes` counts by step how its
    activations ended; `reason` says why a routine could not be rehearsed at all.
    """

    name: str
    points: tuple[Point, ...] = ()
    seen: set[Point] = field(default_factory=set)
    outcomes: dict[str, dict[str, int]] = field(default_factory=dict)
    rehearsals: int = 0
    reason: str = ""

    @property
    def untested(self) -> tuple[Point, ...]:
        """The points that nothing met, in the order of the file."""
        return tuple(point for point in self.points if point not in self.seen)


@dataclass(slots=True)
class MachineCoverage:
    """What was met of one machine: by preset how often a move ended there, by keep-out the nearest a rehearsal came
    (None: never in force; [m or rad] and the axis), and by interlock how often it stopped or held something.
    `linear` are the axes that are measured in metres.
    """

    name: str
    linear: tuple[str, ...] = ()
    presets: dict[str, int] = field(default_factory=dict)
    held: dict[str, int] = field(default_factory=dict)
    nearest: dict[str, tuple[float, str] | None] = field(default_factory=dict)


class Coverage:
    """Collects what rehearsals exercised, by the files of routines and machines."""

    def __init__(self) -> None:
        self.routines: dict[str, RoutineCoverage] = {}
        self.machines: dict[str, MachineCoverage] = {}

    def know(self, file: str, checked: CheckedRoutine) -> RoutineCoverage:
        """Take up a routine, whether or not it is rehearsed."""
        if file not in self.routines or not self.routines[file].points:
            self.routines[file] = RoutineCoverage(checked.name, points_of(checked))
        return self.routines[file]

    def refuse(self, file: str, name: str, reason: str) -> None:
        """Take up a routine that cannot be rehearsed, with the reason."""
        self.routines.setdefault(file, RoutineCoverage(name, reason=reason))

    def add(
        self, rehearsal: Rehearsal, hosted: Mapping[str, CheckedRoutine], machine: Machine, machine_file: str
    ) -> None:
        """Count one rehearsal.

        Args:
            rehearsal: what came of it.
            hosted: the routines that the runner knew, by file; the first is the one that was rehearsed.
            machine: their machine.
            machine_file: its file.
        """
        for number, (file, checked) in enumerate(hosted.items()):
            record = self.know(file, checked)
            record.rehearsals += number == 0
            for event in rehearsal.trace.events():
                part = _part_of(event.run, checked.name)
                if part is not None:
                    _count(record, part, event, checked)
        self._add_machine(rehearsal, machine, machine_file)

    @property
    def share(self) -> float:
        """The part of all points that were met, from 0 to 1; 1 where there are none."""
        total = sum(len(record.points) for record in self.routines.values())
        missing = sum(len(record.untested) for record in self.routines.values())
        return 1.0 - missing / total if total else 1.0

    def data(self) -> dict[str, Any]:
        """Plain data for another process and for the report."""
        return {
            "routines": {
                file: {
                    "name": record.name,
                    "points": [list(point) for point in record.points],
                    "seen": sorted(list(point) for point in record.seen),
                    "outcomes": record.outcomes,
                    "rehearsals": record.rehearsals,
                    "reason": record.reason,
                }
                for file, record in self.routines.items()
            },
            "machines": {
                file: {
                    "name": met.name,
                    "linear": list(met.linear),
                    "presets": met.presets,
                    "held": met.held,
                    "nearest": met.nearest,
                }
                for file, met in self.machines.items()
            },
        }

    def merge(self, data: Mapping[str, Any]) -> None:
        """Add what another process has counted."""
        for file, other in data["routines"].items():
            record = self.routines.setdefault(file, RoutineCoverage(other["name"], reason=other["reason"]))
            record.points = record.points or tuple(Point(*point) for point in other["points"])
            record.seen |= {Point(*point) for point in other["seen"]}
            record.rehearsals += other["rehearsals"]
            for step, counts in other["outcomes"].items():
                _add(record.outcomes.setdefault(step, {}), counts)
        for file, other in data["machines"].items():
            met = self.machines.setdefault(file, MachineCoverage(other["name"], tuple(other["linear"])))
            _add(met.presets, other["presets"])
            _add(met.held, other["held"])
            for name, found in other["nearest"].items():
                met.nearest[name] = _nearer(met.nearest.get(name), None if found is None else (found[0], found[1]))

    def _add_machine(self, rehearsal: Rehearsal, machine: Machine, file: str) -> None:
        linear = tuple(axis.name for axis in machine.axes.values() if axis.kind == "linear")
        met = self.machines.setdefault(file, MachineCoverage(machine.name, linear))
        _add(met.presets, dict.fromkeys(machine.presets, 0))
        _add(met.held, {rule.name: 0 for rule in machine.interlocks})
        for rule in machine.interlocks:
            if isinstance(rule, KeepOut):
                met.nearest.setdefault(rule.name, None)
        for distance in rehearsal.keep_outs:
            found = None if distance.least is None else (distance.least, distance.axis)
            met.nearest[distance.name] = _nearer(met.nearest.get(distance.name), found)
        for name in _presets_reached(rehearsal.trace, machine):
            met.presets[name] += 1
        for event in rehearsal.trace.events():
            if event.kind in _STOPPING:
                words = set(event.text.replace(":", " ").replace(",", " ").split())
                for rule in machine.interlocks:
                    met.held[rule.name] += rule.name in words


_STOPPING = ("hold", "refused", "fault")
"""The kinds of events that name an interlock which held or stopped something."""


def points_of(checked: CheckedRoutine) -> tuple[Point, ...]:
    """Every point of a checked routine and of what it does after a cancel or a fault, in the order of the file."""
    words = Words(MachineDefinition(checked.machine))
    points = []
    for parameter in checked.routine["parameters"]:
        choices = parameter.get("choices") or ()
        points += [Point(_PARAMETER + parameter["name"], f"is {choice}") for choice in choices if len(choices) > 1]
    for part, data in _parts(checked):
        for step in data["steps"]:
            points += [Point(part + step["name"], what) for what in _whats(step, words)]
    return tuple(points)


def _parts(checked: CheckedRoutine) -> Iterator[tuple[str, Mapping[str, Any]]]:
    yield "", checked.routine
    for key in ("on_cancel", "on_fault"):
        if checked.routine.get(key) is not None:
            yield f"{key}: ", checked.routine[key]


def _whats(step: Mapping[str, Any], words: Words) -> Iterator[str]:
    yield RUNS
    if step["only_if"] is not None:
        yield LEFT_OUT
    if step["timeout"] is not None and (step["on_timeout"] != "fault" or step["retry"]):
        yield TIMES_OUT
    if step["kind"] == "choose":
        for number, branch in enumerate(step["branches"], start=1):
            yield f"{_limb(number)} (if {words.term(branch['term'])})"
        if step["otherwise"] is not None:
            yield f"{_limb(len(step['branches']) + 1)} (else)"


def _limb(number: int) -> str:
    return f"takes branch {number}"


def _part_of(run: str, name: str) -> str | None:
    """How paths begin for the steps of this run; None for a run of another routine."""
    if run == name:
        return ""
    return next((f"{key}: " for key in ("on_cancel", "on_fault") if run == f"{name}.{key}"), None)


def _count(record: RoutineCoverage, part: str, event: TraceEvent, checked: CheckedRoutine) -> None:
    owner = part + event.step
    if event.kind == "start":
        record.seen.add(Point(owner, RUNS))
    elif event.kind == "skip":
        record.seen.add(Point(owner, LEFT_OUT))
    elif event.kind == "branch":
        taken = f"{_limb(int(event.value('branch') or 0))} ("
        record.seen |= {point for point in record.points if point.owner == owner and point.what.startswith(taken)}
    elif event.kind == "retry":
        record.seen.add(Point(owner, TIMES_OUT))
    elif event.kind == "end" and event.step:
        outcome = str(event.value("outcome"))
        _add(record.outcomes.setdefault(owner, {}), {outcome: 1})
        if outcome == "timeout":
            record.seen.add(Point(owner, TIMES_OUT))
    elif event.kind == "run" and event.text == "start" and not part:
        values = {parameter["name"]: parameter["value"] for parameter in checked.routine["parameters"]}
        chosen = {Point(_PARAMETER + name, f"is {value}") for name, value in (values | dict(event.values)).items()}
        record.seen |= chosen.intersection(record.points)


def _presets_reached(trace: Trace, machine: Machine) -> Iterator[str]:
    """The presets at which the machine stood when a move was done, each time."""
    names = [name for name, _ in trace.header.axes]
    moving: set[tuple[str, str]] = set()
    for row in trace.rows:
        arrived = False
        for event in row.events:
            if event.kind == "start" and event.text == "move":
                moving.add((event.run, event.step))
            elif event.kind == "end" and (event.run, event.step) in moving:
                moving.remove((event.run, event.step))
                arrived |= event.value("outcome") == "done"
        if arrived:
            yield from (name for name in machine.presets if _stands_at(row, names, machine, name))


def _stands_at(row: Row, names: list[str], machine: Machine, preset: str) -> bool:
    for axis, position in machine.presets[preset].positions.items():
        if machine.axes[axis].travel is None:
            continue
        measured = row.measured[names.index(axis)]
        if measured is None or measured.position is None:
            return False
        if abs(measured.position - position) > machine.axes[axis].tolerance.position:
            return False
    return True


def _nearer(first: tuple[float, str] | None, second: tuple[float, str] | None) -> tuple[float, str] | None:
    """The nearer of two distances; those of unlike axes cannot be compared, and the earlier stays."""
    if first is None or second is None:
        return first or second
    return second if second[1] == first[1] and second[0] < first[0] else first


def _add(counts: dict[str, int], more: Mapping[str, int]) -> None:
    for name, number in more.items():
        counts[name] = counts.get(name, 0) + number


def coverage_lines(coverage: Coverage) -> Iterator[str]:
    """The table for a terminal, and below it what is untested, a line each."""
    judged = [record for record in coverage.routines.values() if not record.reason]
    rows = [("routine", "rehearsals", "points", "met", "how steps ended")]
    for record in judged:
        total = len(record.points)
        share = f"{100 * (total - len(record.untested)) / total:.0f} %" if total else "-"
        rows.append((record.name, str(record.rehearsals), str(total), share, _endings(record)))
    widths = [max(len(row[column]) for row in rows) for column in range(4)]
    for name, *numbers, ends in rows:
        cells = [number.rjust(width) for number, width in zip(numbers, widths[1:], strict=True)]
        yield "  ".join([name.ljust(widths[0]), *cells, ends])
    for record in judged:
        for point in record.untested:
            yield f"{record.name}: no test in which {point}"
    for record in coverage.routines.values():
        if record.reason:
            yield f"{record.name}: not counted: {record.reason}"
    for met in coverage.machines.values():
        yield from _machine_lines(met)
    total = sum(len(record.points) for record in judged)
    yield f"{100 * coverage.share:.1f} % of {total} points of {len(judged)} routines were met"


def _endings(record: RoutineCoverage) -> str:
    """How many activations of steps ended in each way."""
    counts: dict[str, int] = {}
    for ended in record.outcomes.values():
        _add(counts, ended)
    return ", ".join(f"{counts[outcome]} {outcome}" for outcome in OUTCOMES if outcome in counts) or "-"


def _machine_lines(met: MachineCoverage) -> Iterator[str]:
    idle = [name for name, times in met.presets.items() if not times]
    if idle:
        yield f"{met.name}: no move ended at {', '.join(idle)}"
    for name, times in met.held.items():
        if not times:
            yield f"{met.name}: nothing was held or stopped by {name}{_how_near(met, name)}"


def _how_near(met: MachineCoverage, name: str) -> str:
    if name not in met.nearest:
        return ""
    found = met.nearest[name]
    if found is None:
        return ", which was never in force"
    least, axis = found
    return (
        f"; the nearest that a rehearsal came was {show(least, LENGTH if axis in met.linear else ANGLE, 3)} of {axis}"
    )
