"""Makes the made-up logs of this folder: 24 attempts at hanging a lantern, by the simulated machine.

No real machine has ever done this. An attempt counts as made if the lantern left the rollers while the wrist passed
within `WINDOW` of the angle that the hook wants, and as missed otherwise: an invented rule, which the logs do not
contain and a fit has to find by itself. The third run of the first log never comes near enough to the hook.

    python demos/lantern/make_attempts.py [FOLDER]
"""

from __future__ import annotations

import random
import sys
from dataclasses import replace
from math import degrees
from pathlib import Path

from sequencer import Readings, Recorder, Runner, Trace, check, load_machine, load_routine
from sequencer.machine.machine import Machine
from sequencer.pack import CheckedRoutine
from sequencer.plant import Plant
from sequencer.ports.readings import Parts
from sequencer.rehearse.gauges import ScriptedGauges
from sequencer.trace import write_csv

HERE = Path(__file__).parent
SEED = 7
RUNS = (3, 7, 7, 7)
"""So many attempts are in each log."""
HOOK, WINDOW = 68.0, 6.0
"""The hook wants the lantern to leave at this angle of the wrist [deg], give or take so many."""
NOTE = (
    f"made up on the simulated machine with seed {SEED} by demos/lantern/make_attempts.py; "
    f"made: the lantern left within {WINDOW:g} deg of {HOOK:g} deg"
)
PERIOD = 20_000_000
PAUSE = 5
"""Ticks without permission to move between two runs, while somebody hands in the next lantern."""


def main(folder: Path) -> None:
    """Write the logs into a folder."""
    machine = load_machine(HERE / "machine.yaml")
    checked = check(load_routine(HERE / "hang_ridge.routine.yaml", machine))
    for number in range(len(RUNS)):
        trace = session(machine, checked, number)
        write_csv(folder / f"attempts_{number + 1}.csv", trace)


def session(machine: Machine, checked: CheckedRoutine, number: int) -> Trace:
    """One log of several attempts."""
    chance = random.Random(SEED * 1000 + number)
    recorder = Recorder(checked.machine, [checked])
    runner = Runner(checked, recorder)
    now = 0
    for run in range(RUNS[number]):
        lead = round(chance.uniform(0.0, 0.08), 3)
        near = 0.34 if (number, run) == (0, 2) else round(chance.uniform(0.26, 0.29), 3)
        now = attempt(machine, runner, now, lead, near, chance)
    trace = recorder.trace()
    return replace(trace, header=replace(trace.header, note=NOTE))


def attempt(machine: Machine, runner: Runner, now: int, lead: float, near: float, chance: random.Random) -> int:
    """One run, and what a person at the field says of it; the time of the tick after it [ns]."""
    preset = machine.presets["carry"].positions
    start = {axis: place for axis, place in preset.items() if machine.axes[axis].travel is not None}
    plant = Plant(machine, seed=chance.randrange(1 << 30), start=start, piece="lantern")
    script = ScriptedGauges(
        machine, {"range_to_hook": [(0, 0.5), (1_300_000_000, near), (2_700_000_000, near), (3_100_000_000, 0.7)]}
    )
    tick = 0
    over = -1
    while over < 0 or tick < over + PAUSE:
        readings = _noticed(plant.readings(now, script.values(tick * PERIOD)), chance)
        readings.parts = {"lift": _parts(plant)}
        readings.enabled = over >= 0 or tick >= PAUSE
        if tick == PAUSE:
            runner.request("hang_ridge", {"release_lead": lead})
        orders = runner.tick(readings)
        plant.apply(orders)
        plant.advance(PERIOD)
        if over < 0 and any(event.kind == "run" and event.text != "start" for event in orders.events):
            over = tick
            released = plant.release
            angle = None if released is None else degrees(released.positions["wrist"])
            runner.note("label", "made" if angle is not None and abs(angle - HOOK) <= WINDOW else "missed")
        now += PERIOD
        tick += 1
    return now


def _noticed(readings: Readings, chance: random.Random) -> Readings:
    """As gauges with finite steps give it: 0.1 mm or 0.1 mrad with a little noise, 1 mm/s or 1 mrad/s, 0.1 A."""
    axes = {
        name: axis._replace(
            position=None if axis.position is None else round(axis.position + chance.gauss(0.0, 1e-4), 4),
            speed=None if axis.speed is None else round(axis.speed, 3),
            current=None if axis.current is None else round(axis.current, 1),
        )
        for name, axis in readings.axes.items()
    }
    sensors = {name: round(value, 3) if isinstance(value, float) else value for name, value in readings.sensors.items()}
    battery = None if readings.battery is None else round(readings.battery, 2)
    return Readings(readings.now_ns, readings.enabled, axes, sensors, battery)


def _parts(plant: Plant) -> Parts:
    """What each motor of the lift draws."""
    lift = next(drive for drive in plant.parts.driven if drive.axis.name == "lift")
    return Parts((), tuple(round(group.current, 1) for group in lift.controller.groups for _ in range(group.count)))


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else HERE / "logs")
