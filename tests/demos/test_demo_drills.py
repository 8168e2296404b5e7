"""The demo's routines with every single fault: where readings and brakes are true nothing is met, nothing is left on.

The normal tests let each fault happen in the middle of every step; the slow ones at every instant of interest.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from sequencer import check, drill, load_routine

DEMO = Path(__file__).parents[2] / "demos" / "lantern"
ROUTINES = ("hang_ridge", "pick_up", "drop", "to_stow")


@pytest.mark.parametrize("name", ROUTINES)
def test_nothing_is_met_and_nothing_left_on_where_readings_and_brakes_are_true(name: str) -> None:
    routine = load_routine(DEMO / f"{name}.routine.yaml")
    report = drill(
        check(routine),
        machine=routine.machine,
        specs=routine.rehearsals,
        middles_only=True,
        choose=lambda fault: not fault.untrue,
    )
    assert len(report.rows) >= 12 * 3
    assert report.conflicts == report.left_on == ()
    assert report.fine


@pytest.mark.slow
@pytest.mark.parametrize("name", ROUTINES)
def test_at_every_instant_nothing_is_met_and_no_fault_leaves_an_output_on(name: str) -> None:
    routine = load_routine(DEMO / f"{name}.routine.yaml")
    report = drill(check(routine), machine=routine.machine, specs=routine.rehearsals)
    assert report.conflicts == report.left_on == ()
    assert report.fine
