"""Backlash: what is free in it, when it closes, and that it makes no energy."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from math import pi

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.errors import ModelError
from sequencer.machine.axis import Load, Mount, PositionSource
from sequencer.plant import Plant
from sequencer.ports.orders import AxisOrder

PLAY = 0.004  # m


def slide(build, backlash=PLAY, **changes):
    """A level slide with two motors."""
    load = Load(mass=changes.pop("mass", 8.0), coulomb=changes.pop("coulomb", 4.0), backlash=backlash)
    return build.machine(build.lift(mount=Mount(direction=changes.pop("lean", 0.0)), load=load, **changes))


def at_motors(plant):
    return plant.readings(0).axes["lift"].position


def test_the_motors_reverse_through_the_play_before_the_axis_follows(build):
    plant = Plant(slide(build, mass=1.0, coulomb=60.0), start={"lift": 0.5})  # it stops before it could coast
    build.send(plant, 0.4, lift=AxisOrder("hold", 0.52))
    up = plant.positions()["lift"], at_motors(plant)
    build.send(plant, 0.6, lift=AxisOrder("hold", 0.48))
    down = plant.positions()["lift"], at_motors(plant)
    assert up[1] - down[1] > 0.03
    lost = (up[1] - down[1]) - (up[0] - down[0])
    assert lost == pytest.approx(PLAY, abs=1e-4)


def test_an_absolute_encoder_sits_behind_the_play(build):
    machine = slide(build, position=PositionSource(("left",), "absolute"))
    plant = Plant(machine, start={"lift": 0.5})
    for goal in (0.52, 0.48):
        build.send(plant, 0.5, lift=AxisOrder("hold", goal))
        assert at_motors(plant) == plant.positions()["lift"]


def test_weight_keeps_the_play_closed(build):
    plant = Plant(slide(build, lean=pi / 2), start={"lift": 0.5})
    for goal in (0.52, 0.48, 0.51):
        build.send(plant, 0.4, lift=AxisOrder("hold", goal))
        assert at_motors(plant) == pytest.approx(plant.positions()["lift"], abs=1e-9)


def test_without_play_nothing_changes(build):
    """A play of a ten-thousandth of a micrometre moves like none."""
    found = []
    for backlash in (0.0, 1e-10):
        plant = Plant(slide(build, backlash), start={"lift": 0.5})
        for goal in (0.6, 0.5):
            build.send(plant, 0.5, lift=AxisOrder("hold", goal))
            found.append(plant.positions()["lift"])
    assert found[:2] == pytest.approx(found[2:], abs=2e-4)


@settings(max_examples=25, deadline=None)
@given(
    backlash=st.floats(1e-4, 0.02),
    speed=st.floats(-1.0, 1.0),
    coulomb=st.floats(0.0, 20.0),
    gap=st.floats(-0.5, 0.5),
)
def test_unpowered_the_play_never_adds_energy(backlash, speed, coulomb, gap):
    build = test_unpowered_the_play_never_adds_energy.build
    plant = Plant(slide(build, backlash, coulomb=coulomb), start={"lift": 0.6})
    (drive,) = plant._driven
    drive.play.side, drive.play.gap = 0, gap * backlash
    plant._mechanism.extra_inertia[0] = 0.0
    plant._mechanism.speed[0] = speed
    build.send(plant, 0.02, lift=AxisOrder("off"))
    energies = []
    for _ in range(50):
        build.send(plant, 0.02, lift=AxisOrder("off"))
        alone = 0.0 if drive.play.side else 0.5 * drive.play.inertia * drive.play.speed**2
        energies.append(plant.energy() + alone)
    for before, after in pairwise(energies):
        assert after <= before + 1e-9


@pytest.fixture(autouse=True)
def _lend(build):
    """Hypothesis calls the law many times; it borrows the builders once."""
    test_unpowered_the_play_never_adds_energy.build = build


def test_play_of_a_spin_is_refused(build):
    with pytest.raises(ModelError, match="axis 'rollers' is a spin; its backlash is not simulated, leave it out"):
        build.rollers(load=replace(build.rollers().load, backlash=0.1))
