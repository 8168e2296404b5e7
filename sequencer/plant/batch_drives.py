"""The axes' own loops, their motors and the battery for many samples at once, on arrays with one entry a sample.

The sums are those of `Controller`, `DrivenAxis` and `Supply`.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sequencer.plant.batch_mechanism import MechanismBatch
from sequencer.plant.battery import BROWN_OUT_PAUSE, BROWN_OUT_RECOVERY, Supply
from sequencer.plant.contact import Pressed
from sequencer.plant.driven import DrivenAxis
from sequencer.plant.friction import FADING_SPEED
from sequencer.plant.motor import MotorGroup
from sequencer.ports.orders import AxisOrder

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

_PARAMETERS = (
    "per_ohm",
    "resistance",
    "conductance",
    "count",
    "force_per_ampere",
    "emf_per_speed",
    "drag",
    "friction",
    "loss",
    "winding_limit",
    "supply_limit",
    "has_power",
)
OFF, TRACK, HOLD, EFFORT, BRAKE = range(5)
_CODES = {"off": OFF, "track": TRACK, "hold": HOLD, "effort": EFFORT, "brake": BRAKE}


class GroupBatch:
    """One group of like motors of each sample; a sample that has fewer groups has one here that does nothing."""

    def __init__(self, samples: int) -> None:
        self.per_ohm, self.resistance, self.conductance, self.count = (np.zeros(samples) for _ in range(4))
        self.force_per_ampere, self.emf_per_speed, self.drag = (np.zeros(samples) for _ in range(3))
        self.friction, self.loss, self.has_power = (np.zeros(samples) for _ in range(3))
        self.winding_limit, self.supply_limit = np.full(samples, np.inf), np.full(samples, np.inf)
        self.emf, self.current = np.zeros(samples), np.zeros(samples)
        self.driven, self.shorted = np.zeros(samples), np.zeros(samples)
        self.limited: Mask = np.zeros(samples, dtype=bool)
        self.any_shorted = self.any_supply_limit = False
        self.on = np.zeros(samples)

    def gather(self, sample: int, group: MotorGroup | None) -> None:
        """Take the parameters of one sample's group."""
        for name in _PARAMETERS:
            idle = np.inf if name.endswith("limit") else 1.0 if name == "resistance" else 0.0
            getattr(self, name)[sample] = idle if group is None else float(getattr(group, name))
        self.any_supply_limit = bool(np.isfinite(self.supply_limit).any())

    def settle_switches(self, driven: Mask, shorted: Mask) -> None:
        """Which samples drive these motors, and which brake with them."""
        self.driven = driven * self.has_power
        self.shorted = shorted * self.has_power
        self.on = self.driven + self.shorted
        self.any_shorted = bool(self.shorted.any())

    def set_current(self, duty: Array, bus: Array) -> None:
        """The current at a bus voltage [V], within both limits."""
        current = (duty * bus - self.emf) * self.per_ohm
        clipped = np.minimum(np.maximum(current, -self.winding_limit), self.winding_limit)
        self.limited = (clipped != current) & (self.driven > 0.0)
        current = clipped
        if self.any_supply_limit:
            current = self._within_supply(current, bus)
        current = current * self.driven
        if self.any_shorted:
            current = current - self.shorted * self.emf * self.per_ohm
        self.current = current

    def _within_supply(self, current: Array, bus: Array) -> Array:
        limit = self.supply_limit
        exceeds = self.drawn(current, bus) > limit
        along = np.where(current > 0.0, self.emf, -self.emf)
        given = np.where(np.isfinite(limit), limit, 0.0)
        size = (np.sqrt(along * along + 4.0 * self.resistance * given * bus) - along) / (2.0 * self.resistance)
        self.limited = self.limited | (exceeds & (self.driven > 0.0))
        return np.where(exceeds, np.where(current > 0.0, size, -size), current)

    def drawn(self, current: Array, bus: Array) -> Array:
        """What one motor draws from the bus [A]."""
        return (current * self.resistance + self.emf) * current / bus


