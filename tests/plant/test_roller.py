"""The piece in the rollers: felt in the current while it is at its stop, gone once it is turned out."""

from __future__ import annotations

from math import pi

import pytest

from sequencer.errors import ModelError
from sequencer.plant import Plant
from sequencer.plant.roller import Grip
from sequencer.ports.orders import AxisOrder


def rolled(build, plant: Plant, volts: float, seconds: float) -> float:
    """Current of the rollers [A] after they were driven."""
    build.send(plant, seconds, rollers=AxisOrder("effort", volts=volts))
    return plant.readings(0).axes["rollers"].current


def test_the_current_rises_while_a_piece_is_held_against_its_stop(build):
    machine = build.sensed()
    free = rolled(build, Plant(machine), 4.0, 0.5)
    held = rolled(build, Plant(machine, piece="lantern"), 4.0, 0.5)
    assert held > free + 15.0


def test_a_piece_at_its_stop_does_not_move_and_does_not_drive(build):
    plant = Plant(build.sensed(), piece="lantern")
    rolled(build, plant, 1.5, 0.5)
    assert plant.state.speeds["rollers"] == 0.0
    rolled(build, plant, 0.0, 0.5)
    assert plant.state.speeds["rollers"] == 0.0
    assert plant.state.holding == "held"


def test_the_piece_is_out_once_the_rollers_have_turned_it_out(build):
    plant = Plant(build.sensed(), piece="lantern")
    assert plant.readings(0).sensors["piece"] == "lantern"
    seen = []
    while plant.state.holding != "gone":
        rolled(build, plant, -6.0, 0.02)
        seen.append((plant.state.holding, plant.state.positions["rollers"]))
        assert len(seen) < 50
    assert {holding for holding, _ in seen} == {"leaving", "gone"}
    assert all((angle <= -pi) == (holding == "gone") for holding, angle in seen)
    assert plant.readings(0).sensors["piece"] == "none"
    rolled(build, plant, 6.0, 0.5)
    assert plant.state.holding == "gone"  # it does not come back


def test_a_piece_that_is_half_out_can_be_turned_in_again(build):
    plant = Plant(build.sensed(), piece="lantern")
    while plant.state.holding == "held":
        rolled(build, plant, -2.0, 0.02)
    assert plant.state.holding == "leaving"
    rolled(build, plant, 2.0, 0.5)
    assert plant.state.holding == "held"


def test_an_offered_piece_is_taken_in(build):
    plant = Plant(build.sensed())
    plant.offer("lantern")
    assert plant.readings(0).sensors["piece"] == "none"
    rolled(build, plant, 6.0, 0.6)
    assert plant.readings(0).sensors["piece"] == "lantern"
    with pytest.raises(ModelError, match="the machine holds 'lantern'; 'lantern' cannot be offered to it"):
        plant.offer("lantern")
    with pytest.raises(ModelError, match=r"unknown piece 'lanter'; did you mean 'lantern'\?"):
        plant.offer("lanter")


def test_without_a_piece_nothing_grips():
    grip = Grip(None)
    assert not grip.present
    assert not grip.turn(-10.0)
    assert grip.resistance(1.0) == 0.0
