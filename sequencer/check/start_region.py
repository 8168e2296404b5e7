"""The start: no place in which a routine may be started lies in a keep-out."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from sequencer.check.finding import Finding
from sequencer.check.scenarios import inflated, is_covered, is_inside, start_spans
from sequencer.machine.interlock import KeepOut
from sequencer.plan.resolve import FlatRoutine
from sequencer.routine.routine import ANYWHERE

if TYPE_CHECKING:
    from sequencer.check.clear_starts import ClearStarts


def start_findings(flat: FlatRoutine, starts: ClearStarts | None = None) -> Iterator[Finding]:
    """Keep-outs that the start preset lies in, with its tolerance and the tracking band; one that names too few axes;
    a start from anywhere for which nothing is left.

    Args:
        flat: the routine.
        starts: where bodies keep clear, for a routine that starts from anywhere.
    """
    routine, machine = flat.routine, flat.machine
    spans = start_spans(flat)
    if routine.start == ANYWHERE:
        if is_covered(machine, spans):
            yield Finding(
                "start_region",
                "error",
                f"'{routine.name}' can start nowhere: the keep-outs cover the whole travel, tracking counted",
                None,
                routine.place,
                "make the keep-outs smaller",
            )
        elif starts is not None and not starts.boxes:
            yield Finding(
                "start_region",
                "error",
                f"'{routine.name}' can start nowhere: no place in the travel is shown to keep all bodies clear, "
                "tracking counted",
                None,
                routine.place,
                "start from a preset, or see which bodies are in the way there (stepgraph draw)",
            )
        return
    known = machine.presets[routine.start].positions
    for rule in machine.interlocks:
        if isinstance(rule, KeepOut) and is_inside(inflated(machine, rule), spans):
            unknown = [axis for axis, _ in rule.box if axis not in known]
            because = f" ({rule.because})" if rule.because else ""
            when = "" if rule.when is None else f" while {rule.when}"
            if len(unknown) == len(rule.box):
                # Nothing is known of any of its axes: the runner refuses the start if they stand inside.
                continue
            yield Finding(
                "start_region",
                "undecided" if unknown or rule.when is not None else "error",
                f"'{routine.name}' starts from {routine.start}, which lies in {rule.name}{because}{when}, tolerances "
                f"and tracking counted"
                + (f"; the preset gives {' and '.join(unknown)} no position" if unknown else ""),
                None,
                routine.place,
                f"add {' and '.join(unknown)} to the preset '{routine.start}'"
                if unknown
                else "start from another preset",
            )
