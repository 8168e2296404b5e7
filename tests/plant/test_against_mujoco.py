"""The plant's equations against MuJoCo, a general physics engine, integrated with its Runge-Kutta method of order 4.

The same slide and hinge, the same forces, no friction. Its own Euler integrators are no reference (they are off by a
millimetre); sticking is tested elsewhere, for soft constraints creep.
"""

from __future__ import annotations

from math import cos, radians, sin

import pytest

from sequencer.plant.linkage import Body, Joint, Linkage
from sequencer.plant.mechanism import Mechanism

mujoco = pytest.importorskip("mujoco", reason="mujoco is not installed; pip install 'stepgraph[test]' brings it")

LEAN, ARM = radians(66.0), 0.22
STEP = 1e-3
FINE = 100
"""Steps of the plant in one of the reference; its error falls with the square of the step."""
CLOSE = 1e-6
"""What both may differ by after two seconds [m and rad]."""
MODEL = f"""
<mujoco>
  <option timestep="{STEP}" gravity="0 0 -9.80665" integrator="RK4"><flag contact="disable"/></option>
  <worldbody><body pos="-0.12 0 0.16">
    <joint name="lift" type="slide" axis="{cos(LEAN)} 0 {sin(LEAN)}" damping="20" armature="1.7"/>
    <inertial pos="0 0 0" mass="5" diaginertia="1 1 1"/>
    <body pos="0.1 0 0.02">
      <joint name="wrist" type="hinge" axis="0 -1 0" damping="0.3" armature="0.08"/>
      <inertial pos="{ARM} 0 0" mass="3" diaginertia="0.04 0.04 0.04"/>
    </body>
  </body></worldbody>
  <actuator><motor joint="lift"/><motor joint="wrist"/></actuator>
</mujoco>
"""


def drive(time: float) -> tuple[float, float]:
    """Force [N] and torque [N m], held for a step."""
    return 74.0 + 40.0 * sin(9.0 * time), 5.0 + 3.0 * sin(13.0 * time + 1.0)


def plant() -> Mechanism:
    along = complex(cos(LEAN), sin(LEAN))
    tree = Linkage(
        [Joint(-1, 0, 1.0, False, False, -0.12 + 0.16j, along), Joint(0, 1, 1.0, True, True, 0.1 + 0.02j, 1 + 0j)]
    )
    tree.add(0, Body(5.0, 0j))
    tree.add(1, Body(3.0, ARM + 0j, 0.04))
    mechanism = Mechanism(2, [tree], [False, False], [])
    mechanism.extra_inertia[:] = [1.7, 0.08]
    mechanism.viscous[:] = [20.0, 0.3]
    return mechanism


def test_a_slide_and_a_hinge_move_as_the_reference_says_for_two_seconds():
    model = mujoco.MjModel.from_xml_string(MODEL)
    data = mujoco.MjData(model)
    mechanism = plant()
    data.qpos[:] = mechanism.position[:] = [0.2, 0.3]
    data.qvel[:] = mechanism.speed[:] = [0.5, -2.0]
    worst, travelled = 0.0, [0.0, 0.0]
    for step in range(round(2.0 / STEP)):
        force = drive(step * STEP)
        data.ctrl[:] = mechanism.force[:] = force
        mujoco.mj_step(model, data)
        before = list(mechanism.position)
        for _ in range(FINE):
            mechanism.step(STEP / FINE)
        for axis in (0, 1):
            travelled[axis] += abs(mechanism.position[axis] - before[axis])
            worst = max(worst, abs(mechanism.position[axis] - data.qpos[axis]))
    assert min(travelled) > 0.3  # it did move
    assert worst < CLOSE, worst


def test_in_steps_of_a_millisecond_it_stays_within_a_tenth_of_a_millimetre():
    model = mujoco.MjModel.from_xml_string(MODEL)
    data = mujoco.MjData(model)
    mechanism = plant()
    data.qpos[:] = mechanism.position[:] = [0.2, 0.3]
    for step in range(round(2.0 / STEP)):
        data.ctrl[:] = mechanism.force[:] = drive(step * STEP)
        mujoco.mj_step(model, data)
        mechanism.step(STEP)
        assert mechanism.position == pytest.approx(list(data.qpos), abs=1e-4)
