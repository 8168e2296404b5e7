"""How many times faster than real time a rehearsal runs, runner, recorder and plant together."""

from __future__ import annotations

from pathlib import Path
from time import perf_counter

import pytest

from sequencer import load_routine
from sequencer.check import check
from sequencer.rehearse import rehearse

DEMO = Path(__file__).parents[2] / "demos" / "lantern" / "hang_ridge.routine.yaml"


@pytest.mark.bench
def test_three_axes_are_rehearsed_thirty_times_faster_than_they_move():
    routine = load_routine(DEMO)
    checked = check(routine)
    ratios = []
    for _ in range(5):
        began = perf_counter()
        found = rehearse(checked, machine=routine.machine, spec=routine.rehearsals[0])
        ratios.append(found.trace.duration / (perf_counter() - began))
    print(f"{max(ratios):.0f} times real time")
    assert max(ratios) > 30.0
