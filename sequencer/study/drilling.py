"""Drill: every single fault at every instant of interest of a routine, a rehearsal each."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Executor
from typing import Any, NamedTuple

from sequencer.errors import ModelError
from sequencer.machine.machine import NANOSECONDS, Machine
from sequencer.machine.sensor import Value
from sequencer.pack import CheckedRoutine
from sequencer.rehearse import Performance, Rehearsal, rehearse
from sequencer.routine.steps import RehearsalSpec
from sequencer.run.definition import texts_in
from sequencer.study.drill_report import DrillReport, DrillRow
from sequencer.study.instants import Instant, instants_of
from sequencer.study.single_fault import SingleFault, single_faults
from sequencer.study.tasks import in_order
from sequencer.study.trial import Scene, attempt, news_in

CHUNK = 8
"""How many rehearsals a worker is given at once: about a second of work."""
PATIENCE = 2.0
"""A rehearsal with a fault may last longer than the one without by the longest timeout of a step and so much more
[s]."""

Choice = Callable[[SingleFault], bool]


def drill(
    checked: CheckedRoutine,
    *,
    machine: Machine,
    specs: Sequence[RehearsalSpec] = (),
    others: Iterable[CheckedRoutine] = (),
    middles_only: bool = False,
    choose: Choice | None = None,
    executor: Executor | None = None,
    seed: int = 0,
) -> DrillReport:
    """Let every single fault happen at every instant of interest of a routine, one at a time.

    The faults are those of `single_faults`; the instants are start, middle and end of every step as it runs without a
    fault. A row does not depend on the rows beside it, on the executor or on the number of its workers.

    Args:
        checked: the checked routine.
        machine: the machine that it was checked for.
        specs: rehearsals kept with the routine; none: one on defaults. Those that end well without a fault are drilled;
            one whose steps have all been drilled in those before it is left out.
        others: further routines that the runner hosts, such as those that a timeout falls back to.
        middles_only: only the middle of every step, and neither its start nor its end.
        choose: whether a fault is tried; None: all are.
        executor: runs the rehearsals; None: here, one after the other.
        seed: of the plant.

    Raises:
        ModelError: no rehearsal ends well without a fault.
    """
    planned = Drill(
        checked,
        machine=machine,
        specs=specs,
        others=others,
        middles_only=middles_only,
        choose=choose,
        seed=seed,
    )
    return planned.report(planned.rows(executor))


class _Part(NamedTuple):
    """What goes wrong in one rehearsal, and when."""

    scene: Scene
    tries: tuple[tuple[SingleFault, Instant], ...]


class Drill:
    """A drill to be done: what `drill` does, for who wants its rows one by one.

    The arguments are those of `drill`.

    Attributes:
        count: how many rows there will be.
        faults: the words of all faults that it chose from.
        left_out: what is not tried and why.
    """

    def __init__(
        self,
        checked: CheckedRoutine,
        *,
        machine: Machine,
        specs: Sequence[RehearsalSpec] = (),
        others: Iterable[CheckedRoutine] = (),
        middles_only: bool = False,
        choose: Choice | None = None,
        seed: int = 0,
    ) -> None:
        self._name = checked.name
        hosted = tuple(others)
        asked = _asked(checked, hosted)
        idle = [name for name, one in machine.sensors.items() if name not in asked and one.derived is None]
        timeouts = [step["timeout"] for one in (checked, *hosted) for step in one.routine["steps"] if step["timeout"]]
        longest = max(timeouts, default=0) / NANOSECONDS
        self._parts: list[_Part] = []
        self.faults: tuple[str, ...] = ()
        drilled: set[str] = set()
        failed: list[str] = []
        for spec in specs or (RehearsalSpec("on defaults"),):
            impacts = _Impacts()
            found = rehearse(checked, machine=machine, spec=spec, seed=seed, others=hosted, each_tick=impacts)
            begun = {step.name for step in found.steps if step.outcome != "skipped"}
            if found.outcome != "done" or not found.as_expected:
                failed.append(f"'{spec.name}' ({found.outcome})")
                continue
            if drilled and begun <= drilled:
                continue
            drilled |= begun
            limit = found.trace.duration + longest + PATIENCE
            scene = Scene(machine, checked, hosted, spec, news_in(found.trace), impacts.found, limit, seed)
            faults = _faults(scene, found, asked)
            self.faults = tuple(dict.fromkeys((*self.faults, *(fault.words for fault in faults))))
            tries = _tries([fault for fault in faults if choose is None or choose(fault)], found, middles_only)
            self._parts.append(_Part(scene, tries))
        if not self._parts:
            raise ModelError(
                f"'{checked.name}' has no rehearsal that is done and as expected without a fault: {', '.join(failed)}; "
                "a drill needs one to disturb"
            )
        self.count = sum(len(part.tries) for part in self._parts)
        steps = [step["name"] for step in checked.routine["steps"]]
        self.left_out = tuple(_left_out(idle, [name for name in steps if name not in drilled]))

    def rows(self, executor: Executor | None = None) -> Iterator[DrillRow]:
        """The rows in order, as they are found.

        Args:
            executor: runs the rehearsals; None: here, one after the other.
        """
        at_once = 1 if executor is None else CHUNK
        tasks = [
            (part.scene, part.tries[begin : begin + at_once])
            for part in self._parts
            for begin in range(0, len(part.tries), at_once)
        ]
        for rows in in_order(executor, attempt, tasks):
            yield from rows

    def report(self, rows: Iterable[DrillRow]) -> DrillReport:
        """These rows as a report; fewer than `count` make one that is not complete."""
        return DrillReport(self._name, tuple(rows), self.count, self.left_out)


class _Impacts:
    """The hardest impacts of a rehearsal without a fault."""

    def __init__(self) -> None:
        self.found: dict[str, float] = {}

    def __call__(self, performance: Performance) -> None:
        if performance.events:
            self.found = dict(performance.plant.state.impacts)


def _faults(scene: Scene, found: Rehearsal, asked: frozenset[str]) -> tuple[SingleFault, ...]:
    seen: Mapping[str, list[Value]] = {
        name: [read[0] for row in found.trace.rows if (read := row.sensors[place]) is not None and read[0] is not None]
        for place, (name, _) in enumerate(found.trace.header.sensors)
    }
    spec = scene.spec
    return single_faults(
        scene.machine, asked=asked, seen=seen, carries=spec.piece is not None, offered=bool(spec.offered)
    )


def _tries(
    faults: Sequence[SingleFault], found: Rehearsal, middles_only: bool
) -> tuple[tuple[SingleFault, Instant], ...]:
    instants = instants_of(found.trace, found.steps, middles_only=middles_only)
    first = Instant(0.0, "the beginning", instants[0].steps if instants else (), {})
    return tuple((fault, instant) for fault in faults for instant in ((first,) if fault.at_start else instants))


def _asked(checked: CheckedRoutine, others: Sequence[CheckedRoutine]) -> frozenset[str]:
    """The sensors that anything in the routines or in the machine's rules asks for."""
    machine: Mapping[str, Any] = checked.machine
    rules = [machine["keep_outs"], machine["must_stay"], machine.get("blocked", ())]
    rests = [axis["rest"] for axis in machine["axes"]]
    texts = texts_in([*rules, rests, *(one.routine for one in (checked, *others))])
    derived = [one["derived"] for one in machine["sensors"] if one["name"] in texts and one["derived"] is not None]
    named = texts | texts_in(derived)
    return frozenset(one["name"] for one in machine["sensors"] if one["name"] in named)


def _left_out(idle: Sequence[str], missed: Sequence[str]) -> Iterator[str]:
    if idle:
        yield f"{', '.join(idle)}: nothing asks for {'it' if len(idle) == 1 else 'them'}"
    if missed:
        yield f"{', '.join(missed)}: no rehearsal that ends well comes to {'it' if len(missed) == 1 else 'them'}"
