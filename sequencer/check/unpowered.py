"""Unpowered: where each axis goes when the power is cut at any instant of the plan.

Each axis is taken for itself, by energies: it coasts against sliding friction, and from rest it goes on only where
weight less counterbalance is more than what holds it, which is break-away friction and that of the motors, since they
turn along. What shorted windings or gears would take besides is not counted on. Counterbalances are taken at both ends
of what is declared, and what is carried with and without each piece.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal, NamedTuple

from sequencer.check.demand import judged_axes, trees_of
from sequencer.check.drive import AxisDrive
from sequencer.check.spans import Span, hull
from sequencer.machine.axis import Axis
from sequencer.machine.machine import Machine
from sequencer.plan.planned import Plan
from sequencer.plant.linkage import Linkage
from sequencer.plant.mechanism import place_in_triangle

Tendency = Literal["sinks", "rises", "stays"]

_PLACES = 48
"""Into so many parts the travel is cut [1]; a way is told too long by at most one of them."""

_SWINGS = 8
"""So often an axis may turn round before it rests; it never gets farther than in its first two swings [1]."""

_STILL = 1e-9


class Held(NamedTuple):
    """What pulls an axis without power at a place, and what holds it.

    Attributes:
        position: the place [m or rad].
        pull: counterbalance less weight, in the positive sense [N or N m].
        weight: the weight alone, as a load in the negative sense [N or N m].
        hold: what must be overcome to get it going [N or N m].
        slide: what then resists it [N or N m].
        inertia: all that moves with it [kg or kg m2].
    """

    position: float
    pull: float
    weight: float
    hold: float
    slide: float
    inertia: float

    @property
    def tendency(self) -> Tendency:
        """What it does from rest: it sinks with its weight, and rises against it."""
        if abs(self.pull) <= self.hold:
            return "stays"
        return "sinks" if self.pull * self.weight < 0.0 else "rises"


class WayWithoutPower(NamedTuple):
    """Where one axis may be after the power is cut at an instant of the plan.

    Attributes:
        at: the instant [s of the plan].
        step: a step that is active then, by path; "" for none.
        axis: which.
        position: where it is then [m or rad].
        span: where it may get from there [m or rad].
    """

    at: float
    step: str
    axis: str
    position: float
    span: Span


@dataclass(frozen=True, slots=True)
class WithoutPower:
    """What becomes of a plan when the power is cut.

    Attributes:
        tendencies: by axis, what it does from rest at one place of its travel or another.
        most: by axis, where the pull exceeds what holds it most, or comes nearest to it.
        ways: by instant and axis.
    """

    tendencies: Mapping[str, frozenset[Tendency]]
    most: Mapping[str, Held]
    ways: tuple[WayWithoutPower, ...]

    def of_instant(self) -> Iterator[tuple[float, str, dict[str, Span]]]:
        """The instants with their step and the spans of all axes."""
        spans: dict[float, dict[str, Span]] = {}
        steps: dict[float, str] = {}
        for way in self.ways:
            spans.setdefault(way.at, {})[way.axis] = way.span
            steps.setdefault(way.at, way.step)
        for at, found in spans.items():
            yield at, steps[at], found

    def as_json(self) -> dict[str, Any]:
        """Plain data, SI units."""
        return {
            "axes": [{"axis": name, "does": sorted(found)} for name, found in self.tendencies.items()],
            "ways": [
                {"at": way.at, "step": way.step or None, "axis": way.axis, "position": way.position, "span": way.span}
                for way in self.ways
            ],
        }


def without_power(plan: Plan, instants: Sequence[float] | None = None) -> WithoutPower:
    """Where every judged axis goes when the power is cut.

    Args:
        plan: the plan.
        instants: when [s of the plan]; None: at the start, at four places of every motion, and at its end.
    """
    machine = plan.routine.machine
    names = judged_axes(machine)
    pulls = _Pulls(machine, names)
    middle = {name: 0.5 * sum(axis.travel) for name, axis in machine.axes.items() if axis.travel is not None}
    tables = {name: [row for table in pulls.of(name, middle) for row in table] for name in names}
    ways = []
    for at in _instants(plan) if instants is None else instants:
        states = {name: plan.state(name, at) for name in middle}
        places = {name: state.position for name, state in states.items()}
        step = next((one.name for one in plan.steps if one.motion_start <= at < one.end and one.axes), "")
        for name in names:
            position, velocity = states[name].position, states[name].velocity
            spans = [_reach(machine.axes[name], table, position, velocity) for table in pulls.of(name, places)]
            ways.append(WayWithoutPower(at, step, name, position, hull(spans)))
    return WithoutPower(
        {name: frozenset(row.tendency for row in rows) for name, rows in tables.items()},
        {name: max(rows, key=lambda row: abs(row.pull) - row.hold) for name, rows in tables.items()},
        tuple(ways),
    )


class _Pulls:
    """What pulls each axis over its travel: a table for every piece and each end of its counterbalance.

    Places of other axes count only where some hinge is measured from its carrier; else the tables are made once.
    """

    def __init__(self, machine: Machine, names: Sequence[str]) -> None:
        self._machine = machine
        self._numbers = {name: number for number, name in enumerate(machine.axes)}
        self._drives = {name: AxisDrive(machine.axes[name]) for name in names}
        self._trees = [trees_of(machine, piece) for piece in (None, *machine.pieces)]
        self._leans = any(axis.mount.angle_from == "carrier" for axis in machine.axes.values())
        self._known: dict[str, list[list[Held]]] = {}

    def of(self, name: str, places: Mapping[str, float]) -> list[list[Held]]:
        """The tables of an axis while the others are at these places [m or rad]."""
        if self._leans or name not in self._known:
            drive = self._drives[name]
            self._known[name] = [
                self._table(name, trees, spring, places)
                for trees in self._trees
                for spring in dict.fromkeys(drive.springs)
            ]
        return self._known[name]

    def _table(self, name: str, trees: Sequence[Linkage], spring: float, places: Mapping[str, float]) -> list[Held]:
        axis, drive, number = self._machine.axes[name], self._drives[name], self._numbers[name]
        assert axis.load is not None
        assert axis.travel is not None
        low, high = axis.travel
        still = [0.0] * len(self._numbers)
        position = [places.get(one, 0.0) for one in self._numbers]
        tree = next(tree for tree in trees if number in tree.coordinates)
        row, size = tree.coordinates.index(number), len(tree.coordinates)
        sliding = axis.load.coulomb + drive.rubbing
        rows = []
        for place in range(_PLACES + 1):
            position[number] = low + (high - low) * place / _PLACES
            terms = tree.equations(position, still, still, tree.masses)
            weight = terms[row - size]
            inertia = terms[place_in_triangle(size, row, row)] + drive.inertia
            rows.append(Held(position[number], spring - weight, weight, drive.friction(0.0), sliding, inertia))
        return rows


def _reach(axis: Axis, table: Sequence[Held], position: float, velocity: float) -> Span:
    """The lowest and the highest place on the way to rest, to whole parts of the travel."""
    assert axis.travel is not None
    low, high = axis.travel
    part = (high - low) / _PLACES
    place = lowest = highest = min(max(position, low), high)
    here = _at(table, place, low, part)
    energy = 0.5 * here.inertia * velocity * velocity
    sense = (1.0 if velocity > 0.0 else -1.0) if abs(velocity) > _STILL else _sense(here, place, axis)
    for _ in range(_SWINGS):
        if sense == 0.0:
            break
        while True:
            after = min(max(place + sense * part, low), high)
            way = abs(after - place)
            if way == 0.0:
                break
            between = _at(table, 0.5 * (place + after), low, part)
            energy += (sense * between.pull - between.slide) * way
            place = after
            lowest, highest = min(lowest, place), max(highest, place)
            if energy <= 0.0:
                break
        energy = 0.0
        sense = _sense(_at(table, place, low, part), place, axis)
    return lowest, highest


def _sense(here: Held, place: float, axis: Axis) -> float:
    """In which sense it goes from rest; 0 where it stays, or leans on the end of its travel."""
    assert axis.travel is not None
    if here.tendency == "stays":
        return 0.0
    sense = 1.0 if here.pull > 0.0 else -1.0
    return 0.0 if place == axis.travel[1 if sense > 0.0 else 0] else sense


def _at(table: Sequence[Held], place: float, low: float, part: float) -> Held:
    """What is so at a place, evenly between the places of the table."""
    share = (place - low) / part
    index = min(max(int(share), 0), _PLACES - 1)
    rest = share - index
    if rest == 0.0:
        return table[index]
    one, other = table[index], table[index + 1]
    return Held(
        one.position + rest * (other.position - one.position),
        one.pull + rest * (other.pull - one.pull),
        one.weight + rest * (other.weight - one.weight),
        one.hold,
        one.slide,
        one.inertia + rest * (other.inertia - one.inertia),
    )


def _instants(plan: Plan) -> list[float]:
    times = {0.0}
    for step in plan.steps:
        lasts = max((profile.duration for profile in step.profiles.values()), default=0.0)
        times.update(step.motion_start + lasts * share for share in (0.0, 0.25, 0.5, 0.75, 1.0))
    return sorted({round(time, 6) for time in times})
