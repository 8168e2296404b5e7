"""A rehearsal: the runner on the plant, in virtual time, tick by tick, with nobody waiting for it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import inf
from typing import TYPE_CHECKING, Any, NamedTuple

from sequencer.errors import ModelError, counted, did_you_mean
from sequencer.machine.interlock import KeepOut
from sequencer.machine.machine import NANOSECONDS, Machine
from sequencer.pack import CheckedRoutine
from sequencer.plant import Contact, Fault, Plant
from sequencer.rehearse.gauges import Script, ScriptedGauges
from sequencer.rehearse.keep_outs import KeepOutDistance, KeepOutWatch
from sequencer.rehearse.measured import MeasuredClearance
from sequencer.rehearse.performance import Performance
from sequencer.rehearse.places import PlacesOutside
from sequencer.routine.routine import ANYWHERE, Routine
from sequencer.routine.steps import Button, Expectation, RehearsalSpec
from sequencer.run import Runner
from sequencer.trace import Recorder, StepRecord, Trace
from sequencer.units import LENGTH, TIME, show

if TYPE_CHECKING:
    from sequencer.rehearse.clearance import ClearanceWatch

WATCH_SLICE = 5_000_000
"""How often true positions are compared with keep-outs [ns]."""


class ExpectationResult(NamedTuple):
    """One thing that was asked of a rehearsal: whether it held, what was found and what was allowed."""

    name: str
    held: bool
    found: str
    allowed: str


@dataclass(frozen=True, slots=True)
class Rehearsal:
    """What came of a rehearsal. Times [s] are from its first tick, `duration` from the run's start to its end.

    `outcome` is done, cancelled or faulted, `cause` says why it was not done. `least_battery` [V] is None where the
    machine declares no battery. `keep_outs` tells how near the plant itself came to each; none may be below 0.
    `clearance` tells which of its bodies had the least to spare; None where it has none that count.
    """

    name: str
    outcome: str
    cause: str | None
    duration: float
    steps: tuple[StepRecord, ...]
    trace: Trace
    late_ticks: int
    least_battery: float | None
    expectations: tuple[ExpectationResult, ...] = ()
    keep_outs: tuple[KeepOutDistance, ...] = ()
    clearance: MeasuredClearance | None = None

    @property
    def as_expected(self) -> bool:
        """Whether everything that was asked of it held."""
        return all(expectation.held for expectation in self.expectations)

    def as_json(self) -> dict[str, Any]:
        """Plain data: outcome, steps, expectations, clearance, battery and keep-outs."""
        return {
            "outcome": self.outcome,
            "cause": self.cause,
            "duration": self.duration,
            "steps": [
                {"name": step.name, "start": step.start, "end": step.end, "outcome": step.outcome}
                for step in self.steps
            ],
            "rehearsals": [
                {
                    "name": self.name,
                    "outcome": self.outcome,
                    "expectations": [expectation._asdict() for expectation in self.expectations],
                }
            ],
            "clearance": None if self.clearance is None else self.clearance.as_json(),
            "keep_outs": [distance._asdict() for distance in self.keep_outs],
            "late_ticks": self.late_ticks,
            "battery": {"least": self.least_battery},
            "trace": None,
        }

    def __repr__(self) -> str:
        because = f" ({self.cause})" if self.cause else ""
        steps = counted(len(self.steps), "step")
        return f"<Rehearsal {self.name}: {self.outcome}{because} after {self.duration:.2f} s, {steps}>"


def rehearse(
    checked: CheckedRoutine,
    *,
    machine: Machine,
    spec: RehearsalSpec | None = None,
    gauges: Mapping[str, Script] | None = None,
    start: str | Mapping[str, float] | None = None,
    parameters: Mapping[str, float | str] | None = None,
    piece: str | None = None,
    offered: Mapping[str, float] | None = None,
    seed: int = 0,
    faults: Sequence[Fault] = (),
    contacts: Sequence[Contact] = (),
    limit: float = 60.0,
    others: Iterable[CheckedRoutine] = (),
    pressed: Sequence[tuple[float, Button]] = (),
    places: Mapping[str, float] | None = None,
    each_tick: Callable[[Performance], None] | None = None,
) -> Rehearsal:
    """Run a checked routine on the plant until it has its outcome.

    What is given here goes before what `spec` says. A run that is not over at the limit is cancelled.

    Args:
        checked: the routine, requested at the first tick.
        machine: the machine that it was checked for.
        spec: a rehearsal kept with the routine.
        gauges: scripts of sensors; the others read what their link to the plant says.
        start: a preset, or positions [m or rad] by axis; None: the preset that the routine starts from.
        parameters: values for the routine's parameters, numbers in SI and presets by name.
        piece: the piece that the machine holds at the start.
        offered: pieces laid before the rollers, each with its time from the start [s].
        seed: of the plant.
        faults: what goes wrong on the plant.
        contacts: what stands outside and can be pressed, besides what `spec` says.
        limit: longest time for the run [s].
        others: further routines that the runner hosts, such as those that a timeout falls back to.
        pressed: what a person asks of the runner on the way, each with its time from the start [s].
        places: where bodies outside stand [m] that no script of their reading moves; by default in the middle of what
            the routine says of their range.
        each_tick: called after every tick with what passes between runner and plant, before time goes on.

    Raises:
        ModelError: start, piece, a gauge, a fault, a place or a button names something that does not exist, or a body
            outside would stand out of its range.
        RequestRefused: an unknown parameter or a value outside its range.
    """
    spec = spec or RehearsalSpec("on defaults")
    chosen = start if start is not None else spec.start if spec.start is not None else checked.routine["from"]
    scripts = {**dict(spec.gauges), **(gauges or {})}
    script = ScriptedGauges(machine, scripts)
    hosted = [checked, *others]
    recorder = Recorder(checked.machine, hosted)
    runner = Runner(hosted, recorder)
    held = piece if piece is not None else spec.piece
    plant = Plant(
        machine,
        seed=seed,
        start=start_positions(machine, chosen, checked),
        piece=held,
        faults=faults,
        contacts=(*contacts_of(spec), *contacts),
    )
    watch = KeepOutWatch(machine)
    outside = PlacesOutside(machine, checked, scripts, places)
    near: ClearanceWatch | None = None
    if machine.bodies:
        # Most machines have none, and then need not wait for what measures them.
        from sequencer.rehearse.clearance import ClearanceWatch

        near = ClearanceWatch(plant, hosted, outside, script.values(0))
    runner.request(checked.name, {**dict(spec.parameters), **(parameters or {})})
    laid = dict(spec.offered) | {name: round(time * NANOSECONDS) for name, time in (offered or {}).items()}
    told = [(time / NANOSECONDS, button) for button, time in spec.pressed]
    performance = Performance(runner, plant, script, laid, [*told, *pressed], checked.name, limit)
    play(performance, watch, near, each_tick)
    trace = recorder.trace()
    run = next((run for run in trace.runs() if run.name == checked.name), None)
    steps = trace.steps(run) if run is not None else ()
    outcome, duration = performance.outcome, performance.duration
    return Rehearsal(
        name=spec.name,
        outcome=outcome,
        cause=performance.cause,
        duration=duration,
        steps=steps,
        trace=trace,
        late_ticks=runner.status().late_ticks,
        least_battery=plant.least_battery,
        expectations=_judge(spec.expect, outcome, duration, steps, near),
        keep_outs=watch.result(),
        clearance=None if near is None else near.result(),
    )


def rehearse_all(
    checked: CheckedRoutine, machine: Machine, routine: Routine, *, seed: int = 0
) -> tuple[Rehearsal, ...]:
    """Every rehearsal kept with a routine, or one on defaults where it keeps none.

    Args:
        checked: the checked routine.
        machine: the machine that it was checked for.
        routine: the routine that it was checked from.
        seed: of the plant.
    """
    specs = routine.rehearsals or (RehearsalSpec("on defaults"),)
    return tuple(rehearse(checked, machine=machine, spec=spec, seed=seed) for spec in specs)


def play(
    performance: Performance,
    watch: KeepOutWatch,
    near: ClearanceWatch | None = None,
    each_tick: Callable[[Performance], None] | None = None,
) -> None:
    """Tick and let time pass until it is over, and see how near the plant comes to what it must miss."""
    plant, script = performance.plant, performance.script
    first = performance.now
    while not performance.over:
        now = performance.now
        gap = performance.tick()
        if each_tick is not None:
            each_tick(performance)
        if near is not None:
            near.consider(performance.events)
        if watch:
            watch.consider(performance.readings)
            if now == first:
                watch.see(plant.positions(), now / NANOSECONDS)
            for begin in range(0, gap, WATCH_SLICE):
                plant.advance(min(WATCH_SLICE, gap - begin))
                watch.see(plant.positions(), (now + min(begin + WATCH_SLICE, gap)) / NANOSECONDS)
        else:
            plant.advance(gap)
        if near is not None:
            near.see(now, now + gap, script.values(now + gap))


def contacts_of(spec: RehearsalSpec) -> tuple[Contact, ...]:
    """What stands outside in a rehearsal and can be pressed."""
    return tuple(
        Contact(
            one.axis,
            one.at,
            1 if one.side == "above" else -1,
            one.stiffness,
            one.damping,
            one.since / NANOSECONDS,
            inf if one.until is None else one.until / NANOSECONDS,
        )
        for one in spec.contacts
    )


def start_positions(
    machine: Machine, start: str | Mapping[str, float], checked: CheckedRoutine | None = None
) -> Mapping[str, float] | None:
    """Where a rehearsal begins: a preset's positions without those of spins, or what is given; from anywhere, where
    the routine may start.

    Raises:
        ModelError: an unknown preset.
    """
    if not isinstance(start, str):
        return start
    if start == ANYWHERE:
        return _free_place(machine, () if checked is None else checked.routine.get("starts", ()))
    preset = machine.presets.get(start)
    if preset is None:
        raise ModelError(f"start: unknown preset '{start}'; {did_you_mean(start, machine.presets)}")
    spins = {axis.name for axis in machine.axes.values() if axis.travel is None}
    return {axis: position for axis, position in preset.positions.items() if axis not in spins}


def _free_place(machine: Machine, starts: Sequence[Any]) -> Mapping[str, float] | None:
    """Where to start from "anywhere": as the plant stands by itself, or else at the first preset, that lies outside
    every keep-out and in one of the boxes that the routine was judged from; or else in the middle of the first of them.
    """
    stands = Plant(machine).positions()
    names = list(machine.axes)
    boxes = [{names[int(index)]: (low, high) for index, low, high in box} for box in starts]
    rules = [rule for rule in machine.interlocks if isinstance(rule, KeepOut)]
    for positions in ({}, *(preset.positions for preset in machine.presets.values())):
        places = {**stands, **positions}
        judged = any(all(low <= places[axis] <= high for axis, (low, high) in box.items()) for box in boxes)
        if (judged or not boxes) and not any(rule.contains(places) for rule in rules):
            return positions or None
    return {axis: 0.5 * (low + high) for axis, (low, high) in boxes[0].items()} if boxes else None


def _judge(
    expected: Expectation, outcome: str, duration: float, steps: Sequence[StepRecord], near: ClearanceWatch | None
) -> tuple[ExpectationResult, ...]:
    """Each thing that was asked, against what was found."""
    results = []
    # Whatever really began lasted a tick; a step whose milestone never came ends where it would have started.
    begun = [
        step.name for step in steps if step.outcome is None or (step.outcome != "skipped" and step.end > step.start)
    ]
    if expected.outcome is not None:
        results.append(ExpectationResult("outcome", outcome == expected.outcome, outcome, expected.outcome))
    if expected.finishes_within is not None:
        allowed = expected.finishes_within / NANOSECONDS
        held = duration <= allowed
        results.append(ExpectationResult("finishes within", held, show(duration, TIME), show(allowed, TIME)))
    if expected.clearance is not None:
        asked = show(expected.clearance, LENGTH)
        nearest = None if near is None else near.nearest(expected.clearance)
        # An expectation that nothing measures must not pass in silence.
        held = nearest is not None and nearest.bound >= expected.clearance
        results.append(ExpectationResult("clearance", held, _nearest(nearest), asked))
    if expected.order:
        named = [name for name in dict.fromkeys(begun) if name in expected.order]
        held = named == list(expected.order)
        results.append(ExpectationResult("order", held, ", ".join(named) or "none of them", ", ".join(expected.order)))
    if expected.never:
        seen = [name for name in dict.fromkeys(begun) if name in expected.never]
        results.append(ExpectationResult("never", not seen, ", ".join(seen) or "none", ", ".join(expected.never)))
    return tuple(results)


def _nearest(measured: MeasuredClearance | None) -> str:
    if measured is None:
        return "no two bodies that count"
    return f"{show(round(measured.least, 4), LENGTH)} between {' and '.join(measured.between)} at {measured.at:.2f} s"
