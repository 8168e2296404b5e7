"""Positions that people can read: whole millimetres and tenths of a degree."""

from __future__ import annotations

from math import pi

from sequencer.machine.axis import AxisKind


def step_of(kind: AxisKind) -> float:
    """The distance of two readable positions [m or rad]."""
    return readable(kind, 1)


def readable(kind: AxisKind, number: int) -> float:
    """The readable position of that number [m or rad], exactly as it reads back from a file."""
    return number / 1000 if kind == "linear" else number / 10 * (pi / 180.0)


def rounded(kind: AxisKind, position: float) -> float:
    """The readable position that is nearest [m or rad]."""
    return readable(kind, round(position / step_of(kind)))
