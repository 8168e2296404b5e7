"""What retracing, fitting and tuning cost, as multiples of one bare pass over the same log by the csv module.

Ten minutes of a 6-axis log at 50 Hz are to be retraced in 3 s, an axis fitted in 1 s, 60 attempts tuned in 3 s; where
this was written the three took 1.3 s, 0.8 s and 0.3 s of processor time.
"""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path
from time import process_time

import pytest

from sequencer import Recorder, Runner, Trace, check, load_machine, load_routine, read_trace, retrace
from sequencer.plant import Plant
from sequencer.trace import write_csv
from sequencer.tune import timing_of
from sequencer.tune.fit import fit_axis
from sequencer.tune.releases import releases_of

pytestmark = pytest.mark.bench

DEMO = Path(__file__).parents[2] / "demos/lantern"
SIX = 20.0
"""The session may be decided again in so many bare passes over its file (each about 0.13 s)."""
FIT = 9.0
"""An axis may be fitted to it in so many."""
TUNE = 30.0
"""And 60 attempts be tuned in so many."""


def six_axes(folder: Path) -> tuple[Trace, object]:
    """Ten minutes at 50 Hz of a machine with six axes of the demo's kind that move all the time."""
    lines = ["machine: six", "period: 20 ms", "motors:"]
    lines += [
        "  m: {rated_voltage: 12 V, stall_torque: 2.7 N.m, stall_current: 132 A, no_load_speed: 5450 rpm}",
        "axes:",
    ]
    for number in range(6):
        lines += [
            f"  lift_{number}:",
            "    kind: linear",
            "    travel: [0 m, 1.2 m]",
            "    limits: {velocity: 1.1 m/s, acceleration: 5 m/s2, jerk: 80 m/s3}",
            "    tolerance: {position: 8 mm, settle: 60 ms, following: 80 mm, behind: wait}",
            "    actuators: {one: {motor: m, ratio: 7, travel_per_turn: 132 mm}}",
            "    latency: [10 ms, 30 ms]",
            "    between: carry_on",
            "    load: {mass: 6 kg, coulomb: 18 N, viscous: 10 N.s/m}",
        ]
    everywhere = ", ".join(f"lift_{number}: 0.1 m" for number in range(6))
    lines += ["presets:", f"  low: {{{everywhere}}}", f"  high: {{{everywhere.replace('0.1', '1.0')}}}"]
    (folder / "machine.yaml").write_text("\n".join(lines) + "\n")
    (folder / "swing.routine.yaml").write_text(
        "routine: swing\nmachine: machine.yaml\nfrom: low\ndefaults: {timeout: planned + 2 s}\n"
        "steps:\n- up: {move: high}\n- down: {move: low}\n"
    )
    machine = load_machine(folder / "machine.yaml")
    checked = check(load_routine(folder / "swing.routine.yaml", machine))
    recorder = Recorder(checked.machine, [checked])
    runner = Runner(checked, recorder)
    plant = Plant(machine, seed=1, start={f"lift_{number}": 0.1 for number in range(6)})
    now, idle = 0, True
    for _ in range(1500):
        if idle:
            runner.request("swing")
        orders = runner.tick(plant.readings(now))
        plant.apply(orders)
        plant.advance(20_000_000)
        now += 20_000_000
        idle = any(event.kind == "run" and event.text != "start" for event in orders.events) or (
            idle and now < 40_000_000
        )
    return recorder.trace(), (machine, checked)


def bare(path: Path) -> float:
    began = process_time()
    with path.open(newline="", encoding="utf-8") as file:
        for _ in csv.reader(file):
            pass
    return process_time() - began


def test_ten_minutes_of_six_axes_are_retraced_and_fitted_in_few_passes(tmp_path: Path) -> None:
    """Half a minute is simulated, and its cost counted twenty times for the retrace; the fit gets it twenty times."""
    trace, (machine, checked) = six_axes(tmp_path)  # type: ignore[misc]
    write_csv(tmp_path / "six.csv", trace)
    passes = 20.0 * min(bare(tmp_path / "six.csv") for _ in range(5))
    began = process_time()
    again = retrace(trace, checked)
    retraced = 20.0 * (process_time() - began)
    assert again.identical
    long = []
    for copy in range(20):
        shift = copy * 1500
        long += [row._replace(tick=row.tick + shift, now_ns=row.now_ns + shift * 20_000_000) for row in trace.rows]
    # Each axis stands alone on the frame, so that all of its moves count.
    began = process_time()
    fit = fit_axis([replace(trace, rows=tuple(long))], machine, "lift_2")
    fitted = process_time() - began
    print(f"bare {passes:.2f} s; retrace of 10 minutes {retraced:.2f} s; fit of one axis {fitted:.2f} s: {fit.model}")
    assert retraced < SIX * passes
    assert fitted < FIT * passes


def test_sixty_attempts_are_tuned_in_few_passes(tmp_path: Path) -> None:
    traces = [read_trace(path) for path in sorted((DEMO / "logs").glob("*.csv"))]
    traces = (traces * 3)[:10]
    assert sum(len(trace.runs()) for trace in traces) >= 58
    passes = sum(bare(path) for path in sorted((DEMO / "logs").glob("*.csv"))) * 10 / 4
    routine = load_routine(DEMO / "hang_ridge.routine.yaml")
    began = process_time()
    timing = timing_of(traces, routine)
    releases = releases_of(traces, routine)
    words = [*timing.words(0), *(line for one in releases for line in one.words(routine.machine))]
    taken = process_time() - began
    print(f"bare {passes:.3f} s; {len(timing.success.attempts)} attempts tuned in {taken:.2f} s")
    assert len(words) > 3
    assert taken < TUNE * passes
