"""Many rehearsals of one routine at once: a runner each, all their plants stepped together.

There is no second runner: every sample has its own, and only the physics between two ticks is done for all together.
Keep-outs and bodies are looked at every `LOOK` steps of the plant.
"""

from __future__ import annotations

import gc
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from math import inf
from typing import NamedTuple

import numpy as np

from sequencer.machine.condition import names_in
from sequencer.machine.interlock import KeepOut
from sequencer.machine.machine import NANOSECONDS, Machine
from sequencer.pack import CheckedRoutine
from sequencer.plant import Contact, Fault, Plant
from sequencer.plant.batch import PlantBatch, batchable
from sequencer.plant.batch_mechanism import Array
from sequencer.plant.faults import TicksLate
from sequencer.plant.sensing import holds
from sequencer.plant.state import Release
from sequencer.ports.orders import Event
from sequencer.ports.readings import Readings, Sensed, SensorValue
from sequencer.rehearse.clearance import ClearanceWatch
from sequencer.rehearse.clearance_batch import ClearanceBatch, SeenClearance
from sequencer.rehearse.gauges import Script, ScriptedGauges
from sequencer.rehearse.keep_outs import KeepOutDistance, KeepOutWatch, truth_of
from sequencer.rehearse.performance import Performance
from sequencer.rehearse.places import PlacesOutside
from sequencer.rehearse.rehearsal import play, start_positions
from sequencer.routine.steps import Button
from sequencer.run import Runner

TOGETHER = 500
"""How many samples are stepped at once: their arrays fit into the second cache of a core."""

LOOK = 5
"""So many steps of the plant are between two looks at keep-outs and bodies."""


@dataclass(frozen=True, slots=True)
class Sample:
    """One rehearsal to be done: what may differ from sample to sample.

    Attributes:
        machine: with its own numbers; axes, mounts and sensors are those that the routine was checked for.
        seed: of the plant.
        start: a preset, or positions [m or rad] by axis; None: where the routine starts from.
        piece: that the machine holds at the start.
        parameters: of the routine.
        gauges: scripts of sensors.
        offered: pieces laid before the rollers, each with its time [ns].
        faults, contacts: of the plant.
        pressed: buttons, each with its time [s].
    """

    machine: Machine
    seed: int = 0
    start: str | Mapping[str, float] | None = None
    piece: str | None = None
    parameters: Mapping[str, float | str] = field(default_factory=dict)
    gauges: Mapping[str, Script] = field(default_factory=dict)
    offered: Mapping[str, int] = field(default_factory=dict)
    faults: tuple[Fault, ...] = ()
    contacts: tuple[Contact, ...] = ()
    pressed: tuple[tuple[float, Button], ...] = ()


class Result(NamedTuple):
    """What came of a sample: as in a `Rehearsal`, without its trace; `release` is of the first piece let go, `begun`
    are the steps that really began, in order."""

    outcome: str
    cause: str | None
    duration: float
    least_battery: float | None
    late_ticks: int
    release: Release | None
    positions: Mapping[str, float]
    keep_outs: tuple[KeepOutDistance, ...]
    begun: tuple[str, ...]
    clearance: SeenClearance | None


def rehearse_many(
    checked: CheckedRoutine,
    samples: Iterable[Sample],
    *,
    others: Iterable[CheckedRoutine] = (),
    limit: float = 60.0,
    margin: float | None = None,
) -> Iterator[Result]:
    """Rehearse all samples, some hundred at a time; the results come in the order of the samples.

    A result depends on its sample alone, not on those beside it.

    Args:
        checked: the routine.
        samples: what differs; bodies and clearances of their machines do not.
        others: further routines that the runners host.
        limit: longest time for a run [s].
        margin: a distance that is asked for between all bodies [m] besides their margins; None: they are not looked at.

    Raises:
        ModelError: a sample names something that its machine does not have.
        RequestRefused: an unknown parameter or a value outside its range.
    """
    hosted = [checked, *others]
    waiting: list[Sample] = []
    for sample in samples:
        waiting.append(sample)
        if len(waiting) == TOGETHER:
            yield from _together(_Play(checked, hosted, limit, margin), waiting)
            waiting = []
    if waiting:
        yield from _together(_Play(checked, hosted, limit, margin), waiting)


class _Play(NamedTuple):
    """What all samples share."""

    checked: CheckedRoutine
    hosted: Sequence[CheckedRoutine]
    limit: float
    margin: float | None


def _together(play_of: _Play, samples: Sequence[Sample]) -> list[Result]:
    with _no_collections():
        performances: list[Performance] = []
        for sample in samples:
            performances.append(_performance(play_of, sample, performances[-1] if performances else None))
        found: dict[int, Result] = {}
        group: list[int] = []
        for number, performance in enumerate(performances):
            late = any(isinstance(fault, TicksLate) for fault in samples[number].faults)
            if late or not batchable(performance.plant):
                found[number] = _alone(play_of, samples[number], performance)
            else:
                group.append(number)
        if group:
            results = _in_lockstep(
                play_of, [performances[number] for number in group], [samples[number] for number in group]
            )
            found.update({number: results[place] for place, number in enumerate(group)})
        return [found[number] for number in range(len(samples))]


