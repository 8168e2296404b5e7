"""The contract of actuators: the plant keeps it, and those that do not are found. SEMANTICS R38, R52; C72."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from sequencer.files import load_machine
from sequencer.machine.machine import Machine
from sequencer.plant import Plant
from sequencer.ports.actuators import check_orders
from sequencer.ports.orders import AxisOrder, Orders
from sequencer.testing import actuator_contract

FILE = Path(__file__).parents[2] / "demos" / "lantern" / "machine.yaml"


class PlantBench:
    """The plant as somebody's actuators."""

    def __init__(self, machine: Machine) -> None:
        self.plant = Plant(machine, start={"lift": 0.6, "wrist": 0.3})
        self.outputs: dict[str, Any] = {"lamp": False}
        self.silent = 0.0

    def write(self, orders: Orders) -> None:
        check_orders(orders, self.plant.machine.axes)
        self.plant.apply(orders)
        self.outputs.update(orders.outputs)
        self.silent = 0.0

    def wait(self, seconds: float) -> None:
        self.plant.advance(round(seconds * 1e9))
        self.silent += seconds
        if self.silent >= 0.1:
            self.outputs["lamp"] = False

    def drive(self, axis: str) -> float:
        return self.plant.state.currents[axis]

    def position(self, axis: str) -> float:
        return self.plant.positions()[axis]

    def output(self, name: str) -> Any:
        return self.outputs[name]


@pytest.fixture(scope="module")
def machine() -> Machine:
    return load_machine(FILE)


CASES: dict[str, Any] = {
    "lift": {"step": 0.1, "speed": 0.3, "current": 40.0, "outputs": {"lamp": (False, True)}},
    "wrist": {"step": 0.3, "speed": 1.5, "outputs": {"lamp": (False, True)}},
}


@pytest.mark.parametrize("axis", CASES)
@pytest.mark.parametrize("between", ["hold", "carry_on"])
def test_the_plant_keeps_the_contract(machine: Machine, axis: str, between: str) -> None:
    """R38, R52: C72: no drive after the longest gap without orders, whatever the mode, and what it declares between."""
    axes = {name: replace(one, between=between) for name, one in machine.axes.items()}
    changed = replace(machine, axes=axes)
    actuator_contract(lambda: PlantBench(changed), axis, between=between, **CASES[axis])


class Broken(PlantBench):
    """Goes on with the last orders for ever, as a class without a watchdog does."""

    def wait(self, seconds: float) -> None:
        left = round(seconds * 1e9)
        while left > 0:
            self.plant._deadline = self.plant._now + 10**12
            self.plant.advance(min(left, 5_000_000))
            left -= 5_000_000


class Reversed(PlantBench):
    """Its motor is wired the other way round and its class does not know."""

    def write(self, orders: Orders) -> None:
        check_orders(orders, self.plant.machine.axes)
        turned = {
            name: order._replace(position=1.2 - order.position, velocity=-order.velocity, current=-order.current)
            for name, order in orders.axes.items()
        }
        self.plant.apply(Orders(orders.now_ns, turned, orders.outputs))


class TakesAnything(PlantBench):
    """Passes on what is no number, as zero."""

    def write(self, orders: Orders) -> None:
        clean = {
            name: order._replace(**{key: value if value - value == 0.0 else 0.5 for key, value in _numbers(order)})
            for name, order in orders.axes.items()
        }
        check_orders(Orders(0, clean, {}), self.plant.machine.axes)
        self.plant.apply(Orders(orders.now_ns, clean, orders.outputs))


class TakesAnyPlace(PlantBench):
    """Passes on a place of a hold or a push that is no number, as where it is."""

    def write(self, orders: Orders) -> None:
        axes = {
            name: order._replace(position=self.position(name))
            if order.mode in ("hold", "effort") and order.position != order.position
            else order
            for name, order in orders.axes.items()
        }
        super().write(Orders(orders.now_ns, axes, orders.outputs))


class TakesAnySpeed(PlantBench):
    """Passes on a push at a speed that is no number, as at none."""

    def write(self, orders: Orders) -> None:
        axes = {
            name: order._replace(velocity=0.0) if order.mode == "effort" and order.velocity != order.velocity else order
            for name, order in orders.axes.items()
        }
        super().write(Orders(orders.now_ns, axes, orders.outputs))


def _numbers(order: AxisOrder) -> list[tuple[str, float]]:
    return [(key, value) for key, value in order._asdict().items() if key != "mode"]


class IgnoresUnknown(PlantBench):
    def write(self, orders: Orders) -> None:
        known = {name: order for name, order in orders.axes.items() if name in self.plant.machine.axes}
        super().write(Orders(orders.now_ns, known, orders.outputs))


class NeverOff(PlantBench):
    """Takes off for hold."""

    def write(self, orders: Orders) -> None:
        held = {
            name: AxisOrder("hold", self.position(name)) if order.mode == "off" else order
            for name, order in orders.axes.items()
        }
        super().write(Orders(orders.now_ns, held, orders.outputs))


