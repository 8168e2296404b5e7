"""Sensors read what their link to the plant says, and nothing where there is none."""

from __future__ import annotations

import pytest

from sequencer.machine.condition import parse_condition
from sequencer.machine.sensor import PlantLink, Sensor
from sequencer.plant import Plant
from sequencer.plant.sensing import holds
from sequencer.ports.orders import AxisOrder


def test_linked_sensors_read_the_true_state(build):
    plant = Plant(build.sensed(), start={"lift": 0.002}, piece="lantern")
    sensors = plant.readings(5).sensors
    assert sensors["lift_bottom"] is True
    assert sensors["piece"] == "lantern"
    assert sensors["lift_speed"] == 0.0
    build.send(plant, 0.3, lift=AxisOrder("track", 0.2, 0.5, 0.0, 3.0))
    assert plant.readings(5).sensors["lift_bottom"] is False


def test_a_sensor_without_a_link_reads_nothing(build):
    assert "range_to_hook" not in Plant(build.sensed()).readings(0).sensors


def test_a_link_to_something_the_plant_does_not_know_reads_nothing(build):
    machine = build.machine(sensors={"gap": Sensor("gap", "number", plant=PlantLink(quantity="gap(bumper, post)"))})
    assert Plant(machine).readings(0).sensors["gap"] is None


def test_readings_are_stamped_and_name_every_axis(build):
    readings = Plant(build.sensed(), start={"lift": 0.4}).readings(123)
    assert readings.now_ns == 123
    assert list(readings.axes) == ["lift", "wrist", "rollers"]
    assert readings.axes["lift"].position == 0.4
    assert readings.enabled
    assert readings.battery == pytest.approx(12.44)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("lift > 0.4 m", True),
        ("lift <= 0.4 m", False),
        ("lift >= 0.5 m and lift < 1 m", True),
        ("not lift_bottom", None),
        ("not lift_bottom or lift > 0.4 m", True),
        ("lift_bottom and lift < 0.4 m", False),
        ("known(lift_bottom)", False),
        ("known(lift)", True),
        ("piece is lantern", True),
        ("rising(cover)", None),
        ("cover", True),
        ("wrist > 3 deg", None),
        ("battery > 12 V", None),
    ],
)
def test_conditions_are_three_valued(build, text, expected):
    sensors = {name: Sensor(name, "switch") for name in ("lift_bottom", "cover")}
    sensors["piece"] = Sensor("piece", "one_of", values=("none", "lantern"))
    names = build.machine(sensors=sensors).vocabulary()
    truth = {"lift": 0.5, "cover": True, "piece": "lantern", "battery": float("nan")}
    assert holds(parse_condition(text, names).term, truth) is expected
