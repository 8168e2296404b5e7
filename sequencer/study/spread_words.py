"""A spread in words: a line for each figure, and what goes with failing."""

from __future__ import annotations

from collections.abc import Sequence

from sequencer.study.ranks import Influence
from sequencer.study.spread_report import Distribution, FailureReason
from sequencer.units import show

HEADINGS = ("", "runs", "least", "5 %", "median", "95 %", "most")

MOST_INFLUENCES = 6
"""So many of what goes with a way of failing are told."""


def distribution_cells(one: Distribution) -> tuple[str, ...]:
    """How one figure lies, a cell for each heading."""
    marks = [one.values[0], one.quantile(0.05), one.quantile(0.5), one.quantile(0.95), one.values[-1]]
    return one.name, str(len(one.values)), *(show(round(mark, 6), one.dimension, 3) for mark in marks)


def reason_words(reason: FailureReason) -> str:
    """One way of failing, and what goes with it."""
    counting = [one for one in reason.influences if one.counts][:MOST_INFLUENCES]
    return reason.words + (f"; goes with {', '.join(map(_influence, counting))}" if counting else "")


def influence_words(influences: Sequence[Influence]) -> str:
    """What goes with failing at all."""
    words = ", ".join(_influence(one) for one in influences if one.counts)
    return f"what goes with failing: {words or 'nothing that varies, beyond chance'}"


def _influence(one: Influence) -> str:
    where = {"high": "high", "low": "low", "both ends": "either end of", "middle": "the middle of"}[one.where]
    return f"{where} {one.name} ({abs(one.correlation):.2f})"
