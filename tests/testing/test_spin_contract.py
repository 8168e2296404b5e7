"""The contract of actuators of a spin: the plant keeps it, and those that do not are found. SEMANTICS R38, R52."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from sequencer.files import load_machine
from sequencer.machine.machine import Machine
from sequencer.plant import Plant
from sequencer.ports.actuators import check_orders
from sequencer.ports.orders import AxisOrder, Orders
from sequencer.testing import spin_contract

FILE = Path(__file__).parents[2] / "demos" / "lantern" / "machine.yaml"
CASE: dict[str, Any] = {"volts": 6.0, "speed": 80.0, "outputs": {"lamp": (False, True)}}


@pytest.fixture(scope="module")
def machine() -> Machine:
    return load_machine(FILE)


class Bench:
    """The plant as somebody's rollers."""

    def __init__(self, machine: Machine) -> None:
        self.plant = Plant(machine, start={"lift": 0.6, "wrist": 0.3})
        self.lamp: Any = False
        self.silent = 0.0

    def write(self, orders: Orders) -> None:
        check_orders(orders, self.plant.machine.axes)
        self.plant.apply(orders)
        self.lamp = orders.outputs.get("lamp", self.lamp)
        self.silent = 0.0

    def wait(self, seconds: float) -> None:
        self.plant.advance(round(seconds * 1e9))
        self.silent += seconds
        if self.silent >= 0.1:
            self.lamp = False

    def drive(self, axis: str) -> float:
        return self.plant.state.currents[axis]

    def speed(self, axis: str) -> float:
        return self.plant.state.speeds[axis]

    def output(self, name: str) -> Any:
        return self.lamp


class Altered(Bench):
    """Passes on each order of the rollers as `altered` makes it."""

    def write(self, orders: Orders) -> None:
        check_orders(orders, self.plant.machine.axes)
        axes = {name: self.altered(order) for name, order in orders.axes.items()}
        super().write(Orders(orders.now_ns, axes, orders.outputs))

    def altered(self, order: AxisOrder) -> AxisOrder:
        raise NotImplementedError


class OneWay(Altered):
    def altered(self, order: AxisOrder) -> AxisOrder:
        return order._replace(volts=abs(order.volts))


class TooFast(Altered):
    def altered(self, order: AxisOrder) -> AxisOrder:
        return order._replace(velocity=4.0 * order.velocity)


class NeverOff(Altered):
    def altered(self, order: AxisOrder) -> AxisOrder:
        return AxisOrder("effort", volts=1.0) if order.mode == "off" else order


class GoesOn(Bench):
    """Has no watchdog for speeds."""

    last: Orders | None = None

    def write(self, orders: Orders) -> None:
        super().write(orders)
        self.last = orders

    def wait(self, seconds: float) -> None:
        left = round(seconds * 1e3)
        while left > 0:
            if self.last is not None and any(order.mode == "track" for order in self.last.axes.values()):
                self.plant._deadline = self.plant.time_ns + 10**12
            super().wait(min(left, 5) * 1e-3)
            left -= 5


class LampStays(Bench):
    def wait(self, seconds: float) -> None:
        self.silent = -seconds
        super().wait(seconds)


class FedByWhatItRefuses(Bench):
    last: Orders | None = None

    def write(self, orders: Orders) -> None:
        if self.last is not None:
            self.plant.apply(self.last)
        super().write(orders)
        self.last = orders


class TakesAnything(Bench):
    def write(self, orders: Orders) -> None:
        known = {name: order for name, order in orders.axes.items() if name in self.plant.machine.axes}
        clean = {
            name: order._replace(volts=0.0, velocity=0.0)
            if order.volts + order.velocity - order.volts - order.velocity != 0.0
            else order
            for name, order in known.items()
        }
        super().write(Orders(orders.now_ns, clean, orders.outputs))


def test_the_plant_keeps_the_contract_of_a_spin(machine: Machine) -> None:
    """R38, R52: by volts and by speed, and without an output."""
    spin_contract(lambda: Bench(machine), "rollers", **CASE)
    spin_contract(lambda: Bench(machine), "rollers", volts=6.0, speed=None, outputs={})


@pytest.mark.parametrize(
    ("made", "claim"),
    [
        (OneWay, "it turns in the sense of its orders: ordered effort with -6, it turns with +"),
        (TooFast, "it turns in the sense of its orders: ordered to turn with +80, it turns with +"),
        (NeverOff, "it has no drive when off or at rest: ordered off, it is driven with"),
        (GoesOn, "it drops its drive when orders stop: 0.1 s after"),
        (LampStays, "it drops its drive when orders stop: 0.1 s after the last order that it took lamp is True"),
        (FedByWhatItRefuses, "it drops its drive though orders come that it refuses: 0.1 s after"),
        (TakesAnything, "it refuses orders that are no numbers: it took"),
        (TakesAnything, "it refuses unknown axes: an order for an axis that is not there was taken in silence"),
    ],
)
def test_actuators_of_a_spin_that_break_a_claim_are_found(
    machine: Machine, made: Callable[[Machine], Bench], claim: str
) -> None:
    """R38, R52: each with the sentence of the claim and what was found."""
    with pytest.raises(AssertionError, match="the actuators of rollers break their contract") as found:
        spin_contract(lambda: made(machine), "rollers", **CASE)
    assert claim in str(found.value)
