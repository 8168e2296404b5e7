"""The labelled attempts of recordings at the timing of a routine, and what they propose."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sequencer.errors import ModelError, did_you_mean
from sequencer.routine.parameters import NumberParameter
from sequencer.routine.routine import Routine, walk
from sequencer.routine.steps import Passing
from sequencer.trace import Trace
from sequencer.tune.success import Attempt, Success
from sequencer.units import TIME, Dimension, show


@dataclass(frozen=True, slots=True)
class Timing:
    """What recordings tell about one parameter of a routine.

    Attributes:
        parameter: the parameter; attempts are in its SI unit.
        success: what the labelled attempts tell.
        unlabelled: so many further runs of the routine carry no label.
        other_versions: so many of the attempts were made with another version of the routine.
    """

    parameter: NumberParameter
    success: Success
    unlabelled: int = 0
    other_versions: int = 0

    def words(self, seed: int) -> tuple[str, ...]:
        """The attempts, the best now, the next to try, and what is not known; a sentence each."""
        success, dimension, name = self.success, self.parameter.dimension, self.parameter.name
        rate = success.rate(0.9)
        if rate is None:
            runs = f"; {self.unlabelled} runs carry no label" if self.unlabelled else ""
            return (f"no labelled attempt{runs}: label them with stepgraph label LOG N made|missed",)
        timing, chance = success.best()
        band = success.band([timing])
        found = [
            f"{rate.made} of {rate.tried} attempts made "
            f"({100 * rate.low:.0f} to {100 * rate.high:.0f} % with 90 % certainty)",
            f"best now: {name} {_told(timing, dimension)}, made {100 * chance:.0f} % of the time "
            f"({100 * band.low[0]:.0f} to {100 * band.high[0]:.0f} % with 90 % certainty)",
            f"next to try: {_told(success.proposal(seed), dimension)}; a person decides each time",
        ]
        if success.doubt:
            found.append(success.doubt)
        if self.unlabelled:
            found.append(f"{self.unlabelled} further runs carry no label and count for nothing")
        if self.other_versions:
            found.append(f"{self.other_versions} of the attempts were made with another version of the routine")
        return tuple(found)

    def as_json(self, seed: int) -> dict[str, Any]:
        """Plain data, timings in SI."""
        return {
            "parameter": self.parameter.name,
            "value": self.parameter.value,
            "range": list(self.parameter.bounds or ()),
            "next": self.success.proposal(seed),
            "unlabelled": self.unlabelled,
            "other_versions": self.other_versions,
            **self.success.as_json(),
        }


def timing_of(
    traces: Sequence[Trace], routine: Routine, parameter: str | None = None, routine_hash: str = ""
) -> Timing:
    """What recordings tell about the timing of a routine.

    A run counts with the value that it was asked for with, or else with the one that the routine has now.

    Args:
        traces: the recordings.
        routine: the routine.
        parameter: which one; None: the one that leads or lags a milestone, where there is just one.
        routine_hash: of the checked routine as it is now; "" if versions are not to be told apart.

    Raises:
        ModelError: there is no such parameter, it has no range, or there are several to choose from.
    """
    chosen = _parameter(routine, parameter)
    assert chosen.bounds is not None
    attempts, unlabelled, others = [], 0, 0
    for trace in traces:
        versions = dict(trace.header.routines)
        starts = [event for event in trace.events("run") if event.text == "start"]
        for run, start in zip(trace.runs(), starts, strict=True):
            if run.name != routine.name:
                continue
            if run.label is None:
                unlabelled += 1
                continue
            asked = dict(start.values).get(chosen.name)
            value = chosen.value if asked is None or isinstance(asked, str) else float(asked)
            attempts.append(Attempt(value, run.label == "made"))
            others += bool(routine_hash) and versions.get(routine.name, routine_hash) != routine_hash
    return Timing(chosen, Success(attempts, *chosen.bounds), unlabelled, others)


def _parameter(routine: Routine, name: str | None) -> NumberParameter:
    numbers: Mapping[str, NumberParameter] = {
        key: one
        for key, one in routine.parameters.items()
        if isinstance(one, NumberParameter) and one.bounds is not None
    }
    if name is not None:
        if name not in numbers:
            known = " with a range" if name in routine.parameters else ""
            raise ModelError(f"{routine.name} has no number{known} called '{name}'; {did_you_mean(name, numbers)}")
        return numbers[name]
    used = {
        operand
        for step in walk(routine.steps)
        if isinstance(step.start, Passing)
        for operand in (step.start.lead, step.start.lag)
        if isinstance(operand, str)
    }
    found = [numbers[key] for key in numbers if key in used]
    if len(found) != 1:
        which = f"several ({', '.join(one.name for one in found)})" if found else "none"
        raise ModelError(
            f"{routine.name}: of its parameters with a range {which} leads or lags a milestone; name the one to tune"
        )
    return found[0]


def _told(value: float, dimension: Dimension) -> str:
    """A timing in milliseconds, as files have it; anything else as everywhere."""
    return f"{value * 1e3:.3g} ms" if dimension == TIME else show(value, dimension, 3)
