"""Blocks and joins, which take no ticks themselves: what the end of a step enables (R9, R11, R12)."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

from sequencer.run.definition import StepDefinition
from sequencer.run.exits import interrupt_inner, leave
from sequencer.run.step_kinds import StartFailed
from sequencer.run.step_state import ACTIVE, DEAD, IDLE, ROOT, Activation
from sequencer.run.terms import build

if TYPE_CHECKING:
    from sequencer.run.routine_run import Run


def choose(run: Run, activation: Activation, arrived: list[int]) -> list[int]:
    """The first branch whose guard is true, in file order; none and no else: wait (R11)."""
    data = activation.step.data
    if not activation.guards:
        activation.guards = [build(branch["term"], run.scope, activation.edges) for branch in data["branches"]]
    else:
        for edge in activation.edges:
            edge.sample()
    taken = next((number for number, guard in enumerate(activation.guards) if guard() is True), None)
    if taken is None:
        if data["otherwise"] is None:
            return []
        taken = len(activation.guards)
    activation.branch = taken
    words = "else" if taken == len(activation.guards) else run.host.words(data["branches"][taken]["term"], run.scope)
    run.host.event("branch", run.name, activation.step.name, words, (("branch", taken + 1),))
    steps = activation.step.entries[taken]
    activation.remaining = len(steps)
    if not steps:
        leave(run, activation, "done", "nothing to do")
        arrived.append(activation.step.index)
        return []
    return open_scope(run, activation.step.index, steps)


def first_passage(run: Run, block: Activation, arrived: list[int]) -> list[int]:
    step = block.step
    if not step.entries[0]:
        raise StartFailed("a block without a single step; it would never end", machine=True)
    if step.kind == "repeat" and step.data["times"] is not None:
        block.times = int(run.scope.number(step.data["times"]))
        if block.times < 1:
            leave(run, block, "done", "no passages")
            arrived.append(step.index)
            return []
    return _passage(run, block)


def _passage(run: Run, block: Activation) -> list[int]:
    block.last_entry_tick = run.host.tick_number
    steps = block.step.entries[0]
    block.remaining = len(steps)
    return open_scope(run, block.step.index, steps)


def open_scope(run: Run, parent: int, steps: Iterable[int]) -> list[int]:
    """Make the steps of a block (or the whole routine) ready to be started; returns those that start at once."""
    now = run.host.now
    inside = set(steps)
    run.timed = [(time, index) for time, index in run.timed if index not in inside]
    first = []
    for index in inside:
        _reset(run, index)
    for index in steps:
        start = run.definition.steps[index].start
        if start["kind"] == "at":
            if start["time"] <= 0:
                first.append(index)
            else:
                run.timed.append((now + start["time"], index))
        elif start["kind"] == "after" and not start["steps"]:
            first.append(index)
    return first


def _reset(run: Run, index: int) -> None:
    step = run.definition.steps[index]
    run.status[index] = IDLE
    run.attempts.pop(index, None)
    run.pending[index] = len(step.start["steps"]) if step.start["kind"] == "after" else 0
    run.own[step.timed_out_key] = False
    run.own[step.elapsed_key] = None


def successors(run: Run, index: int) -> list[int]:
    """What the end of a step enables: successors whose joins are complete, the end or next passage of its block."""
    step = run.definition.steps[index]
    ready = []
    for successor in step.successors:
        run.pending[successor] -= 1
        if run.pending[successor] == 0 and run.status[successor] == IDLE:
            ready.append(successor)
    for successor in step.joins_any:
        if run.status[successor] == IDLE and successor not in ready:
            _drop_losers(run, run.definition.steps[successor], index)
            ready.append(successor)
    return ready + _one_fewer(run, step.parent)


def _one_fewer(run: Run, parent: int) -> list[int]:
    """One step fewer in a block; its last one ends the block, or begins a repeat's next passage."""
    if parent == ROOT:
        run.root_remaining -= 1
        return []
    block = run.by_step.get(parent)
    if block is None:
        return []
    block.remaining -= 1
    return _block_over(run, block) if block.remaining == 0 else []


def _block_over(run: Run, block: Activation) -> list[int]:
    step = block.step
    if step.kind == "repeat":
        block.passes += 1
        again = block.times is None or block.passes < block.times
        if block.watch is not None and block.watch.test() is True:
            again = False
        if again:
            if block.last_entry_tick == run.host.tick_number:
                run.fault(
                    f"{step.name}: a passage without a single step; it would go round for ever", block, machine=True
                )
                return []
            return _passage(run, block)
    leave(run, block, "done", f"{block.passes} passages" if step.kind == "repeat" else "")
    return successors(run, step.index)


def _drop_losers(run: Run, join: StepDefinition, winner: int) -> None:
    """The other branches of a join-any: active steps are interrupted, the rest never start (R12)."""
    start = join.start
    losers = [
        index
        for predecessor, branch in zip(start["steps"], start["branches"], strict=True)
        if predecessor != winner
        for index in branch
    ]
    for index in losers:
        if run.status[index] == IDLE:
            run.status[index] = DEAD
            _count_out(run, index)
    active = [run.by_step[index] for index in losers if run.status[index] == ACTIVE]
    for activation in sorted(active, key=lambda one: -one.sequence):
        if run.status[activation.step.index] == ACTIVE:
            interrupt_inner(run, activation, f"{join.name} goes on without it")
            leave(run, activation, "aborted", f"{join.name} goes on without it")
            _count_out(run, activation.step.index)


def _count_out(run: Run, index: int) -> None:
    parent = run.definition.steps[index].parent
    if parent == ROOT:
        run.root_remaining -= 1
    elif parent in run.by_step:
        run.by_step[parent].remaining -= 1
