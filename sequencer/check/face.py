"""`check` and `examine`: all rules over one routine, and the checked routine if nothing refuses it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from sequencer.check.assumes import assumptions
from sequencer.check.bodies import bodies_of
from sequencer.check.compile import compile_routine
from sequencer.check.critical import with_slack
from sequencer.check.finding import CheckFailed, Examination, Finding, numbered, verdict_of
from sequencer.check.gate import gate_findings
from sequencer.check.keep_out import KeepOutSearch
from sequencer.check.keep_out_findings import keep_out_findings
from sequencer.check.limits import limit_findings
from sequencer.check.model import model_findings, refused_model
from sequencer.check.order import Order
from sequencer.check.parameter_range import parameter_findings
from sequencer.check.required import required_findings
from sequencer.check.routes import begins_with_ways, merged, route_findings, routed
from sequencer.check.scenarios import scenarios_of, start_cells, start_spans
from sequencer.check.spans import Span
from sequencer.check.start_region import start_findings
from sequencer.check.survey import Survey, survey
from sequencer.check.timeouts import timeout_findings
from sequencer.check.travel import travel_findings
from sequencer.check.waivers import waived
from sequencer.errors import ModelError
from sequencer.machine.interlock import KeepOut
from sequencer.pack.checked import CheckedRoutine
from sequencer.plan.planned import Plan
from sequencer.plan.resolve import FlatRoutine, flatten
from sequencer.routine.afterwards import AfterwardsKey
from sequencer.routine.routine import ANYWHERE, Routine, Waiver

if TYPE_CHECKING:
    from sequencer.check.clear_starts import ClearStarts
    from sequencer.check.clearance import ClearanceSearch
    from sequencer.check.powered import Power


def check(routine: Routine, *, waive: Iterable[Waiver] = ()) -> CheckedRoutine:
    """Prove that a routine stays in its limits and out of every keep-out whatever the timing, and compile it.

    Args:
        routine: the routine.
        waive: findings accepted in writing, besides those of the routine itself.

    Raises:
        CheckFailed: it is not clear; the exception has the findings.
    """
    examination = examine(routine, waive=waive)
    if examination.checked is None:
        raise CheckFailed(routine.name, examination)
    return examination.checked


def examine(routine: Routine, *, waive: Iterable[Waiver] = ()) -> Examination:
    """Everything that a check finds out about a routine; findings do not raise.

    Args:
        routine: the routine.
        waive: findings accepted in writing, besides those of the routine itself.
    """
    waivers = (*routine.waivers, *waive)
    found = list(model_findings(routine))
    flat: FlatRoutine | None = None
    if not any(finding.severity == "error" for finding in found):
        try:
            flat = routed(flatten(routine))
            if any(node.ways is not None for node in flat.nodes):
                # Few routines look their ways up, and the others need not wait for what proves them.
                from sequencer.check.lead_ins import leading_in

                flat = leading_in(flat)
            surveyed = survey(flat)
        except ModelError as error:
            flat = None
            found.append(refused_model(error, routine))
    if flat is None:
        findings = numbered(list(waived(found, waivers)))
        return Examination(verdict_of(findings), (), findings, None, None)
    plan = None if surveyed.plan is None else with_slack(surveyed.plan, flat)
    order = Order(flat)
    by_ways = begins_with_ways(order)
    bodies = None
    starts: ClearStarts | None = None
    advice = None
    power: Power | None = None
    afterwards: dict[AfterwardsKey, Mapping[str, Any]] = {}
    search: ClearanceSearch | None = None
    try:
        bodies = bodies_of(flat.machine) if flat.machine.bodies else None
        if bodies is not None:
            # Most machines have none, and then need not wait for what judges them.
            from sequencer.check.clear_starts import clear_starts
            from sequencer.check.clearance import ClearanceSearch

            # Where it looks its way up first, that tells whether it may start.
            starts = None if by_ways else clear_starts(order, bodies)
        scenarios = scenarios_of(flat, () if starts is None else starts.boxes)
        keep_outs = KeepOutSearch(order, merged(scenarios) if by_ways else scenarios)
        if bodies is not None:
            search = ClearanceSearch(order, keep_outs.phases, bodies)
        found += start_findings(flat, starts)
        found += _rules(keep_outs, search, surveyed, plan)
        if routine.on_cancel or routine.on_fault:
            # Few routines have them, and the others need not wait for what judges them.
            from sequencer.check.afterwards import examine_afterwards

            for after in examine_afterwards(routine, keep_outs, search):
                found += after.findings
                if after.data is not None:
                    afterwards[after.key] = after.data
        if plan is not None and any(axis.has_motors_and_load for axis in flat.machine.axes.values()):
            # Many machines declare no motors, and then need not wait for what judges them.
            from sequencer.check.powered import examine_power

            power = examine_power(flat, plan, None if search is None else search.proofs)
            found += power.findings
        if bodies is not None and plan is not None:
            from sequencer.check.clearance_advice import clearance_advice

            advice = clearance_advice(order, bodies, plan)
    except ModelError as error:
        found.append(refused_model(error, routine))
    findings = numbered(list(waived(found, waivers)))
    verdict = verdict_of(findings)
    assumes = tuple(assumptions(flat, bodies, starts))
    checked = None
    if verdict == "clear" and plan is not None:
        cleared = None if search is None else search.cleared.data()
        checked = compile_routine(
            routine,
            assumes=assumes,
            waived=_accepted(findings),
            surveyed=surveyed,
            flat=flat,
            cleared=cleared,
            starts=() if by_ways else _starts(flat, starts),
            afterwards=afterwards,
        )
    feasibility, unpowered = (None, None) if power is None else (power.feasibility, power.unpowered)
    return Examination(verdict, assumes, findings, plan, checked, advice, feasibility, unpowered)


def _rules(
    search: KeepOutSearch, clearance: ClearanceSearch | None, surveyed: Survey, plan: Plan | None
) -> Iterator[Finding]:
    flat = search.order.flat
    yield from travel_findings(search.phases)
    yield from limit_findings(flat)
    yield from timeout_findings(flat, surveyed.longest, surveyed.late)
    yield from parameter_findings(flat, surveyed)
    yield from gate_findings(search.phases)
    yield from required_findings(search.phases)
    yield from route_findings(search.phases)
    yield from keep_out_findings(search, plan)
    if clearance is not None:
        from sequencer.check.clearance_findings import clearance_findings

        yield from clearance_findings(clearance, plan)


def _starts(flat: FlatRoutine, starts: ClearStarts | None) -> Sequence[Mapping[str, Span]]:
    """The boxes that a routine from anywhere was judged from, where the runner cannot tell by itself: it refuses starts
    in keep-outs that count at the time."""
    if starts is not None:
        return starts.boxes
    conditional = any(isinstance(rule, KeepOut) and rule.when is not None for rule in flat.machine.interlocks)
    return start_cells(flat.machine, start_spans(flat)) if flat.routine.start == ANYWHERE and conditional else ()


def _accepted(findings: Iterable[Finding]) -> Iterator[Mapping[str, str | None]]:
    for finding in findings:
        if finding.waived:
            yield {"rule": finding.rule, "step": finding.step, "because": finding.waived}
