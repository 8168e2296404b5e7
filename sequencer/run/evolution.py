"""From one situation to the next: ends, then every start that they enable, all on one snapshot (R5 to R8, M1)."""

from __future__ import annotations

from typing import TYPE_CHECKING

from profiles import ProfileError
from sequencer.run.blocks import choose, open_scope, successors
from sequencer.run.entries import act, enter
from sequencer.run.exits import interrupt_inner, leave
from sequencer.run.milestones import passed
from sequencer.run.step_kinds import StartFailed
from sequencer.run.step_state import IDLE, ROOT, Activation

if TYPE_CHECKING:
    from sequencer.run.routine_run import Run


def begin(run: Run) -> None:
    """The tick of the request: the first steps are active in it (R5)."""
    run.root_remaining = len(run.definition.entries)
    _spread(run, [], set(open_scope(run, ROOT, run.definition.entries)))


def go_on(run: Run, ended: list[tuple[Activation, str, str]]) -> None:
    """Exit what has ended (newest first), then start everything that this enables, all on one snapshot (R6, R8)."""
    reached = _milestones_reached(run) if run.definition.passes else []
    if not (ended or reached or run.timed or run.attempts or run.abandoned or run.definition.chooses):
        return
    ready: set[int] = set()
    arrived: list[int] = []
    for activation, outcome, cause in sorted(ended, key=lambda item: -item[0].sequence):
        if activation.step.index not in run.by_step or run.state != "running":
            continue
        if outcome == "timeout":
            _timed_out(run, activation, cause, arrived)
        else:
            leave(run, activation, outcome, cause)
            arrived.append(activation.step.index)
    if run.state != "running":
        return
    ready.update(reached)
    if run.timed:
        ready.update(_due(run))
    ready.update(run.attempts)
    if run.definition.chooses:
        ready.update(_choices_made(run, arrived))
    if arrived or ready or run.abandoned:
        _spread(run, sorted(arrived), ready)


def open_gates(run: Run) -> None:
    """Steps whose gate is true in this tick start to move in it (R32)."""
    waiting = [one for one in run.active if one.energised is None]
    if not waiting:
        return
    ready: set[int] = set()
    arrived: list[int] = []
    for activation in waiting:
        # What acts in this tick may end, or begin, others of them.
        if activation.energised is not None or activation.skipped or run.state != "running":
            continue
        if activation.tick == run.host.tick_number:
            continue
        for edge in activation.edges:
            edge.sample()
        if activation.gate is None or activation.gate() is True:
            try:
                ready.update(act(run, activation, arrived))
                if activation.step.data["once"] is not None and activation.energised is not None:
                    words = run.host.words(activation.step.data["once"], run.scope)
                    run.host.event("gate", run.name, activation.step.name, words)
            except StartFailed as failure:
                run.fault(f"{activation.step.name}: {failure}", activation, machine=failure.machine)
            except ProfileError as problem:
                run.fault(f"{activation.step.name}: {problem}", activation, machine=True)
    if (ready or arrived) and run.state == "running":
        _spread(run, arrived, ready)


def _due(run: Run) -> list[int]:
    """Steps whose `at` time has come."""
    limit = run.host.now + run.host.quarter
    due = [index for time, index in run.timed if time <= limit]
    if due:
        run.timed = [one for one in run.timed if one[1] not in due]
    return due


def _milestones_reached(run: Run) -> list[int]:
    """Steps whose milestone is nearer to this tick than to the next (M2), with what remains recorded."""
    return [index for activation in run.active if activation.milestones for index in passed(run, activation)]


def _choices_made(run: Run, arrived: list[int]) -> list[int]:
    """The first steps of waiting `choose` blocks whose guard has come true."""
    ready: list[int] = []
    for activation in list(run.active):
        if activation.step.kind == "choose" and activation.branch < 0 and activation.energised is not None:
            ready += choose(run, activation, arrived)
    return ready


def _spread(run: Run, arrived: list[int], ready: set[int]) -> None:
    """Starts and zero-tick ends until nothing more follows in this tick; ends with the run, or with
    active steps.
    """
    while arrived or ready or run.abandoned:
        arrived += run.abandoned
        run.abandoned = []
        for index in arrived:
            ready.update(successors(run, index))
        arrived = []
        while ready and run.state == "running":
            index = min(ready)
            ready.remove(index)
            if run.status[index] == IDLE:
                ready.update(enter(run, run.definition.steps[index], arrived))
        if run.state != "running":
            return
    if run.root_remaining == 0:
        run.finish()
    elif not run.active and not run.timed:
        left = [step.name for step in run.definition.steps if run.status[step.index] == IDLE]
        run.fault(f"nothing is active, yet these steps have not ended: {', '.join(left)}", None, machine=True)


def _timed_out(run: Run, activation: Activation, cause: str, arrived: list[int]) -> None:
    step = activation.step
    run.own[step.timed_out_key] = True
    if activation.attempt <= step.retry:
        _retry(run, activation, cause)
        return
    interrupt_inner(run, activation, "timeout")
    leave(run, activation, "timeout", cause)
    if step.on_timeout == "continue":
        arrived.append(step.index)
    elif step.on_timeout == "fault":
        run.fault(cause, None)
    else:
        if step.on_timeout != "cancel":
            run.then = step.on_timeout
        run.cancel(cause)


def _retry(run: Run, activation: Activation, cause: str) -> None:
    """Left and entered in one tick: a new activation with its own clock; outputs do not drop in between (R10).

    It is entered with the other starts of the tick; what waits for its milestones goes on waiting.
    """
    step = activation.step
    attempt = activation.attempt + 1
    run.attempts[step.index] = attempt
    interrupt_inner(run, activation, "retry")
    leave(run, activation, "timeout", cause)
    run.status[step.index] = IDLE
    run.host.event("retry", run.name, step.name, f"attempt {attempt} of {step.retry + 1}")
