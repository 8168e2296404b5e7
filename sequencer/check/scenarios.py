"""The parts into which everything that a routine may be started with is split, so that each can be judged sharply."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise, product
from math import prod

from sequencer.check.phases import Scenario
from sequencer.check.spans import ROUNDING, Span, band_of, meets
from sequencer.machine.interlock import KeepOut
from sequencer.machine.machine import Machine
from sequencer.plan.resolve import FlatRoutine
from sequencer.routine.parameters import PresetParameter
from sequencer.routine.routine import ANYWHERE

_MOST_CHOICES = 16
"""More combinations of presets than this are judged together, each goal as the hull of its choices."""

_MOST_CELLS = 128
"""More combinations of start cells than this are judged together, as the whole travel."""

_HAIR = 1e-12
"""A start cell ends this far before the edge of a box [m or rad], so that it does not touch it from outside; a
thousandth of the rounding by which boxes are widened."""

Box = tuple[tuple[str, Span], ...]
"""Spans of several axes [m or rad]."""


def scenarios_of(flat: FlatRoutine, starts: Sequence[Mapping[str, Span]] = ()) -> tuple[Scenario, ...]:
    """All scenarios of a routine. Starts inside a keep-out are left out: `start_region` judges them.

    Args:
        flat: the routine.
        starts: where the axes may stand at the start; none: wherever no keep-out is.
    """
    cells = starts or start_cells(flat.machine, start_spans(flat))
    return tuple(Scenario(start, choices) for choices in _choices(flat) for start in cells)


def start_spans(flat: FlatRoutine) -> dict[str, Span]:
    """Where each axis may stand at the start: about the preset's position, or anywhere in its travel."""
    routine, machine = flat.routine, flat.machine
    known = {} if routine.start == ANYWHERE else machine.presets[routine.start].positions
    spans: dict[str, Span] = {}
    for axis in machine.axes.values():
        if axis.travel is not None:
            spans[axis.name] = axis.travel
            if axis.name in known:
                tolerance = axis.tolerance.position
                spans[axis.name] = (known[axis.name] - tolerance, known[axis.name] + tolerance)
    return spans


def inflated(machine: Machine, rule: KeepOut) -> Box:
    """A keep-out in ordered positions: widened by how far each axis may be from where it is ordered to be."""
    widened = []
    for axis, (low, high) in rule.box:
        more = band_of(machine, axis) + ROUNDING
        widened.append((axis, (low - more, high + more)))
    return tuple(widened)


def is_inside(box: Box, start: Mapping[str, Span]) -> bool:
    """Whether a start may lie in a box."""
    return all(meets(start[axis], span) for axis, span in box)


def _choices(flat: FlatRoutine) -> Sequence[Mapping[str, str]]:
    tables = {
        name: one.choices
        for name, one in flat.routine.parameters.items()
        if isinstance(one, PresetParameter) and len(one.choices) > 1
    }
    if prod(len(choices) for choices in tables.values()) > _MOST_CHOICES:
        return [{}]
    return [dict(zip(tables, chosen, strict=True)) for chosen in product(*tables.values())]


def start_cells(machine: Machine, spans: Mapping[str, Span]) -> list[dict[str, Span]]:
    """The start cut at the edges of the keep-outs into cells that are each in or out; those outside, or all in one if
    none is, or if they are too many."""
    return _outside(machine, _cells(machine, spans)) or [dict(spans)]


def is_covered(machine: Machine, spans: Mapping[str, Span]) -> bool:
    """Whether the keep-outs leave no place to start from, as far as not too many cells tell."""
    cells = _cells(machine, spans)
    return bool(cells) and not _outside(machine, cells)


def _cells(machine: Machine, spans: Mapping[str, Span]) -> list[dict[str, Span]]:
    """The start cut at the edges of the keep-outs; none if there are too many."""
    boxes = _boxes(machine)
    cuts: dict[str, list[Span]] = {}
    for axis, (low, high) in spans.items():
        edges = {edge for box in boxes for name, span in box if name == axis for edge in span if low < edge < high}
        ends = [low, *sorted(edges), high]
        cuts[axis] = [(a + _HAIR, b - _HAIR) if b - a > 4 * _HAIR else (a, b) for a, b in pairwise(ends)]
        cuts[axis][0] = (low, cuts[axis][0][1])
        cuts[axis][-1] = (cuts[axis][-1][0], high)
    if prod(len(parts) for parts in cuts.values()) > _MOST_CELLS:
        return []
    return [dict(zip(cuts, parts, strict=True)) for parts in product(*cuts.values())]


def _outside(machine: Machine, cells: Sequence[dict[str, Span]]) -> list[dict[str, Span]]:
    boxes = _boxes(machine)
    return [cell for cell in cells if not any(is_inside(box, cell) for box in boxes)]


def _boxes(machine: Machine) -> list[Box]:
    return [inflated(machine, rule) for rule in machine.interlocks if isinstance(rule, KeepOut)]
