"""What actuators of a spin must do: rollers and wheels, which have no position to be held at (R38, R52)."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from math import inf, nan
from typing import Protocol

from sequencer.ports.orders import AxisOrder, Orders
from sequencer.ports.readings import SensorValue
from sequencer.testing.contract import SILENCE, Bench, refuses


class SpinBench(Bench, Protocol):
    """The user's actuators of a spin on a bench, with the means to look at them."""

    def speed(self, axis: str) -> float:
        """How fast it turns [rad/s]."""


def spin_contract(
    make: Callable[[], SpinBench],
    axis: str,
    *,
    volts: float,
    speed: float | None,
    outputs: Mapping[str, tuple[SensorValue, SensorValue]],
    period: float = 0.02,
    longest_gap: float = 0.1,
    latency: float = 0.04,
    settle: float = 0.5,
) -> None:
    """Test one spin of a user's actuators; silent where all claims hold. It turns a little, both ways.

    Args:
        make: gives the bench anew for each claim, with the spin at rest.
        axis: an axis without a position.
        volts: that turn it [V].
        speed: that it is to keep when it is ordered [rad/s]; None: these actuators take voltages alone.
        outputs: every output that these actuators have, by name: its value at rest and another. An empty mapping says
            that they have none; it must be said, for one that is left out here is not looked at.
        period: between two orders [s].
        longest_gap: without orders, after which it must have dropped its drive [s].
        latency: from order to motion at the most [s].
        settle: how long it takes to get to a speed [s].

    Raises:
        AssertionError: every claim that does not hold, one sentence each.
    """
    contract = _SpinContract(axis, volts, speed, outputs, period, longest_gap, latency, settle)
    broken = []
    for claim in (
        contract.it_turns_in_the_sense_of_its_orders,
        contract.it_drops_its_drive_when_orders_stop,
        contract.it_drops_its_drive_though_orders_come_that_it_refuses,
        contract.it_has_no_drive_when_off_or_at_rest,
        contract.it_refuses_orders_that_are_no_numbers,
        contract.it_refuses_unknown_axes,
    ):
        found = claim(make)
        if found is not None:
            broken.append(f"{claim.__name__.replace('_', ' ')}: {found}")
    assert not broken, f"the actuators of {axis} break their contract:\n" + "\n".join(broken)


class _SpinContract:
    """The claims; each returns what was found where it does not hold."""

    def __init__(
        self,
        axis: str,
        volts: float,
        speed: float | None,
        outputs: Mapping[str, tuple[SensorValue, SensorValue]],
        period: float,
        longest_gap: float,
        latency: float,
        settle: float,
    ) -> None:
        self.axis = axis
        self.outputs = outputs
        self.period = period
        self.gap = longest_gap
        self.latency = latency
        self.settle = settle
        self.now = 0
        self.turning = [AxisOrder("effort", volts=sense * volts) for sense in (1.0, -1.0)]
        if speed is not None:
            self.turning += [AxisOrder("track", 0.0, sense * speed) for sense in (1.0, -1.0)]

    def it_turns_in_the_sense_of_its_orders(self, make: Callable[[], SpinBench]) -> str | None:
        for order in self.turning:
            bench = make()
            self.order(bench, order, self.settle + self.latency)
            asked, found = order.volts + order.velocity, bench.speed(self.axis)
            if not asked * found > 0.0:
                return f"ordered {order.mode} with {asked:+.4g}, it turns with {found:+.4g}"
            if order.mode == "track" and not abs(found - asked) < 0.5 * abs(asked):
                return f"ordered to turn with {asked:+.4g}, it turns with {found:+.4g}"
        return None

    def it_drops_its_drive_when_orders_stop(self, make: Callable[[], SpinBench]) -> str | None:
        for order in self.turning:
            bench = make()
            self.order(bench, order, self.settle, {name: other for name, (_, other) in self.outputs.items()})
            found = self.silent(bench)
            if found is not None:
                return found
        return None

    def it_drops_its_drive_though_orders_come_that_it_refuses(self, make: Callable[[], SpinBench]) -> str | None:
        """What is refused is no order."""
        bench = make()
        switched = {name: other for name, (_, other) in self.outputs.items()}
        self.order(bench, self.turning[0], self.settle, switched)
        for _ in range(self.ticks(self.gap + self.latency) + 2):
            bench.wait(self.period)
            self.now += round(self.period * 1e9)
            strange = {self.axis: self.turning[0], f"not {self.axis}": AxisOrder("off")}
            if not refuses(bench, Orders(self.now, strange, switched)):
                return "it took orders of which a part is for an axis that is not there"
        return self.at_rest(bench, self.gap)

    def it_has_no_drive_when_off_or_at_rest(self, make: Callable[[], SpinBench]) -> str | None:
        for rest in (AxisOrder("off"), AxisOrder("effort")):
            bench = make()
            self.order(bench, self.turning[0], self.settle)
            self.order(bench, rest, self.latency + 2 * self.period)
            left = bench.drive(self.axis)
            if left * self.turning[0].volts > 0.0 or (rest.mode == "off" and left != 0.0):
                return f"ordered {'off' if rest.mode == 'off' else '0 V'}, it is driven with {left:.4g}"
        return None

    def it_refuses_orders_that_are_no_numbers(self, make: Callable[[], SpinBench]) -> str | None:
        bench = make()
        for number in (nan, inf, -inf):
            for order in (AxisOrder("effort", volts=number), AxisOrder("track", 0.0, number)):
                if not refuses(bench, Orders(self.now, {self.axis: order}, {})):
                    return f"it took {order}"
        return None

    def it_refuses_unknown_axes(self, make: Callable[[], SpinBench]) -> str | None:
        strange = Orders(self.now, {f"not {self.axis}": AxisOrder("off")}, {})
        return None if refuses(make(), strange) else "an order for an axis that is not there was taken in silence"

    # What the claims are made of.

    def ticks(self, seconds: float) -> int:
        return max(1, round(seconds / self.period))

    def order(
        self, bench: SpinBench, order: AxisOrder, seconds: float, outputs: Mapping[str, SensorValue] | None = None
    ) -> None:
        for _ in range(self.ticks(seconds)):
            self.now += round(self.period * 1e9)
            bench.write(Orders(self.now, {self.axis: order}, dict(outputs or {})))
            bench.wait(self.period)

    def silent(self, bench: SpinBench) -> str | None:
        """Nothing is ordered any more; after the longest gap nothing may be driven any more, nor again later."""
        bench.wait(self.gap + self.latency + self.period)
        silent = self.gap
        for _ in range(self.ticks(SILENCE)):
            found = self.at_rest(bench, silent)
            if found is not None:
                return found
            bench.wait(self.period)
            silent += self.period
        return None

    def at_rest(self, bench: SpinBench, silent: float) -> str | None:
        left = bench.drive(self.axis)
        if left != 0.0:
            return f"{silent:.3g} s after the last order that it took it is driven with {left:.4g}"
        for name, (rest, _) in self.outputs.items():
            if (found := bench.output(name)) != rest:
                return f"{silent:.3g} s after the last order that it took {name} is {found!r}; at rest it is {rest!r}"
        return None
