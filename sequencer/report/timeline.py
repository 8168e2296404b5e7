"""Which step when: timelines of a plan, of what happened, or of both, for pictures and for texts."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

from sequencer.report.look import KINDS
from sequencer.routine.routine import Routine, walk
from sequencer.routine.steps import Passing, Perform, Pulse, Set, Step
from sequencer.trace import RunRecord, StepRecord, Trace, TraceError

if TYPE_CHECKING:
    from sequencer.pack import CheckedRoutine
    from sequencer.plan import Plan, PlannedStep

SAMPLES = 240
"""Points of a planned curve: about one every four pixels of a timeline."""

BLOCKS = ("choose", "repeat", "perform")


class Mark(NamedTuple):
    """An instant [s] worth a sign: a milestone, or the cause of an outcome."""

    time: float
    text: str


class Curve(NamedTuple):
    """Values over time [s] in the lane's unit; `planned` ones are drawn lighter."""

    points: tuple[tuple[float, float], ...]
    planned: bool = False


@dataclass(frozen=True, slots=True)
class Bar:
    """One activation of a step, times [s] from the start of the routine.

    It is active from `start`, moves from `moving` (later only where a gate held it) and ends at `end`. `slack` [s] is
    how much later it may end; `earliest` and `latest` [s] (which may be infinite) bound its end where that is not
    known. `planned` is (start, end) of the plan where something that happened is shown. `ended` False: the record
    stops before the step does. `passing` names the step whose milestone starts it; `gate` is the condition that lets
    it move.
    """

    name: str
    kind: str
    start: float
    moving: float
    end: float
    critical: bool = False
    slack: float | None = None
    earliest: float | None = None
    latest: float | None = None
    outcome: str | None = None
    planned: tuple[float, float] | None = None
    ended: bool = True
    estimated: bool = False
    about: str = ""
    marks: tuple[Mark, ...] = ()
    passing: str | None = None
    gate: str = ""

    @property
    def instant(self) -> bool:
        """Whether it is over at once, as setting an output is."""
        return self.kind == "set"


@dataclass(frozen=True, slots=True)
class Lane:
    """What one axis or output does (or the waits, or the blocks), with the curve of its position in `unit`."""

    name: str
    kind: str
    bars: tuple[Bar, ...] = ()
    unit: str = ""
    curves: tuple[Curve, ...] = ()


@dataclass(frozen=True, slots=True)
class Timeline:
    """Lanes over a time from 0 to `duration` [s], with a title, a line about it, and the names on the critical path."""

    title: str
    subtitle: str
    duration: float
    lanes: tuple[Lane, ...]
    critical: tuple[str, ...] = ()
    failure: str | None = None
    has_plan: bool = False

    def _repr_svg_(self) -> str:
        """What a notebook shows."""
        from sequencer.report.timeline_picture import timeline_svg

        return timeline_svg(self)

    def bars(self) -> list[Bar]:
        """Every step once, by start, a block before what is inside it, and else in the order of the lanes."""
        seen: dict[tuple[str, float], Bar] = {}
        for lane in self.lanes:
            for bar in lane.bars:
                seen.setdefault((bar.name, bar.start), bar)
        return sorted(seen.values(), key=lambda bar: (bar.start, bar.kind not in BLOCKS))

    def lanes_of(self, bar: Bar) -> list[str]:
        """The axes and outputs that a step uses."""
        return [lane.name for lane in self.lanes if lane.kind in ("axis", "output") and bar in lane.bars]


def timeline_of_plan(plan: Plan) -> Timeline:
    """The timeline of a plan: what each step will do when, gates, milestones, critical path and slack."""
    routine = plan.routine
    written = dict(_written(routine))
    bars: dict[str, list[Bar]] = {}
    for step in plan.steps:
        bar = Bar(
            step.name,
            step.kind,
            step.start,
            max(step.start, step.motion_start),
            step.end,
            step.name in plan.critical,
            _finite(step.slack),
            step.earliest_end,
            step.latest_end,
            estimated=bool(step.estimated),
            about=step.about,
            marks=tuple(Mark(time, name) for name, time in step.marks.items()),
            passing=_passed(step.name, written),
            gate=_gate(step.name, written),
        )
        for lane in _uses(step, written) or [_general_lane(step.kind)]:
            bars.setdefault(lane, []).append(bar)
    lanes = []
    for axis in routine.machine.axes.values():
        if axis.name in bars:
            unit, scale = axis_unit(axis.kind)
            points = _planned_points(plan, axis.name, scale)
            lanes.append(Lane(axis.name, "axis", tuple(bars[axis.name]), unit, (Curve(points),) if points else ()))
    lanes += [Lane(name, "output", tuple(bars[name])) for name in routine.machine.outputs if name in bars]
    lanes += [Lane(name, name, tuple(bars[name])) for name in ("steps", "waits", "blocks") if name in bars]
    start = "from anywhere" if routine.start == "anywhere" else f"from {routine.start}"
    return Timeline(
        routine.name,
        f"planned on {routine.machine.name}, {start}: {plan.duration:.2f} s",
        plan.duration,
        tuple(lanes),
        tuple(plan.critical),
        has_plan=True,
    )


