"""Which of two steps that use one axis takes it over from the other (R28)."""

from __future__ import annotations

from sequencer.routine.graph import StepGraph
from sequencer.routine.steps import After, AtTime, Passing, With

_Instant = tuple[object, ...]


def takes_over_well(graph: StepGraph, first: str, second: str) -> str:
    """ "" where a takeover between two steps that may be active together works at run time, else why it does not.

    The step that starts later must say `preempt`; where either may, both must. Steps that start in one tick cannot take
    an axis from each other: the later in the file fails.
    """
    one, other = graph.nodes[first], graph.nodes[second]
    if not (one.step.preempt or other.step.preempt):
        return "neither says preempt"
    if _beside(graph, first, second):
        if _instant(graph, first) == _instant(graph, second):
            return "they start in the same tick, and then preempt cannot help"
        if _started_before(graph, first, second):
            return "" if other.step.preempt else f"'{second}' starts later and does not say preempt"
        if _started_before(graph, second, first):
            return "" if one.step.preempt else f"'{first}' starts later and does not say preempt"
    if one.step.preempt and other.step.preempt:
        return ""
    return "either may start later, and only one of them says preempt"


def _beside(graph: StepGraph, first: str, second: str) -> bool:
    return second in graph.siblings(first)


def _instant(graph: StepGraph, path: str) -> _Instant:
    """What makes a step start; equal for steps that surely start in one tick."""
    start = graph.nodes[path].start
    if isinstance(start, With):
        led = graph.predecessors(path)
        return _instant(graph, led[0]) if led else ("with", path)
    if isinstance(start, After):
        return ("after", frozenset(start.steps), start.any)
    if isinstance(start, AtTime):
        return ("at", start.time) if start.time > 0 else ("after", frozenset(), False)
    return ("passing", path)


def _started_before(graph: StepGraph, first: str, second: str) -> bool:
    """Whether the first step has surely started when the second does, in an earlier tick."""
    begun: set[_Instant] = set()
    seen: set[str] = set()
    waiting = [second]
    while waiting:
        path = waiting.pop()
        if path in seen:
            continue
        seen.add(path)
        start = graph.nodes[path].start
        led = graph.predecessors(path)
        if isinstance(start, With):
            waiting += led
        elif isinstance(start, Passing):
            begun.update(_instant(graph, one) for one in led)
            waiting += led
        elif isinstance(start, After):
            if start.steps:
                begun.add(("after", frozenset(), False))
            if not start.any or len(led) == 1:
                begun.update(_instant(graph, one) for one in led)
                waiting += led
        elif isinstance(start, AtTime) and start.time > 0:
            begun.add(("after", frozenset(), False))
    return _instant(graph, first) in begun
