"""What the plant's sensors read: each by its `plant` link, computed from the true state."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from math import isfinite
from types import MappingProxyType

from sequencer.machine.condition import Compare, Edge, Every, Holds, Is, Known, Not, Some, Term, names_in
from sequencer.machine.machine import Machine
from sequencer.machine.sensor import Value
from sequencer.ports.readings import Sensed, SensorValue

NO_PIECE = "none"
"""What a piece sensor reads while the machine carries nothing."""

Truth = Mapping[str, SensorValue | None]
"""True values by name: AXIS, AXIS.speed, AXIS.current, AXIS.ordered, AXIS.error, battery, piece held, and sensors once
read."""


class SensorBank:
    """All sensors of a machine that are linked to the plant.

    A sensor that is the `reading` of a body outside reads where that stands, if it has no other link. A sensor without
    a link, or linked to something the plant does not know, reads nothing.

    Args:
        machine: whose sensors they are.
        places: where its bodies outside stand [m]; looked at whenever a sensor is read.
    """

    needs: frozenset[str]
    """The names of `Truth` that it looks at; others need not be there."""

    def __init__(self, machine: Machine, places: Mapping[str, float] = MappingProxyType({})) -> None:
        self._links: list[tuple[str, Callable[[Truth], SensorValue | None]]] = []
        told = {body.reading: body.name for body in machine.bodies.values()}
        for sensor in machine.sensors.values():
            link = sensor.plant
            if link is None and sensor.name in told:
                self._links.append((sensor.name, _place_reader(told[sensor.name], places)))
            if link is None or sensor.derived is not None:
                continue
            if link.gap is not None:
                self._links.append((sensor.name, _gap_reader(machine, link.gap, places)))
            elif link.piece:
                self._links.append((sensor.name, _piece_reader(sensor.values)))
            elif link.quantity is not None:
                self._links.append((sensor.name, _quantity_reader(link.quantity)))
            elif link.condition is not None:
                self._links.append((sensor.name, _condition_reader(link.condition.term)))
        self.needs = frozenset(_needs(machine))

    def read(self, truth: dict[str, SensorValue | None]) -> dict[str, SensorValue | Sensed | None]:
        """Every linked sensor's value; `truth` gains them on the way, so that a link may name a sensor above it."""
        found: dict[str, SensorValue | Sensed | None] = {}
        for name, reader in self._links:
            value = reader(truth)
            truth[name] = value
            found[name] = value
        return found


def _needs(machine: Machine) -> Iterator[str]:
    for sensor in machine.sensors.values():
        link = sensor.plant
        if link is None:
            continue
        if link.gap is not None:
            yield from machine.axes
        if link.gap is not None or link.piece:
            yield "piece held"
        if link.quantity is not None:
            yield link.quantity
        if link.condition is not None:
            yield from names_in(link.condition.term)


def holds(term: Term, truth: Truth) -> bool | None:
    """Whether a condition holds on true values; None: unknown (Kleene). Edges are always unknown here."""
    match term:
        case Compare(name=name, operator=operator, value=limit):
            value = truth.get(name)
            if isinstance(value, bool | str) or value is None or not isfinite(value) or isinstance(limit, str):
                return None
            if operator == "<":
                return value < limit
            if operator == "<=":
                return value <= limit
            return value > limit if operator == ">" else value >= limit
        case Is(name=name, value=word):
            found = truth.get(name)
            return None if found is None else found == word
        case Holds(name=name):
            found = truth.get(name)
            return found if isinstance(found, bool) else None
        case Known(name=name):
            return truth.get(name) is not None
        case Not(term=inner):
            inside = holds(inner, truth)
            return None if inside is None else not inside
        case Every(terms=terms):
            values = [holds(inner, truth) for inner in terms]
            return False if False in values else None if None in values else True
        case Some(terms=terms):
            values = [holds(inner, truth) for inner in terms]
            return True if True in values else None if None in values else False
        case Edge():
            return None


def _piece_reader(values: tuple[str, ...]) -> Callable[[Truth], Value | None]:
    if not values:
        return lambda truth: truth.get("piece held") != NO_PIECE
    return lambda truth: truth.get("piece held")


def _place_reader(body: str, places: Mapping[str, float]) -> Callable[[Truth], Value | None]:
    return lambda truth: places.get(body)


def _gap_reader(
    machine: Machine, between: tuple[str, str], places: Mapping[str, float]
) -> Callable[[Truth], Value | None]:
    """The distance of two bodies [m], 0 where they overlap; nothing while one is a piece that the machine has not."""
    # Few machines measure gaps, and the others need not wait for what does.
    from sequencer.clearance.box import Pair
    from sequencer.clearance.tree import tree_of

    tree = tree_of(machine)
    pair = Pair(tree, *between)
    pieces = {name for name in between if name in machine.pieces}

    def read(truth: Truth) -> Value | None:
        if not pieces <= {truth["piece held"]}:
            return None
        values = [float(truth[name] or 0.0) if name in machine.axes else places[name] for name in tree.coordinates]
        return max(0.0, pair.distance(values))

    return read


def _quantity_reader(name: str) -> Callable[[Truth], Value | None]:
    return lambda truth: truth.get(name)


def _condition_reader(term: Term) -> Callable[[Truth], Value | None]:
    return lambda truth: holds(term, truth)
