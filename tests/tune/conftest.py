"""A bench with a lift, a wrist on it and rollers on that; and sessions recorded on its plant, with gauges that are not
perfect."""

from __future__ import annotations

import random
from collections.abc import Mapping
from pathlib import Path

import pytest

from sequencer import CheckedRoutine, Recorder, Runner, Trace, check, load_machine, load_routine
from sequencer.machine.machine import Machine
from sequencer.plant import Plant

MACHINE = """\
# A bench. Comments stay where they are.
machine: bench
period: 20 ms
battery: {open_circuit: 12.5 V, resistance: 20 mohm, brown_out: 6.8 V}
motors:
  large:
    {rated_voltage: 12 V, stall_torque: 2.7 N.m, stall_current: 132 A, no_load_speed: 5450 rpm, no_load_current: 2 A,
     rotor_inertia: 4e-5 kg.m2}
  small:
    {rated_voltage: 12 V, stall_torque: 1.1 N.m, stall_current: 88 A, no_load_speed: 9400 rpm, no_load_current: 1.6 A,
     rotor_inertia: 1.4e-5 kg.m2}
axes:
  lift:
    kind: linear
    mount: {direction: 66 deg}
    travel: [0 m, 1.18 m]
    limits: {velocity: [-1.1 m/s, 1.3 m/s], acceleration: [-6 m/s2, 5 m/s2], jerk: 80 m/s3}
    tolerance: {position: 8 mm, settle: 60 ms, following: 80 mm, behind: wait}
    actuators:
      left: {motor: large, ratio: 7, travel_per_turn: 132 mm, efficiency: 0.88, winding_limit: 40 A}
      right: {motor: large, ratio: 7, travel_per_turn: 132 mm, efficiency: 0.88, winding_limit: 40 A}
    latency: [10 ms, 30 ms]
    between: carry_on
    load: {mass: 7.8 kg, counterbalance: [58 N, 66 N], coulomb: 18 N, viscous: 10 N.s/m}   # kept as it is
  wrist:
    kind: rotary
    mount: {to: lift, at: [0.10 m, 0.02 m], angle_from: level}
    travel: [-95 deg, 120 deg]
    limits: {velocity: 420 deg/s, acceleration: [-4500 deg/s2, 3200 deg/s2], jerk: 110000 deg/s3}
    tolerance: {position: 2 deg, settle: 60 ms, following: 30 deg, behind: wait}
    actuators:
      turner: {motor: large, ratio: 40, efficiency: 0.9, winding_limit: 60 A}
    latency: [10 ms, 30 ms]
    between: carry_on
    load: {mass: 2.2 kg, centre: [0.16 m, 0 m], inertia: 0.03 kg.m2, coulomb: 0.6 N.m, viscous: 0.05 N.m.s/rad}
  rollers:
    kind: spin
    mount: {to: wrist, at: [0.30 m, 0 m]}
    limits: {velocity: 300 rad/s, acceleration: 6000 rad/s2}
    actuators:
      feeder: {motor: small, ratio: 3, efficiency: 0.9, winding_limit: 40 A}
    latency: [10 ms, 30 ms]
    load: {inertia: 4e-4 kg.m2, coulomb: 0.02 N.m}
sensors:
  piece: {kind: one_of, values: [none, lantern, float], plant: piece}
pieces:
  lantern:
    {mass: 0.6 kg, carried_by: wrist, centre: [0.34 m, 0 m], gripped_by: rollers, grip_torque: 2.4 N.m,
     turns_to_leave: 1.2 turn, inertia: 1e-3 kg.m2}
  float:
    {mass: 0.35 kg, carried_by: wrist, centre: [0.32 m, 0 m], gripped_by: rollers, grip_torque: 2.0 N.m,
     turns_to_leave: 1.0 turn}
presets:
  start: {lift: 0.2 m, wrist: 70 deg}
"""
EXERCISE = """\
routine: exercise
machine: machine.yaml
from: start
defaults: {timeout: planned + 2 s}
steps:
- lift_1: {move: {lift: 1.1 m}}
- lift_2: {move: {lift: 0.3 m}, limits: {velocity: 60 %}}
- lift_3: {move: {lift: 0.9 m}, limits: {velocity: 40 %}}
- lift_4: {move: {lift: 0.1 m}}
- lift_5: {move: {lift: 0.6 m}, limits: {velocity: 70 %, acceleration: 60 %}}
- lift_6: {move: {lift: 0.2 m}, limits: {velocity: 30 %}}
- wrist_1: {move: {wrist: -80 deg}}
- wrist_2: {move: {wrist: 100 deg}, limits: {velocity: 50 %, acceleration: 50 %}}
- wrist_3: {move: {wrist: -20 deg}, limits: {velocity: 30 %}}
- wrist_4: {move: {wrist: 110 deg}}
- wrist_5: {move: {wrist: -90 deg}, limits: {velocity: 60 %, acceleration: 40 %}}
- wrist_6: {move: {wrist: 40 deg}, limits: {velocity: 35 %}}
- wrist_7: {move: {wrist: -50 deg}, limits: {acceleration: 50 %}}
- wrist_8: {move: {wrist: 70 deg}}
"""
SHORT = """\
routine: short
machine: machine.yaml
from: start
defaults: {timeout: planned + 2 s}
steps:
- up: {move: {lift: 0.9 m}}
- down: {move: {lift: 0.2 m}}
- back: {move: {wrist: -30 deg}}
- flick: {flick: {wrist: {through: 58 deg, speed: 380 deg/s, to: 84 deg}}}
"""
RELEASE = """\
routine: hang
machine: machine.yaml
from: start
parameters:
  release_lead: {value: 30 ms, range: [0 ms, 80 ms]}
defaults: {timeout: planned + 2 s}
steps:
- back: {move: {wrist: -30 deg}}
- flick: {flick: {wrist: {through: 58 deg, speed: 380 deg/s, to: 84 deg}}}
- let_go: {passing: {step: flick, at: through, lead: release_lead}, pulse: {rollers: -8 V}, for: 140 ms}
- settle: {wait: 400 ms}
"""


