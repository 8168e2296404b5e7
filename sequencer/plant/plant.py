"""The plant: a machine simulated from its own declaration, driven by orders, seen through readings."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import inf
from random import Random

from sequencer.errors import ModelError, did_you_mean
from sequencer.machine.machine import Machine
from sequencer.plant.battery import Supply
from sequencer.plant.cargo import Cargo
from sequencer.plant.contact import Contact, Pressed, check_contacts
from sequencer.plant.controller import IdealAxis, OrderLine
from sequencer.plant.damage import Damage
from sequencer.plant.driven import DrivenAxis
from sequencer.plant.faults import Fault, check_faults
from sequencer.plant.linkage import linkages
from sequencer.plant.mechanism import Mechanism
from sequencer.plant.sensing import NO_PIECE, SensorBank
from sequencer.plant.state import Parts, PlantState, Release, check_start
from sequencer.ports.orders import AxisOrder, Orders
from sequencer.ports.readings import AxisReading, Readings, Sensed, SensorValue

STEP = 1_000_000
"""Longest step [ns], and the period of the actuators' own loops."""


class Plant:
    """A machine simulated in steps of a millisecond, the same for the same seed, machine and orders on one platform.

    Axes whose load is not declared, or that have no actuators, are ideal: they do what they are ordered after their
    latency. Ranges of the machine count with their mean (counterbalance, other load on the battery); the latency of
    each axis is drawn from its range by `seed`. It starts at rest, holding where it is, and drops all drive when no
    orders come for the machine's `longest_gap`. Bodies do not meet here: an axis stops at the ends of its travel and
    at `contacts`, nowhere else.

    Args:
        machine: what is simulated.
        seed: of the latencies.
        start: positions [m or rad] by axis; others start at 0, or at the end of their travel that is nearest to it.
        piece: the piece that the machine holds at the start.
        faults: what goes wrong, and when.
        contacts: what stands outside and can be pressed.
        substeps: steps of the mechanism in one period of the actuators' loops.

    Attributes:
        enabled: the permission to move, as the readings give it.
        latencies: from order to motion [ns], by axis.
        steps: of the mechanism since the readings before.
        release: of the first piece that the rollers let go, or None.
        places: where bodies outside stand [m], by name; at first in the middle of their ranges. Whoever moves them
            changes it.
        path: None; or a list that gets the piece that the machine holds and the position of every axis [m or rad] at
            the end of each step.

    Raises:
        ModelError: `start`, `piece` or a fault names something that the machine does not have, a position is outside
            travel, or an axis with motors and load has nothing to move.
    """

    def __init__(
        self,
        machine: Machine,
        *,
        seed: int = 0,
        start: Mapping[str, float] | None = None,
        piece: str | None = None,
        faults: Sequence[Fault] = (),
        contacts: Sequence[Contact] = (),
        substeps: int = 1,
    ) -> None:
        self.machine = machine
        self.enabled = True
        check_start(machine, start or {}, piece)
        check_faults(machine, faults)
        check_contacts(machine, tuple(contacts))
        draw = Random(seed)
        self.latencies = {axis.name: round(draw.uniform(*axis.latency)) for axis in machine.axes.values()}
        self.substeps = substeps
        self._now = 0
        self._deadline = machine.longest_gap
        self._dropped = False
        self._lost_zero: dict[str, float] = {}
        self._damage = Damage(machine, faults, seed)
        self._supply = Supply(machine.battery)
        self.places = {body.name: 0.5 * sum(body.range) for body in machine.bodies.values() if body.range is not None}
        self.path: list[tuple[str | None, list[float]]] | None = None
        self._sensors = SensorBank(machine, self.places)
        self._trees = linkages(machine)
        axes = list(machine.axes.values())
        ideal = [axis.load is None or not axis.actuators for axis in axes]
        spins = [number for number, axis in enumerate(axes) if axis.kind == "spin" and not ideal[number]]
        self._mechanism = Mechanism(len(axes), self._trees, ideal, spins)
        self._lines: dict[str, OrderLine] = {}
        self._driven: list[DrivenAxis] = []
        self._ideal: list[tuple[int, IdealAxis]] = []
        for number, axis in enumerate(axes):
            spin = axis.travel is None
            if axis.travel is not None:
                low, high = axis.travel
                self._mechanism.position[number] = (start or {}).get(axis.name, min(max(0.0, low), high))
                self._mechanism.lowest[number], self._mechanism.highest[number] = low, high
            first = AxisOrder("effort") if spin else AxisOrder("hold", self._mechanism.position[number])
            line = self._lines[axis.name] = OrderLine(self.latencies[axis.name], first)
            if ideal[number]:
                fastest = axis.limits.velocity[1]
                self._ideal.append(
                    (number, IdealAxis(line, spin=spin, carry_on=axis.between == "carry_on", fastest=fastest))
                )
            else:
                self._driven.append(DrivenAxis(axis, number, self._mechanism, line))
        if piece is not None and self._damage.misses(piece, 0):
            piece = None
        self._cargo = Cargo(machine, self._trees, machine.pieces[piece] if piece is not None else None)
        for drive in self._driven:
            drive.tune(self._trees)
            drive.encoders = self._damage.encoders.get(drive.index)
        self._with_play = [drive for drive in self._driven if drive.play is not None]
        self._contacts = tuple(contacts)
        self._groups = [group for drive in self._driven for group in drive.controller.groups]
        self._currents = [0.0] * len(axes)
        self._names = tuple(machine.axes)
        self._spins = tuple(axis.travel is None for axis in axes)
        asked = {name.partition(".")[0] for name in self._sensors.needs}
        self._sensed = [
            (number, axis.name, axis.travel is None) for number, axis in enumerate(axes) if axis.name in asked
        ]
        self._has_battery = machine.battery is not None
        self._were_read, self.steps = True, 0
        self.release: Release | None = None

    # What it gives and takes each tick.

    def readings(self, now_ns: int, scripted: Mapping[str, SensorValue | Sensed | None] | None = None) -> Readings:
        """What the machine's gauges read now; currents are means since the last readings.

        Args:
            now_ns: the time to stamp them with [ns].
            scripted: sensors that read something else than what they are linked to; faults change them likewise.
        """
        mechanism, damage = self._mechanism, self._damage
        if self._now >= damage.next:
            self.change_damage(self._now)
        self._were_read = True
        voltage = self._supply.voltage
        axes: dict[str, AxisReading] = {}
        for name, spins, position, speed, current in zip(
            self._names, self._spins, mechanism.position, mechanism.speed, self._currents, strict=True
        ):
            axes[name] = AxisReading(None if spins else position, speed, current)
        for drive in self._with_play:
            name = drive.axis.name
            position, speed = drive.measured()
            axes[name] = axes[name]._replace(position=position, speed=speed)
        if damage.faults:
            damage.falsify_axes(axes, self._now)
        for name, zero in self._lost_zero.items():
            measured = axes[name].position
            axes[name] = axes[name]._replace(position=measured - zero if measured is not None else None, zeroed=False)
        sensors = self._sensors.read(self._truth())
        if scripted is not None:
            sensors.update(scripted)
        if damage.faults:
            damage.falsify_sensors(sensors, self._now)
        enabled = self.enabled and not self._supply.dropped_out and not damage.disabled
        return Readings(now_ns, enabled, axes, sensors, voltage if self._has_battery else None)

    def _truth(self) -> dict[str, SensorValue | None]:
        """What sensors are linked to, as far as any is."""
        mechanism, needs = self._mechanism, self._sensors.needs
        truth: dict[str, SensorValue | None] = {"battery": self._supply.voltage}
        if "piece held" in needs:
            truth["piece held"] = self._cargo.name or NO_PIECE
        for number, name, spins in self._sensed:
            truth[f"{name}.speed"] = mechanism.speed[number]
            truth[f"{name}.current"] = self._currents[number]
            if not spins:
                position = truth[name] = mechanism.position[number]
                ordered = truth[f"{name}.ordered"] = self._lines[name].order.position
                truth[f"{name}.error"] = position - ordered
        return truth

    def apply(self, orders: Orders) -> None:
        """Send orders on their way to the axes.

        Raises:
            ModelError: an order is for an axis that the machine does not have.
        """
        if self._damage.orders_lost:
            return
        now, lines = self._now, self._lines
        self._deadline = now + self.machine.longest_gap
        self._dropped = False
        for name, order in orders.axes.items():
            line = lines.get(name)
            if line is None:
                raise ModelError(f"orders for unknown axis '{name}'; {did_you_mean(name, lines)}")
            if name in self._lost_zero:
                # An actuator counts from where it was switched on, its orders like its readings.
                order = order._replace(position=order.position + self._lost_zero[name])
            line.put(order, now)

    def advance(self, dt_ns: int) -> None:
        """Let `dt_ns` [ns] pass, in equal steps of at most `STEP`."""
        if dt_ns <= 0:
            return
        periods = -(-dt_ns // STEP)
        begin, period_s = self._now, dt_ns * 1e-9 / periods
        duration = period_s / self.substeps
        mechanism, supply, cargo, driven = self._mechanism, self._supply, self._cargo, self._driven
        damage, path, with_play = self._damage, self.path, self._with_play
        position = mechanism.position
        self.begin()
        for period in range(periods):
            now = begin + dt_ns * period // periods
            if now >= damage.next:
                self.change_damage(now)
            if now >= self._deadline and not self._dropped:
                self.drop(now)
            powered = not supply.dropped_out
            for drive in driven:
                drive.switch(now, supply.voltage, powered)
            for substep in range(self.substeps):
                if substep:
                    self._renew_emf()
                supply.settle(self._groups, now * 1e-9)
                rollers = cargo.rollers
                for drive in driven:
                    drive.load(cargo.grip if drive.index == rollers else None, duration)
                before = position[rollers]
                played = [(drive, position[drive.index]) for drive in with_play] if with_play else ()
                mechanism.step(duration)
                for drive, was in played:
                    drive.settle_play(was, duration)
                if rollers >= 0 and cargo.roll(position[rollers] - before, mechanism, duration):
                    self.note_release(begin + dt_ns * (period + 1) // periods)
            if powered and supply.dropped_out:
                self.lose_power(now)
            if self._ideal:
                self._move_ideal(begin + dt_ns * (period + 1) // periods, period_s)
            if damage.encoders:
                for drive in driven:
                    drive.turn_loose(supply.voltage, period_s)
            if path is not None:
                path.append((cargo.name, position.copy()))
        self.finish(dt_ns, periods * self.substeps, [drive.charge for drive in driven])

    def offer(self, piece: str) -> None:
        """Lay a piece before the rollers that grip it; turned in far enough, they hold it.

        Raises:
            ModelError: the machine has no such piece, or it holds one.
        """
        if piece not in self.machine.pieces:
            raise ModelError(f"unknown piece '{piece}'; {did_you_mean(piece, self.machine.pieces)}")
        if self._cargo.name is not None:
            raise ModelError(f"the machine holds '{self._cargo.name}'; '{piece}' cannot be offered to it")
        if self._damage.misses(piece, self._now):
            return
        self._cargo.offer(self.machine.pieces[piece])

    def lateness(self) -> int:
        """How much longer than the machine's period it is from now to the next tick [ns]: 0 but for a fault."""
        return self._damage.lateness(self._now)

    # What a batch does in the place of `advance`.

    @property
    def parts(self) -> Parts:
        """What it is made of."""
        return Parts(self._mechanism, self._driven, self._supply, self._cargo, self._damage, self._lines)

    @property
    def time_ns(self) -> int:
        """Its own time [ns], from 0 on."""
        return self._now

    @property
    def is_ideal_in_part(self) -> bool:
        """Whether some axis has no declared motors or load."""
        return bool(self._ideal)

    def begin(self) -> float:
        """Get ready to pass time; when its drives drop out unless orders come [ns]."""
        if self._contacts:
            self.place_contacts(self._now)
        if self._were_read:
            self._were_read, self.steps = False, 0
            for drive in self._driven:
                drive.charge = 0.0
        return inf if self._dropped else self._deadline

    def finish(self, dt_ns: int, steps: int, charges: Sequence[float]) -> None:
        """`dt_ns` [ns] have passed in so many steps of the mechanism; `charges` are those of the driven axes."""
        self._now += dt_ns
        self.steps += steps
        steps = self.steps
        for drive, charge in zip(self._driven, charges, strict=True):
            drive.charge = charge
            self._currents[drive.index] = charge / steps

    def note_release(self, now: int) -> None:
        """A piece came or went at `now` [ns]; the first that goes is kept in `release`."""
        grip = self._cargo.grip
        if self.release is None and grip.holding == "gone" and grip.piece is not None:
            positions, speeds = self._mechanism.position, self._mechanism.speed
            named = [dict(zip(self._lines, values, strict=True)) for values in (positions, speeds)]
            self.release = Release(now, grip.piece.name, *named)

    def drop(self, now: int) -> None:
        """No drive on any axis until new orders arrive."""
        self._dropped = True
        for line in self._lines.values():
            line.drop(now)

    def lose_power(self, now: int) -> None:
        """The controllers start anew: no drive, and relative encoders count from where they are."""
        self.drop(now)
        for number, axis in enumerate(self.machine.axes.values()):
            if axis.position is not None and axis.position.sense == "relative":
                self._lost_zero[axis.name] = self._mechanism.position[number]

    # What it says about itself.

    @property
    def battery_voltage(self) -> float:
        """Bus voltage now [V]."""
        return self._supply.voltage

    @property
    def least_battery(self) -> float | None:
        """Least bus voltage so far [V]; None where the machine declares no battery."""
        return self._supply.least if self.machine.battery is not None else None

    @property
    def now(self) -> tuple[str | None, list[float]]:
        """What `path` would get: the piece that the machine holds, and where every axis is [m or rad]."""
        return self._cargo.name, self._mechanism.position.copy()

    def positions(self) -> dict[str, float]:
        """True positions [m or rad] of all axes but spins."""
        true = zip(self.machine.axes.values(), self._mechanism.position, strict=True)
        return {axis.name: position for axis, position in true if axis.travel is not None}

    @property
    def state(self) -> PlantState:
        """The true state at this instant."""
        mechanism, names, piece = self._mechanism, self._lines, self._cargo.grip.piece
        currents = dict.fromkeys(names, 0.0) | {drive.axis.name: drive.current for drive in self._driven}
        return PlantState(
            self._now,
            dict(zip(names, mechanism.position, strict=True)),
            dict(zip(names, mechanism.speed, strict=True)),
            currents,
            dict(zip(names, mechanism.impact, strict=True)),
            piece.name if piece is not None else None,
            self._cargo.grip.holding,
            self._supply.dropped_out,
        )

    def energy(self) -> float:
        """Energy of motion and of height [J], counterbalances included; brakes and frictions only take from it."""
        mechanism = self._mechanism
        total = 0.0
        for tree in self._trees:
            total += tree.motion_energy(mechanism.position, mechanism.speed) + tree.height_energy(mechanism.position)
        for drive in self._driven:
            number = drive.index
            total += 0.5 * mechanism.extra_inertia[number] * mechanism.speed[number] ** 2
            total -= drive.counterbalance * mechanism.position[number]
        return total

    # One step.

    def _renew_emf(self) -> None:
        for drive in self._driven:
            for group in drive.controller.groups:
                group.emf = group.emf_per_speed * self._mechanism.speed[drive.index]

    def place_contacts(self, now: int) -> None:
        for drive in self._driven:
            met = [contact for contact in self._contacts if contact.axis == drive.axis.name and contact.stands(now)]
            drive.pressed = tuple(Pressed(contact, drive.axis.kind) for contact in met)

    def _move_ideal(self, now: int, duration: float) -> None:
        mechanism = self._mechanism
        for number, ideal in self._ideal:
            before = mechanism.position[number]
            position, speed, acceleration = ideal.state(now, duration, before)
            mechanism.position[number] = min(max(position, mechanism.lowest[number]), mechanism.highest[number])
            mechanism.speed[number], mechanism.known[number] = speed, acceleration
            if number == self._cargo.rollers:
                self._cargo.turn(position - before)

    def change_damage(self, now: int) -> bool:
        """Let faults begin and end at `now` [ns]; whether the controllers start anew with that."""
        starts_anew = self._damage.change(now, self._driven, self._mechanism, self._supply, self._cargo)
        self._groups = [group for drive in self._driven for group in drive.controller.groups]
        if starts_anew:
            self.lose_power(now)
        return starts_anew
