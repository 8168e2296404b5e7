"""Scripted gauges: constants, tables, and what they refuse."""

from __future__ import annotations

import pytest

from profiles import Limits
from sequencer.errors import ModelError
from sequencer.machine.axis import Axis
from sequencer.machine.condition import parse_condition
from sequencer.machine.machine import Machine
from sequencer.machine.sensor import Derivation, Sensor
from sequencer.plant import Plant
from sequencer.rehearse import ScriptedGauges

BARE = Machine("bench", {"wheel": Axis("wheel", "spin", Limits(1.0, 1.0))})
SENSORS = [
    Sensor("range", "number"),
    Sensor("beam", "switch"),
    Sensor("piece", "one_of", values=("none", "lantern")),
    Sensor("held", "switch", derived=Derivation(parse_condition("wheel.current > 3 A", BARE.vocabulary()))),
]
MACHINE = Machine("bench", BARE.axes, sensors={sensor.name: sensor for sensor in SENSORS})


def read(scripts, time):
    return ScriptedGauges(MACHINE, scripts).values(time)


def test_numbers_run_linearly_between_the_entries_and_stay_at_the_ends():
    table = [(1_000, 0.6), (2_000, 0.2)]
    found = [read({"range": table}, time)["range"] for time in (0, 1_000, 1_500, 2_000, 9_000)]
    assert found == pytest.approx([0.6, 0.6, 0.4, 0.2, 0.2])


def test_two_entries_at_one_time_are_a_jump():
    table = [(0, 1.0), (1_000, 1.0), (1_000, 3.0), (2_000, 3.0)]
    assert [read({"range": table}, time)["range"] for time in (999, 1_000)] == [1.0, 3.0]


def test_switches_and_words_jump():
    scripts = {"beam": [(0, False), (500, True)], "piece": [(100, "none"), (200, "lantern")]}
    assert [read(scripts, time)["beam"] for time in (0, 499, 500)] == [False, False, True]
    assert [read(scripts, time)["piece"] for time in (0, 199, 200)] == ["none", "none", "lantern"]


def test_what_is_not_scripted_stays_as_it_was_read():
    plant = Plant(MACHINE)
    truth = plant.readings(0).sensors
    assert plant.readings(0, read({"range": 0.1}, 0)).sensors == {**truth, "range": 0.1}


@pytest.mark.parametrize(
    ("scripts", "text"),
    [
        ({"rang": 1.0}, "gauges: unknown sensor 'rang'; did you mean 'range'?"),
        ({"held": True}, "gauges: 'held' is derived from other readings; script those"),
        ({"range": []}, "gauges: the table of 'range' is empty; give it at least one time and value"),
        ({"range": [(2, 1.0), (1, 1.0)]}, "gauges: the times of 'range' are not in order"),
        ({"range": True}, "gauges: 'range' cannot read True; it must be a number"),
        ({"beam": 1.0}, "gauges: 'beam' cannot read 1.0; it must be true or false"),
        ({"piece": [(0, "stone")]}, "gauges: 'piece' cannot read 'stone'; it must be one of none, lantern"),
    ],
)
def test_scripts_that_cannot_be_are_refused(scripts, text):
    with pytest.raises(ModelError) as caught:
        ScriptedGauges(MACHINE, scripts)
    assert str(caught.value) == text
