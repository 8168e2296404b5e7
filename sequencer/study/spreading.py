"""Spread: how often a routine works on machines as they may really be, thousands of rehearsals in lockstep."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass

from sequencer.errors import ModelError
from sequencer.machine.machine import NANOSECONDS, Machine
from sequencer.machine.variation import Varied, all_varied, varied_machine
from sequencer.pack import CheckedRoutine
from sequencer.plant import Plant
from sequencer.rehearse.lockstep import Result, Sample, rehearse_many
from sequencer.rehearse.rehearsal import contacts_of, start_positions
from sequencer.routine.steps import RehearsalSpec
from sequencer.study.draws import draw, drawn_machine
from sequencer.study.failure import failure_of
from sequencer.study.spread_report import SpreadReport, SpreadRow
from sequencer.study.tasks import in_order

MOST_AT_ONCE, FEWEST_AT_ONCE = 500, 50
"""So many runs a worker is given at once: the more are stepped together the better, and the fewer the sooner is told
what they came to."""
PARTS = 16
"""Into so many parts the work is cut within these bounds."""
LIMIT = 60.0
"""A run that is not over by then is cancelled [s]."""


def spread(
    checked: CheckedRoutine,
    *,
    machine: Machine,
    runs: int,
    seed: int = 0,
    spec: RehearsalSpec | None = None,
    others: Iterable[CheckedRoutine] = (),
    executor: Executor | None = None,
) -> SpreadReport:
    """Rehearse a routine on many machines, drawn from what varies: how often it works, and what goes with failing.

    What varies is what the machine's `variation` declares and, besides, the ranges in the machine itself: latencies,
    counterbalances, other loads on the battery. The same seed gives the same answer, whatever the executor, its workers
    and the order in which they finish; the first runs of a longer spread are those of a shorter one.

    Args:
        checked: the checked routine.
        machine: the machine that it was checked for.
        runs: how many rehearsals.
        seed: of everything drawn.
        spec: the rehearsal that is repeated; None: one on defaults.
        others: further routines that the runner hosts, such as those that a timeout falls back to.
        executor: runs the rehearsals; None: here, one block after the other.

    Raises:
        ModelError: less than one run, a seed below 0, nothing varies, or something would vary to where it cannot be.
    """
    planned = Spread(checked, machine=machine, runs=runs, seed=seed, spec=spec, others=others)
    return planned.report(planned.rows(executor))


@dataclass(frozen=True, slots=True)
class SpreadScene:
    """What all runs share, so that it can be sent to another process.

    Attributes:
        machine: as declared.
        checked: the routine.
        others: further routines that the runner hosts.
        spec: the rehearsal that is repeated.
        varied: what varies.
        seed: of everything drawn.
    """

    machine: Machine
    checked: CheckedRoutine
    others: tuple[CheckedRoutine, ...]
    spec: RehearsalSpec
    varied: tuple[Varied, ...]
    seed: int


class Spread:
    """A spread to be done: what `spread` does, for who wants its rows as they are found.

    The arguments are those of `spread`.

    Attributes:
        count: how many rows there will be.
        varied: what varies.
    """

    def __init__(
        self,
        checked: CheckedRoutine,
        *,
        machine: Machine,
        runs: int,
        seed: int = 0,
        spec: RehearsalSpec | None = None,
        others: Iterable[CheckedRoutine] = (),
    ) -> None:
        if runs < 1:
            raise ModelError(f"a spread of {runs} runs says nothing; at least one is needed")
        if seed < 0:
            raise ModelError(f"the seed is {seed}; it must be a whole number, 0 or more")
        self.count = runs
        self.varied = tuple(all_varied(machine))
        if not any(one.varies for one in self.varied):
            raise ModelError(
                f"nothing varies on '{machine.name}': it has no 'variation' and no range of latency, counterbalance or "
                "other load; every run would be the same"
            )
        _see_that_ends_can_be(machine, self.varied)
        given = spec or RehearsalSpec("on defaults")
        self.scene = SpreadScene(machine, checked, tuple(others), given, self.varied, seed)

    def rows(self, executor: Executor | None = None) -> Iterator[SpreadRow]:
        """The rows in order, a block at a time.

        Args:
            executor: runs the rehearsals; None: here, one block after the other.
        """
        block = min(MOST_AT_ONCE, max(FEWEST_AT_ONCE, -(-self.count // PARTS)))
        blocks = [(self.scene, begin, min(block, self.count - begin)) for begin in range(0, self.count, block)]
        for rows in in_order(executor, run_block, blocks):
            yield from rows

    def report(self, rows: Iterable[SpreadRow]) -> SpreadReport:
        """These rows as a report; fewer than `count` make one that is not complete."""
        scene = self.scene
        return SpreadReport(
            scene.checked.name, scene.spec.name, scene.machine, self.varied, tuple(rows), self.count, scene.seed
        )


def run_block(scene: SpreadScene, begin: int, count: int) -> list[SpreadRow]:
    """Some runs that come one after the other; a row each. It runs in whatever process.

    Args:
        scene: what they share.
        begin: number of the first.
        count: how many.
    """
    draws = [draw(scene.varied, scene.seed, begin + number) for number in range(count)]
    spec, machine = scene.spec, scene.machine
    chosen = spec.start if spec.start is not None else scene.checked.routine["from"]
    start = start_positions(machine, chosen, scene.checked) or {}
    pressed = tuple((time / NANOSECONDS, button) for button, time in spec.pressed)
    samples = []
    for one in draws:
        drawn = drawn_machine(machine, start, dict(zip(scene.varied, one.values, strict=True)))
        samples.append(
            Sample(
                drawn.machine,
                seed=one.seed,
                start=drawn.start,
                piece=spec.piece,
                parameters=dict(spec.parameters),
                gauges=dict(spec.gauges),
                offered=dict(spec.offered),
                faults=drawn.faults,
                contacts=contacts_of(spec),
                pressed=pressed,
            )
        )
    margin = spec.expect.clearance or 0.0
    results = rehearse_many(scene.checked, samples, others=scene.others, limit=LIMIT, margin=margin)
    carriers = {name: piece.carried_by for name, piece in machine.pieces.items()}
    return [
        _row(begin + number, values.values, result, spec, machine, carriers)
        for number, (values, result) in enumerate(zip(draws, results, strict=True))
    ]


def _row(
    run: int,
    values: tuple[float, ...],
    result: Result,
    spec: RehearsalSpec,
    machine: Machine,
    carriers: dict[str, str],
) -> SpreadRow:
    near, release = result.clearance, result.release
    pose = None
    if release is not None:
        carrier = carriers.get(release.piece, "")
        axis = machine.axes.get(carrier)
        pose = release.positions[carrier] if axis is not None and axis.travel is not None else None
    return SpreadRow(
        run,
        values,
        failure_of(result, spec.expect, machine),
        result.outcome,
        result.cause,
        result.duration if result.outcome == "done" else None,
        near,
        None if release is None else release.time_ns / NANOSECONDS,
        pose,
        result.least_battery,
    )


def _see_that_ends_can_be(machine: Machine, varied: Sequence[Varied]) -> None:
    """A plant is built at the least and the greatest of everything, so that what cannot be is told before any run."""
    for ends in ("low", "high"):
        values = {one: getattr(one, ends) for one in varied if one.quantity not in _NOT_BUILT}
        try:
            Plant(varied_machine(machine, values))
        except ModelError as error:
            which = "least" if ends == "low" else "greatest"
            raise ModelError(f"with the {which} value of everything that varies: {error}") from None


_NOT_BUILT = ("start", "reading", "noise", "offset", "late", "missing")
