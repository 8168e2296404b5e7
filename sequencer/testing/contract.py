"""What actuators must do whatever the runner does, above all when it does nothing any more (R38, R52).

Robots get hurt and hurt people where a class that passes orders on goes on after its orders have stopped, or passes on
what is no number. Run this against the class that drives the real motors, on blocks, before it drives anything else:
the axis moves a little. It is a test of behaviour, not a safety assessment.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from math import inf, nan
from time import perf_counter
from typing import Protocol

from sequencer.ports.orders import AxisOrder, Mode, Orders
from sequencer.ports.readings import SensorValue

SAMPLE = 0.005
"""Between two looks at an axis that brakes [s]."""

SILENCE = 2.0
"""How long an axis without orders is looked at [s]."""

SLOW = 0.3
"""Share of the speed with which a push is bounded, so that its current would take it well beyond."""


class Bench(Protocol):
    """What every bench has."""

    def write(self, orders: Orders) -> None:
        """What the runner will call."""

    def wait(self, seconds: float) -> None:
        """Let time pass, without any orders [s]."""

    def drive(self, axis: str) -> float:
        """How hard the axis' motors are driven now: volts, amperes or a share, positive in the sense of growing
        positions, of a spin growing speed; 0 is no drive at all.
        """

    def output(self, name: str) -> SensorValue:
        """What an output is switched or set to now; asked for those only that the test is given."""


class ActuatorBench(Bench, Protocol):
    """The user's actuators on a bench, with the means to look at them."""

    def position(self, axis: str) -> float:
        """Where the axis is [m or rad]."""


