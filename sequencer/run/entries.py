"""How a step begins: its conditions are made ready, it takes its axes and outputs, it acts (R25, R28, R32)."""

from __future__ import annotations

from typing import TYPE_CHECKING

from profiles import ProfileError
from sequencer.run.blocks import choose, first_passage
from sequencer.run.definition import StepDefinition
from sequencer.run.milestones import passed
from sequencer.run.resting import rest
from sequencer.run.step_kinds import StartFailed, energise
from sequencer.run.step_state import ACTIVE, IDLE, Activation, Milestone
from sequencer.run.terms import Watch, build

if TYPE_CHECKING:
    from sequencer.run.motion import Motion
    from sequencer.run.routine_run import Run


def enter(run: Run, step: StepDefinition, arrived: list[int]) -> list[int]:
    """Activate a step; returns the steps that start with it, and inside it. A block that is over at once joins
    `arrived`.
    """
    host = run.host
    activation = Activation(step, host.now, host.tick_number, host.next_sequence())
    run.status[step.index] = ACTIVE
    run.active.append(activation)
    run.by_step[step.index] = activation
    data = step.data
    # Slower motion takes longer, and so does all that waits for it, be it a place or a sensor that the motion reaches.
    activation.timeout = None if step.timeout is None else round(step.timeout / run.speed)
    activation.attempt = run.attempts.pop(step.index, 1)
    run.own[step.elapsed_key] = 0.0
    run.own[step.timed_out_key] = False
    ready = [index for index in step.withs if run.status[index] == IDLE]
    if data["only_if"] is not None and build(data["only_if"], run.scope)() is not True:
        activation.skipped = True
        host.event("skip", run.name, step.name, f"not ({host.words(data['only_if'], run.scope)})")
        return ready
    host.event("start", run.name, step.name, step.kind)
    try:
        _arm(run, activation)
        if not step.is_block:
            _claim(run, activation)
        if activation.gate is None or activation.gate() is True:
            ready += act(run, activation, arrived)
    except StartFailed as failure:
        run.fault(f"{step.name}: {failure}", activation, machine=failure.machine)
    except ProfileError as problem:
        run.fault(f"{step.name}: {problem}", activation, machine=True)
    return ready


def _arm(run: Run, activation: Activation) -> None:
    """Read the step's parameters, once, and build its conditions (R25)."""
    step, host, scope = activation.step, run.host, run.scope
    data = step.data
    if data["must_stay"] is not None:
        activation.must_stay = build(data["must_stay"], scope)
        if activation.must_stay() is not True:
            raise StartFailed(f"must_stay does not hold: {host.words(data['must_stay'], scope)}", machine=True)
    if data["once"] is not None:
        activation.gate = build(data["once"], scope, activation.edges, gate=True)
    if data["until"] is not None:
        period = host.definition.period
        steady, blind = scope.time(step.steady), scope.time(step.blind)
        activation.watch = Watch(data["until"], scope, host.now, period, steady, blind)
    if step.duration is not None:
        activation.duration = scope.time(step.duration)
    for index in step.passers:
        start = run.definition.steps[index].start
        place = None if start["at"] == "through" else scope.number(start["at"])
        activation.milestones.append(
            Milestone(index, place, start["axis"], scope.time(start["lead"]), scope.time(start["lag"]))
        )


def _claim(run: Run, activation: Activation) -> None:
    """Take the axes and outputs that the step drives; one owner each (R28)."""
    host = run.host
    preempt = activation.step.data["preempt"]
    for axis in activation.step.axes:
        motion = host.motions[axis]
        owner = motion.activation.step.name if motion.activation is not None else None
        if owner is None and motion.run is not None and motion.run is not run:
            owner = motion.run.name
        if motion.stopping:
            raise StartFailed(f"{motion.definition.name} is stopping", machine=True)
        if motion.activation is not None and motion.activation.tick == host.tick_number:
            raise StartFailed(f"{motion.definition.name} is taken by {owner} in the same tick", machine=True)
        if owner is not None and not preempt:
            raise StartFailed(f"{motion.definition.name} is in use by {owner}", machine=True)
    for output in activation.step.outputs:
        holder = host.output_owner[output]
        if holder is not None and holder is not activation:
            name = host.definition.outputs[output]["name"]
            raise StartFailed(f"output {name} is in use by {holder.step.name}", machine=True)
    host.interrupt_owners([host.motions[axis] for axis in activation.step.axes], run, activation.step.name)
    for axis in activation.step.axes:
        motion = host.motions[axis]
        motion.activation = activation
        motion.run = run
        motion.taken_at = host.now
        run.used_axes.add(axis)
        activation.motions.append(motion)
        activation.settled.append(-1)
        if motion.definition.is_spin:
            rest(host, motion)
        elif motion.stop_kind is None and not _pushes_on(activation, motion, run):
            motion.brake()
    for output in activation.step.outputs:
        run.used_outputs.add(output)
        if activation.step.kind == "pulse":
            host.output_owner[output] = activation
            activation.outputs.append(output)


def _pushes_on(activation: Activation, motion: Motion, run: Run) -> bool:
    """Whether a press follows another in the same sense at once: the axis need not come to rest in between."""
    if activation.step.kind != "press" or motion.mode != "effort" or motion.push_speed is None:
        return False
    ahead = run.scope.number(activation.step.data["toward"]) - motion.position
    return ahead * motion.current > 0.0 and (activation.gate is None or activation.gate() is True)


def act(run: Run, activation: Activation, arrived: list[int]) -> list[int]:
    """Let the step act, unless the supervisor does not let a press begin; returns what its milestones start at once
    (M4), and what starts inside a block. A block that is over at once joins `arrived`.
    """
    if activation.step.is_block:
        # What its gate has let in may close it again: it is not asked any more.
        activation.gate, activation.energised = None, run.host.now
        if activation.step.kind == "choose":
            return choose(run, activation, arrived)
        return first_passage(run, activation, arrived)
    if not energise(activation, run):
        for motion in activation.motions:
            if motion.mode == "effort" and not motion.definition.is_spin:
                motion.brake()
        return []
    activation.energised = run.host.now
    return passed(run, activation) if activation.milestones else []
