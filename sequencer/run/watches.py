"""What is watched while axes move or stand: late ticks, interlocks, following, stalls, lying encoders (R20, R32, R45,
R48).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from sequencer.run.motion import Motion
from sequencer.run.occupied import POWERED
from sequencer.run.routine_run import Run

if TYPE_CHECKING:
    from sequencer.run.host import Host

PROGRESS = 0.1
"""An axis that comes nearer to its set-point by less than this share of its tolerance makes no progress."""

SATURATED = 0.95
"""Share of the greatest current from which on the effort counts as saturated."""

PUSHING = 0.25
"""Share of the greatest current under which an axis that does move also reads as moving."""

RISING = 0.1
"""Share of the greatest current by which the current of a lag must have risen to count as rising."""


def advance_clocks(host: Host) -> None:
    """Let every motion clock advance (R20): by the true gap where actuators carry on, else by two periods at most."""
    gap = host.gap
    period = host.definition.period
    if gap > period + (period >> 1):
        host.late_ticks += 1
        host.event("late", text=f"{gap * 1e-9:.3g} s since the tick before")
    clamped = gap if gap < 2 * period else 2 * period
    for motion in host.motions:
        motion.gain = clamped if motion.clamped else gap
        if motion.profile is not None:
            motion.next_clock = motion.clock + motion.gain
    if gap > host.definition.longest_gap:
        for run in host.runs:
            if any(_acting(host.motions[axis], run) for axis in run.used_axes):
                run.fault(f"no tick for {gap * 1e-9:.3g} s while moving", None, machine=True)


def watch_over(host: Host) -> None:
    """Conditions required for motion, faults that axes report, and following errors (phase 3)."""
    for run in host.runs:
        if run.definition.stays and (run.state == "running" or (run.state == "held" and not run.standing())):
            run.watch_over()
    if host.must_stay:
        _watch_interlocks(host)
    snapshot = host.snapshot
    faults, zeroed, values = snapshot.faults, snapshot.zeroed, host.values
    for motion in host.motions:
        owner = motion.run
        if motion.watched and (owner is None or (motion.activation is None and motion.profile is None)):
            _watch_standstill(host, motion)
        if owner is None or (motion.activation is None and motion.profile is None and not _pushes(motion)):
            continue
        axis = motion.definition
        fault = faults[axis.index]
        if fault is not None:
            owner.fault(f"{axis.name}: {fault}", motion.activation, machine=True, stop=_blind_stop(host, motion))
        elif axis.is_spin or motion.mode not in POWERED:
            continue
        elif axis.index in snapshot.jumped or (not zeroed[axis.index] and not owner.definition.by_hand):
            why = snapshot.lost[axis.index]
            words = f"{axis.name} has lost its zero" + (f": {why}" if why else "")
            owner.fault(words, motion.activation, machine=True, stop=_blind_stop(host, motion))
        elif motion.profile is not None or _pushes(motion):
            measured = values[axis.name]
            if measured is None:
                _lost(host, motion, owner)
            elif axis.is_followed and motion.profile is not None:
                error = values[axis.error_name]
                if -0.5 * axis.following <= error <= 0.5 * axis.following:
                    motion.behind_since = 0
                else:
                    _following(host, motion, owner, measured, abs(error))


def _blind_stop(host: Host, motion: Motion) -> dict[int, str] | None:
    """An axis whose reading lies goes off: no ramp can be followed by it (R48)."""
    index = motion.definition.index
    return {index: "off"} if host.snapshot.lost[index] is not None else None


def forbidden(host: Host, axis: int) -> str | None:
    """The interlock that does not permit motion of an axis now, in words, or None."""
    for data, test in host.must_stay:
        if axis in data["axes"] and test() is not True:
            return f"interlock {data['name']}: {host.vocabulary.decided(data['term'], host.values, {})} does not hold"
    return None


def _watch_interlocks(host: Host) -> None:
    for data, test in host.must_stay:
        if test() is True:
            continue
        for run in host.runs:
            owned = [host.motions[axis] for axis in data["axes"] if host.motions[axis].run is run]
            if any(motion.driven for motion in owned):
                kind = data["stop"]
                stop = None if kind is None else dict.fromkeys(data["axes"], kind)
                words = host.words(data["term"], run.scope)
                run.fault(f"interlock {data['name']}: {words} does not hold", None, machine=True, stop=stop)


def _lost(host: Host, motion: Motion, run: Run) -> None:
    """A set-point is still known to brake from; a push has none, and goes off."""
    name = motion.definition.name
    doing, stop = ("presses", {motion.definition.index: "off"}) if _pushes(motion) else ("moves", None)
    words = f"the position of {name} is lost while it {doing} ({host.unknown_reason(name)})"
    run.fault(words, motion.activation, machine=True, stop=stop)


def _following(host: Host, motion: Motion, run: Run, measured: float, error: float) -> None:
    """R45: behind by more than the tolerance, a move's clock waits or the axis faults. The clock of a stop never
    waits.
    """
    axis = motion.definition
    stalled = _gather(host, motion, measured, error)
    if error <= axis.following:
        return
    far = axis.behind == "fault" or error > 2.0 * axis.following
    jam = _jam(host, motion, measured) if far or stalled else None
    lie = _evidence(host, motion, measured, error) if (far or stalled) and jam is None else None
    if jam is not None:
        words = f"{axis.name} is stalled: {axis.show(error)} behind, allowed are {axis.show(axis.following)}; {jam}"
        run.fault(words, motion.activation, machine=True, stop={axis.index: "off"})
    elif lie is not None:
        host.snapshot.lose_zero(axis.index, lie)
        run.fault(f"{axis.name}: {lie}", motion.activation, machine=True, stop={axis.index: "off"})
    elif far:
        run.fault(
            f"{axis.name} is {axis.show(error)} away from its set-point; allowed are {axis.show(axis.following)}",
            motion.activation,
            machine=True,
        )
    elif stalled:
        run.fault(
            f"{axis.name} is stalled: {axis.show(error)} behind and no nearer for {axis.stall * 1e-9:.3g} s; "
            f"allowed are {axis.show(axis.following)}{_undecided(host, motion, measured)}",
            motion.activation,
            machine=True,
        )
    elif motion.aim is not None and motion.held is None and run.state == "running":
        share = 2.0 - error / axis.following
        for member in motion.unit:
            member.next_clock = min(member.next_clock, member.clock + int(member.gain * share))


def _gather(host: Host, motion: Motion, measured: float, error: float) -> bool:
    """Remember since when an axis is behind, and whether it has made no progress for its settle time (R45)."""
    axis = motion.definition
    current = host.values[axis.current_name]
    pushed = 0.0 if current is None else abs(current)
    if motion.behind_since == 0:
        motion.behind_since = motion.progress_since = host.now
        motion.behind_from, motion.behind_error = measured, error
        motion.first_current = motion.least_current = motion.greatest_current = pushed
        motion.progress_place = measured
        return False
    motion.least_current = min(motion.least_current, pushed)
    motion.greatest_current = max(motion.greatest_current, pushed)
    upwards = motion.position > measured
    nearer = measured - motion.progress_place if upwards else motion.progress_place - measured
    if nearer > PROGRESS * axis.position_tolerance:
        motion.progress_since, motion.progress_place = host.now, measured
        return False
    return bool(host.now - motion.progress_since >= axis.stall)


def _jam(host: Host, motion: Motion, measured: float) -> str | None:
    """What shows that an axis that stands is jammed rather than read wrongly, or None.

    Pushed harder and harder, a winding that stands draws its limit, or ever more; one that turns induces a voltage
    against the push, and its current falls back. So an axis that is read to stand, by its place and by its speed, under
    a current at its limit or still rising does stand: its zero is kept. It is switched off all the same, as pushing on
    helps nothing. A loop that pushes less than its limit, evenly, leaves it open: that is the frozen reading of R48.
    """
    axis = motion.definition
    current, speed, most = host.values[axis.current_name], host.values[axis.speed_name], axis.most_current
    if current is None or most is None or host.now <= motion.behind_since:
        return None
    if abs(measured - motion.behind_from) > PROGRESS * axis.position_tolerance:
        return None
    if speed is not None and abs(speed) > axis.speed_tolerance:
        return None
    pushed = abs(current)
    since = (host.now - motion.behind_since) * 1e-9
    if pushed >= SATURATED * most:
        return f"it stands still under {pushed:.3g} A, its greatest current, since {since:.3g} s; it is off"
    if pushed >= motion.greatest_current and pushed - motion.first_current > RISING * most:
        return (
            f"it stands still for {since:.3g} s while its current rises from {motion.first_current:.3g} to "
            f"{pushed:.3g} A; it is off"
        )
    return None


def _undecided(host: Host, motion: Motion, measured: float) -> str:
    """What a stall says more where the reading stays to the last bit and no current tells a jam from a frozen
    reading. The zero is kept: standing alone is no evidence of a lie.
    """
    axis = motion.definition
    if measured != motion.behind_from:
        return ""
    if axis.most_current is None:
        return "; its greatest current is not known: whether it is jammed or its reading is frozen cannot be told"
    if host.values[axis.current_name] is None:
        return "; its current is not read: whether it is jammed or its reading is frozen cannot be told"
    return ""


def _evidence(host: Host, motion: Motion, measured: float, error: float) -> str | None:
    """What shows that the encoder lies rather than that the axis is slow or jammed (R48), or None."""
    axis = motion.definition
    since = (host.now - motion.behind_since) * 1e-9
    wrong = measured - motion.behind_from if motion.position < measured else motion.behind_from - measured
    if wrong > axis.position_tolerance:
        return f"it moves against its order: {axis.show(wrong)} the wrong way in {since:.3g} s"
    most = axis.most_current
    if most is None or since <= 0.0:
        return None
    if measured == motion.behind_from and motion.least_current >= PUSHING * most:
        return f"its reading has not changed for {since:.3g} s under at least {motion.least_current:.3g} A"
    if motion.least_current >= SATURATED * most and error > motion.behind_error:
        return (
            f"its effort is saturated, {motion.least_current:.3g} A for {since:.3g} s, while the error has grown "
            f"from {axis.show(motion.behind_error)} to {axis.show(error)}"
        )
    return None


def _watch_standstill(host: Host, motion: Motion) -> None:
    """After a ramp_then_hold the axis must stay where it stopped; one that moves is switched off (R33)."""
    axis = motion.definition
    measured = host.values[axis.name]
    if motion.mode != "hold" or motion.run is not None:
        motion.watched = False
        return
    if measured is None or not host.snapshot.zeroed[axis.index]:
        return
    away = abs(motion.error(measured))
    if away <= axis.band:
        return
    motion.switch_off()
    cause = (
        f"{axis.name} is {axis.show(away)} away from where it was to stand after its stop; "
        f"allowed are {axis.show(axis.band)}; it is off"
    )
    host.event("fault", text=cause)
    if host.fault_cause is None:
        host.fault_cause = cause


def _pushes(motion: Motion) -> bool:
    """Whether an axis presses, be its step over or not: its effort stays until a later step takes the axis (R46)."""
    return motion.mode == "effort" and not motion.definition.is_spin


def _acting(motion: Motion, run: Run) -> bool:
    """Whether a run moves or turns an axis, or pushes with it; a spin may grip at rest, by its voltage there."""
    return motion.driven and (motion.run is run or not motion.definition.is_spin)