class Bench:
    """The machine in a folder of its own, with its routines checked."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.file = folder / "machine.yaml"
        self.file.write_text(MACHINE)
        self.machine: Machine = load_machine(self.file)
        self.checked: dict[str, CheckedRoutine] = {}
        for name, text in (("exercise", EXERCISE), ("short", SHORT), ("hang", RELEASE)):
            (folder / f"{name}.routine.yaml").write_text(text)
            self.checked[name] = check(load_routine(folder / f"{name}.routine.yaml", self.machine))

    def session(
        self,
        name: str,
        seed: int,
        noise: Mapping[str, float],
        *,
        parameters: Mapping[str, float] | None = None,
        piece: str | None = None,
        machine: Machine | None = None,
    ) -> tuple[Trace, Plant]:
        """A run recorded on the plant of a machine (this one, or what it truly is), and that plant afterwards.

        Positions (of a spin its speed) have normal noise of the given spread, currents of 0.1 A, speeds of 1 % of a
        unit.
        """
        chance, true = random.Random(seed), machine or self.machine
        checked = self.checked[name]
        recorder = Recorder(checked.machine, [checked])
        runner = Runner(checked, recorder)
        start = dict(self.machine.presets["start"].positions)
        plant = Plant(true, seed=seed, start=start, piece=piece, substeps=4)
        now = tick = 0
        over = False
        while not over and tick < 1500:
            readings = plant.readings(now)
            readings.axes = {
                axis: read._replace(
                    position=None if read.position is None else read.position + chance.gauss(0.0, noise.get(axis, 0.0)),
                    speed=read.speed + chance.gauss(0.0, 0.01 if read.position is not None else noise.get(axis, 0.01)),
                    current=read.current + chance.gauss(0.0, 0.1),
                )
                for axis, read in readings.axes.items()
            }
            if tick == 3:
                runner.request(name, dict(parameters or {}))
            orders = runner.tick(readings)
            plant.apply(orders)
            plant.advance(20_000_000)
            over = any(event.kind == "run" and event.text != "start" for event in orders.events)
            now += 20_000_000
            tick += 1
        return recorder.trace(), plant


@pytest.fixture(scope="session")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    return Bench(tmp_path_factory.mktemp("bench"))
