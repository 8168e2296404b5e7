"""What a rehearsal costs in lockstep with many others, against one alone in the same run."""

from __future__ import annotations

from pathlib import Path
from time import process_time

import pytest

from sequencer import load_routine
from sequencer.check import check
from sequencer.rehearse import Sample, rehearse, rehearse_many

DEMO = Path(__file__).parents[2] / "demos" / "lantern" / "hang_ridge.routine.yaml"
SAMPLES = 500


@pytest.mark.bench
def test_a_rehearsal_in_lockstep_takes_less_than_a_third_of_one_alone_bodies_looked_at_in_both():
    routine = load_routine(DEMO)
    checked = check(routine)
    spec = routine.rehearsals[0]
    alone = []
    for _ in range(5):
        began = process_time()
        rehearse(checked, machine=routine.machine, spec=spec)
        alone.append(process_time() - began)
    sample = Sample(routine.machine, piece=spec.piece, gauges=dict(spec.gauges))
    given = [Sample(**{name: getattr(sample, name) for name in sample.__slots__} | {"seed": n}) for n in range(SAMPLES)]
    began = process_time()
    results = list(rehearse_many(checked, given, margin=0.0))
    each = (process_time() - began) / SAMPLES
    assert {result.outcome for result in results} == {"done"}
    assert all(result.clearance is not None for result in results)
    print(f"{each * 1e3:.1f} ms in lockstep, {min(alone) * 1e3:.1f} ms alone; 10,000: {each * 5e3:.0f} s on two cores")
    assert each < min(alone) / 3.0