class PressedBatch:
    """One outside body of each sample, or none."""

    def __init__(self, bodies: Sequence[tuple[Pressed, ...]]) -> None:
        self.at = np.array([body[0].at if body else 0.0 for body in bodies])
        self.toward = np.array([body[0].toward if body else 1.0 for body in bodies])
        self.stiffness = np.array([body[0].stiffness if body else 0.0 for body in bodies])
        self.damping = np.array([body[0].damping if body else 0.0 for body in bodies])

    def push(self, position: Array, speed: Array, duration: float) -> tuple[Array, Array]:
        """Force on the axis and how fast it falls with speed [SI]; both 0 where it is not touched."""
        closing = self.toward * speed
        depth = self.toward * (position - self.at)
        slope = self.damping + duration * self.stiffness
        force = self.stiffness * depth + slope * closing
        touched = (depth + duration * closing > 0.0) & (force > 0.0)
        return np.where(touched, -self.toward * force, 0.0), np.where(touched, 2.0 * slope, 0.0)


class DriveBatch:
    """One axis with motors of all samples: orders at hand, the loop, force and friction.

    Args:
        drives: the axis in each sample.
    """

    def __init__(self, drives: Sequence[DrivenAxis]) -> None:
        samples, first = len(drives), drives[0]
        self.drives = list(drives)
        self.index = first.index
        self.spin = first.controller.spin
        self.carry_on = first.controller.carry_on
        self.mode = np.full(samples, OFF, dtype=np.int8)
        self.goal, self.rate, self.gain, self.volts, self.current = (np.zeros(samples) for _ in range(5))
        self.by_position, self.by_speed, self.speed_volts = (np.zeros(samples) for _ in range(3))
        self.since = np.zeros(samples, dtype=np.int64)
        self.counterbalance, self.jam, self.sliding, self.excess = (np.zeros(samples) for _ in range(4))
        self.scale, self.shift = np.ones(samples), np.zeros(samples)
        self.charge, self.duty = np.zeros(samples), np.zeros(samples)
        self.pressed: list[PressedBatch] = []
        self.fading = FADING_SPEED[first.axis.kind]
        self.groups: list[GroupBatch] = []
        self.any_excess = self.any_pushing = False
        self.pushing: Mask = np.zeros(samples, dtype=bool)
        self._position_answer, self._speed_answer = np.zeros(samples), np.zeros(samples)
        self._stale = True
        for sample, drive in enumerate(drives):
            self.gather(sample)
            line = drive.controller.line
            self.take([sample], [line.order], [line.since])

    def gather(self, sample: int) -> None:
        """Take everything of one sample anew, but for its orders."""
        drive = self.drives[sample]
        groups = drive.controller.groups
        while len(self.groups) < len(groups):
            self.groups.append(GroupBatch(len(self.drives)))
        for place, batch in enumerate(self.groups):
            batch.gather(sample, groups[place] if place < len(groups) else None)
        self.counterbalance[sample] = drive.counterbalance
        self.jam[sample] = drive.jam
        self.sliding[sample], self.excess[sample] = drive.friction.sliding, drive.friction.excess
        self.speed_volts[sample] = drive.controller.speed_volts
        self.by_position[sample], self.by_speed[sample] = drive.controller.answer
        self.any_excess = bool(self.excess.any())
        seen = drive.encoders
        self.scale[sample], self.shift[sample] = (1.0, 0.0) if seen is None else (seen.scale, seen.shift)
        self._stale = True

    def take(self, samples: list[int], orders: list[AxisOrder], since: list[int]) -> None:
        """Make these the orders at hand of some samples."""
        modes = np.array([_CODES[order[0]] for order in orders], dtype=np.int8)
        numbers = np.array([number for order in orders for number in order[1:]]).reshape(-1, 5)
        if (modes != TRACK).any():
            numbers[modes != TRACK, 2] = 0.0
            numbers[modes == HOLD, 1] = 0.0
        place: Any = slice(None) if len(samples) == len(self.drives) else samples
        self.goal[place] = numbers[:, 0]
        self.rate[place] = numbers[:, 1]
        self.gain[place] = numbers[:, 2]
        self.volts[place] = numbers[:, 3]
        self.current[place] = numbers[:, 4]
        self.since[place] = since
        if (self.mode[place] != modes).any():
            self.mode[place] = modes
            self._stale = True

    def switch(self, now: int, mechanism: MechanismBatch, bus: Array, powered: Mask) -> None:
        """Set back-EMF and duty at `now` [ns]."""
        turning = mechanism.speed[self.index]
        position, speed = self.scale * mechanism.position[self.index] + self.shift, self.scale * turning
        if self._stale:
            self._sort(powered)
        for group in self.groups:
            group.emf = group.emf_per_speed * turning
        goal, rate = self.goal, self.rate
        if self.carry_on and not self.spin:
            elapsed = (now - self.since) * 1e-9
            goal = goal + elapsed * (rate + 0.5 * elapsed * self.gain)
            rate = rate + elapsed * self.gain
        elif self.carry_on:
            rate = rate + (now - self.since) * 1e-9 * self.gain
        volts = self.volts + self._speed_answer * (rate - speed)
        if not self.spin:
            volts = volts + self._position_answer * (goal - position)
            if self.any_pushing:
                volts = np.where(self.pushing, self._effort(position, speed), volts)
        self.duty = np.minimum(np.maximum(volts / bus, -1.0), 1.0)

    def mark(self) -> None:
        """Power came or went."""
        self._stale = True

    def _sort(self, powered: Mask) -> None:
        """Which samples drive, push or brake; it changes with orders and power only."""
        self._stale = False
        driven = powered & (self.mode != OFF) & (self.mode != BRAKE)
        shorted = powered & (self.mode == BRAKE)
        self.pushing = (self.mode == EFFORT) & powered
        loops = (self.mode == TRACK) | (self.mode == HOLD)
        self._speed_answer = np.where(loops, self.by_speed, 0.0)
        self._position_answer = np.where(loops, self.by_position, 0.0)
        self.any_pushing = bool(self.pushing.any())
        for group in self.groups:
            group.settle_switches(driven, shorted)

    def _effort(self, position: Array, speed: Array) -> Array:
        """Volts that push with the ordered current, no faster and no farther than ordered."""
        conductance = sum(group.conductance * group.has_power for group in self.groups)
        induced = sum(group.conductance * group.has_power * group.emf for group in self.groups)
        volts = (self.current + induced) / np.where(conductance == 0.0, 1.0, conductance)
        sense = np.where(self.current >= 0.0, 1.0, -1.0)
        bound = self.volts + self.by_position * (self.goal - position) - self.by_speed * speed
        volts = np.where(sense > 0.0, np.minimum(volts, bound), np.maximum(volts, bound))
        fastest = sense * np.abs(self.rate)
        bound = self.volts + self.speed_volts * fastest + self.by_speed * (fastest - speed)
        bounded = np.where(sense > 0.0, np.minimum(volts, bound), np.maximum(volts, bound))
        volts = np.where(self.rate != 0.0, bounded, volts)
        return np.where(conductance == 0.0, 0.0, volts)

    def load(self, mechanism: MechanismBatch, grip: Array | None, duration: float) -> None:
        """Hand the motors' force and the friction to the mechanism; `grip` [N m] is that of pieces in these rollers."""
        index = self.index
        force = self.counterbalance
        damping: Array | float = 0.0
        resist = self.sliding + self.jam
        if self.any_excess:
            ratio = mechanism.speed[index] / self.fading
            resist = resist + self.excess * np.exp(-np.minimum(ratio * ratio, 700.0)) * (np.abs(ratio) < 9.0)
        for group in self.groups:
            self.charge += group.count * group.current
            push = group.force_per_ampere * group.current
            force = force + push
            resist = resist + (group.friction + group.loss * np.abs(push))
            damping = damping + group.drag * (group.on * ~group.limited)
        for body in self.pressed:
            pushed, slope = body.push(mechanism.position[index], mechanism.speed[index], duration)
            force, damping = force + pushed, damping + slope
        mechanism.force[index] = force
        mechanism.damping[index] = damping
        mechanism.resist_backward[index] = resist
        mechanism.resist_forward[index] = resist if grip is None else resist + grip

    def gather_pressed(self) -> None:
        """Take what the samples may lean on anew."""
        most = max([len(drive.pressed) for drive in self.drives])
        self.pressed = [
            PressedBatch([drive.pressed[place : place + 1] for drive in self.drives]) for place in range(most)
        ]


