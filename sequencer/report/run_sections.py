"""What a report says of one run, rehearsed or recorded: side view, timeline, curves of axes, clearance, battery."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from math import inf, nan
from typing import TYPE_CHECKING

from sequencer.check.bodies import Bodies, bodies_of
from sequencer.clearance.box import Pair
from sequencer.clearance.distance_words import millimetres
from sequencer.machine.machine import Machine
from sequencer.report.charts import Level, Line, chart
from sequencer.report.motion_view import MotionView, whole_run
from sequencer.report.page import Section, inline, paragraph
from sequencer.report.timeline import axis_unit, thinned, timeline_of_trace
from sequencer.report.timeline_picture import timeline_svg
from sequencer.trace import RunRecord, StepRecord, Trace

if TYPE_CHECKING:
    from sequencer.pack import CheckedRoutine
    from sequencer.plan import Plan

MOST_POINTS = 1200
"""The clearance of a longer run is looked at in so many of its ticks [1]."""

_FAR = 0.25
"""Clearances are drawn up to so far beyond what must remain [m]; further away nothing is learned from them."""


def run_sections(
    trace: Trace,
    run: RunRecord,
    key: str,
    machine: Machine | None = None,
    checked: CheckedRoutine | None = None,
    plan: Plan | None = None,
    standing: Mapping[str, float] | None = None,
) -> Iterator[Section]:
    """The sections about one run, in the order of reading.

    Args:
        trace: the record.
        run: which run.
        key: its own in the page.
        machine: what ran; without it there is neither a side view nor clearance.
        checked: the routine that ran.
        plan: shown behind what happened.
        standing: where bodies outside stand [m] that no sensor tells of.
    """
    begin, end = whole_run(trace, run)
    followed = [other for other in trace.runs() if begin <= other.start <= end]
    steps = [step for one in followed for step in trace.steps(one)]
    view = None
    if machine is not None:
        view = MotionView(machine, trace, begin, end, steps, f"{key}-side", standing)
        yield Section("side", "From the side", view.html() or paragraph("No tick of this run was recorded."))
    timeline = timeline_of_trace(trace, run, checked, plan)
    yield Section("timeline", "What happened when", inline(timeline_svg(timeline), f"{key}-timeline"))
    axes = list(_axis_charts(trace, begin, end, key))
    if axes:
        yield Section("axes", "Ordered and measured", f'<div class="charts">{"".join(axes)}</div>')
    if machine is not None and machine.bodies and view is not None and view.times:
        yield Section("clearance", "Clearance", _clearance(machine, view, checked, steps, begin, key))
    battery = _battery(trace, begin, end, machine, key)
    if battery:
        yield Section("battery", "Battery", battery)


def _axis_charts(trace: Trace, begin: float, end: float, key: str) -> Iterator[str]:
    """A chart for each axis that was read or ordered; a set-point counts only while it is to be followed."""
    for number, (name, kind) in enumerate(trace.header.axes):
        unit, scale = axis_unit(kind)
        spin = kind == "spin"
        measured, ordered = _points(trace, f"{name}.{'speed' if spin else 'measured'}", begin, end, scale), []
        modes = trace.series(f"{name}.mode").values
        for point, mode in zip(
            _points(trace, f"{name}.ordered{'_speed' if spin else ''}", begin, end, scale),
            _within(trace, modes, begin, end),
            strict=True,
        ):
            ordered.append(point if mode in _FOLLOWED else (point[0], nan))
        found = [value for _, value in measured if value == value]
        if len(found) < 2 or not (max(found) > min(found) or any(value == value for _, value in ordered)):
            continue
        lines = [Line("measured", "measured", thinned(measured))]
        words = ""
        if any(value == value for _, value in ordered):
            lines.append(Line("ordered", "ordered", thinned(ordered)))
            time, apart = max(
                ((time, abs(value - other)) for (time, value), (_, other) in zip(measured, ordered, strict=True)),
                key=lambda pair: pair[1] if pair[1] == pair[1] else -1.0,
            )
            if apart == apart:
                words = f"Farthest apart: {apart:.3g} {unit} at {time:.2f} s."
        drawn = inline(chart(name, unit, end - begin, lines), f"{key}-axis-{number}")
        yield f"<div>{drawn}{paragraph(words, 'muted') if words else ''}</div>"


_FOLLOWED = ("track", "hold")
"""The modes of an order whose set-point is to be followed."""


def _points(trace: Trace, name: str, begin: float, end: float, scale: float = 1.0) -> list[tuple[float, float]]:
    """One quantity over the time from `begin`; what is missing is no number."""
    series = trace.series(name)
    return [
        (time - begin, float(value) * scale if isinstance(value, int | float) else nan)
        for time, value in zip(series.times, series.values, strict=True)
        if begin <= time <= end
    ]


def _within(trace: Trace, values: Sequence[object], begin: float, end: float) -> Iterator[object]:
    for row, value in zip(trace.rows, values, strict=True):
        if begin <= trace.seconds(row.now_ns) <= end:
            yield value


def _clearance(
    machine: Machine,
    view: MotionView,
    checked: CheckedRoutine | None,
    steps: Sequence[StepRecord],
    begin: float,
    key: str,
) -> str:
    bodies = bodies_of(machine)
    pairs = [pair for pair in bodies.pairs if bodies.axes_of(pair)]
    allowed = _touching_spans(checked, steps, begin)
    points: list[tuple[float, float]] = []
    nearest: tuple[float, Pair, float, float] | None = None
    stride = -(-len(view.times) // MOST_POINTS)
    for frame in range(0, len(view.times), stride):
        time = view.times[frame]
        known = {name: value for name, value in view.positions[frame].items() if name in bodies.tree.index}
        values = bodies.tree.values(known)
        least = inf
        for pair in pairs:
            if not _counts(bodies, pair, view.pieces[frame], allowed, time):
                continue
            distance = pair.distance(values)
            if distance - pair.margin < least:
                least = distance - pair.margin
                if nearest is None or least < nearest[0]:
                    nearest = (least, pair, distance, time)
        if least < inf:
            points.append((time, min(least, _FAR) * 1e3))
    if nearest is None:
        return paragraph("No two bodies counted at any tick of this run.")
    _, pair, distance, time = nearest
    between = " and ".join(pair.names)
    far = f"{millimetres(distance)} apart" if distance >= 0.0 else f"overlapping by {millimetres(-distance)}"
    kept = f"{millimetres(pair.margin)} must remain" if pair.margin else "they must not touch"
    words = (
        f"Nearest to their margin, at measured positions and looked at in every tick: {between}, {far} at "
        f"{time:.2f} s; {kept}. What lies between two ticks is not in this curve."
    )
    drawn = chart(
        "left beyond the margin",
        "mm",
        view.times[-1],
        [Line("left", "measured", points)],
        [Level("the margin", 0.0)],
    )
    return f'{paragraph(words)}<div class="charts">{inline(drawn, f"{key}-clearance")}</div>'


def _touching_spans(
    checked: CheckedRoutine | None, steps: Sequence[StepRecord], begin: float
) -> list[tuple[float, float, frozenset[frozenset[str]]]]:
    """From when to when which pairs may touch; after a step that was broken off they may stay as they are."""
    if checked is None:
        return []
    pairs = {
        step["name"]: frozenset(frozenset(pair) for pair in step["touching"])
        for step in checked.routine["steps"]
        if "touching" in step
    }
    return [
        (step.start - begin, step.end - begin if step.outcome == "done" else inf, pairs[step.name])
        for step in steps
        if step.name in pairs
    ]


def _counts(
    bodies: Bodies,
    pair: Pair,
    piece: str,
    allowed: Sequence[tuple[float, float, frozenset[frozenset[str]]]],
    time: float,
) -> bool:
    if any(name in bodies.machine.pieces and name != piece for name in pair.names):
        return False
    names = frozenset(pair.names)
    return not any(first <= time <= last and names in touching for first, last, touching in allowed)


def _battery(trace: Trace, begin: float, end: float, machine: Machine | None, key: str) -> str:
    points = [point for point in _points(trace, "battery", begin, end) if point[1] == point[1]]
    if not points:
        return ""
    least = min(points, key=lambda point: point[1])
    battery = machine.battery if machine is not None else None
    off = battery.brown_out if battery is not None else 0.0
    levels = [Level("brown-out", off)] if off else []
    words = f"Lowest: {least[1]:.3g} V at {least[0]:.2f} s" + (
        f"; controllers drop out at {off:.3g} V." if off else "."
    )
    drawn = chart("battery", "V", end - begin, [Line("measured", "measured", thinned(points))], levels)
    return f'{paragraph(words)}<div class="charts">{inline(drawn, f"{key}-battery")}</div>'
