"""Runs in which nothing can happen any more: said at once, not when somebody loses patience.

A run is at a dead end when no start by time is still to come, and every active step waits for axes that stand still,
for steps that are over, or for an axis that stands in its way for good. A timeout that would go on or try again saves
it; one that only ends the run does not. Sensors may change at any time: who waits for one is not lost.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from sequencer.run.routine_run import Run
from sequencer.run.step_state import DEAD, ENDED, Activation
from sequencer.run.terms import Test, names_of

if TYPE_CHECKING:
    from sequencer.run.host import Host


def look_for_dead_ends(host: Host) -> None:
    """Asked once for every situation in which all axes stand; the answer is told as an event."""
    for motion in host.motions:
        if motion.profile is not None:
            return
    running = [run for run in host.runs if run.state == "running"]
    if any(run.asked_hopeless != _situation(run) for run in running) and _stands(host):
        reasons = [_dead_end(host, run) for run in running]
        # One that can go on may move what the others wait for; so may one that has still to end, or to be resumed.
        lost = len(running) == len(host.runs) and None not in reasons
        for run, reason in zip(running, reasons, strict=True):
            run.asked_hopeless = _situation(run)
            if lost and reason != run.hopeless:
                host.event("stuck", run.name, text=f"nothing can happen any more: {reason}")
            run.hopeless = reason if lost else None


def _situation(run: Run) -> int:
    """A number that another set of active steps, or another number of runs beside it, does not have."""
    if not run.active:
        return 0
    return (run.active[-1].sequence << 32) + (len(run.active) << 16) + len(run.host.runs)


def _stands(host: Host) -> bool:
    """Whether no axis is under way, driven, or not yet where it was ordered to be."""
    for motion in host.motions:
        if motion.profile is not None or len(motion.history) > 1:
            return False
        axis = motion.definition
        if axis.is_spin:
            if motion.volts != 0.0 or (motion.mode == "track" and motion.velocity != 0.0):
                return False
            continue
        speed = host.values[axis.speed_name]
        if motion.mode == "effort" or speed is None or abs(speed) > axis.speed_tolerance:
            return False
    return True


def _dead_end(host: Host, run: Run) -> str | None:
    """What each step waits for in vain unless another run helps it, or None while something can still happen."""
    if run.timed:
        return None
    stuck = set(host.supervisor.waiting_for_each_other())
    words = []
    for activation in run.active:
        if activation.skipped or _goes_on_by_time(activation):
            return None
        kind = activation.step.kind
        if (
            activation.step.is_block
            and activation.energised is not None
            and (kind != "choose" or activation.branch >= 0)
        ):
            continue
        found = _in_vain(host, run, activation, stuck)
        if found is None:
            return None
        words.append(f"{activation.step.name} waits for {found}")
    return "; ".join(words) if words else None


def _goes_on_by_time(activation: Activation) -> bool:
    data = activation.step.data
    return activation.timeout is not None and (data["on_timeout"] == "continue" or data["retry"] > 0)


def _in_vain(host: Host, run: Run, activation: Activation, stuck: set[str]) -> str | None:
    """What a step waits for that will not come, or None if it may."""
    if activation.step.kind == "jog":
        return None
    held = [motion for motion in activation.motions if motion.held is not None]
    if held:
        names = [motion.definition.name for motion in held]
        for_good = stuck.issuperset(names) or all(host.supervisor.lasts(str(motion.held)) for motion in held)
        return f"{' and '.join(names)}, held by {held[0].held}" if for_good else None
    terms, tests = _awaited(activation)
    if not terms or any(test() is True for test in tests):
        return None
    lost = {f"{axis}{what}" for axis in host.axis_names for what in ("", ".speed", ".ordered", ".error")}
    for step in run.definition.steps:
        if run.status[step.index] in (ENDED, DEAD):
            lost |= {step.elapsed_key, step.timed_out_key}
    if not all(name in lost for term in terms for name in names_of(term)):
        return None
    return " or ".join(host.words(term, run.scope) for term in terms)


def _awaited(activation: Activation) -> tuple[list[object], list[Test]]:
    """The conditions that a step waits for and nothing else, plain and as functions; none if it waits for more."""
    data = activation.step.data
    if activation.energised is None and activation.gate is not None:
        return [data["once"]], [activation.gate]
    if activation.step.kind == "choose":
        return [branch["term"] for branch in data["branches"]], activation.guards
    if activation.duration is None and activation.step.kind in ("wait", "pulse") and activation.watch is not None:
        return [data["until"]], [activation.watch.test]
    return [], []
