"""Where bodies outside the machine truly stand in a rehearsal: as scripted gauges tell, or still."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable, Mapping
from itertools import pairwise

from sequencer.errors import ModelError, did_you_mean
from sequencer.machine.body import Body
from sequencer.machine.machine import Machine
from sequencer.machine.sensor import Value
from sequencer.pack import CheckedRoutine
from sequencer.rehearse.gauges import Script
from sequencer.units import LENGTH, show

_LOOKS = 128
"""Into so many parts a range is cut to see whether a gap tells a place."""

_EXACT = 1e-9
"""A place is found so nearly [m]."""

_TURNS = 60
"""So often it is looked for at most [1]."""


class PlacesOutside:
    """The places of a machine's bodies outside.

    A script for the sensor that is the `reading` of a body moves the body: what the sensor reads is the body's place,
    or, if the sensor is linked to a gap on the plant, its distance from the other body. What no script moves stands
    in the middle of what the routine says of its range, or else of its whole range.

    Args:
        machine: the machine.
        checked: the routine, which may have narrowed their ranges.
        scripts: of all gauges, by sensor.
        places: where bodies stand [m], of those that no script moves.

    Raises:
        ModelError: a place or what a script reads would put a body outside its range, a gap does not tell its place, a
            script tells of a gap without moving the body, or `places` names something else than a body that stands.
    """

    def __init__(
        self,
        machine: Machine,
        checked: CheckedRoutine,
        scripts: Mapping[str, Script],
        places: Mapping[str, float] | None = None,
    ) -> None:
        outside = {body.name: body for body in machine.bodies.values() if body.carried_by == "outside"}
        _refuse_idle_gaps(machine, outside, scripts)
        self._readers: dict[str, tuple[str, Callable[[float], float]]] = {}
        self.standing: dict[str, float] = {}
        given = dict(places or {})
        for name, body in outside.items():
            if body.reading is not None and body.reading in scripts:
                if name in given:
                    raise ModelError(
                        f"places: '{name}' is moved by the script of '{body.reading}'; give one of the two"
                    )
                reader = _reader(machine, body)
                for value in _values(scripts[body.reading]):
                    _check_range(body, reader(value), f"gauges: '{body.reading}' at {show(value, LENGTH)}")
                self._readers[name] = body.reading, reader
            else:
                self.standing[name] = given.pop(name) if name in given else _middle(body, checked)
                _check_range(body, self.standing[name], "places")
        for name in given:
            raise ModelError(f"places: '{name}' is no body outside the machine; {did_you_mean(name, outside)}")

    @property
    def moves(self) -> bool:
        """Whether a script moves one."""
        return bool(self._readers)

    def at(self, values: Mapping[str, Value]) -> dict[str, float]:
        """Where they stand [m] while the scripted gauges have these values."""
        found = dict(self.standing)
        for name, (sensor, reader) in self._readers.items():
            found[name] = reader(float(values[sensor]))
        return found


def _values(script: Script) -> list[float]:
    values = [script] if isinstance(script, bool | int | float | str) else [value for _, value in script]
    return [float(value) for value in values]


def _middle(body: Body, checked: CheckedRoutine) -> float:
    """The middle of what the routine's ranges have in common, or of the first where they have nothing."""
    assert body.range is not None
    low, high = body.range
    said = [(begin, end) for name, begin, end, _ in checked.routine.get("outside", ()) if name == body.name]
    for begin, end in said:
        if max(low, begin) <= min(high, end):
            low, high = max(low, begin), min(high, end)
    return 0.5 * (low + high)


def _check_range(body: Body, place: float, what: str) -> None:
    assert body.range is not None
    low, high = body.range
    if not low - _EXACT <= place <= high + _EXACT:
        raise ModelError(
            f"{what}: '{body.name}' would stand at {show(place, LENGTH)}, outside its range, "
            f"{show(low, LENGTH)} to {show(high, LENGTH)}"
        )


def _refuse_idle_gaps(machine: Machine, outside: Mapping[str, Body], scripts: Mapping[str, Script]) -> None:
    """A script of a distance from a body that stands elsewhere would be judged against the wrong place."""
    for name in scripts:
        link = machine.sensors[name].plant
        gap = () if link is None or link.gap is None else link.gap
        for other in gap:
            if other in outside and outside[other].reading is None:
                raise ModelError(
                    f"gauges: '{name}' is the gap of {' and '.join(gap)} on the plant, and a script for it "
                    f"does not move '{other}'; write reading: {name} at that body in the machine file"
                )


def _reader(machine: Machine, body: Body) -> Callable[[float], float]:
    """The place of a body for what its sensor reads."""
    sensor = machine.sensors[body.reading or ""]
    if sensor.plant is None or sensor.plant.gap is None:
        return lambda value: value
    return _GapPlace(machine, body, sensor.plant.gap)


class _GapPlace:
    """The place of a body at which it has a given distance from one that stands fast."""

    def __init__(self, machine: Machine, body: Body, gap: tuple[str, str]) -> None:
        from sequencer.clearance.box import Pair
        from sequencer.clearance.tree import tree_of

        assert body.range is not None
        tree = tree_of(machine)
        self._sensor, self._body = body.reading, body
        self._pair = Pair(tree, *gap)
        self._values, self._number = tree.values({}), tree.number(body.name)
        low, high = body.range
        places = [low + (high - low) * part / _LOOKS for part in range(_LOOKS + 1)] if low < high else [low]
        table = [(self._gap(place), place) for place in places]
        if table[0][0] > table[-1][0]:
            table.reverse()
        # Where the bodies meet, the distance is 0 and tells no place; the last of these is where they begin to.
        while len(table) > 1 and table[1][0] <= 0.0:
            table.pop(0)
        for (near, place), (far, other) in pairwise(table):
            if not near < far:
                raise ModelError(
                    f"gauges: the gap of {' and '.join(gap)} does not tell where '{body.name}' stands: "
                    f"it is {show(near, LENGTH)} at {show(place, LENGTH)} and "
                    f"{show(far, LENGTH)} at {show(other, LENGTH)}"
                )
        self._gaps, self._places = [one for one, _ in table], [place for _, place in table]

    def __call__(self, gap: float) -> float:
        gaps, places = self._gaps, self._places
        least = max(0.0, gaps[0])
        if not least - _EXACT <= gap <= gaps[-1] + _EXACT:
            raise ModelError(
                f"gauges: '{self._sensor}' reads {show(gap, LENGTH)}, and wherever '{self._body.name}' stands in its "
                f"range that gap is {show(least, LENGTH)} to {show(gaps[-1], LENGTH)}"
            )
        if len(places) == 1:
            return places[0]
        after = min(max(bisect_left(gaps, gap), 1), len(gaps) - 1)
        near, far, place, other = gaps[after - 1], gaps[after], places[after - 1], places[after]
        for turn in range(_TURNS):
            # Along a straight line, which is mostly the answer at once; every second time in the middle.
            guess = place + ((gap - near) / (far - near) if turn % 2 == 0 else 0.5) * (other - place)
            found = self._gap(guess)
            if abs(found - gap) <= _EXACT:
                break
            if found < gap:
                near, place = found, guess
            else:
                far, other = found, guess
        return guess

    def _gap(self, place: float) -> float:
        self._values[self._number] = place
        return self._pair.distance(self._values)
