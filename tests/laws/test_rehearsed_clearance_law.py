"""The law of clearance on the simulated machine: what the check calls clear keeps every margin, however late, held,
cancelled or slow it is.

The proof widens every axis by its tracking band, so on a plant that follows its orders within that band nothing is
taken off the margin here.
"""

from __future__ import annotations

from dataclasses import replace
from math import inf
from pathlib import Path
from random import Random
from typing import Any, NamedTuple

import pytest

from sequencer import CheckedRoutine, load_routine
from sequencer.check import examine
from sequencer.check.bodies import bodies_of
from sequencer.check.compile import compile_routine
from sequencer.machine.machine import NANOSECONDS
from sequencer.plant import AxisJammed, BatteryWeak, Fault, OrdersLost, SensorLate, TicksLate
from sequencer.rehearse import Rehearsal, rehearse
from sequencer.routine.routine import Routine
from sequencer.routine.steps import RehearsalSpec

DEMO = Path(__file__).parents[2] / "demos" / "lantern"
FILES = sorted(DEMO.glob("*.routine.yaml"))
CLEAR = [path for path in FILES if not path.name.startswith("broken_")]


class Disturbed(NamedTuple):
    """What a random rehearsal is called with."""

    spec: RehearsalSpec
    start: dict[str, float]
    places: dict[str, float]
    pressed: list[tuple[float, Any]]
    faults: list[Fault]
    piece: str | None
    seed: int


def disturbed(routine: Routine, seed: int) -> Disturbed:
    """A rehearsal of the routine's own, with everything later, slower, held or broken off at random."""
    source, machine = Random(f"{routine.name} {seed}"), routine.machine
    spec = source.choice(routine.rehearsals or (RehearsalSpec("on defaults"),))
    known = machine.presets[spec.start or routine.start].positions
    start = {
        axis: position + source.uniform(-0.9, 0.9) * machine.axes[axis].tolerance.position
        for axis, position in known.items()
    }
    for axis, (low, high) in ((axis, machine.axes[axis].travel or (0.0, 0.0)) for axis in start):
        start[axis] = min(max(start[axis], low), high)
    pressed: list[tuple[float, Any]] = []
    for _ in range(source.choice([0, 0, 1, 2, 3])):
        time = source.uniform(0.0, 3.0)
        pressed += [(time, "hold"), (time + source.uniform(0.05, 0.6), "resume")]
    if source.random() < 0.3:
        pressed.append((source.uniform(0.0, 4.0), "cancel"))
    faults: list[Fault] = []
    # Later than the longest gap all drives drop, and a machine that sinks follows no orders; so these never add up.
    most = (machine.longest_gap - machine.period) / NANOSECONDS - 0.002
    late, time = source.choice([0, 0, 1, 2, 4]), 0.0
    for _ in range(late):
        time += source.uniform(0.0, 1.0)
        until = time + source.uniform(0.02, 0.3)
        faults.append(TicksLate(source.uniform(0.001, most), time, until))
        time = until
    if not late and source.random() < 0.4:
        time = source.uniform(0.0, 3.0)
        faults.append(OrdersLost(time, time + source.uniform(0.01, 0.06)))
    for axis in machine.axes.values():
        if axis.travel is not None and source.random() < 0.4:
            # Stiff for a while, so that it lags, or stands, so that what moves with it goes on alone.
            time = source.choice([0.0, source.uniform(0.0, 1.0), source.uniform(0.0, 3.0)])
            force = source.choice([source.uniform(0.0, 40.0 if axis.kind == "linear" else 4.0), inf])
            faults.append(AxisJammed(axis.name, force, time, time + source.uniform(0.05, 0.8)))
    if source.random() < 0.3:
        faults.append(BatteryWeak(source.uniform(11.0, 12.5), source.uniform(0.02, 0.03)))
    places = _places(routine, spec, source)
    if source.random() < 0.5:
        spec = _late(spec, source)
    else:
        faults += [SensorLate(name, source.uniform(0.0, 0.3)) for name in dict(spec.gauges)]
    held = spec.piece
    if held is None and not dict(spec.offered):
        held = source.choice([None, *machine.pieces])
    return Disturbed(spec, start, places, pressed, faults, held, seed)