def timeline_of_trace(
    trace: Trace,
    run: RunRecord | str | None = None,
    checked: CheckedRoutine | None = None,
    plan: Plan | None = None,
) -> Timeline:
    """The timeline of one run: what each step did when, with measured and ordered positions.

    Args:
        trace: the record.
        run: which run; a name stands for its last run, None for the last run of all.
        checked: the routine that ran; it tells which axes and outputs a step used (without it all steps share a lane).
        plan: shown behind what happened, where there is one.

    Raises:
        TraceError: the trace has no such run.
    """
    record = _find_run(trace, run)
    steps = trace.steps(record)
    uses = _checked_uses(checked) if checked is not None else {}
    kinds = {step["name"]: step["kind"] for step in checked.routine["steps"]} if checked is not None else {}
    planned = {step.name: (step.start, step.end) for step in plan.steps} if plan is not None else {}
    bars: dict[str, list[Bar]] = {}
    for bar in _happened(trace, record, steps, kinds, planned):
        for lane in uses.get(bar.name) or [_general_lane(bar.kind)]:
            bars.setdefault(lane, []).append(bar)
    lanes = []
    for name, kind in trace.header.axes:
        unit, scale = axis_unit(kind)
        if name in bars or (not uses and _moved(trace, name)):
            lanes.append(Lane(name, "axis", tuple(bars.get(name, ())), unit, _curves(trace, record, name, kind, scale)))
    lanes += [Lane(name, "output", tuple(bars[name])) for name, _ in trace.header.outputs if name in bars]
    lanes += [Lane(name, name, tuple(bars[name])) for name in ("steps", "waits", "blocks") if name in bars]
    duration = record.end - record.start
    failed = record.outcome not in ("done", None)
    return Timeline(
        record.name,
        f"{record.outcome or 'not ended'} on {trace.header.machine} after {duration:.2f} s"
        + (f", planned {plan.duration:.2f} s" if plan is not None else ""),
        max([duration, *(plan.duration for plan in [plan] if plan is not None)]),
        tuple(lanes),
        failure=(f"{record.outcome}: {record.cause}" if record.cause else record.outcome) if failed else None,
        has_plan=plan is not None,
    )


def _happened(
    trace: Trace,
    run: RunRecord,
    steps: Iterable[StepRecord],
    kinds: Mapping[str, str],
    planned: Mapping[str, tuple[float, float]],
) -> list[Bar]:
    gates: dict[str, list[float]] = {}
    passed: dict[str, str | None] = {}
    milestones: dict[str, list[Mark]] = {}
    for event in trace.events():
        time = trace.seconds(event.now_ns) - run.start
        if event.run == run.name and event.step:
            if event.kind == "gate":
                gates.setdefault(event.step, []).append(time)
            elif event.kind == "milestone":
                # The event names the step that it starts; its text begins with the step that passes.
                passer, passes, _ = event.text.partition(" passes ")
                milestones.setdefault(passer if passes else event.step, []).append(Mark(time, event.text))
                passed[event.step] = passer if passes else None
    bars = []
    # The plan shows one passage of a repeat; later ones are compared with nothing.
    waiting = dict(planned)
    for step in steps:
        start, end = step.start - run.start, step.end - run.start
        bars.append(
            Bar(
                step.name,
                kinds.get(step.name) or (step.kind if step.kind in KINDS or step.kind in BLOCKS else "step"),
                start,
                next((time for time in gates.get(step.name, ()) if start <= time <= end), start),
                end,
                outcome=step.outcome,
                planned=waiting.pop(step.name, None),
                ended=step.outcome is not None,
                about=step.cause or "",
                passing=passed.get(step.name),
                marks=tuple(mark for mark in milestones.get(step.name, ()) if start <= mark.time <= end),
            )
        )
    return bars


def _find_run(trace: Trace, run: RunRecord | str | None) -> RunRecord:
    if isinstance(run, RunRecord):
        return run
    runs = trace.runs()
    if run is None:
        if not runs:
            raise TraceError("the trace has no run; nothing was started while it was recorded")
        return runs[-1]
    found = [candidate for candidate in runs if candidate.name == run]
    if not found:
        raise TraceError(f"the trace has no run '{run}'; it has {', '.join(sorted({r.name for r in runs})) or 'none'}")
    return found[-1]


