"""When a step is done, and when it has taken too long (SEMANTICS sections C and D)."""

from __future__ import annotations

from typing import TYPE_CHECKING

from sequencer.run.step_state import Activation

if TYPE_CHECKING:
    from sequencer.run.routine_run import Run


def completions(run: Run) -> list[tuple[Activation, str, str]]:
    """(activation, outcome, cause) of every step that ends in this tick; completion beats timeout (R23)."""
    host = run.host
    now, gap = host.now, host.gap
    quarter = host.quarter
    ended = []
    if run.definition.asks_for_times:
        measure_times(run, now)
    run.evaluated = host.tick_number
    run.done_now.clear()
    soon = now + quarter
    for activation in run.active:
        cause = completed(run, activation, now, gap, quarter)
        if cause is not None:
            ended.append((activation, "done", cause))
            run.done_now[activation.step.index] = cause
        elif activation.timeout is not None and soon - activation.since >= activation.timeout:
            ended.append((activation, "timeout", _timeout_words(run, activation)))
    return ended


def measure_times(run: Run, now: int) -> None:
    """All elapsed times first, so that every condition sees those of this tick (R6)."""
    for activation in run.active:
        run.own[activation.step.elapsed_key] = (now - activation.since) * 1e-9


def completed(run: Run, activation: Activation, now: int, gap: int, quarter: int) -> str | None:
    """Why the step is done, or None."""
    if activation.skipped:
        return "skipped"
    step = activation.step
    kind = step.kind
    if step.is_block:
        if kind == "repeat" and activation.watch is not None:
            for edge in activation.watch.edges:
                edge.sample()
        return None
    if activation.watch is not None and activation.watch.fulfilled(now, gap):
        if kind == "zero" and run.host.values[activation.motions[0].definition.name] is None:
            return None  # a place that is not measured is none to count from
        return run.host.words(step.data["until"], run.scope)
    if activation.energised is None:
        return None
    if activation.duration is not None:
        return "time" if now - activation.energised + quarter >= activation.duration else None
    if kind == "move" or kind == "flick":
        return "arrived" if _arrived(run, activation, gap) else None
    if kind == "jog":
        return _let_go(run)
    return "set" if kind == "set" else None


def _let_go(run: Run) -> str | None:
    """A jog lasts as long as it is asked for anew, at least once in the machine's longest gap."""
    if run.jog_speed == 0.0:
        return "let go"
    host = run.host
    return "not asked for any more" if host.now - run.jog_renewed > host.definition.longest_gap else None


def _arrived(run: Run, activation: Activation, gap: int) -> bool:
    """All profiles ended, and error and speed within tolerance for the settle time (R31)."""
    if activation.way is not None and not activation.way.at_last:
        return False
    arrived = True
    for index, motion in enumerate(activation.motions):
        if motion.held is not None or (motion.profile is not None and motion.next_clock < motion.end_clock):
            activation.settled[index] = -1
            arrived = False
            continue
        axis = motion.definition
        values, period = run.host.values, run.host.definition.period
        position = values.get(axis.name)
        speed = values.get(axis.speed_name)
        if (
            position is None
            or speed is None
            or not -axis.position_tolerance <= position - motion.goal <= axis.position_tolerance
            or not -axis.speed_tolerance <= speed <= axis.speed_tolerance
        ):
            activation.settled[index] = -1
            arrived = False
            continue
        credit = activation.settled[index]
        credit = 0 if credit < 0 else credit + (gap if gap < period else period)
        activation.settled[index] = credit
        if credit + (period >> 2) < axis.settle:
            arrived = False
    return arrived


def _timeout_words(run: Run, activation: Activation) -> str:
    assert activation.timeout is not None  # only called once it has passed
    words = f"{activation.step.name} not done after {activation.timeout * 1e-9:.3g} s"
    waits = run.host.waiting_words(activation, run)
    return f"{words}: {waits}" if waits else words


def done_meanwhile(run: Run, activation: Activation) -> str | None:
    """Why a step that a stop meets in the tick of its completion keeps "done" (R23), or None."""
    host = run.host
    if activation.tick == host.tick_number:
        return None
    if run.evaluated == host.tick_number:
        return run.done_now.get(activation.step.index)
    if run.definition.asks_for_times:
        measure_times(run, host.now)
    return completed(run, activation, host.now, host.gap, host.quarter)
