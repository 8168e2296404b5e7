"""Many plants stepped at once with numpy: the same physics, one entry of every array a sample.

The plants stay the face: they give readings and take orders one by one, keep the orders on their way, the faults and
the pieces. Only what `Plant.advance` does is done here, for all of them together.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from sequencer.errors import ModelError
from sequencer.plant.batch_cargo import HELD, LEAVING, CargoBatch
from sequencer.plant.batch_drives import DriveBatch, Mask, SupplyBatch
from sequencer.plant.batch_mechanism import Array, MechanismBatch
from sequencer.plant.faults import ActuatorLoose
from sequencer.plant.plant import STEP, Plant
from sequencer.ports.orders import AxisOrder


def batchable(plant: Plant) -> bool:
    """Whether a plant can be stepped in a batch: all its axes have motors and loads, without backlash and loose
    actuators.
    """
    parts = plant.parts
    loose = any(isinstance(fault, ActuatorLoose) for fault in parts.damage.faults)
    played = any(drive.play is not None for drive in parts.driven)
    return not (plant.is_ideal_in_part or loose or played or plant.substeps != 1)


class PlantBatch:
    """Plants of machines of one structure, all at the same instant.

    Args:
        plants: the samples; their machines may differ in numbers, not in axes and mounts.

    Raises:
        ModelError: no plants, or plants that cannot be stepped together.
    """

    def __init__(self, plants: Sequence[Plant]) -> None:
        if not plants:
            raise ModelError("a batch needs at least one plant")
        if not all(batchable(plant) for plant in plants):
            raise ModelError(
                "a plant with backlash, a loose actuator, substeps or an axis without motors or load cannot be "
                "stepped in a batch; advance it alone"
            )
        shapes = {tuple((axis.name, axis.kind, axis.mount) for axis in plant.machine.axes.values()) for plant in plants}
        if len(shapes) > 1:
            raise ModelError("the plants of a batch must have the same axes on the same mounts")
        self.plants = tuple(plants)
        parts = [plant.parts for plant in plants]
        axes = list(plants[0].machine.axes.values())
        spins = [number for number, axis in enumerate(axes) if axis.kind == "spin"]
        self._now = plants[0].time_ns
        self._mechanism = MechanismBatch([one.mechanism for one in parts], [False] * len(axes), spins)
        self._drives = [DriveBatch([one.driven[place] for one in parts]) for place in range(len(parts[0].driven))]
        self._supply = SupplyBatch([one.supply for one in parts])
        self._cargo = CargoBatch([one.cargo for one in parts], len(axes))
        self._damage = [one.damage for one in parts]
        self._lines = [[one.lines[drive.axis.name] for one in parts] for drive in parts[0].driven]
        self._powered: Mask = ~self._supply.dropped_out
        self._cut: set[int] = set()
        self._counts = [damage.count for damage in self._damage]

    @property
    def positions(self) -> Array:
        """True positions [m or rad] now, shape (axes, samples)."""
        return self._mechanism.position

    @property
    def present(self) -> Mask:
        """Which samples carry their piece now."""
        carry: Mask = (self._cargo.holding == HELD) | (self._cargo.holding == LEAVING)
        return carry

    def advance(self, dt_ns: int, look: Callable[[Array, int], None] | None = None, every: int = 5) -> None:
        """Let `dt_ns` [ns] pass for all plants, in equal steps of at most `STEP`.

        Args:
            dt_ns: how long [ns].
            look: shown the true positions, shape (axes, samples), and their time [ns], every so many steps and at the
                end.
            every: how many.
        """
        if dt_ns <= 0:
            return
        periods = -(-dt_ns // STEP)
        begin, duration = self._now, dt_ns * 1e-9 / periods
        deadline = min(plant.begin() for plant in self.plants)
        change = min(damage.next for damage in self._damage)
        self._look_for_changes()
        fresh = [plant.steps == 0 for plant in self.plants]
        for drive in self._drives:
            drive.charge[fresh] = 0.0
            drive.gather_pressed()
        arrivals = self._arrivals(begin, dt_ns, periods)
        self._cut.clear()
        mechanism, supply, drives, cargo = self._mechanism, self._supply, self._drives, self._cargo
        for period in range(periods):
            now = begin + dt_ns * period // periods
            if now >= change:
                change = self._change(now)
            if now >= deadline:
                deadline = self._drop(now)
            for place, arrived in arrivals.get(period, ()):
                samples, orders, since = arrived if not self._cut else self._uncut(*arrived)
                if samples:
                    drives[place].take(samples, orders, since)
            for drive in drives:
                drive.switch(now, mechanism, supply.voltage, self._powered)
            falls = supply.settle(drives, now * 1e-9)
            before = mechanism.position[cargo.rollers].copy() if cargo.rollers >= 0 else None
            for drive in drives:
                drive.load(mechanism, cargo.resistance(mechanism) if drive.index == cargo.rollers else None, duration)
            mechanism.step(duration)
            if before is not None:
                for sample in cargo.roll(mechanism.position[cargo.rollers] - before, mechanism, duration):
                    mechanism.gather_masses(sample)
                    self._note_release(sample, begin + dt_ns * (period + 1) // periods)
            powered = ~supply.dropped_out
            if falls.any():
                self._lose_power(falls, now)
            if (powered != self._powered).any():
                self._powered = powered
                for drive in drives:
                    drive.mark()
            if look is not None and ((period + 1) % every == 0 or period + 1 == periods):
                look(mechanism.position, begin + dt_ns * (period + 1) // periods)
        self._now = begin + dt_ns
        self._scatter(dt_ns, periods)

    def _arrivals(
        self, begin: int, dt_ns: int, periods: int
    ) -> dict[int, list[tuple[int, tuple[list[int], list[AxisOrder], list[int]]]]]:
        """The orders that arrive in each period, by axis: samples, orders, times of arrival [ns]."""
        found: dict[int, dict[int, tuple[list[int], list[AxisOrder], list[int]]]] = {}
        end = begin + dt_ns
        for place, lines in enumerate(self._lines):
            for sample, line in enumerate(lines):
                while line.due < end:
                    due = line.due
                    period = 0 if due <= begin else -(-(due - begin) * periods // dt_ns)
                    if period >= periods:
                        break
                    line.take(due)
                    samples, orders, since = found.setdefault(period, {}).setdefault(place, ([], [], []))
                    if samples and samples[-1] == sample:
                        orders[-1], since[-1] = line.order, line.since
                    else:
                        samples.append(sample)
                        orders.append(line.order)
                        since.append(line.since)
        return {period: list(by_axis.items()) for period, by_axis in found.items()}

    def _look_for_changes(self) -> None:
        """Faults may have begun or ended with a reading."""
        for sample, damage in enumerate(self._damage):
            if damage.count != self._counts[sample]:
                self._counts[sample] = damage.count
                self._take(sample)
                for drive, lines in zip(self._drives, self._lines, strict=True):
                    drive.take([sample], [lines[sample].order], [lines[sample].since])
        for sample in self._cargo.look_for_changes():
            self._mechanism.gather_masses(sample)
        self._powered = ~self._supply.dropped_out

    def _change(self, now: int) -> float:
        """Let faults begin and end; when the next one does [ns]."""
        for sample, damage in enumerate(self._damage):
            if now >= damage.next:
                self._give(sample)
                starts_anew = self.plants[sample].change_damage(now)
                self._counts[sample] = damage.count
                self._take(sample)
                if starts_anew:
                    self._cut_off(sample)
        self._powered = ~self._supply.dropped_out
        return min(damage.next for damage in self._damage)

    def _drop(self, now: int) -> float:
        """Drives that had no orders for too long drop out; when the next ones would [ns]."""
        for sample, plant in enumerate(self.plants):
            if now >= plant.begin():
                plant.drop(now)
                self._cut_off(sample)
        return min(plant.begin() for plant in self.plants)

    def _lose_power(self, falls: Mask, now: int) -> None:
        for sample in np.flatnonzero(falls).tolist():
            self._give(sample)
            self.plants[sample].lose_power(now)
            self._cut_off(sample)

    def _cut_off(self, sample: int) -> None:
        """Its drives have dropped out: what was on its way is lost, and nothing drives."""
        self._cut.add(sample)
        for drive, lines in zip(self._drives, self._lines, strict=True):
            drive.take([sample], [lines[sample].order], [lines[sample].since])

    def _uncut(
        self, samples: list[int], orders: list[AxisOrder], since: list[int]
    ) -> tuple[list[int], list[AxisOrder], list[int]]:
        """The arrivals without those of samples whose drives have dropped out on the way."""
        kept = [place for place, sample in enumerate(samples) if sample not in self._cut]
        return [samples[place] for place in kept], [orders[place] for place in kept], [since[place] for place in kept]

    def _note_release(self, sample: int, now: int) -> None:
        self._mechanism.scatter(sample)
        self.plants[sample].note_release(now)

    def _give(self, sample: int) -> None:
        """Bring one plant to the state of its sample."""
        self._mechanism.scatter(sample)
        self._supply.scatter(sample)
        self._cargo.scatter(sample)

    def _take(self, sample: int) -> None:
        """Bring a sample to the state of its plant."""
        self._mechanism.gather(sample)
        self._mechanism.gather_masses(sample)
        self._supply.gather(sample)
        self._cargo.gather(sample)
        for drive in self._drives:
            drive.gather(sample)

    def _scatter(self, dt_ns: int, steps: int) -> None:
        """Bring all plants to what readings are made of."""
        self._mechanism.scatter_all()
        self._supply.scatter_all()
        charges = zip(*(drive.charge.tolist() for drive in self._drives), strict=True)
        for plant, charge in zip(self.plants, charges, strict=True):
            plant.finish(dt_ns, steps, charge)

    def give_back(self) -> None:
        """Bring all plants to the whole state of their samples, so that they can go on alone."""
        for sample in range(len(self.plants)):
            self._give(sample)
