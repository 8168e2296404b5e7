"""Parameter ranges: the routine can be planned at all their ends, and milestones come no earlier than their step."""

from __future__ import annotations

from collections.abc import Iterator

from sequencer.check.finding import Finding
from sequencer.check.spans import span_of
from sequencer.check.survey import Survey
from sequencer.machine.machine import NANOSECONDS
from sequencer.plan.motion import Values, value_of
from sequencer.plan.resolve import FlatRoutine, Node, PassingStep, Reference, ResolvedTime
from sequencer.plan.timing import ForwardPass
from sequencer.routine.parameters import NumberParameter
from sequencer.units import TIME, show

_ROUNDING = 1e-9


def parameter_findings(flat: FlatRoutine, surveyed: Survey) -> Iterator[Finding]:
    """Steps that cannot move at some end of a range, leads longer than the run-up (M4), places never passed."""
    for error, values in surveyed.failures:
        yield Finding(
            "parameter_range",
            "error",
            f"'{error.node.name}' cannot move as it says{_with(flat, values)}: {error.reason}",
            error.node.name,
            error.node.step.place,
            "narrow the ranges of its parameters, or change the step",
        )
    for node in flat.nodes:
        if isinstance(node.start, PassingStep):
            found = _milestone(flat, node, node.start, surveyed)
            if found is not None:
                yield found
    if not surveyed.complete:
        yield Finding(
            "parameter_range",
            "note",
            "there are too many parameters to plan all combinations of their ends: each was taken to its ends alone, "
            "and all together",
        )


def _milestone(flat: FlatRoutine, node: Node, start: PassingStep, surveyed: Survey) -> Finding | None:
    lead = _most(flat, start.lead)
    shortest: tuple[float, Values] | None = None
    watched = flat.nodes[start.step]
    for found in surveyed.passes:
        timed = found.timed.get(start.step)
        if timed is None or timed.motion_start is None or not timed.profiles:
            continue
        instant = _instant(found, start)
        if instant is None:
            return Finding(
                "parameter_range",
                "error",
                f"'{node.name}' starts when '{watched.name}' passes a place that it does not pass"
                f"{_with(flat, found.values)}",
                node.name,
                node.step.place,
                "give a place on its way",
            )
        if shortest is None or instant < shortest[0]:
            shortest = instant, found.values
    if shortest is None or lead <= shortest[0] + _ROUNDING:
        return None
    return Finding(
        "parameter_range",
        "error",
        f"'{node.name}' leads by up to {show(lead, TIME)}, and '{watched.name}' passes the place only "
        f"{show(shortest[0], TIME)} after it begins to move{_with(flat, shortest[1])}",
        node.name,
        node.step.place,
        "lower the lead or the top of its range, or give the motion a longer way",
        found=lead,
        allowed=shortest[0],
    )


def _instant(found: ForwardPass, start: PassingStep) -> float | None:
    timed = found.timed[start.step]
    assert timed.motion_start is not None
    if isinstance(start.at, str):
        mark = timed.marks.get(start.at)
        return None if mark is None else mark - timed.motion_start
    profile = timed.profiles.get(start.axis or next(iter(timed.profiles)))
    if profile is None:
        return None
    return profile.first_time_at(value_of(start.at, found.values, found.flat.machine))


def _most(flat: FlatRoutine, time: ResolvedTime) -> float:
    return span_of(time, flat, {})[1] if isinstance(time, Reference) else time / NANOSECONDS


def _with(flat: FlatRoutine, values: Values) -> str:
    """The parameters that are not at their own value, in words."""
    said = []
    for name, parameter in flat.routine.parameters.items():
        value = values[name]
        if isinstance(parameter, NumberParameter):
            if value != parameter.value and not isinstance(value, str):
                said.append(f"{name} = {show(value, parameter.dimension)}")
        elif value != parameter.preset:
            said.append(f"{name} = {value}")
    return f" with {', '.join(said)}" if said else ""
