"""The loop that closes in an actuator itself, a thousand times a second, on the latest order that has arrived.

    volts = order's volts + position_answer (x_ref - x) + speed_answer (v_ref - v)

Orders wait in a line for the axis' latency. Between orders the reference stands (`hold`) or goes on with the ordered
speed and acceleration (`carry_on`). How strongly it answers follows from the axis' own model: see `tuned`.
"""

from __future__ import annotations

from collections import deque
from math import sqrt
from typing import NamedTuple

from sequencer.plant.motor import MotorGroup
from sequencer.ports.orders import AxisOrder

SLOWEST_LOOP = 40.0
"""Least natural frequency of the position loop [rad/s]: settled in about a tenth of a second."""
FASTEST_LOOP = 100.0
"""Greatest natural frequency [rad/s]: a tenth of what a loop closed once a millisecond can hold."""
SPIN_LOOP = 60.0
"""How fast a spin's speed error decays [1/s]."""
_NEVER = 1 << 62


class Answer(NamedTuple):
    """How strongly a loop answers: `position` [V per m or rad] and `speed` [V per m/s or rad/s]."""

    position: float
    speed: float


def tuned(*, inertia: float, force_per_volt: float, damping: float, friction: float, tolerance: float | None) -> Answer:
    """Answers for a critically damped axis, stiff enough that dry friction leaves it within a quarter of its tolerance.

    With w the natural frequency: position = w^2 m / G and speed = (2 w m - D) / G, not below 0.

    Args:
        inertia: m, all that moves with the axis, rotors included [kg or kg m2].
        force_per_volt: G, force of all motors per volt at standstill [N/V or N m/V].
        damping: D, drag of the motors and viscous friction [N s/m or N m s/rad].
        friction: dry friction [N or N m].
        tolerance: of position [m or rad]; None for a spin, which has a speed loop only.
    """
    if tolerance is None:
        return Answer(0.0, max(0.0, SPIN_LOOP * inertia - damping) / force_per_volt)
    frequency = sqrt(4.0 * friction / (inertia * tolerance)) if tolerance > 0.0 else FASTEST_LOOP
    frequency = min(max(frequency, SLOWEST_LOOP), FASTEST_LOOP)
    return Answer(
        frequency**2 * inertia / force_per_volt, max(0.0, 2.0 * frequency * inertia - damping) / force_per_volt
    )


class OrderLine:
    """Orders on their way to an axis, each due its latency [ns] after it was given."""

    __slots__ = ("_latest", "_line", "due", "latency", "order", "since")

    def __init__(self, latency: int, first: AxisOrder) -> None:
        self.latency = latency
        self.order = first
        self.since = 0
        self.due = _NEVER
        self._line: deque[tuple[int, AxisOrder]] = deque()
        self._latest: AxisOrder | None = None

    def put(self, order: AxisOrder, now: int) -> None:
        """An order given at `now` [ns]; one that stands and says the same again makes no difference."""
        if order is self._latest and order[0] != "track":
            return
        self._latest = order
        if not self._line:
            self.due = now + self.latency
        self._line.append((now + self.latency, order))

    def take(self, now: int) -> None:
        """Make the latest order that is due by `now` [ns] the one at hand."""
        line = self._line
        while line and line[0][0] <= now:
            self.since, self.order = line.popleft()
        self.due = line[0][0] if line else _NEVER

    def drop(self, now: int) -> None:
        """No drive, from `now` [ns] until a new order arrives; what is on its way is lost."""
        self._line.clear()
        self._latest = None
        self.due = _NEVER
        self.since, self.order = now, AxisOrder("off")


