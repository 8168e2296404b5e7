"""What a test claims of a rehearsal. Each takes what the fixture `rehearsal` gives and fails with one sentence.

Conditions are those of the files: ``lift > 0.4 m and not (piece is lantern)``. What cannot be known, because a reading
is missing, counts for no claim.
"""

from __future__ import annotations

from math import inf, isfinite
from typing import NoReturn

from sequencer.errors import ModelError, did_you_mean
from sequencer.machine.condition import (
    Compare,
    Edge,
    Every,
    Holds,
    Is,
    Known,
    Not,
    Some,
    Term,
    has_edge,
    parse_condition,
)
from sequencer.testing.rehearsed import Rehearsed, quantity
from sequencer.trace import Row, StepRecord, Trace
from sequencer.units import LENGTH, TIME, show


def assert_order(rehearsed: Rehearsed, *steps: str) -> None:
    """These steps really began, in this order; others may have come between them.

    Args:
        rehearsed: the rehearsal.
        steps: names of steps.

    Raises:
        AssertionError: they did not.
        ModelError: there is no such step.
    """
    __tracebackhide__ = True
    for step in steps:
        _known_step(rehearsed, step)
    found = [name for name in dict.fromkeys(_begun(rehearsed)) if name in steps]
    if found != list(steps):
        _fail(rehearsed, f"the order should be {', '.join(steps)}, and was {', '.join(found) or 'none of them'}")


def assert_reaches(
    rehearsed: Rehearsed, axis: str, position: float | str, *, within: float | str | None = None, by: float | str = inf
) -> None:
    """The axis was measured at a position at some time.

    Args:
        rehearsed: the rehearsal.
        axis: the axis.
        position: a position [m or rad], a text with its unit, or a preset.
        within: how near [m or rad]; None: the axis' own tolerance.
        by: no later than this after the first tick [s].

    Raises:
        AssertionError: it was not; the message has the nearest it came.
        ModelError: there is no such axis or preset, or the preset does not place the axis.
    """
    __tracebackhide__ = True
    machine = rehearsed.machine
    if axis not in machine.axes:
        raise ModelError(f"unknown axis '{axis}'; {did_you_mean(axis, machine.axes)}")
    its = machine.axes[axis]
    if its.travel is None:
        raise ModelError(f"{axis} has no position that could be reached")
    dimension = machine.vocabulary()[axis].dimension
    assert dimension is not None
    if isinstance(position, str) and position in machine.presets:
        if axis not in machine.presets[position].positions:
            raise ModelError(f"the preset '{position}' does not place {axis}")
        goal = machine.presets[position].positions[axis]
    else:
        goal = quantity(position, dimension, "the position")
    near = its.tolerance.position if within is None else quantity(within, dimension, "within")
    latest = quantity(by, TIME, "by")
    series = rehearsed.trace.series(f"{axis}.measured")
    measured = [
        (abs(value - goal), value, time)
        for time, value in zip(series.times, series.values, strict=True)
        if isinstance(value, float) and isfinite(value) and time <= latest
    ]
    if not measured:
        _fail(rehearsed, f"{axis} was not measured at all")
    distance, value, time = min(measured)
    if distance > near:
        until = "" if latest == inf else f" by {show(latest, TIME)}"
        _fail(
            rehearsed,
            f"{axis} should reach {its.show(goal)} within {its.show(near)}{until}, and came nearest with "
            f"{its.show(value)} at {time:.2f} s",
        )


def assert_clearance(rehearsed: Rehearsed, spare: float | str = 0.0) -> None:
    """No two bodies came nearer than their margin and `spare`, and no keep-out was entered.

    Args:
        rehearsed: the rehearsal.
        spare: what had to remain over the margin [m].

    Raises:
        AssertionError: some did; or nothing was measured, which proves nothing.
        ModelError: `spare` is no length.
    """
    __tracebackhide__ = True
    asked = quantity(spare, LENGTH, "spare")
    rehearsal = rehearsed.rehearsal
    entered = [rule for rule in rehearsal.keep_outs if rule.least is not None and rule.least <= 0.0]
    if entered:
        _fail(rehearsed, f"the machine entered {entered[0].name}")
    near = rehearsal.clearance
    if near is None:
        _fail(rehearsed, "no two bodies count, so that no clearance was measured; declare bodies in the machine file")
    if near.too_near or near.bound - near.margin < asked:
        least, must = show(round(near.least, 4), LENGTH), show(near.margin + asked, LENGTH)
        both = " and ".join(near.between)
        _fail(rehearsed, f"{both} came within {least} at {near.at:.2f} s, where {must} should remain")


def assert_never(rehearsed: Rehearsed, what: str) -> None:
    """A step never began, or a condition was false at every tick.

    Args:
        rehearsed: the rehearsal.
        what: a step's name or a condition.

    Raises:
        AssertionError: it did, or was true or unknown at a tick.
        ModelError: it is neither a step nor a condition.
    """
    __tracebackhide__ = True
    if what in rehearsed.step_names:
        begun = next((step for step in rehearsed.steps if step.name == what and _really(step)), None)
        if begun is not None:
            _fail(rehearsed, f"'{what}' should never begin, and began at {begun.start:.2f} s")
        return
    if what.isidentifier() and what not in rehearsed.machine.vocabulary():
        _known_step(rehearsed, what)
    _at_every_tick(rehearsed, what, wanted=False)


