"""What the check says about ways into keep-outs, with the gate that would mend each."""

from __future__ import annotations

from collections.abc import Iterator

from sequencer.check.finding import Finding, WayIn
from sequencer.check.keep_out import Conflict, KeepOutSearch, witness
from sequencer.check.mend import mend
from sequencer.check.phases import Scenario
from sequencer.check.preset_trouble import boxes_with, presets_used
from sequencer.check.spans import ROUNDING, band_of, meets
from sequencer.check.together import Part
from sequencer.check.written import Mend
from sequencer.errors import counted
from sequencer.machine.interlock import KeepOut
from sequencer.plan.planned import Plan

_MOST_FINDINGS = 12
"""Of one box no more are told than this; the rest is counted."""

_MOST_MENDS = 8
"""For so many conflicts of a routine a gate is looked for: each try asks for all conflicts anew."""

_LOOKS = 400
"""Points in time at which the plan is asked whether it is in a box; what it tells is advice."""


def keep_out_findings(search: KeepOutSearch, plan: Plan | None) -> Iterator[Finding]:
    """One finding for each way into a box and each set of steps that take it."""
    conflicts = list(search.conflicts())
    told: dict[str, int] = {}
    mended = 0
    seen = set()
    for conflict in conflicts:
        steps = (conflict.rule.name, frozenset(_step(search, part) for part in conflict.parts))
        if steps in seen:
            continue
        seen.add(steps)
        told[conflict.rule.name] = told.get(conflict.rule.name, 0) + 1
        if told[conflict.rule.name] > _MOST_FINDINGS:
            continue
        mended += 1
        found = mend(search, conflict, conflicts) if mended <= _MOST_MENDS else None
        yield _finding(search, conflict, plan, found)
    for rule in search.machine.interlocks:
        if isinstance(rule, KeepOut) and told.get(rule.name, 0) > _MOST_FINDINGS:
            more = told[rule.name] - _MOST_FINDINGS
            yield Finding("keep_out", "error", f"{rule.name}: {counted(more, 'more way')} into it", None, rule.place)
    yield from _preset_findings(search)


def _preset_findings(search: KeepOutSearch) -> Iterator[Finding]:
    """Presets that the routine goes to or may start from, and that lie in a box whatever the conditions are."""
    used = presets_used(search.order.flat)
    for preset in search.machine.presets.values():
        for rule in boxes_with(search.machine, preset) if preset.name in used else ():
            because = f" ({rule.because})" if rule.because else ""
            text = f"the preset '{preset.name}' lies in {rule.name}{because}"
            yield Finding("keep_out", "error", text, None, preset.place, "move the preset, or change the box")


def _finding(search: KeepOutSearch, conflict: Conflict, plan: Plan | None, found: Mend | None) -> Finding:
    first = next((part for part in conflict.parts if part.moving), conflict.parts[0])
    node = search.order.occurrences[first.number].node
    parts = [
        _said(search, conflict.scenario, part)
        for part in (first, *(part for part in conflict.parts if part is not first))
    ]
    axes = search.machine.axes
    example = " and ".join(f"{axis} at {axes[axis].show(place)}" for axis, place in witness(conflict).items())
    because = f" ({conflict.rule.because})" if conflict.rule.because else ""
    when = "" if conflict.rule.when is None else f" while {conflict.rule.when}"
    begin, until = (None, None) if plan is None else _in_plan(conflict, plan)
    return Finding(
        "keep_out",
        "error",
        f"{conflict.rule.name}{because}: {' while '.join(parts)}; so {example} can come together{when}",
        node.name,
        node.step.place,
        _hint(search, conflict, None if found is None else found.line),
        begin,
        until,
        way_in=_way_in(search, conflict, found),
    )


def _way_in(search: KeepOutSearch, conflict: Conflict, found: Mend | None) -> WayIn:
    spans = {}
    for part, (low, high) in zip(conflict.parts, conflict.spans, strict=True):
        band = band_of(search.machine, part.axis)
        spans[part.axis] = (low - band, high + band)
    steps = dict.fromkeys(search.order.occurrences[part.number].name for part in conflict.parts if part.moving)
    way = WayIn(conflict.rule.name, spans, witness(conflict), tuple(steps))
    if found is None:
        return way
    return way._replace(waits=found.step, axis=found.gate.axis, position=found.gate.position)


def _hint(search: KeepOutSearch, conflict: Conflict, line: str | None) -> str:
    if line is not None:
        return f"this line mends it: {line}"
    phases = next(phases for phases in search.phases if phases.scenario is conflict.scenario)
    spans = dict(conflict.box)
    moving = [part for part in conflict.parts if part.moving]
    if all(meets(phases.table[part.number, part.axis].goal, spans[part.axis]) for part in moving):
        return "it ends in there, so no gate mends it; give another goal, or move the other axis out of the way first"
    if len(moving) == len(conflict.parts) > 1 and len({part.number for part in moving}) == 1:
        return "move its axes in steps of their own, so that one can wait for the other (after, or once)"
    return "no single gate mends it; the steps need another order, or another way"


def _step(search: KeepOutSearch, part: Part) -> int:
    return -1 if part.number < 0 else search.order.occurrences[part.number].node.index


def _said(search: KeepOutSearch, scenario: Scenario, part: Part) -> str:
    axis = search.machine.axes[part.axis]
    low, high = part.span
    where = axis.show(low) if high - low < 1e-9 else f"{axis.show(low)} to {axis.show(high)}"
    if part.number < 0:
        return f"{part.axis} may stand at {where} {scenario.when}"
    name = search.order.occurrences[part.number].name
    if part.moving:
        # From within its position tolerance to its goal: it is there already.
        hardly = high - low <= 2.0 * axis.tolerance.position + ROUNDING
        return f"'{name}' {'keeps' if hardly else 'moves'} {part.axis} within {where}"
    return f"{part.axis} may rest at {where} after '{name}'"


def _in_plan(conflict: Conflict, plan: Plan) -> tuple[float | None, float | None]:
    """From when to when the plan is in the box, as far as a fixed number of looks tells."""
    inside = []
    for look in range(_LOOKS + 1):
        time = plan.duration * look / _LOOKS
        if all(low <= plan.state(axis, time).position <= high for axis, (low, high) in conflict.box):
            inside.append(time)
        elif inside:
            break
    return (inside[0], inside[-1]) if inside else (None, None)