class SupplyBatch:
    """The batteries of all samples.

    Args:
        supplies: of the samples.
    """

    def __init__(self, supplies: Sequence[Supply]) -> None:
        samples = len(supplies)
        self._supplies = list(supplies)
        self.unloaded, self.resistance, self.brown_out = (np.zeros(samples) for _ in range(3))
        self.voltage, self.least, self.until = (np.zeros(samples) for _ in range(3))
        self.dropped_out: Mask = np.zeros(samples, dtype=bool)
        for sample in range(samples):
            self.gather(sample)

    def gather(self, sample: int) -> None:
        """Take one sample anew."""
        one = self._supplies[sample]
        for name in ("unloaded", "resistance", "brown_out", "voltage", "least", "until", "dropped_out"):
            getattr(self, name)[sample] = getattr(one, name)

    def scatter(self, sample: int) -> None:
        """Give one battery its state."""
        one = self._supplies[sample]
        for name in ("voltage", "least", "until"):
            setattr(one, name, float(getattr(self, name)[sample]))
        one.dropped_out = bool(self.dropped_out[sample])

    def scatter_all(self) -> None:
        """Give all batteries their state."""
        state = zip(
            self.voltage.tolist(), self.least.tolist(), self.until.tolist(), self.dropped_out.tolist(), strict=True
        )
        for one, (voltage, least, until, dropped_out) in zip(self._supplies, state, strict=True):
            one.voltage, one.least, one.until, one.dropped_out = voltage, least, until, dropped_out

    def settle(self, drives: Sequence[DriveBatch], time: float) -> Mask:
        """Find bus voltage and currents; which samples brown out with this step."""
        induced: Array | float = 0.0
        load: Array | float = 0.0
        for drive in drives:
            for group in drive.groups:
                pull = drive.duty * group.conductance * group.driven
                induced = induced + pull * group.emf
                load = load + pull * drive.duty
        bus = (self.unloaded + self.resistance * induced) / (1.0 + self.resistance * load)
        limited = np.zeros(len(bus), dtype=bool)
        for drive in drives:
            for group in drive.groups:
                group.set_current(drive.duty, bus)
                limited |= group.limited
        limited &= self.resistance > 0.0
        if limited.any():
            bus = self._with_limited(drives, bus, limited)
        self.voltage = bus
        np.minimum(self.least, bus, out=self.least)
        low = bus < self.brown_out
        if not (low.any() or self.dropped_out.any()):
            return low
        recovers = self.dropped_out & (time >= self.until) & (bus > self.brown_out + BROWN_OUT_RECOVERY)
        falls = low & ~self.dropped_out
        self.until = np.where(falls, time + BROWN_OUT_PAUSE, self.until)
        self.dropped_out = (self.dropped_out & ~recovers) | falls
        return falls

    def _with_limited(self, drives: Sequence[DriveBatch], bus: Array, limited: Mask) -> Array:
        """The bus voltage where limited motors take a power: the greater root of a V^2 - b V + R_b P = 0."""
        induced: Array | float = 0.0
        load: Array | float = 0.0
        power: Array | float = 0.0
        for drive in drives:
            for group in drive.groups:
                at_limit = group.limited & (group.driven > 0.0)
                taken = group.count * group.drawn(group.current, bus) * bus
                pull = drive.duty * group.conductance * group.driven * ~group.limited
                power = power + np.where(at_limit, taken, 0.0)
                induced = induced + pull * group.emf
                load = load + pull * drive.duty
        linear, square = self.unloaded + self.resistance * induced, 1.0 + self.resistance * load
        root = np.maximum(linear * linear - 4.0 * square * self.resistance * power, 0.0)
        bus = np.where(limited, (linear + np.sqrt(root)) / (2.0 * square), bus)
        for drive in drives:
            for group in drive.groups:
                before, were = group.current, group.limited
                group.set_current(drive.duty, bus)
                again = limited & ~were
                group.current = np.where(again, group.current, before)
                group.limited = np.where(again, group.limited, were)
        return bus
