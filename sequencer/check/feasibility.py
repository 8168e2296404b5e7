"""What a plan takes out of every actuator and of the battery, and what is left: peaks over all that is declared.

Pieces, counterbalances and other loads are taken at whichever end of what is declared asks for most. It is the punctual
plan that is looked at; what a controller adds to correct errors comes on top, which is what margins are for.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from math import inf
from typing import Any, NamedTuple

from sequencer.check.demand import STANDS, Demand, PlanDemands, demands_of, judged_axes
from sequencer.check.drive import AxisDrive, Drawn, bus_voltage
from sequencer.check.surges import Surge, surges_of
from sequencer.machine.axis import Axis
from sequencer.machine.machine import Machine
from sequencer.plan.planned import Plan


class ActuatorPeak(NamedTuple):
    """The peaks of one actuator in one step; each may come at another instant.

    Attributes:
        step: by path; "" while no step moves the axis.
        axis, actuator: which.
        volts: at the motor [V].
        amps: in its winding [A].
        watts: that it takes from the battery [W].
        duty: share of the battery's voltage under load [1].
        margin: share of the force that the motors of the axis could make then that is left [1], the least; negative:
            they cannot; None: not a matter of force (a pulse, a press).
        at: when the margin is least, or the step begins [s of the plan].
    """

    step: str
    axis: str
    actuator: str
    volts: float
    amps: float
    watts: float
    duty: float
    margin: float | None
    at: float


class Shortfall(NamedTuple):
    """A step that the motors of an axis cannot make as planned.

    Attributes:
        step, axis: which.
        at: when they lack most [s of the plan].
        needed, available: force less what gears take [N or N m].
        volts: of the battery then [V].
        with_words: what it carries then, in words; "" for what it always carries.
        always: whether they cannot even with the least of all loads.
    """

    step: str
    axis: str
    at: float
    needed: float
    available: float
    volts: float
    with_words: str
    always: bool


class Sag(NamedTuple):
    """The lowest battery voltage [V] in a step over the declared loads, when [s of the plan], and with the least of
    them."""

    step: str
    volts: float
    at: float
    with_least: float


@dataclass(frozen=True, slots=True)
class Feasibility:
    """What a plan takes out of actuators and battery.

    Attributes:
        peaks: by step and actuator, in the order of the plan.
        sags: by step.
        shortfalls: what motors cannot make.
        not_judged: axes whose actuators or load are not declared.
        draws: what all axes but one take from the battery at most at each instant [W], by axis; for `one_dead`.
    """

    peaks: tuple[ActuatorPeak, ...]
    sags: tuple[Sag, ...]
    shortfalls: tuple[Shortfall, ...]
    not_judged: tuple[str, ...]
    draws: Mapping[str, tuple[float, ...]] = field(repr=False, default_factory=dict)
    demands: PlanDemands | None = field(repr=False, default=None)

    def as_json(self) -> dict[str, Any]:
        """Plain data, SI units."""
        return {
            "actuators": [peak._asdict() for peak in self.peaks],
            "battery": [sag._asdict() for sag in self.sags],
            "shortfalls": [one._asdict() for one in self.shortfalls],
            "not_judged": list(self.not_judged),
        }


def feasibility_of(plan: Plan, pieces: Sequence[str | None] | None = None) -> Feasibility:
    """Work out what a plan takes out of every actuator and of the battery.

    Args:
        plan: the plan; its machine may lack what is needed to judge some axes, or all.
        pieces: what it may carry, None among them for nothing, the first being the least of loads; None: nothing, and
            each piece of the machine.
    """
    machine = plan.routine.machine
    judged = judged_axes(machine)
    bare = [axis.name for axis in machine.axes.values() if not axis.has_motors_and_load]
    surges = surges_of(plan)
    if not judged and not surges:
        return Feasibility((), (), (), tuple(bare))
    demands = demands_of(plan, pieces)
    drives = {name: AxisDrive(machine.axes[name]) for name in judged}
    looks = _Looks(machine, demands, drives, surges)
    peaks = [*looks.peaks(), *(peak for surge in surges for peak in looks.of_surge(surge))]
    order = {step.name: number for number, step in enumerate(plan.steps)}
    peaks.sort(key=lambda peak: order.get(peak.step, len(order)))
    sags = sorted(looks.sags.values(), key=lambda sag: order.get(sag.step, len(order)))
    return Feasibility(
        tuple(peaks), tuple(sags), tuple(looks.shortfalls.values()), tuple(bare), looks.others(), demands
    )


class _Looks:
    """All instants of a plan looked at, with the most of everything that is declared, and with the least."""

    def __init__(
        self,
        machine: Machine,
        demands: PlanDemands,
        drives: Mapping[str, AxisDrive],
        surges: Sequence[Surge],
    ) -> None:
        self.machine, self.battery = machine, machine.battery
        self._peaks: dict[tuple[str, str, str], _Peak] = {}
        self.sags: dict[str, Sag] = {}
        self.shortfalls: dict[tuple[str, str], Shortfall] = {}
        self.bus: list[float] = []
        self._watts: dict[str, list[float]] = {name: [] for name in drives}
        self._total: list[float] = []
        others = self.battery.other_load if self.battery is not None else (0.0, 0.0)
        self.times = demands.times
        for index, time in enumerate(demands.times):
            active = [one for one in surges if one.begin <= time <= one.end]
            surge = sum(one.watts for one in active)
            driven = {one.axis for one in active}
            found = {name: _needs(drive, demands, name, index) for name, drive in drives.items() if name not in driven}
            most = {name: max(drawn.watts for _, drawn in needs) for name, needs in found.items()}
            least = sum(needs[0][1].watts for needs in found.values())
            total = sum(most.values()) + surge
            low = bus_voltage(self.battery, others[1], total)
            high = bus_voltage(self.battery, others[0], least + surge)
            self.bus.append(low)
            self._total.append(total)
            for name, watts in self._watts.items():
                watts.append(most.get(name, 0.0))
            for name, needs in found.items():
                self._judge(drives[name], needs, low, high)
            steps = {needs[0][0].demand.step for needs in found.values()} | {one.step for one in active}
            for step in steps - {STANDS} or {STANDS}:
                if step not in self.sags or low < self.sags[step].volts:
                    self.sags[step] = Sag(step, low, time, high)

    def peaks(self) -> Iterator[ActuatorPeak]:
        """The peaks of every actuator in every step that moves or holds its axis."""
        for key, peak in self._peaks.items():
            yield ActuatorPeak(*key, peak.volts, peak.amps, peak.watts, peak.duty, peak.margin, peak.at)

    def others(self) -> dict[str, tuple[float, ...]]:
        """What all but one axis take at each instant [W]."""
        return {
            name: tuple(total - own for total, own in zip(self._total, watts, strict=True))
            for name, watts in self._watts.items()
        }

    def of_surge(self, surge: Surge) -> Iterator[ActuatorPeak]:
        """The peaks of a pulse or a press."""
        bus = min(
            (bus for time, bus in zip(self.times, self.bus, strict=True) if surge.begin <= time <= surge.end),
            default=min(self.bus),
        )
        for actuator in self.machine.axes[surge.axis].in_service:
            amps = surge.amps[actuator.name]
            watts = amps * amps * actuator.motor.resistance
            duty = min(surge.volts / bus, 1.0)
            yield ActuatorPeak(surge.step, surge.axis, actuator.name, surge.volts, amps, watts, duty, None, surge.begin)

    def _judge(self, drive: AxisDrive, needs: Sequence[tuple[_Need, Drawn]], low: float, high: float) -> None:
        axis = drive.axis
        for place, (need, drawn) in enumerate(needs):
            demand = need.demand
            least = place == 0
            bus = high if least else low
            sign = 1.0 if need.force >= 0.0 else -1.0
            most = drive.most(bus, demand.velocity, sign, need.sense) * sign
            wanted = need.force * sign
            margin = 1.0 - wanted / most if most > 0.0 else (-inf if wanted > 0.0 else 1.0)
            if margin < 0.0:
                self._lacks(axis, need, wanted, max(most, 0.0), bus, least)
            if not least:
                self._note(drive, demand, drawn, bus, margin)

    def _note(self, drive: AxisDrive, demand: Demand, drawn: Drawn, bus: float, margin: float) -> None:
        volts, velocity = abs(drawn.volts), demand.velocity
        for group, current in zip(drive.groups, drawn.amps, strict=True):
            amps = min(max(current, -group.winding_limit), group.winding_limit)
            watts = amps * (amps * group.resistance + group.emf_per_speed * velocity)
            for name in group.names:
                key = (demand.step, drive.axis.name, name)
                peak = self._peaks.get(key)
                if peak is None:
                    peak = self._peaks[key] = _Peak(demand.at, margin)
                peak.raise_to(demand.at, volts, abs(amps), watts, volts / bus, margin)

    def _lacks(self, axis: Axis, need: _Need, wanted: float, most: float, bus: float, least: bool) -> None:
        key = (need.demand.step, axis.name)
        before = self.shortfalls.get(key)
        always = least or (before is not None and before.always)
        if before is None or wanted - most > before.needed - before.available:
            self.shortfalls[key] = Shortfall(*key, need.demand.at, wanted, most, bus, need.words, always)
        else:
            self.shortfalls[key] = before._replace(always=always)


class _Need(NamedTuple):
    """A force that motors must make (less what gears take), the sense of motion, and what is carried, in words."""

    demand: Demand
    force: float
    sense: float
    words: str


def sense_of(demand: Demand) -> float:
    """The sense in which an axis moves or is about to; 0: it stands."""
    if abs(demand.velocity) > _STILL:
        return 1.0 if demand.velocity > 0.0 else -1.0
    if abs(demand.acceleration) > _STILL:
        return 1.0 if demand.acceleration > 0.0 else -1.0
    return 0.0


_STILL = 1e-6
"""Slower than this it stands [m/s or rad/s, and per second]."""


def _needs(drive: AxisDrive, demands: PlanDemands, axis: str, index: int) -> list[tuple[_Need, Drawn]]:
    """What an axis needs at an instant: first with the least of loads and the mean of its counterbalance, then the
    greatest and the least force over all that is declared."""
    low, high = drive.springs
    springs = [(low, "the least counterbalance"), (high, "the greatest counterbalance")] if low != high else [(low, "")]
    found: list[_Need] = []
    most, least = -inf, inf
    for piece, table in demands.by_piece.items():
        demand = table[axis][index]
        sense = sense_of(demand)
        moving = demand.moving + drive.inertia * demand.acceleration
        bare = drive.needed(moving, demand.weight, 0.0, demand.velocity, sense)
        if not found:
            found = [_Need(demand, bare - 0.5 * (low + high), sense, "")] * 3
        for spring, words in springs:
            force = bare - spring
            if force > most or force < least:
                need = _Need(demand, force, sense, " and ".join(filter(None, (piece or "", words))))
                if force > most:
                    found[1], most = need, force
                if force < least:
                    found[2], least = need, force
    # Motors that can make the greatest and the least force can make all between.
    if found[1] is found[2]:
        del found[2]
    return [(need, drive.drawn(need.force, need.demand.velocity, need.sense)) for need in found]


class _Peak:
    """The greatest of everything so far, and the instant of the least margin."""

    __slots__ = ("amps", "at", "duty", "margin", "volts", "watts")

    def __init__(self, at: float, margin: float) -> None:
        self.at, self.margin = at, margin
        self.volts = self.amps = self.watts = self.duty = 0.0

    def raise_to(self, at: float, volts: float, amps: float, watts: float, duty: float, margin: float) -> None:
        """Take in what is asked at one more instant."""
        self.volts, self.amps = max(self.volts, volts), max(self.amps, amps)
        self.watts, self.duty = max(self.watts, watts), max(self.duty, duty)
        if margin < self.margin:
            self.at, self.margin = at, margin