def actuator_contract(
    make: Callable[[], ActuatorBench],
    axis: str,
    *,
    step: float,
    speed: float,
    outputs: Mapping[str, tuple[SensorValue, SensorValue]],
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
        outputs: every output that these actuators have, by name: its value at rest and another. An empty mapping says
            that they have none; it must be said, for one that is left out here is not looked at.
        period: between two orders [s].
        longest_gap: without orders, after which it must have dropped its drive [s].
        latency: from order to motion at the most [s].
        between: what it does between orders, `hold` or `carry_on`, as the machine file says.
        current: a push that moves it, either way by its sign [A].
        settle: how long a step of the set-point takes to be followed [s].
        block: the longest that `write` may take [s].

    Raises:
        AssertionError: every claim that does not hold, one sentence each.
    """
    contract = _Contract(axis, step, speed, period, longest_gap, latency, between, current, settle, block, outputs)
    broken = []
    for claim in (
        contract.it_follows_its_orders_in_the_sense_of_its_readings,
        contract.it_drops_its_drive_when_orders_stop,
        contract.it_drops_its_drive_when_orders_stop_in_motion,
        contract.it_drops_a_hold_when_orders_stop,
        contract.it_drops_a_push_when_orders_stop,
        contract.it_drives_again_when_orders_come_again,
        contract.it_has_no_drive_when_off,
        contract.it_only_ever_opposes_motion_when_braking,
        contract.it_leaves_a_mode_for_another,
        contract.it_pushes_with_the_sign_of_its_current_and_not_beyond_its_bound,
        contract.it_pushes_no_faster_than_ordered,
        contract.it_sets_its_outputs_and_rests_them_when_orders_stop,
        contract.it_refuses_orders_that_are_no_numbers,
        contract.it_refuses_unknown_axes,
        contract.it_takes_nothing_of_orders_that_it_refuses,
        contract.it_drops_its_drive_though_orders_come_that_it_refuses,
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
        outputs: Mapping[str, tuple[SensorValue, SensorValue]],
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
        self.outputs = outputs
        self.now = 0

    def it_follows_its_orders_in_the_sense_of_its_readings(self, bench: ActuatorBench) -> str | None:
        begin = bench.position(self.axis)
        for goal in (begin + self.step, begin):
            here = bench.position(self.axis)
            self.go(bench, here, goal, rest="track")
            ordered, moved = goal - here, bench.position(self.axis) - here
            if not abs(ordered - moved) < 0.3 * self.step:
                return f"ordered {ordered:+.4g}, it moved {moved:+.4g}"
        return None

    def it_drops_its_drive_when_orders_stop(self, bench: ActuatorBench) -> str | None:
        begin = bench.position(self.axis)
        self.order(bench, AxisOrder("track", begin + self.step, 0.0))
        return self.stops(bench)

    def it_drops_its_drive_when_orders_stop_in_motion(self, bench: ActuatorBench) -> str | None:
        """A watchdog that is fed by motion, or by a speed that is carried on, would miss it."""
        begin = bench.position(self.axis)
        for number in range(1, self.ticks(0.5 * self.step / self.speed) + 1):
            self.order(bench, AxisOrder("track", begin + self.speed * self.period * number, self.speed))
        return self.stops(bench)

    def it_drops_a_hold_when_orders_stop(self, bench: ActuatorBench) -> str | None:
        """A watchdog that looks at set-points in motion only would miss it; far from its place it must pull."""
        begin = bench.position(self.axis)
        self.order(bench, AxisOrder("hold", begin + self.step))
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

    def it_only_ever_opposes_motion_when_braking(self, bench: ActuatorBench) -> str | None:
        """Shorted windings put no energy in, whatever the load; a loop that keeps a place does when it pulls back."""
        for speed in (self.speed, -self.speed):
            begin = bench.position(self.axis)
            count = self.ticks(self.step / self.speed)
            for number in range(1, count + 1):
                place = begin + speed * self.period * number
                self.order(bench, AxisOrder("track", place, speed))
            began = self.now
            while self.now - began < (self.latency + self.settle) * 1e9:
                self.now += round(self.period * 1e9)
                bench.write(Orders(self.now, {self.axis: AxisOrder("brake")}, {}))
                for _ in range(self.ticks_of(self.period, SAMPLE)):
                    before = bench.position(self.axis)
                    bench.wait(SAMPLE)
                    moved = bench.position(self.axis) - before
                    drive = bench.drive(self.axis)
                    judged = self.now - began > (self.latency + self.period) * 1e9
                    if judged and abs(moved) > 1e-4 * self.step and drive * moved > 0.0:
                        return f"ordered to brake, it is driven with {drive:+.4g} the way it moves"
        return None

    def it_leaves_a_mode_for_another(self, bench: ActuatorBench) -> str | None:
        begin = bench.position(self.axis)
        self.order(bench, AxisOrder("effort", begin + self.step, self.speed, current=self.current), times=3)
        here = bench.position(self.axis)
        self.order(bench, AxisOrder("hold", here), times=self.ticks(self.settle + self.latency))
        off = bench.position(self.axis) - here
        return None if abs(off) < 0.5 * self.step else f"from a push ordered to hold, it is {off:+.4g} away"

    def it_pushes_with_the_sign_of_its_current_and_not_beyond_its_bound(self, bench: ActuatorBench) -> str | None:
        """Upwards and back down again."""
        begin = bench.position(self.axis)
        for sense, bound in ((1.0, begin + 0.5 * self.step), (-1.0, begin)):
            here = bench.position(self.axis)
            push = AxisOrder("effort", bound, self.speed, current=sense * self.current)
            self.order(bench, push, times=self.ticks(self.settle + 0.5 * self.step / self.speed))
            beyond = sense * (bench.position(self.axis) - bound)
            if beyond > 0.5 * self.step:
                return f"bounded at {bound:+.4g}, it pushed on by {beyond:+.4g}"
            moved = bench.position(self.axis) - here
            if not sense * moved > 0.1 * self.step:
                return f"pushed {'upwards' if sense > 0.0 else 'downwards'}, it went {moved:+.4g}"
        return None

    def it_pushes_no_faster_than_ordered(self, bench: ActuatorBench) -> str | None:
        """Either way: a wrong sense of the current hides behind the bound of the place, which pulls it there."""
        begin = bench.position(self.axis)
        slow = SLOW * self.speed
        for sense, bound in ((1.0, begin + self.step), (-1.0, begin)):
            push = AxisOrder("effort", bound, slow, current=sense * self.current)
            fastest = 0.0
            for _ in range(self.ticks(0.8 * self.step / slow)):
                before = bench.position(self.axis)
                self.order(bench, push)
                fastest = max(fastest, sense * (bench.position(self.axis) - before) / self.period)
            if not fastest < 2.0 * slow:
                return f"ordered to push with {sense * slow:+.4g} at the most, it went {sense * fastest:+.4g}"
            self.order(bench, AxisOrder("hold", begin + self.step), times=self.ticks(self.settle + self.latency))
        return None

    def it_sets_its_outputs_and_rests_them_when_orders_stop(self, bench: ActuatorBench) -> str | None:
        for name, (rest, other) in self.outputs.items():
            for value in (other, rest, other):
                for _ in range(self.ticks(self.latency) + 2):
                    self.now += round(self.period * 1e9)
                    bench.write(Orders(self.now, {self.axis: AxisOrder("off")}, {name: value}))
                    bench.wait(self.period)
                if (found := bench.output(name)) != value:
                    return f"{name} was ordered {value!r} and is {found!r}"
            bench.wait(self.gap + self.latency + self.period)
            if (found := bench.output(name)) != rest:
                return f"{self.gap:g} s after the last order {name} is {found!r}; at rest it is {rest!r}"
        return None

    def it_refuses_orders_that_are_no_numbers(self, bench: ActuatorBench) -> str | None:
        here = bench.position(self.axis)
        for number in (nan, inf, -inf):
            for order in (
                AxisOrder("track", number),
                AxisOrder("track", here, number),
                AxisOrder("hold", number),
                AxisOrder("hold", here, 0.0, 0.0, number),
                AxisOrder("effort", number, self.speed, current=self.current),
                AxisOrder("effort", here, number, current=self.current),
                AxisOrder("effort", here, self.speed, 0.0, 0.0, number),
            ):
                if not refuses(bench, Orders(self.now, {self.axis: order}, {})):
                    return f"it took {order}"
        return None

    def it_refuses_unknown_axes(self, bench: ActuatorBench) -> str | None:
        strange = Orders(self.now, {f"not {self.axis}": AxisOrder("off")}, {})
        return None if refuses(bench, strange) else "an order for an axis that is not there was taken in silence"

    def it_takes_nothing_of_orders_that_it_refuses(self, bench: ActuatorBench) -> str | None:
        begin = bench.position(self.axis)
        good = {self.axis: AxisOrder("hold", begin + self.step)}
        switched = {name: other for name, (_, other) in self.outputs.items()}
        for axes in ({**good, f"not {self.axis}": AxisOrder("off")}, {f"not {self.axis}": AxisOrder("off"), **good}):
            for _ in range(self.ticks(self.settle)):
                self.now += round(self.period * 1e9)
                if not refuses(bench, Orders(self.now, axes, switched)):
                    return "it took orders of which a part is for an axis that is not there"
                bench.wait(self.period)
                for name, (rest, _) in self.outputs.items():
                    if (found := bench.output(name)) != rest:
                        return f"{name} is {found!r} by orders that it refused; at rest it is {rest!r}"
            moved = bench.position(self.axis) - begin
            # Without any good orders it may sink, but not go where the refused ones say.
            if moved > 0.3 * self.step:
                return f"it moved {moved:+.4g} by orders that it refused"
        return None

    def it_drops_its_drive_though_orders_come_that_it_refuses(self, bench: ActuatorBench) -> str | None:
        """What is refused is no order: neither does it keep the drive on, nor an output."""
        begin = bench.position(self.axis)
        switched = {name: other for name, (_, other) in self.outputs.items()}
        strange = {self.axis: AxisOrder("hold", begin + self.step), f"not {self.axis}": AxisOrder("off")}
        self.now += round(self.period * 1e9)
        bench.write(Orders(self.now, {self.axis: AxisOrder("hold", begin + self.step)}, switched))
        for _ in range(self.ticks(self.gap + self.latency) + 2):
            bench.wait(self.period)
            self.now += round(self.period * 1e9)
            if not refuses(bench, Orders(self.now, strange, switched)):
                return "it took orders of which a part is for an axis that is not there"
        left = bench.drive(self.axis)
        if left != 0.0:
            return f"{self.gap:g} s after the last order that it took it is still driven with {left:.4g}"
        for name, (rest, _) in self.outputs.items():
            if (found := bench.output(name)) != rest:
                return f"{self.gap:g} s after the last order that it took {name} is {found!r}; at rest it is {rest!r}"
        return None

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
        return self.ticks_of(seconds, self.period)

    def ticks_of(self, seconds: float, period: float) -> int:
        return max(1, round(seconds / period))

    def order(self, bench: ActuatorBench, order: AxisOrder, times: int = 1) -> None:
        for _ in range(times):
            self.now += round(self.period * 1e9)
            bench.write(Orders(self.now, {self.axis: order}, {}))
            bench.wait(self.period)

    def go(self, bench: ActuatorBench, begin: float, end: float, rest: Mode = "hold") -> None:
        """A ramp of set-points, then the last one until it has followed."""
        count = self.ticks(abs(end - begin) / self.speed)
        for number in range(1, count + 1):
            place = begin + (end - begin) * number / count
            self.order(bench, AxisOrder("track", place, self.speed if end > begin else -self.speed))
        self.order(bench, AxisOrder(rest, end), times=self.ticks(self.settle + self.latency))

    def stops(self, bench: ActuatorBench) -> str | None:
        """Nothing is ordered any more; after the longest gap nothing may be driven any more, nor again later."""
        bench.wait(self.gap + self.latency + self.period)
        silent = self.gap
        for _ in range(self.ticks(SILENCE)):
            left = bench.drive(self.axis)
            if left != 0.0:
                still = "still" if silent == self.gap else "again"
                return f"{silent:.3g} s after the last order it is {still} driven with {left:.4g}"
            bench.wait(self.period)
            silent += self.period
        return None


def refuses(bench: Bench, orders: Orders) -> bool:
    """Whether actuators raise when they are given these orders."""
    try:
        bench.write(orders)
    except Exception:
        return True
    return False
