"""Instants at which profiles pass places, and the steps that start from them (SEMANTICS section J)."""

from __future__ import annotations

from typing import TYPE_CHECKING

from sequencer.run.motion import Motion
from sequencer.run.step_state import IDLE, Activation, Milestone, motion_of

if TYPE_CHECKING:
    from sequencer.run.routine_run import Run


def passed(run: Run, activation: Activation) -> list[int]:
    """The dependents of one step whose milestone is nearer to this tick than to the next."""
    passed = []
    half = run.host.definition.period >> 1
    for milestone in activation.milestones:
        if milestone.instant is None or run.status[milestone.step] != IDLE:
            continue
        clock = _clock_of(run, motion_of(activation, milestone))
        if clock + half > milestone.instant:
            passed.append(milestone.step)
            _record_milestone(run, activation, milestone, clock)
    return passed


def lagging(run: Run, activation: Activation) -> list[tuple[int, int]]:
    """Dependents whose place has been passed but whose lag lasts beyond the end of the step: (time due [ns], step)."""
    found = []
    half = run.host.definition.period >> 1
    for milestone in activation.milestones:
        if milestone.instant is None or milestone.fired or run.status[milestone.step] != IDLE:
            continue
        clock = _clock_of(run, motion_of(activation, milestone))
        if milestone.instant - milestone.lag <= clock + half:
            found.append((run.host.now + milestone.instant - clock - (half >> 1), milestone.step))
            milestone.fired = True
    return found


def _clock_of(run: Run, motion: Motion) -> int:
    """The motion clock in this tick [ns]; it goes on after the end of the profile, for milestones with a lag."""
    if motion.profile is not None or not motion.history:
        return motion.next_clock
    return motion.clock + run.host.now - motion.history[-1][0]


def _record_milestone(run: Run, activation: Activation, milestone: Milestone, clock: int) -> None:
    assert milestone.instant is not None
    off = (clock - milestone.instant) * 1e-9
    dependent = run.definition.steps[milestone.step]
    values: tuple[tuple[str, float], ...] = (("late_by", off),)
    if milestone.instant < 0 and clock <= 0:
        missing = -milestone.instant * 1e-9
        text = f"{activation.step.name} passes too soon: the lead is {missing:.4g} s longer than the run-up"
    else:
        text = f"{activation.step.name} passes in {-off * 1000.0 + 0.0:.3f} ms"
    run.host.event("milestone", run.name, dependent.name, text, values)
    milestone.instant = None
    milestone.fired = True
