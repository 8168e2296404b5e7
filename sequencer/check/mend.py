"""The gate that would keep two steps out of a box, found by trying."""

from __future__ import annotations

from collections.abc import Iterator
from math import ceil, degrees, radians

from sequencer.check.gate import never_opens
from sequencer.check.gating import Gate
from sequencer.check.keep_out import Conflict, KeepOutSearch
from sequencer.check.written import Mend, gate_line, replaces
from sequencer.machine.axis import Axis

_STEP = 0.01
"""Gates on a linear axis are rounded to this [m], outwards, and so leave at least this much beyond the tracking band
at most."""

_STEP_DEGREES = 1.0
"""Gates on a rotary axis are rounded to this [deg], outwards."""


def mend(search: KeepOutSearch, conflict: Conflict, conflicts: list[Conflict]) -> Mend | None:
    """A gate such as ``level: once: lift > 0.41 m`` that keeps the steps of a conflict out of its box, or None.

    A step has one gate: where several boxes ask the same step to wait for the same axis, the gate that serves them
    all is tried first.

    Args:
        search: all ways into boxes, to ask again with a gate in place.
        conflict: the one to mend.
        conflicts: every way into a box without the gate; no other way may come with it.
    """
    before = frozenset(one.who for one in conflicts)
    own = list(_candidates(search, conflict))
    for number, gate in [*_serving_all(search, own, conflicts), *own]:
        node = search.order.occurrences[number].node
        extra = {node.index: (gate,)}
        if search.machine.bodies and replaces(gate, search.machine.axes[gate.axis], node.step):
            # Its own gate may be what keeps bodies apart, and they are not looked at here.
            continue
        if any(never_opens(search.order, phases, extra) for phases in search.phases):
            continue
        after = {one.who for one in search.conflicts(extra)}
        if conflict.who not in after and after <= before:
            return Mend(gate_line(search.machine.axes[gate.axis], gate, node.step), node.name, gate)
    return None


def _serving_all(
    search: KeepOutSearch, own: list[tuple[int, Gate]], conflicts: list[Conflict]
) -> Iterator[tuple[int, Gate]]:
    """The same gates, as far out as any conflict asks for."""
    asked = [candidate for conflict in conflicts for candidate in _candidates(search, conflict)]
    for number, gate in own:
        same = [other for at, other in asked if (at, other.axis, other.sign) == (number, gate.axis, gate.sign)]
        farthest = max(same, key=lambda other: other.sign * other.position)
        if farthest != gate:
            yield number, farthest


def _candidates(search: KeepOutSearch, conflict: Conflict) -> Iterator[tuple[int, Gate]]:
    spans = dict(conflict.box)
    for mover in conflict.parts:
        if not mover.moving:
            continue
        for other in conflict.parts:
            if other.axis == mover.axis or other.number == mover.number:
                continue
            axis = search.machine.axes[other.axis]
            assert axis.travel is not None
            low, high = spans[other.axis]
            above, below = _rounded_up(axis, high), -_rounded_up(axis, -low)
            if above < axis.travel[1]:
                yield mover.number, Gate(axis.name, 1.0, above)
            if below > axis.travel[0]:
                yield mover.number, Gate(axis.name, -1.0, below)


def _rounded_up(axis: Axis, position: float) -> float:
    if axis.kind == "rotary":
        return radians(ceil(degrees(position) / _STEP_DEGREES + 1e-6) * _STEP_DEGREES)
    return round(ceil(position / _STEP + 1e-6) * _STEP, 9)
