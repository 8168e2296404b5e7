"""How runs end: at standstill, by a disable, by an error inside; what they ask for after it (R22, R27, R41, R47)."""

from __future__ import annotations

from typing import TYPE_CHECKING

from sequencer.errors import did_you_mean
from sequencer.run.definition import parameter_values
from sequencer.run.requests import Request, forget_followers, refuse
from sequencer.run.resting import rest
from sequencer.run.routine_run import Run

if TYPE_CHECKING:
    from sequencer.run.host import Host


def finish_stops(host: Host) -> None:
    """Runs whose axes have come to rest end; ramps past their deadline fall back to off (R33)."""
    for motion in host.motions:
        if motion.stop_kind == "ramp_then_off" and motion.moving and host.now > motion.deadline:
            motion.begin_stop("off", host.now)
    for run in host.runs.copy():
        if run.state == "stopping" and run.standing():
            over(host, run, run.outcome_to_be, run.cause)
        elif run.state == "finishing" and run.standing():
            over(host, run, "done", "")


def enable(host: Host, enabled: bool) -> None:
    if not enabled:
        if host.enabled:
            host.event("disabled")
        forget_followers(host)
        for run in list(host.runs):
            run.cancel("disabled", off=True)
        for motion in host.motions:
            motion.drop()
        host.enabled = False
        return
    if not host.enabled:
        host.event("enabled")
        host.enabled = True
    for motion in host.motions:
        if motion.run is None and not motion.latched:
            rest(host, motion)


def over(host: Host, run: Run, outcome: str, cause: str) -> None:
    """The outcome is final: everything that the run used goes to rest in this tick (R22, R27)."""
    run.state = run.outcome = outcome
    run.cause = cause
    run.ended_tick = host.tick_number
    host.runs.remove(run)
    host.ended = [*host.ended[-7:], run]
    for axis in sorted(run.used_axes):
        motion = host.motions[axis]
        if motion.run is run:
            motion.run = None
            motion.stop_kind = None
            rest(host, motion)
    for output in sorted(run.used_outputs):
        if host.output_owner[output] is None:
            host.outputs[output] = host.definition.outputs[output]["rest"]
    host.event("run", run.name, text=f"{outcome}: {cause}" if cause else outcome, values=(("outcome", outcome),))
    if outcome == "faulted":
        host.fault_cause = cause
    elif run.then is not None and outcome == "cancelled":
        following = host.routines.get(run.then)
        if following is None:
            words = f"{run.name} asks for it and it is not here; {did_you_mean(run.then, host.routines)}"
            refuse(host, run.then, words)
        else:
            values = parameter_values(following, {})
            host.waiting.append(([], ("request", run.then, values, run.speed, False, False)))
        return
    _after(host, run)


def _after(host: Host, run: Run) -> None:
    """What a routine asks for after a cancel, or after a fault of the process, begins in the next tick (R47)."""
    key = {"cancelled": "on_cancel", "faulted": "on_fault"}.get(run.outcome or "")
    following = run.definition.after.get(key) if key is not None else None
    if following is not None and run.goes_after and not run.machine_fault:
        host.waiting.append(([], ("after", following, run.parameters, run.speed)))


def due_requests(host: Host) -> list[Request]:
    """Requests that waited for runs to end which have."""
    due = [request for runs, request in host.waiting if all(run.over for run in runs)]
    host.waiting = [one for one in host.waiting if not all(run.over for run in one[0])]
    return due


def break_off(host: Host, cause: str) -> None:
    """All runs faulted, all axes off, all outputs at rest: what is left when a tick itself has failed (R36)."""
    host.event("fault", text=cause)
    for run in host.runs:
        run.break_off(cause)
        run.state = run.outcome = "faulted"
        run.ended_tick = host.tick_number
        host.event("run", run.name, text=f"faulted: {cause}", values=(("outcome", "faulted"),))
    host.ended = [*host.ended, *host.runs][-8:]
    host.runs = []
    for motion in host.motions:
        motion.drop()
        motion.latched = True
    host.outputs = [output["rest"] for output in host.definition.outputs]
    host.output_owner = [None] * len(host.outputs)
    host.waiting.clear()
    host.fault_cause = cause
