"""What differs from machine to machine: its names and bounds, and the machine on which it has done so."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from sequencer.errors import ModelError
from sequencer.files import load_machine
from sequencer.machine.machine import Machine
from sequencer.machine.variation import Varied, all_varied, varied_machine

LANTERN = Path(__file__).parents[1] / "cases" / "lantern" / "machine.yaml"


@pytest.fixture(scope="module")
def machine() -> Machine:
    return load_machine(LANTERN)


def named(machine: Machine, name: str) -> Varied:
    return next(one for one in all_varied(machine) if one.name == name)


def test_what_is_declared_stands_before_the_ranges_of_the_machine(machine: Machine) -> None:
    found = {one.name: (one.low, one.high) for one in all_varied(machine)}
    assert next(iter(found)) == "battery.open_circuit"
    assert list(found)[-3:] == ["battery.other_load", "lift.counterbalance", "lift.latency"]
    assert found["lift.start"] == (-0.004, 0.004)
    assert found["lift.noise"] == (0.0003, 0.0003)
    assert found["range_to_hook.late"] == (0.0, 0.04)
    assert found["lift.latency"] == pytest.approx((0.01, 0.04))
    assert not named(machine, "lift.noise").varies


@pytest.mark.parametrize(
    ("name", "value", "read"),
    [
        ("battery.open_circuit", 12.1, lambda machine: machine.battery.open_circuit),
        ("battery.other_load", 50.0, lambda machine: machine.battery.other_load[1]),
        ("large.stall_torque", 2.6, lambda machine: machine.motors["large"].stall_torque),
        ("large.stall_torque", 2.6, lambda machine: machine.axes["wrist"].actuators[0].motor.stall_torque),
        ("lift.mass", 7.5, lambda machine: machine.axes["lift"].load.mass),
        ("lift.counterbalance", 60.0, lambda machine: machine.axes["lift"].load.counterbalance[0]),
        ("lift.latency", 0.02, lambda machine: machine.axes["lift"].latency[1] * 1e-9),
        ("lift.efficiency", 0.85, lambda machine: machine.axes["lift"].actuators[1].efficiency),
        ("lantern.grip_torque", 0.7, lambda machine: machine.pieces["lantern"].grip_torque),
    ],
)
def test_a_value_reaches_what_it_belongs_to_and_nothing_else(
    machine: Machine, name: str, value: float, read: Callable[[Machine], float]
) -> None:
    changed = varied_machine(machine, {named(machine, name): value})
    assert read(changed) == pytest.approx(value, abs=1e-12)
    assert read(varied_machine(machine, {})) == read(machine)
    assert varied_machine(machine, {}) == replace(machine, variation=())


@pytest.mark.parametrize(
    ("varied", "said"),
    [
        (Varied("axis", "lfit", "mass", 1.0, 2.0), "lfit.mass: unknown axis 'lfit'; did you mean 'lift'?"),
        (Varied("axis", "lift", "masss", 1.0, 2.0), "lift.masss: no such quantity varies; did you mean 'mass'?"),
        (Varied("axis", "rollers", "start", -0.1, 0.1), "rollers.start: the axis is a spin and has no position"),
        (
            Varied("axis", "lift", "mass", 2.0, 1.0),
            "lift.mass: it runs from 2 kg to 1 kg; the first must be the smaller",
        ),
        (Varied("axis", "lift", "mass", -2.0, 1.0), "lift.mass: -2 kg was found; it cannot be below 0"),
        (Varied("axis", "lift", "efficiency", 0.0, 1.0), "lift.efficiency: 0 was found; it must be greater than 0"),
        (Varied("sensor", "lantern_in", "missing", 0.0, 0.1), "lantern_in.missing: the sensor is derived from others"),
        (Varied("sensor", "piece", "noise", 0.1, 0.1), "piece.noise: the sensor is a one_of and reads no number"),
        (Varied("motor", "large", "no_load_speed", 0.0, 1.0), "large.no_load_speed: 0 deg/s was found; it must be"),
    ],
)
def test_what_cannot_vary_so_is_refused(machine: Machine, varied: Varied, said: str) -> None:
    with pytest.raises(ModelError) as caught:
        replace(machine, variation=(varied,))
    assert f"variation of {said}" in str(caught.value)


def test_nothing_is_given_twice(machine: Machine) -> None:
    twice = Varied("axis", "lift", "mass", 1.0, 2.0)
    with pytest.raises(ModelError, match=r"lift\.mass: it is given twice"):
        replace(machine, variation=(twice, twice))
