"""The instants at which a drill lets something go wrong: at the start, in the middle and at the end of every step."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from sequencer.machine.sensor import Value
from sequencer.trace import Trace
from sequencer.trace.trace import StepRecord


class Instant(NamedTuple):
    """When [s from the first tick], what it is in words, the steps that are active then, and what the sensors read."""

    at: float
    words: str
    steps: tuple[str, ...]
    sensors: Mapping[str, Value | None]


def instants_of(trace: Trace, steps: tuple[StepRecord, ...], *, middles_only: bool = False) -> tuple[Instant, ...]:
    """The instants of interest of a rehearsal without a fault, in order; those that coincide are one.

    A step's start is the tick that starts it, its end half a period before it is over; its middle lies between two
    ticks.

    Args:
        trace: of the rehearsal.
        steps: of its run.
        middles_only: whether starts and ends are left out.
    """
    period = trace.header.period * 1e-9
    words: dict[int, list[str]] = {}
    for step in steps:
        if step.outcome == "skipped" or step.end <= step.start:
            continue
        first, last = round(step.start / period), round(step.end / period)
        # Counted in halves of a period, so that what coincides is the same number.
        moments = {"middle": (first + last) // 2 * 2 + 1}
        if not middles_only:
            moments = {"start": 2 * first, **moments, "end": 2 * last - 1}
        for moment, half in moments.items():
            words.setdefault(half, []).append(f"{moment} of {step.name}")
    return tuple(_instant(half * period / 2.0, words[half], trace, steps) for half in sorted(words))


def _instant(at: float, words: list[str], trace: Trace, steps: tuple[StepRecord, ...]) -> Instant:
    active = tuple(dict.fromkeys(step.name for step in steps if step.start <= at < step.end))
    row = [row for row in trace.rows if trace.seconds(row.now_ns) <= at + 1e-9][-1]
    names = [name for name, _ in trace.header.sensors]
    reads = {name: None if read is None else read[0] for name, read in zip(names, row.sensors, strict=True)}
    said: dict[str, str] = {}
    for text in words:
        moment, _, name = text.partition(" of ")
        said[moment] = f"{said[moment]} and {name}" if moment in said else f"{moment} of {name}"
    return Instant(at, ", ".join(said.values()), active, reads)
