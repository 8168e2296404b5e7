"""What actuators must do whatever the runner does, above all when it does nothing any more (R38, R52).

Robots get hurt and hurt people where a class that passes orders on goes on after its orders have stopped, or passes on
what is no number. Run this against the class that drives the real motors, on blocks, before it drives anything else:
the axis moves a little. It is a test of behaviour, not a safety assessment.
"""

from __future__ import annotations

from collections.abc import Callable
from math import inf, nan
from time import perf_counter
from typing import Any, Protocol

from sequencer.ports.orders import AxisOrder, Orders


class ActuatorBench(Protocol):
    """The user's actuators on a bench, with the means to look at them."""

    def write(self, orders: Orders) -> None:
        """What the runner will call."""

    def wait(self, seconds: float) -> None:
        """Let time pass, without any orders [s]."""

    def drive(self, axis: str) -> float:
        """How hard the axis' motors are driven now: volts, amperes or a share, signed; 0 is no drive at all."""

    def position(self, axis: str) -> float:
        """Where the axis is [m or rad]."""


def actuator_contract(
    make: Callable[[], ActuatorBench],
    axis: str,
    *,
    step: float,
    speed: float,
    period: float = 0.02,
    longest_gap: float = 0.1,
    latency: float = 0.04,
    between: str = "hold",
    current: float = 8.0,
    settle: float = 0.5,
    block: float = 0.005,
) -> None:
    """Test one axis of a user's actuators; silent where all claims hold.

    Args:
        make: gives the bench anew for each claim, with the axis at rest in the middle of its travel.
        axis: an axis with a position.
        step: how far it may be moved [m or rad]; well above its tolerance.
        speed: with which [m/s or rad/s].
        period: between two orders [s].
        longest_gap: without orders, after which it must have dropped its drive [s].
        latency: from order to motion at the most [s].
        between: what it does between orders, `hold` or `carry_on`, as the machine file says.
        current: a push that moves it [A].
        settle: how long a step of the set-point takes to be followed [s].
        block: the longest that `write` may take [s].

    Raises:
        AssertionError: every claim that does not hold, one sentence each.
    """
    contract = _Contract(axis, step, speed, period, longest_gap, latency, between, current, settle, block)
    broken = []
    for claim in (
        contract.it_follows_its_orders_in_the_sense_of_its_readings,
        contract.it_drops_its_drive_when_orders_stop,
        contract.it_drops_a_push_when_orders_stop,
        contract.it_drives_again_when_orders_come_again,
        contract.it_has_no_drive_when_off,
        contract.it_leaves_a_mode_for_another,
        contract.it_pushes_with_the_sign_of_its_current_and_not_beyond_its_bound,
        contract.it_refuses_orders_that_are_no_numbers,
        contract.it_refuses_unknown_axes,
        contract.it_does_between_orders_what_it_declares,
        contract.it_keeps_its_orders_when_the_caller_changes_them,
        contract.it_does_not_block,
    ):
        found = claim(make())
        if found is not None:
            broken.append(f"{claim.__name__.replace('_', ' ')}: {found}")
    assert not broken, f"the actuators of {axis} break their contract:\n" + "\n".join(broken)