def assert_always(rehearsed: Rehearsed, condition: str) -> None:
    """A condition was true at every tick.

    Args:
        rehearsed: the rehearsal.
        condition: the condition, as in a file.

    Raises:
        AssertionError: it was false or unknown at a tick.
        ModelError: it is no condition.
    """
    __tracebackhide__ = True
    _at_every_tick(rehearsed, condition, wanted=True)


def assert_finishes_within(rehearsed: Rehearsed, time: float | str) -> None:
    """The run was done, and took no longer.

    Args:
        rehearsed: the rehearsal.
        time: the longest [s].

    Raises:
        AssertionError: it was not done, or took longer.
        ModelError: `time` is no time.
    """
    __tracebackhide__ = True
    allowed = quantity(time, TIME, "the time")
    because = f" ({rehearsed.cause})" if rehearsed.cause else ""
    if rehearsed.outcome != "done":
        _fail(rehearsed, f"it should be done within {show(allowed, TIME)}, and was {rehearsed.outcome}{because}")
    if rehearsed.duration > allowed:
        _fail(rehearsed, f"it should be done within {show(allowed, TIME)}, and took {show(rehearsed.duration, TIME)}")


def _fail(rehearsed: Rehearsed, sentence: str) -> NoReturn:
    __tracebackhide__ = True
    raise AssertionError(f"{rehearsed}: {sentence}")


def _known_step(rehearsed: Rehearsed, step: str) -> None:
    if step not in rehearsed.step_names:
        raise ModelError(f"{rehearsed.checked.name} has no step '{step}'; {did_you_mean(step, rehearsed.step_names)}")


def _really(step: StepRecord) -> bool:
    """Whatever really began lasted a tick; a step whose milestone never came ends where it would have started."""
    return step.outcome is None or (step.outcome != "skipped" and step.end > step.start)


def _begun(rehearsed: Rehearsed) -> list[str]:
    return [step.name for step in rehearsed.steps if _really(step)]


def _at_every_tick(rehearsed: Rehearsed, text: str, *, wanted: bool) -> None:
    __tracebackhide__ = True
    condition = parse_condition(text, rehearsed.machine.vocabulary())
    if has_edge(condition.term):
        raise ModelError(
            f"'{text}': a claim is about single ticks, and an edge lies between two; leave rising or falling out"
        )
    values = _Values(rehearsed.trace)
    for row in rehearsed.trace.rows:
        found = _truth(condition.term, values, row)
        if found is not wanted:
            was = {True: "true", False: "false", None: "unknown"}[found]
            claim = "always" if wanted else "never"
            _fail(
                rehearsed,
                f"'{text}' should {claim} be true, and was {was} at {rehearsed.trace.seconds(row.now_ns):.2f} s",
            )


class _Values:
    """What a name was worth in a row of a trace; None: unknown."""

    def __init__(self, trace: Trace) -> None:
        self._axes = {name: number for number, (name, _) in enumerate(trace.header.axes)}
        self._sensors = {name: number for number, (name, _) in enumerate(trace.header.sensors)}

    def of(self, name: str, row: Row) -> bool | float | str | None:
        if name == "battery":
            return row.battery
        if name in self._sensors:
            read = row.sensors[self._sensors[name]]
            return None if read is None else read[0]
        axis, _, quantity_name = name.partition(".")
        measured, ordered = row.measured[self._axes[axis]], row.ordered[self._axes[axis]]
        if measured is None:
            return None
        if quantity_name == "error":
            tracks = ordered is not None and ordered.mode == "track" and measured.position is not None
            return ordered.position - measured.position if tracks else None  # type: ignore[union-attr, operator]
        value: float | None = getattr(measured, quantity_name or "position")
        return value


def _truth(term: Term, values: _Values, row: Row) -> bool | None:
    """Three-valued: None where it cannot be known."""
    match term:
        case Known(name=name):
            return _finite(values.of(name, row)) is not None
        case Holds(name=name):
            held = values.of(name, row)
            return None if held is None else bool(held)
        case Is(name=name, value=word):
            read = values.of(name, row)
            return None if read is None else read == word
        case Compare(name=name, operator=operator, value=other):
            number = _finite(values.of(name, row))
            if not isinstance(number, int | float) or isinstance(other, str):
                return None
            return {"<": number < other, "<=": number <= other, ">": number > other, ">=": number >= other}[operator]
        case Not(term=inner):
            found = _truth(inner, values, row)
            return None if found is None else not found
        case Every(terms=terms):
            each = [_truth(inner, values, row) for inner in terms]
            return False if False in each else None if None in each else True
        case Some(terms=terms):
            each = [_truth(inner, values, row) for inner in terms]
            return True if True in each else None if None in each else False
        case Edge():
            raise TypeError("edges are refused before")


def _finite(value: bool | float | str | None) -> bool | float | str | None:
    return None if isinstance(value, float) and not isfinite(value) else value
