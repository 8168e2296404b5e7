"""Something outside that is pressed: it holds, lets go, does not shake, and makes no energy."""

from __future__ import annotations

from math import radians

import pytest

from sequencer.errors import ModelError
from sequencer.machine.axis import Load, Mount
from sequencer.plant import Contact, Plant
from sequencer.ports.orders import AxisOrder


def level(build, **load):
    """A slide on the level without friction."""
    return build.machine(build.lift(mount=Mount(), load=Load(mass=8.0, **load)))


def test_a_pressed_body_pushes_back_with_what_the_motors_push(build):
    """Standing still, the depth is the motors' force over the stiffness."""
    machine = level(build)
    plant = Plant(machine, start={"lift": 0.5}, contacts=[Contact("lift", 0.52, 1, stiffness=30_000.0)])
    build.send(plant, 1.0, lift=AxisOrder("effort", 1.0, current=20.0))
    depth = plant.positions()["lift"] - 0.52
    left = machine.axes["lift"].actuators[0]
    whole = 20.0 * left.motor.torque_per_ampere * left.motor_turn
    least = whole * left.efficiency - 2.0 * left.motor.torque_per_ampere * left.motor_turn * 2.0
    assert least <= 30_000.0 * depth <= whole
    assert plant.state.speeds["lift"] == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize("stiffness", [1e4, 1e6, 1e9])
def test_the_stiffest_contact_does_not_shake(build, stiffness):
    plant = Plant(level(build), start={"lift": 0.5}, contacts=[Contact("lift", 0.52, 1, stiffness=stiffness)])
    seen = []
    for _ in range(50):
        build.send(plant, 0.02, lift=AxisOrder("effort", 1.0, 0.2, current=20.0))
        seen.append(plant.positions()["lift"])
    assert max(seen) <= 0.52 + 300.0 / stiffness + 2e-3
    assert max(seen[30:]) - min(seen[30:]) < 1e-5


def test_what_swings_against_a_body_leaves_it_no_faster_than_it_came(build):
    plant = Plant(level(build), start={"lift": 0.5}, contacts=[Contact("lift", 0.52, 1)])
    plant._mechanism.speed[0] = 0.4
    before = plant.energy()
    for _ in range(20):
        build.send(plant, 0.02, lift=AxisOrder("off"))
        after = plant.energy()
        assert after <= before + 1e-9  # the spring's own energy is not in it
        assert plant.positions()["lift"] < 0.53
    assert plant.state.speeds["lift"] <= 0.0


def test_it_pulls_nothing(build):
    plant = Plant(level(build, coulomb=4.0), start={"lift": 0.5}, contacts=[Contact("lift", 0.52, 1)])
    build.send(plant, 0.6, lift=AxisOrder("effort", 1.0, 0.1, current=20.0))
    build.send(plant, 0.6, lift=AxisOrder("hold", 0.45))
    assert plant.positions()["lift"] == pytest.approx(0.45, abs=3e-3)


def test_a_body_may_come_and_go(build):
    contact = Contact("lift", 0.52, 1, since=0.0, until=0.5)
    plant = Plant(level(build), start={"lift": 0.5}, contacts=[contact])
    build.send(plant, 0.5, lift=AxisOrder("effort", 1.0, 0.2, current=10.0))
    assert plant.positions()["lift"] == pytest.approx(0.52, abs=5e-3)
    build.send(plant, 0.5, lift=AxisOrder("effort", 1.0, 0.2, current=10.0))
    assert plant.positions()["lift"] > 0.56


def test_a_hand_that_is_pressed_down_on_a_body_stands_there(build):
    """The wrist leans on something at 10 degrees, from above."""
    contact = Contact("wrist", radians(10.0), -1)
    plant = Plant(build.machine(), start={"lift": 0.6, "wrist": radians(20.0)}, contacts=[contact])
    hold = AxisOrder("hold", 0.6)
    build.send(plant, 0.8, lift=hold, wrist=AxisOrder("effort", radians(-6.0), radians(60.0), current=-14.0))
    assert plant.positions()["wrist"] == pytest.approx(radians(10.0), abs=radians(0.8))
    assert abs(plant.state.speeds["wrist"]) < radians(0.5)


@pytest.mark.parametrize(
    ("contact", "text"),
    [
        (Contact("lifft", 0.5, 1), "contact: unknown axis 'lifft'; did you mean 'lift'?"),
        (
            Contact("rollers", 0.5, 1),
            "contact: 'rollers' is a spin or declares no motors or load; it feels no contact",
        ),
        (Contact("lift", 0.5, 2), "contact: toward is 2; it must be 1 or -1"),
        (Contact("lift", 0.5, 1, -1.0), "contact: the stiffness is -1; it must be greater than 0 and finite"),
        (Contact("lift", 0.5, 1, 1.0, -1.0), "contact: the damping is -1; it cannot be negative"),
    ],
)
def test_contacts_that_cannot_be_are_refused(build, contact, text):
    with pytest.raises(ModelError) as caught:
        Plant(build.machine(), contacts=[contact])
    assert str(caught.value) == text
