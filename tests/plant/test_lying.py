"""Encoders and sensors that lie: what is read, and what the axis' own loop does with it."""

from __future__ import annotations

from math import nan
from statistics import pstdev

import pytest

from sequencer.errors import ModelError
from sequencer.machine.sensor import Sensor
from sequencer.plant import (
    EncoderCoarse,
    EncoderFrozen,
    EncoderNoisy,
    EncoderOffset,
    EncoderReversed,
    EncoderSilent,
    Plant,
    SensorBouncing,
    SensorCoarse,
    SensorDropping,
    SensorLate,
    SensorNoisy,
    SensorOffset,
    SensorStale,
)
from sequencer.ports.orders import AxisOrder
from sequencer.ports.readings import Sensed

TICK = 0.02


def held(build, *faults, at: float = 0.5, **others):
    """A plant that is ordered to hold its lift where it stands."""
    return Plant(build.machine(), start={"lift": at}, faults=faults, **others)


def run(build, plant, seconds, goal=0.5):
    build.send(plant, seconds, lift=AxisOrder("hold", goal), wrist=AxisOrder("hold", 0.0))
    return plant.readings(0).axes["lift"]


def test_a_frozen_encoder_keeps_its_reading_while_the_axis_runs_away(build):
    plant = held(build, EncoderFrozen("lift", at=0.1))
    run(build, plant, 0.1)
    found = run(build, plant, 0.3, goal=0.52)
    assert found.position == pytest.approx(0.5, abs=1e-3)
    assert found.speed == 0.0
    assert plant.positions()["lift"] > 0.6  # the loop sees an error that never gets less


def test_a_thawed_encoder_tells_the_truth_again(build):
    plant = held(build, EncoderFrozen("lift", at=0.1, until=0.2))
    assert run(build, plant, 0.5).position == plant.positions()["lift"]


def test_an_offset_moves_the_axis_by_as_much_the_other_way(build):
    plant = held(build, EncoderOffset("lift", by=0.05, at=0.1))
    found = run(build, plant, 0.6)
    assert found.position == pytest.approx(0.5, abs=2e-3)
    assert plant.positions()["lift"] == pytest.approx(0.45, abs=2e-3)


def test_a_reversed_encoder_turns_holding_into_running_away(build):
    plant = held(build, EncoderReversed("lift", at=0.1))
    run(build, plant, 0.1)
    before = plant.positions()["lift"]
    found = run(build, plant, 0.5, goal=0.51)
    moved = plant.positions()["lift"] - before
    assert abs(moved) > 0.1
    assert found.position == pytest.approx(before - moved, abs=1e-12)


def test_one_of_two_encoders_that_lies_is_told_and_half_believed(build):
    plant = held(build, EncoderOffset("lift", by=0.04, actuator="left", at=0.1))
    found = run(build, plant, 0.6)
    assert found.fault == "left and right differ by 0.04 m, more than 0.015 m"
    assert plant.positions()["lift"] == pytest.approx(0.48, abs=2e-3)


@pytest.mark.parametrize("step", [0.005, 0.02])
def test_a_coarse_encoder_reads_whole_steps(build, step):
    plant = held(build, EncoderCoarse("lift", step=step), at=0.5137)
    found = plant.readings(0).axes["lift"].position
    assert found / step == pytest.approx(round(0.5137 / step), abs=1e-9)


def test_noise_has_its_deviation_and_is_the_same_for_the_same_seed(build):
    noise = EncoderNoisy("lift", 0.003)
    reads = [held(build, noise, seed=seed).readings(0).axes["lift"].position for seed in (1, 1, 2)]
    assert reads[0] == reads[1] != reads[2]
    plant = held(build, EncoderNoisy("lift", 0.003))
    found = [plant.readings(0).axes["lift"].position for _ in range(2000)]
    assert pstdev(found) == pytest.approx(0.003, rel=0.1)
    assert sum(found) / len(found) == pytest.approx(0.5, abs=3e-4)


def test_an_encoder_that_drops_out_reads_nothing_in_its_share(build):
    plant = held(build, EncoderSilent("lift", share=0.3))
    missing = sum(plant.readings(0).axes["lift"].position is None for _ in range(2000))
    assert missing / 2000 == pytest.approx(0.3, abs=0.05)


def sensors(build, *faults):
    numbers = {"range": Sensor("range", "number"), "beam": Sensor("beam", "switch")}
    return Plant(build.machine(sensors=numbers), faults=faults)


def read(build, plant, name, values):
    """What a sensor reads at each tick while it is scripted with `values`."""
    seen = []
    for value in values:
        seen.append(plant.readings(0, {name: value}).sensors.get(name))
        build.send(plant, TICK, lift=AxisOrder("off"))
    return seen


def test_a_late_sensor_reads_what_was_so_a_delay_ago(build):
    seen = read(build, sensors(build, SensorLate("range", delay=2 * TICK)), "range", [1.0, 2.0, 3.0, 4.0, 5.0])
    assert seen == [1.0, 1.0, 1.0, 2.0, 3.0]


def test_a_stale_sensor_keeps_its_last_value_and_says_how_old_it_is(build):
    seen = read(build, sensors(build, SensorStale("range", at=2 * TICK)), "range", [1.0, 2.0, 3.0, 4.0])
    assert seen == [1.0, 2.0, Sensed(2.0, 20_000_000), Sensed(2.0, 40_000_000)]


def test_a_bouncing_switch_is_uncertain_after_a_change_and_only_then(build):
    values = [False] * 3 + [True] * 40
    plant = sensors(build, SensorBouncing("beam", duration=20 * TICK))
    seen = read(build, plant, "beam", values)
    assert seen[:3] == [False] * 3
    assert 4 <= seen[3:23].count(False) <= 16
    assert seen[23:] == [True] * 20


def test_a_dropping_sensor_misses_its_share_of_readings(build):
    plant = sensors(build, SensorDropping("range", 0.25))
    found = [plant.readings(0, {"range": 1.0}).sensors.get("range") for _ in range(2000)]
    assert found.count(None) / 2000 == pytest.approx(0.25, abs=0.05)


def test_an_offset_is_added_to_a_number_and_to_nothing_else(build):
    assert read(build, sensors(build, SensorOffset("range", 0.25)), "range", [1.0, None]) == [Sensed(1.25, 0), None]
    with pytest.raises(ModelError, match="'beam' reads no number"):
        sensors(build, SensorOffset("beam", 0.25))
    with pytest.raises(ModelError, match="it reads nan too much; it must be a finite number"):
        sensors(build, SensorOffset("range", nan))


def test_noise_and_steps_change_a_number_and_keep_its_age(build):
    plant = sensors(build, SensorCoarse("range", 0.25))
    assert plant.readings(0, {"range": Sensed(0.6, 7)}).sensors["range"] == Sensed(0.5, 7)
    plant = sensors(build, SensorNoisy("range", 0.1))
    found = [plant.readings(0, {"range": Sensed(0.6, 7)}).sensors["range"] for _ in range(1000)]
    assert pstdev(value.value for value in found) == pytest.approx(0.1, rel=0.15)
    assert {value.age for value in found} == {7}
