"""A small machine and routines, compiled from the files' own texts."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import pytest

from sequencer import load_routine
from sequencer.check.compile import compile_routine
from sequencer.machine.machine import Machine
from sequencer.pack import CheckedRoutine
from sequencer.routine.routine import Routine

MACHINE = """
machine: lantern hand
period: 20 ms
battery: {open_circuit: 12.5 V, resistance: 20 mohm, brown_out: 6.8 V, other_load: [3 A, 9 A]}
motors:
  large: {rated_voltage: 12 V, stall_torque: 2.7 N.m, stall_current: 132 A, no_load_speed: 5450 rpm,
    no_load_current: 2 A, rotor_inertia: 4e-5 kg.m2}
  small: {rated_voltage: 12 V, stall_torque: 1.1 N.m, stall_current: 88 A, no_load_speed: 9400 rpm,
    no_load_current: 1.6 A, rotor_inertia: 1.4e-5 kg.m2}
axes:
  lift:
    kind: linear
    mount: {to: frame, direction: 66 deg}
    travel: [0 m, 1.18 m]
    limits: {velocity: 1.1 m/s, acceleration: 5 m/s2, jerk: 80 m/s3}
    tolerance: {position: 8 mm, settle: 60 ms, following: 50 mm, behind: fault}
    actuators:
      left: {motor: large, ratio: 7, travel_per_turn: 132 mm, efficiency: 0.88, winding_limit: 40 A}
      right: {motor: large, ratio: 7, travel_per_turn: 132 mm, efficiency: 0.88, winding_limit: 40 A}
    position: {from: [left, right], sense: relative, differ_by: 15 mm}
    latency: [10 ms, 30 ms]
    between: carry_on
    load: {mass: 7.8 kg, counterbalance: [58 N, 66 N], coulomb: 18 N, viscous: 10 N.s/m}
    rest: hold
  wrist:
    kind: rotary
    mount: {to: lift, at: [0.10 m, 0.02 m], angle_from: level}
    travel: [-95 deg, 120 deg]
    limits: {velocity: 420 deg/s, acceleration: 3000 deg/s2, jerk: 90000 deg/s3}
    tolerance: {position: 2 deg, settle: 60 ms, following: 20 deg}
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
    load: {inertia: 4e-4 kg.m2, coulomb: 0.02 N.m}
    rest: [{when: piece is lantern, at: 1.2 V}, {at: 0 V}]
sensors:
  lift_bottom: {kind: switch, plant: lift < 3 mm}
  piece: {kind: one_of, values: [none, lantern], stale_after: 200 ms, plant: piece}
  range_to_hook: {kind: number, unit: m, stale_after: 100 ms}
  lantern_in: {from: rollers.current > 20 A, steady: 80 ms, blind: 250 ms}
pieces:
  lantern: {mass: 0.6 kg, carried_by: wrist, centre: [0.34 m, 0 m], gripped_by: rollers, grip_torque: 2.4 N.m,
    turns_to_leave: 1.2 turn}
presets:
  carry: {lift: 0.10 m, wrist: 70 deg}
  eaves: {lift: 0.62 m, wrist: 15 deg}
interlocks:
  low_tuck: {keep_out: {lift: [0 m, 0.30 m], wrist: [-95 deg, 40 deg]}, because: the hand meets the bumper}
"""

IDEAL = """
machine: bare hand
period: 20 ms
axes:
  lift:
    kind: linear
    travel: [0 m, 1 m]
    limits: {velocity: 1 m/s, acceleration: 4 m/s2}
    tolerance: {position: 5 mm, settle: 40 ms, following: 60 mm}
    latency: [20 ms, 20 ms]
presets:
  low: {lift: 0.1 m}
  high: {lift: 0.9 m}
"""

HANG = """
routine: hang
machine: machine.yaml
from: carry
defaults: {timeout: planned + 0.8 s}
parameters:
  volts: {value: -8 V, range: [-10 V, -4 V]}
steps:
- raise: {move: {lift: eaves}}
- level: {move: {wrist: eaves}, with: raise, once: lift > 0.40 m}
- near: {wait: range_to_hook < 0.30 m, steady: 60 ms, timeout: 2 s, on_timeout: cancel}
- let_go: {pulse: {rollers: volts}, for: 300 ms}
- tuck: {move: {wrist: carry}}
- back: {move: {lift: carry}, with: tuck, once: wrist > 50 deg}
rehearsals:
- good approach:
    piece: lantern
    gauges: {range_to_hook: [[0 s, 0.60 m], [1 s, 0.29 m]]}
    expect: {outcome: done, finishes_within: 5 s, order: [raise, near, let_go, back]}
- never close:
    gauges: {range_to_hook: 0.60 m}
    expect: {outcome: cancelled, never: [let_go]}
- wrong hopes:
    piece: lantern
    gauges: {range_to_hook: 0.20 m}
    expect: {outcome: cancelled, finishes_within: 1 s, order: [let_go, raise], never: [back]}
"""

PULL_IN = """
routine: pull_in
machine: machine.yaml
from: carry
steps:
- take: {pulse: {rollers: 9 V}, until: lantern_in, timeout: 3 s, on_timeout: cancel}
"""

UP = """
routine: up
machine: bare.yaml
from: low
steps:
- rise: {move: high, timeout: 3 s}
"""


class Prepared(NamedTuple):
    """A routine as read and as compiled, with its machine."""

    checked: CheckedRoutine
    routine: Routine
    machine: Machine


@pytest.fixture
def prepare(tmp_path: Path) -> Callable[[str], Prepared]:
    """Reads and compiles a routine's text; `hang`, `pull_in` and `up` stand for those of this folder."""
    (tmp_path / "machine.yaml").write_text(MACHINE, encoding="utf-8")
    (tmp_path / "bare.yaml").write_text(IDEAL, encoding="utf-8")

    def prepared(text: str) -> Prepared:
        path = tmp_path / "x.routine.yaml"
        path.write_text({"hang": HANG, "pull_in": PULL_IN, "up": UP}.get(text, text), encoding="utf-8")
        routine = load_routine(path)
        return Prepared(compile_routine(routine), routine, routine.machine)

    return prepared
