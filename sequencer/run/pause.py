"""Hold and resume: an interrupt during which the times of a run stand still (R35, R53)."""

from __future__ import annotations

from typing import TYPE_CHECKING

from profiles import ProfileError
from sequencer.run.exits import abandon_missed
from sequencer.run.resting import rest
from sequencer.run.step_kinds import StartFailed, energise, phase, set_instants
from sequencer.run.step_state import Activation, motion_of

if TYPE_CHECKING:
    from sequencer.run.motion import Motion
    from sequencer.run.routine_run import Run


def hold(run: Run) -> None:
    """Brake every axis of a running run and keep its goals; pulses go to rest; times, timeouts and pulses freeze. No
    axis pushes on, be its step over or not.
    """
    if run.state != "running":
        return
    host = run.host
    run.state = "held"
    run.held_at = host.now
    run.kept = [motion for motion in _owned(run) if motion.activation is None and motion.mode == "effort"]
    for motion in run.kept:
        motion.end_push()
    for activation in run.active:
        if activation.watch is not None:
            activation.watch.forget()
        activation.settled = [-1] * len(activation.settled)
        for motion in activation.motions:
            activation.held_places[motion.definition.index] = motion.position
            motion.held = None
            if motion.definition.is_spin:
                # One that is jogged turns on when that is asked for anew.
                run.jog_speed = 0.0
                rest(host, motion)
            elif motion.mode == "effort":
                motion.end_push()
            else:
                motion.pause()
        for output in activation.outputs:
            host.outputs[output] = host.definition.outputs[output]["rest"]
    host.event("hold", run.name, text="held by request")


def resume(run: Run) -> str | None:
    """Go on with the remainder of every step, or say why not.

    Asked anew: `must_stay`, gates that were true (not those of edges, which do not last), the interlocks, and
    whether every axis still is where it was held.
    """
    reason = changed(run)
    if reason is not None:
        return reason
    host = run.host
    shift = host.now - run.held_at
    run.state = "running"
    run.timed = [(time + shift, index) for time, index in run.timed]
    host.event("go", run.name, text="resumed")
    for motion in run.kept:
        motion.mode = "effort"
        motion.occupy_what_is_known()
    for activation in list(run.active):
        activation.since += shift
        if activation.watch is not None:
            activation.watch.since += shift
        if activation.energised is None or activation.skipped:
            continue
        activation.energised += shift
        try:
            _go_on(activation, run)
        except StartFailed as failure:
            run.fault(f"{activation.step.name}: {failure}", activation, machine=failure.machine)
        except ProfileError as problem:
            run.fault(f"{activation.step.name}: {problem}", activation, machine=True)
    return None


def changed(run: Run) -> str | None:
    """Why a held run must not go on, or None."""
    host = run.host
    for axis in sorted(run.used_axes):
        motion = host.motions[axis]
        if motion.run is run and motion.moving:
            return f"{motion.definition.name} is still coming to rest"
    for activation in run.active:
        step = activation.step
        if activation.must_stay is not None and activation.must_stay() is not True:
            return f"{step.name}: must_stay does not hold: {host.words(step.data['must_stay'], run.scope)}"
        gate = activation.gate
        if gate is not None and activation.energised is not None and not activation.edges and gate() is not True:
            return f"{step.name}: its gate has closed: {host.words(step.data['once'], run.scope)}"
        for motion in activation.motions:
            reason = _moved(motion, run)
            if reason is not None:
                return reason
    for motion in run.kept:
        reason = _moved(motion, run) or _in_the_way(motion, run)
        if reason is not None:
            return reason
    return None


def _owned(run: Run) -> list[Motion]:
    """The axes, not spins, that a run has."""
    motions = [run.host.motions[axis] for axis in sorted(run.used_axes)]
    return [motion for motion in motions if motion.run is run and not motion.definition.is_spin]


def _moved(motion: Motion, run: Run) -> str | None:
    """Why an axis is not where it was held, or may not move, or None."""
    if motion.definition.is_spin:
        return None
    host, index = run.host, motion.definition.index
    name = motion.definition.name
    if host.snapshot.faults[index] is not None:
        return f"{name}: {host.snapshot.faults[index]}"
    if not host.zeroed[index] and not run.definition.by_hand:
        return f"{name} is not zeroed"
    measured = host.values.get(name)
    if measured is None:
        return f"the position of {name} is unknown ({host.unknown_reason(name)})"
    away = abs(motion.error(measured))
    if away > motion.definition.position_tolerance:
        return (
            f"{name} is {motion.definition.show(away)} away from where it was held; "
            f"allowed are {motion.definition.show(motion.definition.position_tolerance)}"
        )
    forbidden = host.forbidden(motion.definition.index)
    return None if forbidden is None else f"{name} may not move: {forbidden}"


def _in_the_way(motion: Motion, run: Run) -> str | None:
    """The keep-out that an axis would meet if it pushed on now and does not meet as it stands, or None."""
    supervisor, index = run.host.supervisor, motion.definition.index
    low, high = min(motion.occupied_low, motion.bound), max(motion.occupied_high, motion.bound)
    box = supervisor.blocks(index, low, high)
    if box is None or box is supervisor.blocks(index, motion.occupied_low, motion.occupied_high):
        return None
    return f"{motion.definition.name} may not push on: {box.name} is in its way"


def _go_on(activation: Activation, run: Run) -> None:
    """The remainder of one step: axes are planned anew to the same goals, together again if they were (R53)."""
    if activation.step.kind in ("pulse", "press"):
        if not energise(activation, run):
            activation.energised = None
        return
    for motion in activation.motions:
        unit = motion.unit
        if motion.aim is None or motion is not unit[0]:
            continue
        profiles = motion.aim([member.advanced() for member in unit])
        for member, profile in zip(unit, profiles, strict=True):
            member.held = None
            member.follow(profile)
    set_instants(activation)
    if activation.step.kind == "flick":
        abandon_missed(run, activation)
        phase(activation, run)
    for milestone in activation.milestones:
        if milestone.fired or milestone.instant is not None or milestone.place is None:
            continue
        motion = motion_of(activation, milestone)
        before = activation.held_places[motion.definition.index]
        if min(before, motion.position) <= milestone.place <= max(before, motion.position):
            milestone.instant = 0