class Controller:
    """One axis' own loop: it switches the axis' motors as its latest order says.

    Args:
        line: the orders on their way.
        spin: whether the axis is a spin.
        carry_on: whether the reference goes on between orders.

    Attributes:
        groups: the axis' motors.
        answer: how strongly it answers.
        speed_volts: volts that a unit of steady speed takes [V per m/s or rad/s].
    """

    __slots__ = ("answer", "carry_on", "groups", "line", "speed_volts", "spin")

    def __init__(self, line: OrderLine, *, spin: bool, carry_on: bool) -> None:
        self.line = line
        self.spin = spin
        self.carry_on = carry_on
        self.groups: tuple[MotorGroup, ...] = ()
        self.answer = Answer(0.0, 0.0)
        self.speed_volts = 0.0

    def switch(self, now: int, position: float, speed: float, turning: float, bus: float, powered: bool) -> None:
        """Set back-EMF and duty of the motors at `now` [ns].

        Args:
            now: time [ns].
            position: as the axis' encoders give it [m or rad].
            speed: likewise [m/s or rad/s].
            turning: true speed of the axis [m/s or rad/s].
            bus: bus voltage [V].
            powered: whether the controllers are alive.
        """
        line = self.line
        if now >= line.due:
            line.take(now)
        mode = line.order.mode
        groups = self.groups
        if mode == "off" or not powered:
            for group in groups:
                group.emf = group.emf_per_speed * turning
                group.switching = "off"
            return
        for group in groups:
            group.emf = group.emf_per_speed * turning
            group.switching = "driven" if group.has_power else "off"
        if mode == "brake":
            for group in groups:
                if group.has_power:
                    group.switching = "shorted"
            return
        if mode == "effort":
            volts = self._effort(position, speed)
        else:
            _, goal, rate, acceleration, volts, _ = line.order
            answer = self.answer
            if mode == "hold":
                rate = 0.0
            elif self.carry_on:
                elapsed = (now - line.since) * 1e-9
                goal += elapsed * (rate + 0.5 * elapsed * acceleration)
                rate += elapsed * acceleration
            volts += answer.speed * (rate - speed)
            if not self.spin:
                volts += answer.position * (goal - position)
        duty = volts / bus
        duty = 1.0 if duty > 1.0 else -1.0 if duty < -1.0 else duty
        for group in groups:
            group.duty = duty

    def _effort(self, position: float, speed: float) -> float:
        """Volts that push with the ordered current, no faster and no farther than ordered."""
        order = self.line.order
        if self.spin:
            return order.volts
        conductance = sum(group.conductance for group in self.groups if group.has_power)
        if conductance == 0.0:
            return 0.0
        induced = sum(group.conductance * group.emf for group in self.groups if group.has_power)
        volts = (order.current + induced) / conductance
        sense = 1.0 if order.current >= 0.0 else -1.0
        bounds = [order.volts + self.answer.position * (order.position - position) - self.answer.speed * speed]
        if order.velocity != 0.0:
            fastest = sense * abs(order.velocity)
            bounds.append(order.volts + self.speed_volts * fastest + self.answer.speed * (fastest - speed))
        for bound in bounds:
            volts = min(volts, bound) if sense > 0.0 else max(volts, bound)
        return volts


class IdealAxis:
    """An axis with no declared motors or load: it does what it is ordered, exactly, after its latency.

    An ideal spin under a voltage turns at the share of its greatest speed that the volts are of `RATED_VOLTS`.
    """

    RATED_VOLTS = 12.0

    __slots__ = ("carry_on", "fastest", "line", "spin")

    def __init__(self, line: OrderLine, *, spin: bool, carry_on: bool, fastest: float) -> None:
        self.line = line
        self.spin = spin
        self.carry_on = carry_on
        self.fastest = fastest

    def state(self, now: int, duration: float, position: float) -> tuple[float, float, float]:
        """Position, speed and acceleration [SI] at `now` [ns], `duration` [s] after it was at `position`."""
        line = self.line
        if now >= line.due:
            line.take(now)
        order = line.order
        mode = order.mode
        if self.spin:
            rate = 0.0
            if mode == "track":
                rate = order.velocity
            elif mode == "effort":
                rate = self.fastest * order.volts / self.RATED_VOLTS
            return position + duration * rate, rate, 0.0
        if mode == "track":
            if not self.carry_on:
                return order.position, order.velocity, order.acceleration
            elapsed = (now - line.since) * 1e-9
            rate = order.velocity + elapsed * order.acceleration
            return order.position + 0.5 * elapsed * (order.velocity + rate), rate, order.acceleration
        if mode == "hold":
            return order.position, 0.0, 0.0
        if mode == "effort" and order.current != 0.0:
            reach = duration * (abs(order.velocity) or self.fastest)
            left = order.position - position
            if left * order.current > 0.0:
                move = min(max(left, -reach), reach)
                return position + move, move / duration if duration > 0.0 else 0.0, 0.0
        return position, 0.0, 0.0
