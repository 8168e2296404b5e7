"""What contradicts itself in the bodies of a machine: names, carriers, clearances, and sensors that look at bodies."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from math import isfinite
from typing import TYPE_CHECKING

from sequencer.errors import did_you_mean
from sequencer.machine.body import Body
from sequencer.machine.sensor import PlantLink, Sensor
from sequencer.places import Place
from sequencer.units import LENGTH, dimension_name, show

if TYPE_CHECKING:
    from sequencer.machine.machine import Machine

LARGEST_MARGIN = 2.0
"""A margin beyond this [m] is taken for a mistake in its unit."""

FRAME, OUTSIDE = "frame", "outside"
"""What may carry a body besides an axis."""


def body_problems(machine: Machine) -> Iterator[tuple[Place, str]]:
    """Everything about bodies that cannot be, with its place."""
    yield from _names(machine)
    for body in machine.bodies.values():
        yield from _carrier(body, machine)
        yield from _reading(body, machine)
    yield from _clearances(machine)
    for sensor in machine.sensors.values():
        if sensor.plant is not None and sensor.plant.gap is not None:
            for text in gap_problems(sensor, sensor.plant.gap, machine.body_names()):
                yield sensor.place, f"sensor '{sensor.name}', plant: {text}"


def gap_problems(sensor: Sensor, gap: tuple[str, str], known: Sequence[str]) -> Iterator[str]:
    """What is wrong with a sensor that reads the distance between two bodies; `known` are the names of all bodies."""
    first, second = gap
    for name in dict.fromkeys(gap):
        if name not in known:
            yield f"unknown body '{name}'; {did_you_mean(name, known)}"
    if first == second:
        yield f"a gap is between two bodies; here '{first}' is named twice"
    if sensor.kind != "number":
        yield f"a gap is a length, and the sensor reads a {sensor.kind}; write kind: number, unit: m"
    elif sensor.dimension != LENGTH:
        reads = dimension_name(sensor.dimension) if sensor.dimension is not None else "a plain number"
        yield f"a gap is a length, and the sensor reads {reads}; write unit: m"


def _names(machine: Machine) -> Iterator[tuple[Place, str]]:
    for word in (FRAME, OUTSIDE):
        if word in machine.axes and machine.bodies:
            text = f"an axis cannot be called '{word}' where there are bodies; the word says what carries a body"
            yield machine.axes[word].place, text
    others = (("axis", machine.axes), ("sensor", machine.sensors), ("piece", machine.pieces))
    for body in machine.bodies.values():
        for what, table in others:
            if body.name in table:
                yield body.place, f"'{body.name}' is both {what} and body; names must differ"
    for piece in machine.pieces.values():
        for what, table in others[:2]:
            if piece.parts and piece.name in table:
                text = f"'{piece.name}' is both {what} and a piece with parts, which is a body; names must differ"
                yield piece.place, text


def _carrier(body: Body, machine: Machine) -> Iterator[tuple[Place, str]]:
    carried_by_axis = body.carried_by in machine.axes
    if not carried_by_axis and body.carried_by not in (FRAME, OUTSIDE):
        near = did_you_mean(body.carried_by, [*machine.axes, FRAME, OUTSIDE])
        yield body.place, f"body '{body.name}': unknown axis '{body.carried_by}'; {near}"
    elif not (isfinite(body.share) and body.share > 0.0):
        yield body.place, f"body '{body.name}': its share is {body.share:g}; it must be greater than 0"
    elif body.share != 1.0 and not carried_by_axis:
        text = f"body '{body.name}' is carried by '{body.carried_by}', which does not move; leave out the share"
        yield body.place, text


def _reading(body: Body, machine: Machine) -> Iterator[tuple[Place, str]]:
    if body.reading is None:
        return
    sensor = machine.sensors.get(body.reading)
    if sensor is None:
        near = did_you_mean(body.reading, machine.sensors)
        yield body.place, f"body '{body.name}': unknown sensor '{body.reading}'; {near}"
    elif sensor.kind != "number" or sensor.dimension != LENGTH:
        text = f"body '{body.name}': '{sensor.name}' reads no length; its place is read by a number with the unit m"
        yield body.place, text
    elif sensor.plant is not None and not _tells_place(body, sensor.plant, machine):
        text = (
            f"body '{body.name}': '{sensor.name}' reads something else on the plant; what tells a place has no plant "
            f"link, or the gap of '{body.name}' and a body carried by the frame"
        )
        yield body.place, text
    first = next(one for one in machine.bodies.values() if one.reading == body.reading)
    if first is not body:
        text = f"'{first.name}' and '{body.name}' have one reading, '{body.reading}'; a sensor tells of one body"
        yield body.place, f"{text}; what stands together can be one body of several parts"


def _tells_place(body: Body, link: PlantLink, machine: Machine) -> bool:
    """Whether the place of a body outside follows from what a sensor reads on the plant."""
    others = [machine.bodies.get(name) for name in link.gap or () if name != body.name]
    return len(others) == 1 and others[0] is not None and others[0].carried_by == FRAME


def _clearances(machine: Machine) -> Iterator[tuple[Place, str]]:
    known = machine.body_names()
    seen: dict[frozenset[str], Place] = {}
    for clearance in machine.clearances:
        both = " and ".join(clearance.between)
        for name in clearance.between:
            if name not in known:
                text = f"clearance between {both}: unknown body '{name}'; {did_you_mean(name, known)}"
                yield clearance.place, text
        between = frozenset(clearance.between)
        if between in seen:
            other = f" (the other in line {seen[between].line})" if seen[between].line else ""
            yield clearance.place, f"two clearances are between {both}{other}; keep one"
        seen.setdefault(between, clearance.place)
        if clearance.margin > LARGEST_MARGIN:
            yield (
                clearance.place,
                f"clearance between {both}: a margin of {show(clearance.margin, LENGTH)}; at most "
                f"{show(LARGEST_MARGIN, LENGTH)} is allowed (are these millimetres?)",
            )
        if clearance.exempt and clearance.margin != 0.0:
            text = f"clearance between {both}: a pair that is exempt has no margin; give 'margin' or 'exempt'"
            yield clearance.place, text