def _late(spec: RehearsalSpec, source: Random) -> RehearsalSpec:
    """What gauges tell comes sooner or later, and with it every step that waits for it."""
    stretch, shift = source.uniform(0.7, 1.6), source.randint(0, NANOSECONDS)
    gauges = [
        (name, script if isinstance(script, bool | int | float | str) else _stretched(script, stretch, shift))
        for name, script in dict(spec.gauges).items()
    ]
    return replace(spec, gauges=tuple(gauges))


def _stretched(table: Any, stretch: float, shift: int) -> Any:
    return tuple((round(time * stretch) + (shift if time else 0), value) for time, value in table)


def _places(routine: Routine, spec: RehearsalSpec, source: Random) -> dict[str, float]:
    """Somewhere in the range that the routine gives from its beginning on; ends often."""
    found = {}
    for body in routine.machine.bodies.values():
        if body.range is None or body.reading in dict(spec.gauges):
            continue
        spans = [one.range for one in routine.outside if one.body == body.name and one.since is None]
        low, high = spans[0] if spans else body.range
        found[body.name] = source.choice([low, high, source.uniform(low, high)])
    return found


def played(checked: CheckedRoutine, routine: Routine, seed: int) -> Rehearsal:
    found = disturbed(routine, seed)
    return rehearse(
        checked,
        machine=routine.machine,
        spec=found.spec,
        start=found.start,
        places=found.places,
        pressed=found.pressed,
        piece=found.piece,
        faults=found.faults,
        seed=found.seed,
        limit=12.0,
    )


def keeps_its_margins(path: Path, times: int) -> None:
    routine = load_routine(path)
    found = examine(routine)
    assert found.verdict == "clear", [finding.message for finding in found.findings]
    assert found.checked is not None
    assert bodies_of(routine.machine).pairs, "nothing is watched, and nothing would be shown"
    outcomes = set()
    for seed in range(times):
        run = played(found.checked, routine, seed)
        outcomes.add(run.outcome)
        assert run.clearance is not None
        assert not run.clearance.too_near, (seed, run, run.clearance)
    assert "done" in outcomes
    assert outcomes & {"cancelled", "faulted"}, "nothing was disturbed"


@pytest.mark.parametrize("path", CLEAR, ids=[path.name.partition(".")[0] for path in CLEAR])
def test_a_clear_routine_of_the_demo_keeps_every_margin_in_random_rehearsals(path: Path) -> None:
    keeps_its_margins(path, 20)


@pytest.mark.slow
@pytest.mark.parametrize("path", CLEAR, ids=[path.name.partition(".")[0] for path in CLEAR])
def test_a_clear_routine_of_the_demo_keeps_every_margin_in_a_thousand_rehearsals(path: Path) -> None:
    keeps_its_margins(path, 1000)


def without_gates(name: str) -> Routine:
    """A routine of the demo whose steps wait for nothing, with the post as near as it lets it come from the start."""
    routine = load_routine(DEMO / f"{name}.routine.yaml")
    near = RehearsalSpec("near", gauges=(("range_to_hook", 0.27),), piece="lantern")
    return replace(routine, steps=tuple(replace(step, once=None) for step in routine.steps), rehearsals=(near,))


@pytest.mark.parametrize("name", ["hang_ridge", "broken_reach"])
def test_a_broken_order_that_is_run_all_the_same_is_caught_by_the_same_measurement(name: str) -> None:
    """Neither the verdict nor the supervisor, which would hold it, is asked."""
    routine = without_gates(name)
    assert examine(routine).verdict == "conflict"
    compiled = compile_routine(routine)
    blind = CheckedRoutine(
        {key: value for key, value in compiled.machine.items() if key != "blocked"}, compiled.routine
    )
    runs = [played(blind, routine, seed) for seed in range(20)]
    near = [run.clearance for run in runs if run.clearance is not None and run.clearance.too_near]
    assert len(near) >= 2
