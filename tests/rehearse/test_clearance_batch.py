"""Bodies looked at in lockstep against the certified clearance of rehearsals of one; steps that really began."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from sequencer import ModelError, check, load_routine
from sequencer.plant import ActuatorLoose
from sequencer.rehearse import Sample, rehearse, rehearse_many
from sequencer.run import Runner

DEMO = Path(__file__).parents[2] / "demos" / "lantern"


@pytest.mark.parametrize("name", ["to_stow", "drop", "hang_ridge"])
def test_the_least_that_is_seen_is_the_least_that_is_certain_but_for_what_lies_between_two_looks(name: str) -> None:
    """Pieces, touching steps and the post that the gauge moves count alike; speeds of 3 m/s and 30 m/s2 leave
    a dt^2/8 = 0.1 mm between looks, and 0.1 mm is how narrowly the other encloses it."""
    routine = load_routine(DEMO / f"{name}.routine.yaml")
    checked = check(routine)
    for spec in routine.rehearsals:
        if spec.pressed:
            continue
        alone = rehearse(checked, machine=routine.machine, spec=spec)
        sample = Sample(
            routine.machine,
            start=spec.start,
            piece=spec.piece,
            parameters=dict(spec.parameters),
            gauges=dict(spec.gauges),
            offered=dict(spec.offered),
        )
        loose = replace(sample, faults=(ActuatorLoose("lift", "left", at=50.0),))
        together, apart = rehearse_many(checked, [sample, loose], margin=0.0)
        assert alone.clearance is not None
        begun = [step.name for step in alone.steps if step.outcome != "skipped" and step.end > step.start]
        for found in (together, apart):
            assert found.clearance is not None
            assert set(found.clearance.between) == set(alone.clearance.between)
            assert found.clearance.margin == alone.clearance.margin
            assert found.clearance.least == pytest.approx(alone.clearance.least, abs=3e-4)
            assert found.clearance.least >= alone.clearance.bound - 1e-9
            assert found.begun == tuple(dict.fromkeys(begun))


def test_what_is_asked_for_beyond_margins_counts_as_one_and_nothing_is_looked_at_unasked() -> None:
    routine = load_routine(DEMO / "to_stow.routine.yaml")
    checked = check(routine)
    sample = Sample(routine.machine)
    (asked,) = rehearse_many(checked, [sample], margin=0.3)
    (unasked,) = rehearse_many(checked, [sample])
    assert asked.clearance is not None
    assert (asked.clearance.margin, asked.clearance.too_near) == (0.3, True)
    assert unasked.clearance is None


def test_a_runner_is_like_another_only_with_the_very_same_routines() -> None:
    first, second = (check(load_routine(DEMO / f"{name}.routine.yaml")) for name in ("to_stow", "drop"))
    like = Runner([first])
    assert Runner([first], like=like).machine == like.machine
    with pytest.raises(ModelError, match="can only be like another that hosts the very same routines"):
        Runner([second], like=like)
    with pytest.raises(ModelError, match="can only be like another"):
        Runner([first, second], like=like)