@contextmanager
def _no_collections() -> Iterator[None]:
    """Hundreds of runners are there until all are over; looking through them for what nobody holds finds nothing."""
    was = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was:
            gc.enable()


def _performance(play_of: _Play, sample: Sample, before: Performance | None) -> Performance:
    """One sample ready to begin; what never changes it shares with the one before."""
    machine, checked = sample.machine, play_of.checked
    runner = Runner(play_of.hosted, like=None if before is None else before.runner)
    runner.request(checked.name, sample.parameters)
    start = sample.start if sample.start is not None else checked.routine["from"]
    plant = Plant(
        machine,
        seed=sample.seed,
        start=start_positions(machine, start, checked),
        piece=sample.piece,
        faults=sample.faults,
        contacts=sample.contacts,
    )
    if before is not None and before.script.scripts == sample.gauges:
        script = before.script
    else:
        script = ScriptedGauges(machine, sample.gauges)
    return Performance(runner, plant, script, sample.offered, sample.pressed, checked.name, play_of.limit)


def _alone(play_of: _Play, sample: Sample, performance: Performance) -> Result:
    watch, steps = KeepOutWatch(sample.machine), _Begun(performance.name)
    near: ClearanceWatch | None = None
    if play_of.margin is not None and sample.machine.bodies:
        outside = PlacesOutside(sample.machine, play_of.checked, sample.gauges)
        near = ClearanceWatch(performance.plant, play_of.hosted, outside, performance.script.values(0))
    play(performance, watch, near, lambda one: steps.consider(one.events))
    found = None if near is None else near.result()
    seen = None if found is None else SeenClearance(found.least, found.margin, found.between, found.at)
    return _result(performance, watch.result(), steps.names, seen)


class _Begun:
    """The steps of a run that really began: that lasted a tick, or have not ended."""

    def __init__(self, run: str) -> None:
        self._run = run
        self._started: dict[str, int] = {}
        self._idle: set[str] = set()

    def consider(self, events: Iterable[Event]) -> None:
        """Follow what happened in a tick."""
        for event in events:
            if event.run != self._run:
                continue
            if event.kind == "start":
                if event.step in self._idle:
                    self._idle.discard(event.step)
                    del self._started[event.step]
                self._started.setdefault(event.step, event.now_ns)
            elif event.kind == "end" and self._started.get(event.step) == event.now_ns:
                self._idle.add(event.step)

    @property
    def names(self) -> tuple[str, ...]:
        """In the order in which they began."""
        return tuple(name for name in self._started if name not in self._idle)


def _in_lockstep(play_of: _Play, performances: list[Performance], samples: Sequence[Sample]) -> dict[int, Result]:
    """Tick all, let time pass for all, until the last is over; each has its result when it is over."""
    found: dict[int, Result] = {}
    batch = PlantBatch([performance.plant for performance in performances])
    watch = KeepOutBatch([performance.plant.machine for performance in performances])
    near = _clearance_batch(play_of, performances, samples)
    steps = [_Begun(performance.name) for performance in performances]
    tells = (
        near is not None
        and near.moves
        and any(
            sensor.plant is not None and sensor.plant.gap is not None for sensor in samples[0].machine.sensors.values()
        )
    )

    def look(positions: Array, now: int) -> None:
        if watch:
            watch.see(positions, now)
        if near is not None:
            if near.moves:
                near.stand(now)
            near.see(positions, batch.present, now)

    begun = False
    looks = bool(watch) or near is not None
    running = list(enumerate(performances))
    period = performances[0].plant.machine.period
    while running:
        for number, performance in running:
            performance.tick()
            if watch.asks:
                watch.consider(number, performance.readings)
            if performance.events:
                steps[number].consider(performance.events)
                if near is not None:
                    near.consider(number, performance.events)
            if near is not None and samples[number].offered:
                near.offer(number)
        if not begun:
            if near is not None:
                near.stand(0)
            look(batch.positions, 0)
            begun = True
        batch.advance(period, look if looks else None, LOOK)
        if tells and near is not None:
            near.tell()
        if any(performance.over for _, performance in running):
            for number, performance in running:
                if performance.over:
                    seen = None if near is None else near.result(number)
                    found[number] = _result(performance, watch.result(number), steps[number].names, seen)
                    watch.rest(number)
                    if near is not None:
                        near.rest(number)
            running = [(number, performance) for number, performance in running if not performance.over]
            if running and len(running) < 0.7 * len(batch.plants):
                batch.give_back()
                left = [number for number, _ in running]
                watch.keep(left)
                if near is not None:
                    near.keep(left)
                batch = PlantBatch([performance.plant for _, performance in running])
    return found


