"""Many rehearsals in lockstep against the same ones done one by one."""

from __future__ import annotations

from dataclasses import replace

import pytest

from sequencer.plant import ActuatorDead, ActuatorLoose, BrownOut, SensorSilent, TicksLate
from sequencer.rehearse import Sample, lockstep, rehearse, rehearse_many


def samples(routine, machine):
    """Every sample differs; some fail, some cannot be stepped with the others."""
    spec = routine.rehearsals[0]
    weak = replace(machine, battery=replace(machine.battery, open_circuit=11.0))
    plain = Sample(machine, piece=spec.piece, gauges=dict(spec.gauges))
    return [
        plain,
        replace(plain, seed=7),
        replace(plain, machine=weak, seed=3),
        replace(plain, faults=(ActuatorDead("lift", "left", at=0.4),)),
        replace(plain, faults=(SensorSilent("range_to_hook", at=0.2),)),
        replace(plain, faults=(BrownOut(at=0.5),)),
        replace(plain, faults=(ActuatorLoose("lift", "left", at=0.4),)),
        replace(plain, faults=(TicksLate(0.02, at=0.3, until=0.5),)),
        replace(plain, pressed=((0.4, "cancel"),)),
    ]


def test_each_sample_comes_out_as_it_does_alone(prepare):
    checked, routine, machine = prepare("hang")
    given = samples(routine, machine)
    found = list(rehearse_many(checked, given))
    assert len(found) == len(given)
    for sample, result in zip(given, found, strict=True):
        alone = rehearse(
            checked,
            machine=sample.machine,
            seed=sample.seed,
            piece=sample.piece,
            gauges=sample.gauges,
            faults=sample.faults,
            pressed=sample.pressed,
        )
        assert (result.outcome, result.cause) == (alone.outcome, alone.cause)
        assert result.duration == pytest.approx(alone.duration, abs=1e-9)
        assert result.least_battery == pytest.approx(alone.least_battery, abs=1e-9)
        assert result.late_ticks == alone.late_ticks
        assert [one.name for one in result.keep_outs] == [one.name for one in alone.keep_outs]
        for one, other in zip(result.keep_outs, alone.keep_outs, strict=True):
            assert one.axis == other.axis
            assert one.least == pytest.approx(other.least, abs=1e-9)
            assert one.at == pytest.approx(other.at, abs=1e-9)


def test_a_result_does_not_depend_on_those_beside_it(prepare, monkeypatch):
    checked, routine, machine = prepare("hang")
    given = samples(routine, machine)[:6]
    whole = list(rehearse_many(checked, given))
    monkeypatch.setattr(lockstep, "TOGETHER", 2)
    for one, other in zip(whole, rehearse_many(checked, given), strict=True):
        assert one[:3] == other[:3]
        assert one.positions == pytest.approx(other.positions, abs=1e-9)


def test_the_release_is_told_with_its_instant_and_pose(prepare):
    checked, routine, machine = prepare("hang")
    good, _, _, _, silent, *_ = rehearse_many(checked, samples(routine, machine))
    assert good.release.piece == "lantern"
    assert 0.0 < good.release.time_ns * 1e-9 < good.duration
    low, high = machine.axes["wrist"].travel
    assert low <= good.release.positions["wrist"] <= high
    assert good.release.speeds["rollers"] < 0.0  # they turn outwards
    assert silent.release is None


def test_no_samples_give_no_results(prepare):
    checked, _, _ = prepare("up")
    assert list(rehearse_many(checked, [])) == []
