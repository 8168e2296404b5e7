"""Two recorded runs beside each other, aligned by their steps: what came later, lower or nearer in one of them."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass
from functools import partial
from typing import Any

from sequencer.errors import StepgraphError
from sequencer.trace.trace import RunRecord, Series, StepRecord, Trace, TraceError
from sequencer.units import NUMBER, TIME, Dimension, parse_unit, show, show_turning

LATE = 0.02
"""A step that begins or lasts differently by no more than this [s], a tick of most machines, is the same."""
SHARE = 0.05
"""A quantity whose least or greatest value differs by no more than this share of its span is the same [1]."""
OF_RUN = 0.4
"""What a quantity spans in a step counts as at least this share of what it spans in the whole good run [1]."""
MOST = 5
"""So many differences of a step are told, the greatest first."""


@dataclass(frozen=True, slots=True)
class Change:
    """One quantity of one step that differs between the runs.

    Attributes:
        quantity: such as ``lift.measured``; "" for the step's own time.
        what: later, earlier, longer, shorter, at its least or greatest higher or lower, or in words what else.
        good, bad: the values in the two runs, in words with their units.
        by: the difference, in words.
        weight: the difference against what the good run spans [1]; the greatest is told first.
    """

    quantity: str
    what: str
    good: str
    bad: str
    by: str
    weight: float

    def __str__(self) -> str:
        if not self.by:
            return f"{self.quantity} {self.what} ({self.bad}, in the good run {self.good})".lstrip()
        if not self.quantity:
            return f"{self.what} by {self.by} ({self.bad}, in the good run {self.good})"
        return f"{self.quantity} {self.what} by {self.by} ({self.bad}, in the good run {self.good})"


@dataclass(frozen=True, slots=True)
class StepChanges:
    """What differs in one step; `first` says whether nothing differed before it."""

    name: str
    changes: tuple[Change, ...]
    only_in: str | None = None

    def __str__(self) -> str:
        if self.only_in is not None:
            return f"{self.name}: only in the {self.only_in} run"
        return f"{self.name}: " + "; ".join(map(str, self.changes))


@dataclass(frozen=True, slots=True)
class Comparison:
    """Two runs of one routine, step by step; `same` names the steps in which nothing differs."""

    routine: str
    good_outcome: str | None
    bad_outcome: str | None
    steps: tuple[StepChanges, ...]
    same: tuple[str, ...]
    notes: tuple[str, ...] = ()

    def __str__(self) -> str:
        lines = [*self.notes, f"{self.routine}: {self.good_outcome or 'cut off'} and {self.bad_outcome or 'cut off'}"]
        lines += map(str, self.steps)
        if self.same:
            lines.append(f"the same: {', '.join(self.same)}")
        return "\n".join(lines)

    def as_json(self) -> dict[str, Any]:
        """The same as plain data."""
        return asdict(self)


def compare(
    good: Trace, bad: Trace, good_run: int | None = None, bad_run: int | None = None, most: int = MOST
) -> Comparison:
    """Compare two runs of one routine, each step with the step of the same name and turn.

    Quantities are compared by their least and greatest value within the step, so that a step that begins later is
    not told to differ in everything. Orders are left out: what was measured tells.

    Args:
        good, bad: the recordings; they may be the same.
        good_run, bad_run: numbers of the runs, from 1; None: the last that was done, and the last of the same routine.
        most: so many differences of a step are kept, the greatest first.

    Raises:
        TraceError: no such run, no runs, or runs of two routines.
    """
    first = _chosen(good, good_run, None, "good")
    second = _chosen(bad, bad_run, first.name, "bad")
    if first.name != second.name:
        raise TraceError(f"run of {first.name} and run of {second.name}: only runs of one routine can be aligned")
    pairs, alone = _aligned(good.steps(first), bad.steps(second))
    steps: list[StepChanges] = [StepChanges(name, (), where) for name, where in alone]
    same = []
    for one, other in pairs:
        changes = sorted(_changes(good, first, one, bad, second, other), key=lambda change: -change.weight)
        if changes:
            steps.append(StepChanges(one.name, tuple(changes[:most])))
        else:
            same.append(one.name)
    order = {
        step.name: step.start - run.start for trace, run in ((bad, second), (good, first)) for step in trace.steps(run)
    }
    steps.sort(key=lambda step: order[step.name])
    return Comparison(first.name, first.outcome, second.outcome, tuple(steps), tuple(same), tuple(_notes(good, bad)))


def _chosen(trace: Trace, number: int | None, name: str | None, which: str) -> RunRecord:
    runs = trace.runs()
    if not runs:
        raise TraceError(f"the {which} recording has no runs")
    if number is not None:
        if not 1 <= number <= len(runs):
            raise TraceError(f"there is no run {number} in the {which} recording; it has {len(runs)}, numbered from 1")
        return runs[number - 1]
    of_name = [run for run in runs if name is None or run.name == name]
    if not of_name:
        raise TraceError(f"the {which} recording has no run of {name}; it has {', '.join({run.name for run in runs})}")
    done = [run for run in of_name if run.outcome == "done"]
    return done[-1] if which == "good" and done else of_name[-1]


def _aligned(
    good: tuple[StepRecord, ...], bad: tuple[StepRecord, ...]
) -> tuple[list[tuple[StepRecord, StepRecord]], list[tuple[str, str]]]:
    """Steps by name and turn; and those that only one side has."""
    keyed: list[dict[tuple[str, int], StepRecord]] = []
    for steps in (good, bad):
        found: dict[tuple[str, int], StepRecord] = {}
        for step in steps:
            turn = sum(1 for name, _ in found if name == step.name)
            found[step.name, turn] = step
        keyed.append(found)
    one, other = keyed
    pairs = [(step, other[key]) for key, step in one.items() if key in other]
    alone = [(key[0], "good") for key in one if key not in other] + [(key[0], "bad") for key in other if key not in one]
    return pairs, alone


def _changes(
    good: Trace, first: RunRecord, one: StepRecord, bad: Trace, second: RunRecord, other: StepRecord
) -> Iterator[Change]:
    if one.outcome != other.outcome:
        yield Change("", "ended otherwise", one.outcome or "cut off", other.outcome or "cut off", "", 10.0)
    begun = (one.start - first.start, other.start - second.start)
    yield from _time(begun, "later", "earlier")
    yield from _time((one.end - one.start, other.end - other.start), "longer", "shorter")
    for name, unit in _quantities(good, bad):
        found = good.series(name, one.start, one.end), bad.series(name, other.start, other.end)
        values = [_numbers(series) for series in found]
        if all(values):
            whole = _numbers(good.series(name, first.start, first.end))
            least = OF_RUN * (max(whole) - min(whole))
            turning = (name.removesuffix(".speed"), "spin") in good.header.axes
            words = show_turning if turning else partial(show, dimension=_dimension(unit))
            yield from _extremes(name, words, values[0], values[1], least)
        elif any(values):
            which = ("not known", "known") if values[1] else ("known", "not known")
            yield Change(name, "was known in one run alone", *which, "", 1.0)


def _time(values: tuple[float, float], above: str, below: str) -> Iterator[Change]:
    good, bad = values
    if abs(bad - good) > LATE + 1e-9:
        what = above if bad > good else below
        yield Change("", what, show(good, TIME), show(bad, TIME), show(abs(bad - good), TIME), abs(bad - good) / 0.1)


def _extremes(
    name: str, words: Callable[[float], str], good: list[float], bad: list[float], least: float
) -> Iterator[Change]:
    span = max(max(good) - min(good), least, 1e-9)
    for take, word in ((max, "highest"), (min, "lowest")):
        one, other = take(good), take(bad)
        if abs(other - one) > SHARE * span:
            what = f"at its {word} is {'higher' if other > one else 'lower'}"
            yield Change(name, what, words(one), words(other), words(abs(other - one)), abs(other - one) / span)


def _quantities(good: Trace, bad: Trace) -> list[tuple[str, str]]:
    """What both recorded: measured places, speeds and currents, sensors that are numbers, the battery."""
    both = [
        (f"{axis}.{quantity}", "A" if quantity == "current" else ("m" if kind == "linear" else "rad") + end)
        for axis, kind in good.header.axes
        if (axis, kind) in bad.header.axes
        for quantity, end in (("measured", ""), ("speed", "/s"), ("current", ""))
        if not (kind == "spin" and quantity == "measured")
    ]
    both += [(name, unit) for name, unit in good.header.sensors if unit and (name, unit) in bad.header.sensors]
    return [*both, ("battery", "V")]


def _numbers(series: Series) -> list[float]:
    return [
        float(value)
        for value in series.values
        if isinstance(value, int | float) and not isinstance(value, bool) and value - value == 0.0
    ]


def _dimension(unit: str) -> Dimension:
    try:
        return parse_unit(unit)[1]
    except StepgraphError:
        return NUMBER


def _notes(good: Trace, bad: Trace) -> Iterator[str]:
    if good.header.machine_hash != bad.header.machine_hash:
        names = f"{good.header.machine} and {bad.header.machine}"
        yield f"the recordings are of two machines, or of one that has changed: {names}"
    routines = dict(good.header.routines)
    for name, digest in bad.header.routines:
        if name in routines and routines[name] != digest:
            yield f"routine {name} was changed between the recordings"
