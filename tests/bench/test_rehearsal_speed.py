"""How many times faster than real time a rehearsal runs, runner, recorder and plant together."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from time import process_time

import pytest

from sequencer import check, load_routine
from sequencer.machine.machine import Machine
from sequencer.rehearse import rehearse

DEMO = Path(__file__).parents[2] / "demos" / "lantern" / "hang_ridge.routine.yaml"


@pytest.mark.bench
def test_three_axes_are_rehearsed_sixty_times_faster_than_they_move_their_clearance_measured() -> None:
    routine = load_routine(DEMO)
    checked = check(routine)

    def ratio(machine: Machine) -> float:
        began = process_time()
        found = rehearse(checked, machine=machine, spec=routine.rehearsals[0])
        took = process_time() - began
        assert found.outcome == "done"
        return found.trace.duration / took

    without_bodies = replace(routine.machine, bodies={}, clearances=())
    measured, bare = [], []
    for _ in range(7):
        measured.append(ratio(routine.machine))
        bare.append(ratio(without_bodies))
    print(f"{max(measured):.0f} times real time, {max(bare):.0f} without bodies")
    assert max(measured) > 60.0
    assert max(measured) > 0.75 * max(bare), "measuring may cost a quarter at most"
