"""How a step ends: its pulses go to rest, its axes brake or hold, what waited for it is told (R14, R22, R26)."""

from __future__ import annotations

from typing import TYPE_CHECKING

from sequencer.run.definition import StepDefinition
from sequencer.run.milestones import lagging
from sequencer.run.resting import rest
from sequencer.run.step_state import DEAD, ENDED, IDLE, ROOT, Activation

if TYPE_CHECKING:
    from sequencer.run.routine_run import Run


def leave(run: Run, activation: Activation, outcome: str, cause: str) -> None:
    """End an activation: its pulses go to rest, its axes brake or hold and stay with the run (R14, R22, R26)."""
    host = run.host
    step = activation.step
    run.status[step.index] = ENDED
    run.active.remove(activation)
    del run.by_step[step.index]
    run.own[step.elapsed_key] = (host.now - activation.since) * 1e-9
    if step.kind == "zero" and outcome == "done":
        host.set_zero(activation.motions[0])
    for motion in activation.motions:
        if motion.activation is activation:
            motion.activation = None
            motion.held = None
            if step.kind == "pulse" or motion.definition.is_spin:
                motion.run = None
                rest(host, motion)
            elif step.kind != "press" and not motion.ended():
                motion.brake()
    for output in activation.outputs:
        if host.output_owner[output] is activation:
            host.output_owner[output] = None
            host.outputs[output] = host.definition.outputs[output]["rest"]
    host.event("end", run.name, step.name, f"{outcome}: {cause}" if cause else outcome, (("outcome", outcome),))
    if step.passers and run.state == "running" and step.index not in run.attempts:
        if outcome == "done":
            run.timed += lagging(run, activation)
        passed = {milestone.step for milestone in activation.milestones if milestone.fired}
        for index in step.passers:
            if run.status[index] == IDLE and index not in passed:
                _abandon(run, index, f"{step.name} ended without passing its place")


def abandon_missed(run: Run, activation: Activation) -> None:
    """A flick was interrupted too near to its place to stop before it, and goes on beyond: what was to start where it
    has its speed never will, which is told at once (M4).
    """
    motion = activation.motions[0]
    if activation.step.kind != "flick" or motion.profile is None or "through" in motion.profile.marks:
        return
    for milestone in activation.milestones:
        if milestone.place is None and not milestone.fired and run.status[milestone.step] == IDLE:
            _abandon(run, milestone.step, f"{activation.step.name} was held, and passed its place without its speed")


def _abandon(run: Run, index: int, reason: str) -> None:
    """A dependent step whose milestone will never come, and what starts with it or where it passes: aborted, and the
    rest goes on (M4).
    """
    run.status[index] = DEAD
    dependent = run.definition.steps[index]
    run.host.event("end", run.name, dependent.name, f"aborted: {reason}", (("outcome", "aborted"),))
    run.abandoned.append(index)
    for follower in (*dependent.withs, *dependent.passers):
        if run.status[follower] == IDLE:
            _abandon(run, follower, f"{dependent.name} never started")


def preempted(run: Run, activation: Activation, by: str) -> None:
    """Another step of this run takes an axis of this one, which ends aborted; what follows it goes on (R28)."""
    leave(run, activation, "aborted", f"{by} takes its axis")
    run.abandoned.append(activation.step.index)


def interrupt_inner(run: Run, activation: Activation, cause: str) -> None:
    """Everything active inside a block ends with it."""
    if not activation.step.is_block:
        return
    for step in run.definition.steps:
        if run.status[step.index] == IDLE and _is_inside(run, step, activation.step.index):
            run.status[step.index] = DEAD
    inside = [other for other in run.active if _is_inside(run, other.step, activation.step.index)]
    for other in sorted(inside, key=lambda item: -item.sequence):
        leave(run, other, "aborted", cause)
    run.timed = [(time, index) for time, index in run.timed if run.status[index] == IDLE]


def _is_inside(run: Run, step: StepDefinition, block: int) -> bool:
    parent = step.parent
    while parent != ROOT:
        if parent == block:
            return True
        parent = run.definition.steps[parent].parent
    return False
