"""Timeouts: none is shorter than what the step takes, and those left out on purpose are named."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from sequencer.check.compile import timeout_of, timeout_time
from sequencer.check.finding import Finding
from sequencer.errors import did_you_mean
from sequencer.machine.machine import NANOSECONDS
from sequencer.plan.resolve import FlatRoutine, Node
from sequencer.routine.routine import ANYWHERE
from sequencer.routine.steps import Wait
from sequencer.units import TIME, show

_WORDS = ("fault", "continue", "cancel")


def timeout_findings(
    flat: FlatRoutine, longest: Mapping[int, float], late: Mapping[int, float] | None = None
) -> Iterator[Finding]:
    """What is wrong with timeouts and with what they lead to.

    Args:
        flat: the routine.
        longest: the longest planned time of each step [s].
        late: that of each gated step if all waits take as long as they may [s].
    """
    for node in flat.nodes:
        yield from _length(flat, node, longest)
        yield from _held_up(flat, node, longest, (late or {}).get(node.index, 0.0))
        yield from _fallback(flat, node)
        yield from _short(flat, node)


def _length(flat: FlatRoutine, node: Node, longest: Mapping[int, float]) -> Iterator[Finding]:
    timeout = timeout_of(node)
    if timeout is not None and timeout.kind == "none":
        condition = node.step.body.condition if isinstance(node.step.body, Wait) else node.step.until
        waits = f" for: {condition}" if condition is not None else ""
        message = f"'{node.name}' has no timeout and may wait for ever{waits}"
        yield Finding("timeouts", "note", message, node.name, node.step.place)
    time = timeout_time(node, longest, flat.routine)
    planned = longest.get(node.index)
    if time is None or planned is None or timeout is None or timeout.kind == "planned":
        return
    if time < planned * NANOSECONDS:
        yield Finding(
            "timeouts",
            "error",
            f"'{node.name}' takes up to {show(planned, TIME)} in the plan; its timeout is "
            f"{show(time / NANOSECONDS, TIME)}",
            node.name,
            node.step.place,
            "write timeout: planned + a reserve, such as planned + 0.5 s",
            found=time / NANOSECONDS,
            allowed=planned,
        )


def _held_up(flat: FlatRoutine, node: Node, longest: Mapping[int, float], late: float) -> Iterator[Finding]:
    """A step whose gate may open too late for its timeout, for the time of a gated step runs while it waits (R32)."""
    time = timeout_time(node, longest, flat.routine)
    if time is None or late * NANOSECONDS <= time:
        return
    takes = "wait for ever" if late == float("inf") else f"take {show(late, TIME)}"
    yield Finding(
        "timeouts",
        "warning",
        f"'{node.name}' may {takes} if the waits before its gate ({node.step.once}) opens take as long as they "
        f"may; its timeout is {show(time / NANOSECONDS, TIME)}",
        node.name,
        node.step.place,
        "start it after those waits, or give it a timeout that counts them",
        found=late,
        allowed=time / NANOSECONDS,
    )


def _fallback(flat: FlatRoutine, node: Node) -> Iterator[Finding]:
    name = node.step.on_timeout
    if name in _WORDS:
        return
    routines = node.scope.routine.subroutines
    if name not in routines:
        # A pack may hold it although this routine was built without it.
        yield Finding(
            "timeouts",
            "warning",
            f"'{node.name}' falls back on the routine '{name}', which was not given with this one; "
            f"{did_you_mean(name, [*_WORDS, *routines])}",
            node.name,
            node.step.place,
            "the pack must hold it",
        )
    elif routines[name].start != ANYWHERE:
        yield Finding(
            "timeouts",
            "warning",
            f"'{node.name}' falls back on '{name}', which starts from {routines[name].start} only; where the machine "
            f"stands after a timeout, it may be refused",
            node.name,
            node.step.place,
            f"let '{name}' start from: {ANYWHERE}",
        )


def _short(flat: FlatRoutine, node: Node) -> Iterator[Finding]:
    period = flat.machine.period
    step = node.step
    own = step.timeout.time if step.timeout is not None and step.timeout.kind == "fixed" else None
    for what, time in (("for", step.duration), ("steady", step.steady), ("timeout", own)):
        if isinstance(time, int) and 0 < time < period:
            yield Finding(
                "timeouts",
                "warning",
                f"'{what}' of '{node.name}' is {show(time / NANOSECONDS, TIME)}, shorter than a tick "
                f"({show(period / NANOSECONDS, TIME)}); it lasts one tick",
                node.name,
                node.step.place,
                found=time / NANOSECONDS,
                allowed=period / NANOSECONDS,
            )