def _written(routine: Routine, prefix: str = "") -> Iterator[tuple[str, tuple[Step, str]]]:
    """Every step as it was written, by its path, with the path of what it is inside; performed routines are entered."""
    for step in walk(routine.steps):
        path = prefix + step.name
        yield path, (step, prefix)
        if isinstance(step.body, Perform) and step.body.routine in routine.subroutines:
            yield from _written(routine.subroutines[step.body.routine], f"{path}/")


def _uses(planned: PlannedStep, written: Mapping[str, tuple[Step, str]]) -> list[str]:
    """Axes and outputs of a planned step, in order."""
    names = list(planned.axes)
    if planned.name in written:
        match written[planned.name][0].body:
            case Pulse(drives=drives):
                names += [drive.target for drive in drives]
            case Set(values=values):
                names += [output for output, _ in values]
    return list(dict.fromkeys(names))


def _checked_uses(checked: CheckedRoutine) -> dict[str, list[str]]:
    axes = [axis["name"] for axis in checked.machine["axes"]]
    outputs = [output["name"] for output in checked.machine["outputs"]]
    found = {}
    for step in checked.routine["steps"]:
        match step["kind"]:
            case "move":
                names = [axes[goal[0]] for goal in step["goals"]]
            case "flick" | "press":
                names = [axes[step["axis"]]]
            case "pulse":
                names = [(axes if drive[0] == "axis" else outputs)[drive[1]] for drive in step["drives"]]
            case "set":
                names = [outputs[value[0]] for value in step["values"]]
            case _:
                names = []
        found[step["name"]] = names
    return found


def _general_lane(kind: str) -> str:
    """Where a step stands of which no axis or output is known."""
    if kind in BLOCKS:
        return "blocks"
    return "waits" if kind == "wait" else "steps"


def axis_unit(kind: str) -> tuple[str, float]:
    """The unit that people read positions of an axis in (the speed of a spin), and how many of it make one of SI."""
    if kind == "linear":
        return "m", 1.0
    return ("deg", 180.0 / math.pi) if kind == "rotary" else ("rad/s", 1.0)


def _planned_points(plan: Plan, axis: str, scale: float) -> tuple[tuple[float, float], ...]:
    """The positions of one axis through all its profiles; nothing where it never moves."""
    begun = plan.trajectories.get(axis, ())
    if not begun or axis not in plan.initial or not plan.duration > 0.0:
        return ()
    times = {plan.duration * index / SAMPLES for index in range(SAMPLES + 1)}
    times |= {start + part for start, profile in begun for part in (0.0, profile.duration)}
    return tuple((time, plan.state(axis, time).position * scale) for time in sorted(times) if time <= plan.duration)


def _curves(trace: Trace, run: RunRecord, axis: str, kind: str, scale: float) -> tuple[Curve, ...]:
    names = (f"{axis}.ordered_speed", f"{axis}.speed") if kind == "spin" else (f"{axis}.ordered", f"{axis}.measured")
    found = []
    for name, planned in zip(names, (True, False), strict=True):
        series = trace.series(name)
        points = tuple(
            (time - run.start, value * scale)
            for time, value in zip(series.times, series.values, strict=True)
            if run.start <= time <= run.end and isinstance(value, int | float) and math.isfinite(value)
        )
        if len(points) > 1 and (not planned or any(point[1] for point in points)):
            found.append(Curve(thinned(points), planned))
    return tuple(found)


def thinned(points: Sequence[tuple[float, float]]) -> tuple[tuple[float, float], ...]:
    """At most four points for each of `SAMPLES` stretches: first, lowest, highest and last; no peak is lost."""
    if len(points) <= 4 * SAMPLES:
        return tuple(points)
    kept: list[tuple[float, float]] = []
    size = math.ceil(len(points) / SAMPLES)
    for begin in range(0, len(points), size):
        part = points[begin : begin + size]
        chosen = {part[0], min(part, key=lambda p: p[1]), max(part, key=lambda p: p[1]), part[-1]}
        kept += sorted(chosen)
    return tuple(kept)


def _moved(trace: Trace, axis: str) -> bool:
    values = [value for value in trace.series(f"{axis}.measured").values if isinstance(value, float)]
    return bool(values) and max(values) > min(values)


def _finite(value: float | None) -> float | None:
    return value if value is not None and math.isfinite(value) else None


def _passed(path: str, written: Mapping[str, tuple[Step, str]]) -> str | None:
    """The step whose milestone starts this one."""
    if path not in written:
        return None
    step, prefix = written[path]
    return prefix + step.start.step if isinstance(step.start, Passing) else None


def _gate(path: str, written: Mapping[str, tuple[Step, str]]) -> str:
    once = written[path][0].once if path in written else None
    return str(once) if once is not None else ""
