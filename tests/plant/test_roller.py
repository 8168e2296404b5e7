"""The piece in the rollers: felt in the current while it is at its stop, gone once it is turned out."""

from __future__ import annotations

from dataclasses import replace
from math import pi

import pytest

from sequencer.errors import ModelError
from sequencer.machine.piece import Piece
from sequencer.plant import Plant
from sequencer.plant.roller import Grip
from sequencer.ports.orders import AxisOrder

LANTERN = Piece("lantern", 0.6, "wrist", (0.34, 0.0), "rollers", grip_torque=2.0, turns_to_leave=pi)


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


def slippery(build, inertia: float, torque: float):
    """The machine with a piece that has inertia of its own at the rollers."""
    machine = build.sensed()
    return replace(machine, pieces={"lantern": replace(LANTERN, inertia=inertia, grip_torque=torque)})


def time_out(build, machine, volts: float = -8.0) -> float:
    """How long the rollers take to bring the piece out [s], and how far they turned by then [rad]."""
    plant = Plant(machine, piece="lantern")
    for tick in range(200):
        if plant.state.holding == "gone":
            return tick * 0.02
        rolled(build, plant, volts, 0.02)
    return float("inf")


def test_a_piece_with_a_weak_grip_slips_and_comes_out_later(build):
    """Dragged by a torque T, an inertia J turns through an angle in sqrt(2 angle J / T) and no sooner."""
    stuck, slipping = slippery(build, 1e-3, 2.0), slippery(build, 1e-3, 0.05)
    assert time_out(build, stuck) < time_out(build, slipping)
    slowest = (2.0 * pi * 1e-3 / 0.05) ** 0.5
    assert slowest <= time_out(build, slipping) <= slowest + 0.06


def test_a_piece_of_no_inertia_to_speak_of_comes_out_like_one_of_none(build):
    plain = time_out(build, slippery(build, 0.0, 2.0))
    assert time_out(build, slippery(build, 1e-9, 2.0)) == pytest.approx(plain, abs=0.02)


def test_a_slipping_piece_takes_from_the_rollers_what_it_gains():
    grip = Grip(replace(LANTERN, inertia=2e-4, grip_torque=0.3))
    grip.holding, grip.turned_out = "leaving", 1.0
    speed, inertia = -80.0, 5e-4
    momentum = inertia * speed
    energies = [0.5 * inertia * speed**2]
    for _ in range(200):
        speed += grip.drag(speed, inertia, 1e-3) / inertia
        assert inertia * speed + 2e-4 * grip.speed == pytest.approx(momentum, rel=1e-12)
        energies.append(0.5 * inertia * speed**2 + 0.5 * 2e-4 * grip.speed**2)
    assert energies == sorted(energies, reverse=True)
    assert speed == pytest.approx(grip.speed)


def test_two_kinds_of_pieces_leave_each_in_its_own_turns(build):
    machine = build.sensed()
    small = Piece("float", 0.3, "wrist", (0.3, 0.0), "rollers", grip_torque=1.0, turns_to_leave=pi / 2)
    machine = replace(machine, pieces={**machine.pieces, "float": small})
    turned = {}
    for name in machine.pieces:
        plant = Plant(machine, piece=name)
        for _ in range(100):
            if plant.state.holding != "gone":
                rolled(build, plant, -3.0, 0.02)
        turned[name] = plant.state.positions["rollers"]
    assert -pi - 1.2 < turned["lantern"] <= -pi
    assert -pi / 2 - 1.2 < turned["float"] <= -pi / 2


def test_without_a_piece_nothing_grips():
    grip = Grip(None)
    assert not grip.present
    assert not grip.turn(-10.0)
    assert grip.resistance(1.0) == 0.0
