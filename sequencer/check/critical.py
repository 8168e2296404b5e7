"""Which steps make a routine as long as it is, and how much later each other step might end: the critical path method.

The plan's events (start, motion and end of each step) are the nodes of a graph whose edges carry the times between
them; the longest way through it is the duration (Kelley and Walker, Critical-path planning and scheduling, 1959).
"""

from __future__ import annotations

from dataclasses import replace

import networkx as nx

from sequencer.plan.planned import Plan, PlannedStep
from sequencer.plan.resolve import AfterSteps, FlatRoutine, Node, PassingStep, WithStep
from sequencer.plan.timing import CUT_SHORT

_ROUNDING = 1e-6
"""Slack below this [s] is none."""

_BEGIN = ("", "begin")
_END = ("", "end")


def with_slack(plan: Plan, flat: FlatRoutine) -> Plan:
    """The plan with the slack of every step [s] and the names of the critical ones, in the order in which they
    start."""
    graph = _events(plan, flat)
    order = list(nx.topological_sort(graph))
    latest = {_END: plan.duration}
    for event in reversed(order):
        if event != _END:
            after = [latest[other] - graph.edges[event, other]["weight"] for other in graph.successors(event)]
            latest[event] = min(after, default=plan.duration)
    steps = tuple(replace(step, slack=max(latest[step.name, "end"] - step.end, 0.0)) for step in plan.steps)
    names = {name for name, _ in nx.dag_longest_path(graph) if name}
    tight = [step for step in steps if step.name in names and step.slack is not None and step.slack < _ROUNDING]
    return replace(plan, steps=steps, critical=tuple(step.name for step in sorted(tight, key=lambda step: step.start)))


def _events(plan: Plan, flat: FlatRoutine) -> nx.DiGraph:
    graph = nx.DiGraph()
    planned = {step.name: step for step in plan.steps}
    names = {node.index: node.name for node in flat.nodes}
    last_inside: dict[int, float] = {}
    for node in flat.nodes:
        if node.name in planned:
            last_inside[node.parent] = max(last_inside.get(node.parent, 0.0), planned[node.name].end)
    for node in flat.nodes:
        step = planned.get(node.name)
        if step is None:
            continue
        start, end = (step.name, "start"), (step.name, "end")
        motion = (step.name, "motion") if step.motion_start > step.start else start
        if motion != start:
            graph.add_edge(start, motion, weight=0.0)
        graph.add_edge(motion, end, weight=step.end - step.motion_start)
        graph.add_edge(end, _END, weight=0.0)
        opener = planned.get(step.opened_by or "")
        if opener is not None and motion != start and opener.motion_start <= step.motion_start:
            moved = (opener.name, "motion" if opener.motion_start > opener.start else "start")
            graph.add_edge(moved, motion, weight=step.motion_start - opener.motion_start)
        parent = planned.get(names.get(node.parent, ""))
        if parent is not None:
            # The block ends when all inside has; further passages of a repeat come after the last end of the first.
            graph.add_edge(end, (parent.name, "end"), weight=max(parent.end - last_inside[node.parent], 0.0))
        awaited = [planned[names[before]] for before in _awaited(node) if names[before] in planned]
        if awaited and isinstance(node.start, AfterSteps) and node.start.any:
            # The branch that came first; the others were cut short then.
            awaited = [one for one in awaited if CUT_SHORT not in one.about]
        for before in awaited:
            _after(graph, node, step, before)
        if not awaited:
            begin = (parent.name, "start") if parent is not None else _BEGIN
            graph.add_edge(begin, start, weight=step.start - (0.0 if parent is None else parent.start))
    return graph


def _after(graph: nx.DiGraph, node: Node, step: PlannedStep, before: PlannedStep) -> None:
    start = (step.name, "start")
    match node.start:
        case AfterSteps():
            graph.add_edge((before.name, "end"), start, weight=0.0)
        case WithStep():
            graph.add_edge((before.name, "start"), start, weight=0.0)
        case PassingStep():
            moved = (before.name, "motion" if before.motion_start > before.start else "start")
            graph.add_edge(moved, start, weight=step.start - before.motion_start)
        case _:
            pass


def _awaited(node: Node) -> tuple[int, ...]:
    match node.start:
        case AfterSteps(steps=steps):
            return steps
        case WithStep(step=step) | PassingStep(step=step):
            return (step,)
        case _:
            return ()
