"""Many rehearsals of one routine at once: a runner each, all their plants stepped together.

There is no second runner: every sample has its own, and only the physics between two ticks is done for all together.
Distances between bodies are not measured here.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
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
from sequencer.ports.readings import Readings, Sensed, SensorValue
from sequencer.rehearse.gauges import Script, ScriptedGauges
from sequencer.rehearse.keep_outs import KeepOutDistance, KeepOutWatch, truth_of
from sequencer.rehearse.performance import Performance
from sequencer.rehearse.rehearsal import play, start_positions
from sequencer.routine.steps import Button
from sequencer.run import Runner

TOGETHER = 500
"""How many samples are stepped at once: their arrays fit into the second cache of a core."""


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
    """What came of a sample: as in a `Rehearsal`, without its trace; `release` is of the first piece let go."""

    outcome: str
    cause: str | None
    duration: float
    least_battery: float | None
    late_ticks: int
    release: Release | None
    positions: Mapping[str, float]
    keep_outs: tuple[KeepOutDistance, ...]


def rehearse_many(
    checked: CheckedRoutine,
    samples: Iterable[Sample],
    *,
    others: Iterable[CheckedRoutine] = (),
    limit: float = 60.0,
) -> Iterator[Result]:
    """Rehearse all samples, some hundred at a time; the results come in the order of the samples.

    A result depends on its sample alone, not on those beside it, but for the last digits of its numbers.

    Args:
        checked: the routine.
        samples: what differs.
        others: further routines that the runners host.
        limit: longest time for a run [s].

    Raises:
        ModelError: a sample names something that its machine does not have.
        RequestRefused: an unknown parameter or a value outside its range.
    """
    hosted = [checked, *others]
    waiting: list[Sample] = []
    for sample in samples:
        waiting.append(sample)
        if len(waiting) == TOGETHER:
            yield from _together(checked, hosted, waiting, limit)
            waiting = []
    if waiting:
        yield from _together(checked, hosted, waiting, limit)


def _together(
    checked: CheckedRoutine, hosted: Sequence[CheckedRoutine], samples: Sequence[Sample], limit: float
) -> list[Result]:
    performances = [_performance(checked, hosted, sample, limit) for sample in samples]
    found: dict[int, Result] = {}
    group: list[int] = []
    for number, performance in enumerate(performances):
        late = any(isinstance(fault, TicksLate) for fault in samples[number].faults)
        if late or not batchable(performance.plant):
            watch = KeepOutWatch(samples[number].machine)
            play(performance, watch)
            found[number] = _result(performance, watch.result())
        else:
            group.append(number)
    if group:
        results = _in_lockstep([performances[number] for number in group])
        found.update({number: results[place] for place, number in enumerate(group)})
    return [found[number] for number in range(len(samples))]


def _performance(
    checked: CheckedRoutine, hosted: Sequence[CheckedRoutine], sample: Sample, limit: float
) -> Performance:
    machine = sample.machine
    runner = Runner(hosted)
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
    script = ScriptedGauges(machine, sample.gauges)
    return Performance(runner, plant, script, sample.offered, sample.pressed, checked.name, limit)


def _in_lockstep(performances: list[Performance]) -> dict[int, Result]:
    """Tick all, let time pass for all, until the last is over; each has its result when it is over."""
    found: dict[int, Result] = {}
    batch = PlantBatch([performance.plant for performance in performances])
    watch = KeepOutBatch([performance.plant.machine for performance in performances])
    begun = not watch
    running = list(enumerate(performances))
    period = performances[0].plant.machine.period
    while running:
        for number, performance in running:
            performance.tick()
            if watch.asks:
                watch.consider(number, performance.readings)
        if not begun:
            watch.see(batch.positions, 0)
            begun = True
        batch.advance(period, watch.see if watch else None)
        if any(performance.over for _, performance in running):
            for number, performance in running:
                if performance.over:
                    found[number] = _result(performance, watch.result(number))
                    watch.rest(number)
            running = [(number, performance) for number, performance in running if not performance.over]
            if running and len(running) < 0.7 * len(batch.plants):
                batch.give_back()
                watch.keep([number for number, _ in running])
                batch = PlantBatch([performance.plant for _, performance in running])
    return found


def _result(performance: Performance, keep_outs: tuple[KeepOutDistance, ...]) -> Result:
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