class StaysDown(Broken):
    """Once dropped it never drives again."""

    def __init__(self, machine: Machine) -> None:
        super().__init__(machine)
        self.since = 0.0
        self.down = False

    def write(self, orders: Orders) -> None:
        self.since = 0.0
        check_orders(orders, self.plant.machine.axes)
        if not self.down:
            self.plant.apply(orders)

    def wait(self, seconds: float) -> None:
        self.since += seconds
        PlantBench.wait(self, seconds)
        self.down = self.down or self.since > 0.1


class Stuck(PlantBench):
    """Stays in a push when another mode is ordered."""

    pushing: Orders | None = None

    def write(self, orders: Orders) -> None:
        check_orders(orders, self.plant.machine.axes)
        if any(order.mode == "effort" for order in orders.axes.values()):
            self.pushing = orders
        self.plant.apply(self.pushing or orders)


class NoBound(PlantBench):
    """Pushes without a bound."""

    def write(self, orders: Orders) -> None:
        check_orders(orders, self.plant.machine.axes)
        free = {
            name: order._replace(position=1.1) if order.mode == "effort" else order
            for name, order in orders.axes.items()
        }
        self.plant.apply(Orders(orders.now_ns, free, orders.outputs))


class Aliased(PlantBench):
    """Keeps the caller's dictionary and looks into it later."""

    kept: Orders | None = None

    def write(self, orders: Orders) -> None:
        check_orders(orders, self.plant.machine.axes)
        self.kept = orders

    def wait(self, seconds: float) -> None:
        if self.kept is not None:
            self.plant.apply(self.kept)
            self.kept = None
        super().wait(seconds)


class Blocking(PlantBench):
    def write(self, orders: Orders) -> None:
        super().write(orders)
        time.sleep(0.006)


class HoldsOnly(PlantBench):
    """Says carry_on and holds."""

    def write(self, orders: Orders) -> None:
        check_orders(orders, self.plant.machine.axes)
        still = {name: order._replace(velocity=0.0) for name, order in orders.axes.items()}
        self.plant.apply(Orders(orders.now_ns, still, orders.outputs))


class HoldsForEver(PlantBench):
    """Its watchdog looks at set-points in motion only."""

    last: Orders | None = None

    def write(self, orders: Orders) -> None:
        super().write(orders)
        self.last = orders

    def wait(self, seconds: float) -> None:
        left = round(seconds * 1e3)
        while left > 0:
            if self.last is not None and all(order.mode == "hold" for order in self.last.axes.values()):
                self.plant._deadline = self.plant.time_ns + 10**12
            super().wait(min(left, 5) * 1e-3)
            left -= 5


class MovesForEver(PlantBench):
    """Its watchdog is fed by motion: it looks at set-points that stand only."""

    last: Orders | None = None

    def write(self, orders: Orders) -> None:
        super().write(orders)
        self.last = orders

    def wait(self, seconds: float) -> None:
        left = round(seconds * 1e3)
        while left > 0:
            if self.last is not None and any(order.velocity != 0.0 for order in self.last.axes.values()):
                self.plant._deadline = self.plant.time_ns + 10**12
            super().wait(min(left, 5) * 1e-3)
            left -= 5


class WakesUp(PlantBench):
    """Drops its drive in time, and takes its last order up again after a while, as a class that reconnects does."""

    last: Orders | None = None
    quiet = 0.0

    def write(self, orders: Orders) -> None:
        super().write(orders)
        self.last, self.quiet = orders, 0.0

    def wait(self, seconds: float) -> None:
        self.quiet += seconds
        if self.quiet > 0.5 and self.last is not None:
            self.plant.apply(self.last)
        super().wait(seconds)


class Altered(PlantBench):
    """Passes on each order of its axis as `altered` makes it."""

    def write(self, orders: Orders) -> None:
        check_orders(orders, self.plant.machine.axes)
        super().write(
            Orders(
                orders.now_ns,
                {name: self.altered(name, order) for name, order in orders.axes.items()},
                orders.outputs,
            )
        )

    def altered(self, name: str, order: AxisOrder) -> AxisOrder:
        raise NotImplementedError


class PushesOneWay(Altered):
    def altered(self, name: str, order: AxisOrder) -> AxisOrder:
        return order._replace(current=abs(order.current))


class FollowsUpwardsOnly(Altered):
    def altered(self, name: str, order: AxisOrder) -> AxisOrder:
        here = self.position(name)
        return AxisOrder("hold", here) if order.mode == "track" and order.position < here else order


class HoldsForBraking(Altered):
    def altered(self, name: str, order: AxisOrder) -> AxisOrder:
        return AxisOrder("hold", self.position(name)) if order.mode == "brake" else order


class HoldsFirstPlaceForBraking(Altered):
    """Keeps the place where it was when braking was ordered."""

    place: float | None = None

    def altered(self, name: str, order: AxisOrder) -> AxisOrder:
        if order.mode != "brake":
            self.place = None
            return order
        self.place = self.position(name) if self.place is None else self.place
        return AxisOrder("hold", self.place)


