"""What axes do that nobody moves: follow what is measured, or rest as the machine file says (R27, R29, R41, R43)."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from sequencer.run.motion import Motion

if TYPE_CHECKING:
    from sequencer.run.host import Host


def rest(host: Host, motion: Motion) -> None:
    """What an axis does when no step has it (R27, R43), without a jump."""
    if motion.latched or not host.enabled:
        return
    case: dict[str, Any] | None = None
    for each, test in host.rest_tests[motion.definition.index]:
        if test is None or test() is True:
            case = each
            break
    mode: Any = "off" if case is None else case["mode"]
    forbidden = host.forbidden(motion.definition.index) if mode == "voltage" else None
    if forbidden is not None:
        # Closing the interlock starts nothing (R32): it stays off until a reset, or until a step drives it.
        motion.switch_off()
        host.event("off", text=f"{motion.definition.name} does not turn at rest: {forbidden}; reset once it does")
    elif case is not None and mode == "voltage":
        motion.mode, motion.volts, motion.velocity = "effort", case["voltage"], 0.0
    elif mode == "hold":
        if motion.known and motion.profile is None:
            motion.mode = "hold"
            motion.velocity = motion.acceleration = 0.0
    else:
        motion.mode = mode
        motion.profile = None
        motion.volts = 0.0


def follow_measured(host: Host) -> None:
    """Set-points of unpowered and pressing axes follow what is measured (R29, R41, R46)."""
    for motion in host.occupants.values():
        mode = motion.mode
        trusted = host.snapshot.zeroed[motion.definition.index]
        if motion.pushed is not None:
            _forget_push(host, motion)
        if mode == "effort":
            motion.pushed_since = host.now
            motion.push_speed = _push_speed(host, motion)
        if mode != "track" and mode != "hold":
            measured = host.values[motion.definition.name]
            if measured is None:
                trusted = trusted and mode == "effort"
                motion.known = motion.known and mode == "effort"
            elif measured != motion.position or not motion.known:
                motion.rebase(measured, host.now)
        elif not trusted and motion.activation is None and motion.profile is None:
            _lose_place(host, motion)
        if not trusted:
            motion.occupy_everything()
        elif motion.anywhere and motion.known:
            motion.occupy_what_is_known()


def _push_speed(host: Host, motion: Motion) -> float | None:
    """How fast an axis that presses is read to move, for all that is known; None: not even its place is read."""
    axis = motion.definition
    if host.values[axis.name] is None:
        return None
    speed = host.values[axis.speed_name]
    return motion.speed_bound if speed is None else float(speed)


def _forget_push(host: Host, motion: Motion) -> None:
    """Once its latency is over, an axis that is where it was ordered to be, and no faster, has come out of its push.
    What has gone elsewhere by then is a following error like any other, if somebody looks at those.
    """
    axis = motion.definition
    measured, speed = host.values[axis.name], host.values[axis.speed_name]
    if host.now <= motion.pushed_since + motion.latest:
        return
    pushed, motion.pushed = motion.pushed, None
    near = measured is not None and abs(motion.error(measured)) <= axis.band
    slow = speed is not None and abs(speed - motion.velocity) <= axis.speed_tolerance
    missed = host.now >= motion.pushed_until and (axis.is_followed or motion.watched)
    if not (near and slow) and not missed:
        motion.pushed = pushed
    elif motion.profile is None and not motion.anywhere:
        motion.occupy_what_is_known()


def _lose_place(host: Host, motion: Motion) -> None:
    """An axis that stands and is held has lost its zero: the place that it holds means nothing now (R42).

    Where its actuator says so itself, it holds what is read now; where the reading lies, it goes off until a reset,
    a jog or a zeroing (R48).
    """
    index = motion.definition.index
    measured = host.values[motion.definition.name]
    if index in host.snapshot.jumped or (not motion.anywhere and host.snapshot.lost[index] is not None):
        motion.switch_off()
    elif not motion.anywhere:
        if measured is None:
            motion.switch_off()
        else:
            motion.rebase(measured, host.now)
