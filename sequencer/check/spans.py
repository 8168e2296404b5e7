"""Intervals of positions, and what an operand may be over the whole range of a routine's parameters."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from sequencer.machine.machine import Machine
from sequencer.plan.resolve import FlatRoutine, Reference, ResolvedOperand
from sequencer.routine.parameters import NumberParameter

Span = tuple[float, float]
"""A closed interval of positions, lowest and highest [m or rad]."""

Choices = Mapping[str, str]
"""Preset parameters that are looked at with one preset; those left out may be any of their choices."""

ROUNDING = 1e-9
"""A position this near to an edge counts as inside [m or rad]: rounding must not decide."""


def hull(spans: Iterable[Span]) -> Span:
    """The smallest span that holds all of them; there must be at least one."""
    lows, highs = zip(*spans, strict=True)
    return min(lows), max(highs)


def meets(one: Span, other: Span) -> bool:
    """Whether two spans have a position in common, touching included."""
    return one[0] <= other[1] and other[0] <= one[1]


def overlap(one: Span, other: Span) -> Span:
    """What two spans that meet have in common."""
    return max(one[0], other[0]), min(one[1], other[1])


def span_of(operand: ResolvedOperand, flat: FlatRoutine, choices: Choices) -> Span:
    """The lowest and the highest value of an operand over all values that its parameter may have."""
    if not isinstance(operand, Reference):
        return operand, operand
    parameter = flat.routine.parameters[operand.parameter]
    if isinstance(parameter, NumberParameter):
        return parameter.low, parameter.high
    chosen = choices.get(operand.parameter)
    names = parameter.choices if chosen is None else (chosen,)
    positions = [_position(flat.machine, name, operand.axis) for name in names]
    return min(positions), max(positions)


def band_of(machine: Machine, axis: str) -> float:
    """How far an axis may be from where it is ordered to be [m or rad]: its following tolerance, or else its position
    tolerance."""
    return machine.axes[axis].band


def _position(machine: Machine, preset: str, axis: str | None) -> float:
    return machine.presets[preset].positions[axis or ""]