def _clearance_batch(
    play_of: _Play, performances: Sequence[Performance], samples: Sequence[Sample]
) -> ClearanceBatch | None:
    machine = samples[0].machine
    if play_of.margin is None or not machine.bodies:
        return None
    scripts: list[Mapping[str, Script]] = []
    scenes: list[tuple[ScriptedGauges, PlacesOutside]] = []
    scene_of = []
    for performance, sample in zip(performances, samples, strict=True):
        if not scripts or scripts[-1] != sample.gauges:
            scripts.append(sample.gauges)
            scenes.append((performance.script, PlacesOutside(machine, play_of.checked, sample.gauges)))
        scene_of.append(len(scripts) - 1)
    plants = [performance.plant for performance in performances]
    near = ClearanceBatch(machine, play_of.hosted, plants, scenes, scene_of, play_of.margin)
    return near if near else None


def _result(
    performance: Performance,
    keep_outs: tuple[KeepOutDistance, ...],
    begun: tuple[str, ...],
    clearance: SeenClearance | None,
) -> Result:
    plant = performance.plant
    return Result(
        performance.outcome,
        performance.cause,
        performance.duration,
        plant.least_battery,
        performance.runner.status().late_ticks,
        plant.release,
        plant.positions(),
        keep_outs,
        begun,
        clearance,
    )


class KeepOutBatch:
    """`KeepOutWatch` of many samples at once.

    Attributes:
        asks: whether some keep-out holds under a condition only.
    """

    def __init__(self, machines: Sequence[Machine]) -> None:
        first = machines[0]
        numbers = {name: number for number, name in enumerate(first.axes)}
        self._rules = [rule for rule in first.interlocks if isinstance(rule, KeepOut)]
        self._names = list(first.axes)
        spans = [0.0 if axis.travel is None else axis.travel[1] - axis.travel[0] for axis in first.axes.values()]
        self._boxes = [
            [(numbers[axis], low, high, spans[numbers[axis]]) for axis, (low, high) in rule.box] for rule in self._rules
        ]
        shape = len(self._rules), len(machines)
        self._share, self._outside = np.full(shape, inf), np.zeros(shape)
        self._where, self._when = np.zeros(shape, dtype=int), np.zeros(shape, dtype=np.int64)
        self._in_force = np.ones(shape, dtype=bool)
        self._columns = np.arange(len(machines))
        self.asks = [(place, rule) for place, rule in enumerate(self._rules) if rule.when is not None]
        self._plain = all(set(names_in(rule.when.term)) <= set(first.sensors) for _, rule in self.asks if rule.when)

    def __bool__(self) -> bool:
        return bool(self._rules)

    def consider(self, sample: int, readings: Readings) -> None:
        """Settle from readings which keep-outs are in force for one sample."""
        truth = _bare(readings) if self._plain else truth_of(readings)
        for place, rule in self.asks:
            if rule.when is not None:
                self._in_force[place, sample] = holds(rule.when.term, truth) is not False

    def rest(self, sample: int) -> None:
        """One sample is over; what its plant does from now on does not count."""
        self._in_force[:, sample] = False

    def keep(self, samples: list[int]) -> None:
        """From now on only these samples are shown, in this order."""
        self._columns = np.array(samples)

    def see(self, positions: Array, now: int) -> None:
        """The machines are at these positions, shape (axes, samples), at `now` [ns]."""
        columns = self._columns
        for place, box in enumerate(self._boxes):
            best, outside, where = (
                np.full(len(columns), -inf),
                np.zeros(len(columns)),
                np.zeros(len(columns), dtype=int),
            )
            for axis, low, high, span in box:
                beyond = np.maximum(low - positions[axis], positions[axis] - high)
                share = beyond / span
                better = share > best
                best, outside = np.where(better, share, best), np.where(better, beyond, outside)
                where = np.where(better, axis, where)
            nearer = (best < self._share[place, columns]) & self._in_force[place, columns]
            if nearer.any():
                hit = columns[nearer]
                self._share[place, hit], self._outside[place, hit] = best[nearer], outside[nearer]
                self._where[place, hit], self._when[place, hit] = where[nearer], now

    def result(self, sample: int) -> tuple[KeepOutDistance, ...]:
        """One entry for each keep-out, in file order."""
        found = []
        for place, rule in enumerate(self._rules):
            if self._share[place, sample] == inf:
                found.append(KeepOutDistance(rule.name, None, rule.box[0][0], 0.0))
                continue
            axis = self._names[int(self._where[place, sample])]
            at = int(self._when[place, sample]) / NANOSECONDS
            found.append(KeepOutDistance(rule.name, float(self._outside[place, sample]), axis, at))
        return tuple(found)


def _bare(readings: Readings) -> dict[str, SensorValue | None]:
    """The sensors' values without their ages."""
    return {name: sensed.value if isinstance(sensed, Sensed) else sensed for name, sensed in readings.sensors.items()}