class PushesTooFast(Altered):
    def altered(self, name: str, order: AxisOrder) -> AxisOrder:
        return order._replace(velocity=20.0 * order.velocity) if order.mode == "effort" else order


class DropsOutputs(PlantBench):
    def write(self, orders: Orders) -> None:
        super().write(Orders(orders.now_ns, orders.axes, {}))


class KeepsOutputs(PlantBench):
    def wait(self, seconds: float) -> None:
        self.silent = -seconds
        super().wait(seconds)


class TakesTheGoodPart(PlantBench):
    """Passes on what it can before it complains."""

    def write(self, orders: Orders) -> None:
        for name, order in orders.axes.items():
            if name in self.plant.machine.axes:
                self.plant.apply(Orders(orders.now_ns, {name: order}, {}))
        super().write(orders)


class SwitchesBeforeItLooks(PlantBench):
    """Sets its outputs before it complains of an axis, and rests them in time."""

    def write(self, orders: Orders) -> None:
        self.outputs.update(orders.outputs)
        super().write(orders)


class FedByWhatItRefuses(PlantBench):
    """Its watchdog of the drive counts calls of `write`, whatever becomes of them."""

    last: Orders | None = None

    def write(self, orders: Orders) -> None:
        if self.last is not None:
            self.plant.apply(self.last)
        super().write(orders)
        self.last = orders


class OutputsFedByWhatItRefuses(PlantBench):
    """Its watchdog of the outputs does."""

    def write(self, orders: Orders) -> None:
        self.silent = 0.0
        super().write(orders)


@pytest.mark.parametrize("axis", CASES)
@pytest.mark.parametrize("between", ["hold", "carry_on"])
@pytest.mark.parametrize(
    ("made", "claim"),
    [
        (HoldsForEver, "it drops a hold when orders stop"),
        (MovesForEver, "it drops its drive when orders stop in motion"),
        (WakesUp, "it drops its drive when orders stop"),
        (PushesOneWay, "it pushes no faster than ordered"),
        (FollowsUpwardsOnly, "it follows its orders in the sense of its readings"),
        (HoldsForBraking, "it only ever opposes motion when braking"),
        (HoldsFirstPlaceForBraking, "it only ever opposes motion when braking"),
        (PushesTooFast, "it pushes no faster than ordered"),
        (DropsOutputs, "it sets its outputs and rests them when orders stop"),
        (KeepsOutputs, "it sets its outputs and rests them when orders stop"),
        (TakesTheGoodPart, "it takes nothing of orders that it refuses"),
        (SwitchesBeforeItLooks, "it takes nothing of orders that it refuses"),
        (FedByWhatItRefuses, "it drops its drive though orders come that it refuses"),
        (OutputsFedByWhatItRefuses, "it drops its drive though orders come that it refuses"),
    ],
)
def test_actuators_that_are_good_but_for_one_thing_are_found_on_every_axis(
    machine: Machine, made: Callable[[Machine], PlantBench], claim: str, axis: str, between: str
) -> None:
    """R52, R38: whatever the axis carries and does between orders."""
    axes = {name: replace(one, between=between) for name, one in machine.axes.items()}
    changed = replace(machine, axes=axes)
    with pytest.raises(AssertionError) as found:
        actuator_contract(lambda: made(changed), axis, between=between, **CASES[axis])
    assert claim in str(found.value)


@pytest.mark.parametrize(
    ("made", "claim"),
    [
        (Broken, "it drops its drive when orders stop"),
        (Broken, "it drops a push when orders stop"),
        (Reversed, "it follows its orders in the sense of its readings"),
        (TakesAnything, "it refuses orders that are no numbers"),
        (TakesAnyPlace, "it refuses orders that are no numbers"),
        (TakesAnySpeed, "it refuses orders that are no numbers"),
        (IgnoresUnknown, "it refuses unknown axes"),
        (NeverOff, "it has no drive when off"),
        (StaysDown, "it drives again when orders come again"),
        (Stuck, "it leaves a mode for another"),
        (NoBound, "it pushes with the sign of its current and not beyond its bound"),
        (Aliased, "it keeps its orders when the caller changes them"),
        (Blocking, "it does not block"),
        (HoldsOnly, "it does between orders what it declares"),
    ],
)
def test_actuators_that_break_a_claim_are_found(
    machine: Machine, made: Callable[[Machine], PlantBench], claim: str
) -> None:
    """R52, R38: each with the sentence of the claim and what was found."""
    with pytest.raises(AssertionError, match="the actuators of lift break their contract") as found:
        actuator_contract(lambda: made(machine), "lift", between="carry_on", **CASES["lift"])
    assert claim in str(found.value)


def test_the_outputs_must_be_told_if_only_that_there_are_none(machine: Machine) -> None:
    """R38: an output that nobody looks at would stay on when orders stop, and the contract be kept all the same."""
    with pytest.raises(TypeError, match="outputs"):
        actuator_contract(lambda: PlantBench(machine), "lift", step=0.1, speed=0.3)  # type: ignore[call-arg]
    actuator_contract(lambda: PlantBench(machine), "lift", step=0.1, speed=0.3, current=40.0, outputs={})