class _Contract:
    """The claims; each returns what was found where it does not hold."""

    def __init__(
        self,
        axis: str,
        step: float,
        speed: float,
        period: float,
        longest_gap: float,
        latency: float,
        between: str,
        current: float,
        settle: float,
        block: float,
    ) -> None:
        self.axis = axis
        self.step = step
        self.speed = speed
        self.period = period
        self.gap = longest_gap
        self.latency = latency
        self.between = between
        self.current = current
        self.settle = settle
        self.block = block
        self.now = 0

    def it_follows_its_orders_in_the_sense_of_its_readings(self, bench: ActuatorBench) -> str | None:
        begin = bench.position(self.axis)
        self.go(bench, begin, begin + self.step)
        moved = bench.position(self.axis) - begin
        return None if moved > 0.7 * self.step else f"ordered {self.step:+.4g}, it moved {moved:+.4g}"

    def it_drops_its_drive_when_orders_stop(self, bench: ActuatorBench) -> str | None:
        begin = bench.position(self.axis)
        self.order(bench, AxisOrder("track", begin + self.step, 0.0))
        return self.stops(bench)

    def it_drops_a_push_when_orders_stop(self, bench: ActuatorBench) -> str | None:
        begin = bench.position(self.axis)
        self.order(bench, AxisOrder("effort", begin + self.step, self.speed, current=self.current), times=3)
        return self.stops(bench)

    def it_drives_again_when_orders_come_again(self, bench: ActuatorBench) -> str | None:
        self.order(bench, AxisOrder("hold", bench.position(self.axis)), times=3)
        bench.wait(self.gap + self.latency + self.period)
        begin = bench.position(self.axis)
        self.go(bench, begin, begin + self.step)
        moved = bench.position(self.axis) - begin
        return None if moved > 0.5 * self.step else f"after a pause it moved {moved:+.4g} of {self.step:+.4g}"

    def it_has_no_drive_when_off(self, bench: ActuatorBench) -> str | None:
        begin = bench.position(self.axis)
        self.order(bench, AxisOrder("track", begin + self.step), times=3)
        self.order(bench, AxisOrder("off"), times=self.ticks(self.latency) + 2)
        left = bench.drive(self.axis)
        return None if left == 0.0 else f"ordered off, it is driven with {left:.4g}"

    def it_leaves_a_mode_for_another(self, bench: ActuatorBench) -> str | None:
        begin = bench.position(self.axis)
        self.order(bench, AxisOrder("effort", begin + self.step, self.speed, current=self.current), times=3)
        here = bench.position(self.axis)
        self.order(bench, AxisOrder("hold", here), times=self.ticks(self.settle + self.latency))
        off = bench.position(self.axis) - here
        return None if abs(off) < 0.5 * self.step else f"from a push ordered to hold, it is {off:+.4g} away"

    def it_pushes_with_the_sign_of_its_current_and_not_beyond_its_bound(self, bench: ActuatorBench) -> str | None:
        begin = bench.position(self.axis)
        bound = begin + 0.5 * self.step
        for _ in range(self.ticks(self.settle + 0.5 * self.step / self.speed)):
            self.order(bench, AxisOrder("effort", bound, self.speed, current=self.current))
        moved = bench.position(self.axis) - begin
        if moved > self.step:
            return f"bounded at {0.5 * self.step:+.4g}, it pushed on to {moved:+.4g}"
        return None if moved > -0.25 * self.step else f"pushed upwards, it went {moved:+.4g}"

    def it_refuses_orders_that_are_no_numbers(self, bench: ActuatorBench) -> str | None:
        here = bench.position(self.axis)
        for number in (nan, inf, -inf):
            for order in (
                AxisOrder("track", number),
                AxisOrder("track", here, number),
                AxisOrder("hold", here, 0.0, 0.0, number),
                AxisOrder("effort", here, self.speed, 0.0, 0.0, number),
            ):
                if not self.refuses(bench, Orders(self.now, {self.axis: order}, {})):
                    return f"it took {order}"
        return None

    def it_refuses_unknown_axes(self, bench: ActuatorBench) -> str | None:
        strange = Orders(self.now, {f"not {self.axis}": AxisOrder("off")}, {})
        return None if self.refuses(bench, strange) else "an order for an axis that is not there was taken in silence"

    def it_does_between_orders_what_it_declares(self, bench: ActuatorBench) -> str | None:
        begin = bench.position(self.axis)
        self.go(bench, begin, begin + 0.3 * self.step)
        before = bench.position(self.axis)
        pause = min(0.8 * self.gap, 0.25 * self.step / self.speed)
        self.order(bench, AxisOrder("track", before, self.speed))
        bench.wait(self.latency + 0.2 * self.gap)
        first = bench.position(self.axis)
        self.order(bench, AxisOrder("track", first, self.speed))
        bench.wait(pause)
        moved = bench.position(self.axis) - first
        carried = self.speed * pause
        if self.between == "carry_on":
            return None if moved > 0.2 * carried else f"it declares carry_on and moved {moved:+.4g} of {carried:+.4g}"
        return None if moved < 0.8 * carried else f"it declares hold and went on by {moved:+.4g}"

    def it_keeps_its_orders_when_the_caller_changes_them(self, bench: ActuatorBench) -> str | None:
        here = bench.position(self.axis)
        axes = {self.axis: AxisOrder("hold", here)}
        for _ in range(self.ticks(self.latency) + 2):
            self.now += round(self.period * 1e9)
            axes[self.axis] = AxisOrder("hold", here)
            bench.write(Orders(self.now, axes, {}))
            axes[self.axis] = AxisOrder("track", here + self.step, self.speed)
            bench.wait(self.period)
        moved = bench.position(self.axis) - here
        return None if abs(moved) < 0.3 * self.step else f"it moved {moved:+.4g} by a dictionary changed after `write`"

    def it_does_not_block(self, bench: ActuatorBench) -> str | None:
        here = bench.position(self.axis)
        took = inf
        for _ in range(3):
            begin = perf_counter()
            bench.write(Orders(self.now, {self.axis: AxisOrder("hold", here)}, {}))
            took = min(took, perf_counter() - begin)
        return None if took <= self.block else f"the fastest of three writes took {took * 1e3:.3g} ms"

    # What the claims are made of.

    def ticks(self, seconds: float) -> int:
        return max(1, round(seconds / self.period))

    def order(self, bench: ActuatorBench, order: AxisOrder, times: int = 1) -> None:
        for _ in range(times):
            self.now += round(self.period * 1e9)
            bench.write(Orders(self.now, {self.axis: order}, {}))
            bench.wait(self.period)

    def go(self, bench: ActuatorBench, begin: float, end: float) -> None:
        """A ramp of set-points, then a hold until it has followed."""
        count = self.ticks(abs(end - begin) / self.speed)
        for number in range(1, count + 1):
            place = begin + (end - begin) * number / count
            self.order(bench, AxisOrder("track", place, self.speed if end > begin else -self.speed))
        self.order(bench, AxisOrder("hold", end), times=self.ticks(self.settle + self.latency))

    def stops(self, bench: ActuatorBench) -> str | None:
        """Nothing is ordered any more; after the longest gap nothing may be driven any more."""
        bench.wait(self.gap + self.latency + self.period)
        left = bench.drive(self.axis)
        return None if left == 0.0 else f"{self.gap:g} s after the last order it is still driven with {left:.4g}"

    def refuses(self, bench: ActuatorBench, orders: Any) -> bool:
        try:
            bench.write(orders)
        except Exception:
            return True
        return False
