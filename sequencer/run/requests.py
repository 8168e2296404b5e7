"""What people and programs ask for: handled in rank order, taken or refused with a reason (R3, R34, R37, R44, R51)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from profiles import ProfileError
from sequencer.run.by_hand import jog_refused, jog_routine, zero_refused, zero_routine
from sequencer.run.definition import RoutineDefinition
from sequencer.run.evolution import begin
from sequencer.run.pause import changed, hold, resume
from sequencer.run.region import off_region, outside_region
from sequencer.run.resting import rest
from sequencer.run.routine_run import Run
from sequencer.run.step_kinds import StartFailed, jog
from sequencer.run.ways import no_way

if TYPE_CHECKING:
    from sequencer.run.host import Host

Request = tuple[Any, ...]
"""A request as plain data: its name, then its arguments."""

FIRST_RUN = 0.25
"""Share of the limits at which a routine runs that nobody has confirmed on this machine (R49)."""

_RANK = {
    word: rank
    for rank, word in enumerate(
        (
            "abort",
            "failure",
            "cancel",
            "hold",
            "resume",
            "reset",
            "note",
            "assume",
            "confirm",
            "after",
            "zero",
            "jog",
            "request",
        )
    )
}


@dataclass(frozen=True, slots=True)
class Allowed:
    """Whether a request would be taken now: `why_not` is "" where it would."""

    request: str
    taken: bool
    why_not: str


def handle(host: Host, requests: tuple[Request, ...]) -> list[Request]:
    """Handle requests in rank order abort > cancel > hold > resume > reset > start (R3); starts are kept for phase
    5.
    """
    starts = []
    stopped = aborted = failed = held = False
    for request in sorted(requests, key=lambda one: _RANK[one[0]]):
        match request[0]:
            case "abort":
                stopped = aborted = True
                _abort(host)
            case "failure":
                failed = True
                host.fail(request[1])
            case "cancel":
                stopped = host.cancelling = True
                host.event("request", text="cancel")
                forget_followers(host)
            case "hold":
                host.event("request", text="hold")
                held = True
                if not stopped:
                    for _, waiting in host.waiting:
                        refuse(host, _named(waiting), "a hold was asked for before it could start")
                    forget_followers(host)
                    for run in host.runs:
                        hold(run)
            case "resume":
                host.event("request", text="resume")
                if held or stopped:
                    refuse(host, "resume", f"a {'stop' if stopped else 'hold'} was asked for in the same tick")
                else:
                    _resume(host)
            case "reset":
                host.event("request", text="reset")
                if not aborted and not failed:
                    host.reset()
            case "note":
                host.event("note", text=str(request[1]), values=((str(request[1]), request[2]),))
            case "assume":
                host.assume(request[1], request[2])
            case "confirm":
                host.confirm(request[1], request[2])
            case "jog" if _jogged_on(host, request):
                pass
            case _:
                if stopped or failed or held:
                    what = "stop was asked for" if stopped else "failure was told" if failed else "hold was asked for"
                    refuse(host, _named(request), f"a {what} in the same tick")
                else:
                    starts.append(request)
    return starts


def start(host: Host, request: Request) -> None:
    """Start what a request asks for, or refuse it."""
    match request[0]:
        case "request":
            _start_routine(host, request)
        case "after":
            _start_afterwards(host, request)
        case "zero":
            _start_by_hand(host, zero_refused(host, request[1]), zero_routine, request)
        case "jog":
            if request[2] != 0.0:
                _start_by_hand(host, jog_refused(host, request[1], request[2]), jog_routine, request)


def allowed(host: Host) -> tuple[Allowed, ...]:
    """Which requests would be taken at the next tick if nothing changes, and why not the others (R44)."""
    found = [_answer(name, why_not(host, definition)) for name, definition in host.routines.items()]
    for motion in host.motions:
        name = motion.definition.name
        if motion.definition.zero is not None:
            found.append(_answer(f"zero {name}", zero_refused(host, name)))
        found.append(_answer(f"jog {name}", jog_refused(host, name, None)))
    running = any(run.state == "running" for run in host.runs)
    held = [changed(run) for run in host.runs if run.state == "held"]
    found.append(_answer("hold", None if running else "nothing is running"))
    found.append(_answer("resume", "nothing is held" if not held else None if None in held else held[0]))
    off = any(motion.latched for motion in host.motions)
    found.append(_answer("reset", None if off or host.fault_cause is not None else "there is no fault to reset"))
    return tuple(found)


def why_not(host: Host, definition: RoutineDefinition, preempt: bool = False, restart: bool = False) -> str | None:
    """Why a routine cannot be started now, in words, or None."""
    reason = _not_ready(host, definition)
    if reason is not None:
        return reason
    for run in host.runs:
        if run.name == definition.name and not restart:
            return f"{run.name} is stopping" if run.state == "stopping" else f"{run.name} is already running"
    return (None if preempt else in_use(host, definition)) or outside_region(host, definition)


def in_use(host: Host, definition: RoutineDefinition) -> str | None:
    """The run that has an axis or output which a routine would drive, in words, or None."""
    for run in host.runs:
        for axis in sorted(definition.alone & run.definition.axes):
            return f"{host.axis_names[axis]} is in use by {run.name}"
        for output in sorted(definition.outputs & run.definition.outputs):
            return f"output {host.output_names[output]} is in use by {run.name}"
    for runs, request in host.waiting:
        # What belongs to a cancel or a fault begins in the next tick, before all that is asked for then.
        if not runs and request[0] == "after":
            for axis in sorted(definition.alone & request[1].axes):
                return f"{host.axis_names[axis]} is in use by {request[1].name}"
            for output in sorted(definition.outputs & request[1].outputs):
                return f"output {host.output_names[output]} is in use by {request[1].name}"
    return None


def forget_followers(host: Host) -> None:
    """What was asked for and waits does not run: stop beats start (R33). What a routine does after a cancel is part of
    the cancel, unless it is cancelled once more while stopping (R47).
    """
    host.waiting.clear()
    for run in host.runs:
        run.then = None
        if run.state == "stopping":
            run.goes_after = False


def refuse(host: Host, name: str, reason: str) -> None:
    host.event("refused", name, text=reason)


def _named(request: Request) -> str:
    if request[0] == "after":
        return str(request[1].name)
    return str(request[1]) if request[0] == "request" else f"{request[0]} {request[1]}"


def _answer(request: str, reason: str | None) -> Allowed:
    return Allowed(request, reason is None, reason or "")


def _abort(host: Host) -> None:
    host.event("request", text="abort")
    forget_followers(host)
    for run in host.runs:
        run.cancel("aborted by request", off=True)
    for motion in host.motions:
        motion.stop_kind = "off"
        motion.switch_off()
    host.fault_cause = "aborted by request"


def _resume(host: Host) -> None:
    held = [run for run in host.runs if run.state == "held"]
    if not held:
        refuse(host, "resume", "nothing is held")
    for run in held:
        reason = resume(run)
        if reason is not None:
            refuse(host, run.name, f"cannot go on: {reason}")


def _not_ready(host: Host, definition: RoutineDefinition) -> str | None:
    """What keeps every start on these axes back."""
    if not host.enabled:
        return "the machine is not enabled"
    if host.fault_cause is not None:
        return f"reset first; the last fault: {host.fault_cause}"
    for axis in sorted(definition.axes):
        motion = host.motions[axis]
        if motion.stopping:
            return f"{motion.definition.name} is stopping"
    return _not_zeroed(host, definition)


def _not_zeroed(host: Host, definition: RoutineDefinition) -> str | None:
    """The axis that a routine moves to a place and that has no zero to count from, in words, or None (R42)."""
    for axis in sorted(definition.placed):
        if not host.zeroed[axis]:
            why = host.snapshot.lost[axis]
            return f"{host.axis_names[axis]} is not zeroed" + (f": {why}" if why else "")
    return None


def _start_routine(host: Host, request: Request) -> None:
    _, name, parameters, speed, preempt, restart = request
    definition = host.routines[name]
    reason = _not_ready(host, definition)
    if reason is None and preempt:
        reason = off_region(host, definition, at_rest=True)
    if reason is None and (restart or preempt) and _stop_first(host, definition, preempt, restart, request):
        return
    reason = reason or why_not(host, definition, preempt, restart)
    host.no_way = reason if reason is not None and definition.enters and reason.startswith("no way") else ""
    if reason is not None:
        refuse(host, name, reason)
        return
    if host.confirmed is not None and definition.hash not in host.confirmed and speed > FIRST_RUN:
        speed = FIRST_RUN
        host.event("slowed", name, text=f"first run on this machine: at {FIRST_RUN:g} of the limits until confirmed")
    run = Run(host, definition, parameters, speed)
    if preempt:
        _take_over(host, run)
    _begin(host, run, parameters)


def _begin(host: Host, run: Run, parameters: Mapping[str, float | str] | None = None) -> None:
    host.runs.append(run)
    host.no_way = ""
    host.event("run", run.name, text="start", values=tuple(sorted((parameters or {}).items())))
    begin(run)


def _start_afterwards(host: Host, request: Request) -> None:
    """What belongs to a cancel or a fault: it was certified from where its routine can have been stopped (R47)."""
    _, definition, parameters, speed = request
    reason = None if host.enabled else "the machine is not enabled"
    reason = reason or in_use(host, definition) or _not_zeroed(host, definition) or off_region(host, definition)
    if reason is None:
        reason = no_way(host, definition)
        host.no_way = reason or ""
    if reason is not None:
        refuse(host, definition.name, reason)
        return
    names = definition.parameters
    _begin(host, Run(host, definition, {name: parameters[name] for name in names}, speed))


def _start_by_hand(host: Host, reason: str | None, made: Any, request: Request) -> None:
    if reason is not None:
        refuse(host, _named(request), reason)
        return
    motion = host.motions[host.definition.axis_index[request[1]]]
    run = Run(host, made(motion.definition, host.definition), {}, 1.0)
    if request[0] == "jog":
        run.jog_speed, run.jog_renewed = request[2], host.now
    _begin(host, run)


def _jogged_on(host: Host, request: Request) -> bool:
    """Whether the request keeps up, changes or ends a jog that is under way."""
    _, name, speed = request
    run = next((run for run in host.runs if run.name == f"jog {name}" and run.state == "running"), None)
    if run is None:
        return False
    if speed != 0.0 and jog_refused(host, name, speed, going_on=True) is not None:
        speed = 0.0
    changed = speed != run.jog_speed
    run.jog_speed, run.jog_renewed = speed, host.now
    activation = run.active[0]
    if changed and speed != 0.0 and activation.energised is not None:
        try:
            jog(activation, run)
        except (StartFailed, ProfileError) as problem:
            run.fault(f"jog {name}: {problem}", activation)
    return True


def _stop_first(host: Host, definition: RoutineDefinition, preempt: bool, restart: bool, request: Request) -> bool:
    """Whether runs had to be cancelled first, so that the request waits for their standstill (R37, R44).

    A moving axis is turned over at once only if all that it occupies lies in the start region of what comes: the
    region is what the new routine was certified from.
    """
    in_the_way = []
    for run in host.runs:
        if run.name == definition.name:
            if restart:
                in_the_way.append(run)
        elif preempt and run.definition.axes & definition.axes and _leaves_region(host, run, definition):
            in_the_way.append(run)
    for run in in_the_way:
        run.cancel("restarted" if run.name == definition.name else f"{definition.name} takes its axes")
        run.then, run.goes_after = None, False
    if in_the_way:
        host.waiting.append((in_the_way, (*request[:5], False)))
    return bool(in_the_way)


def _leaves_region(host: Host, run: Run, definition: RoutineDefinition) -> bool:
    """Whether a moving axis of a run occupies a place outside the start region of a routine. Of several boxes one must
    hold what all axes occupy.
    """
    if definition.region:
        moving = [row for row in definition.region if host.motions[int(row[0])].run is run]
        return not _lies_in(host, [row for row in moving if host.motions[int(row[0])].moving])
    return bool(definition.starts) and not any(_lies_in(host, box) for box in definition.starts)


def _lies_in(host: Host, box: list[list[float]]) -> bool:
    for place, low, high in box:
        motion = host.motions[int(place)]
        here = motion.position, motion.position
        lowest, highest = motion.reach_if_braking_now() if motion.moving else here
        if lowest < low or highest > high:
            return False
    return True


def _take_over(host: Host, run: Run) -> None:
    """Cancel the runs that use what a new one will, and give it their axes, braking until its own steps move them
    (R53).
    """
    definition = run.definition
    for other in host.runs:
        common = other.definition.axes & definition.axes
        if not common and not other.definition.outputs & definition.outputs:
            continue
        taken = [host.motions[axis] for axis in sorted(common) if host.motions[axis].run is other]
        for motion in taken:
            motion.run = motion.activation = None
        other.then, other.goes_after = None, False
        other.cancel(f"{run.name} takes its axes")
        for motion in taken:
            if motion.definition.is_spin:
                rest(host, motion)
                continue
            motion.run = run
            run.used_axes.add(motion.definition.index)
            motion.brake()
