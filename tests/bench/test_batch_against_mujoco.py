"""The batch's physics against MuJoCo's native rollout on one thread: the same mechanism, the same millisecond steps."""

from __future__ import annotations

from math import cos, radians, sin
from time import process_time

import numpy as np
import pytest

from sequencer.plant.batch_mechanism import MechanismBatch
from sequencer.plant.linkage import Body, Joint, Linkage
from sequencer.plant.mechanism import Mechanism

mujoco = pytest.importorskip("mujoco", reason="mujoco is not installed; pip install 'stepgraph[test]' brings it")

SAMPLES, STEPS, STEP = 2000, 100, 1e-3
LEAN, ARM = radians(66.0), 0.22
MODEL = """
<mujoco>
  <option timestep="{step}" gravity="0 0 -9.80665" integrator="{integrator}"><flag contact="disable"/></option>
  <worldbody><body>
    <joint name="lift" type="slide" axis="{c} 0 {s}" damping="20" armature="1.7"/>
    <inertial pos="0 0 0" mass="5" diaginertia="1 1 1"/>
    <body pos="0.1 0 0.02">
      <joint name="wrist" type="hinge" axis="0 -1 0" damping="0.3" armature="0.08"/>
      <inertial pos="{arm} 0 0" mass="3" diaginertia="0.04 0.04 0.04"/>
    </body>
  </body></worldbody>
</mujoco>
"""


def ours() -> float:
    """Seconds of processor time a sample-step."""
    made = []
    for _ in range(SAMPLES):
        tree = Linkage(
            [
                Joint(-1, 0, 1.0, False, False, 0j, complex(cos(LEAN), sin(LEAN))),
                Joint(0, 1, 1.0, True, True, 0.1 + 0.02j, 1 + 0j),
            ]
        )
        tree.add(0, Body(5.0, 0j))
        tree.add(1, Body(3.0, ARM + 0j, 0.04))
        mechanism = Mechanism(2, [tree], [False, False], [])
        mechanism.extra_inertia[:] = [1.7, 0.08]
        mechanism.viscous[:] = [20.0, 0.3]
        made.append(mechanism)
    batch = MechanismBatch(made, [False, False], [])
    batch.position += np.random.default_rng(1).uniform(-0.1, 0.1, batch.position.shape)
    began = process_time()
    for _ in range(STEPS):
        batch.step(STEP)
    return (process_time() - began) / (SAMPLES * STEPS)


def theirs(integrator: str) -> float:
    """Likewise, for one of its integrators."""
    from mujoco import rollout

    text = MODEL.format(step=STEP, integrator=integrator, c=cos(LEAN), s=sin(LEAN), arm=ARM)
    model = mujoco.MjModel.from_xml_string(text)
    data = mujoco.MjData(model)
    size = mujoco.mj_stateSize(model, mujoco.mjtState.mjSTATE_FULLPHYSICS)
    start = np.zeros((SAMPLES, size))
    began = process_time()
    rollout.rollout(model, data, start, nstep=STEPS)
    return (process_time() - began) / (SAMPLES * STEPS)


@pytest.mark.bench
def test_the_batch_steps_eight_times_faster_than_the_native_rollout():
    fastest = min(min(theirs(name) for _ in range(3)) for name in ("Euler", "implicitfast", "implicit"))
    own = min(ours() for _ in range(3))
    print(f"{own * 1e6:.3f} us a sample-step, the rollout {fastest * 1e6:.3f} us: {fastest / own:.1f} times faster")
    assert fastest > 8.0 * own
