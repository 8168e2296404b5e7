"""An axis with motors and a load: its own loop, what drives it and what resists it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from sequencer.errors import ModelError
from sequencer.machine.axis import Axis
from sequencer.plant.contact import Pressed
from sequencer.plant.controller import Controller, OrderLine, tuned
from sequencer.plant.encoders import Encoders
from sequencer.plant.friction import Friction
from sequencer.plant.linkage import Linkage
from sequencer.plant.mechanism import Mechanism
from sequencer.plant.motor import motor_groups
from sequencer.plant.play import Play
from sequencer.plant.roller import Grip


class DrivenAxis:
    """One axis of the plant; it is axis number `index` of the `mechanism`.

    Attributes:
        controller: its own loop, with its motors in groups.
        counterbalance: pull in the positive sense [N], the mean of its range.
        jam: dry friction of a fault [N or N m].
        charge: current summed over the steps since it was last set to 0 [A], all motors together.
        encoders: what its own loop sees of it; None: the truth.
        play: between motors and axis, or None.
        pressed: what it may lean on outside.
    """

    def __init__(self, axis: Axis, index: int, mechanism: Mechanism, line: OrderLine) -> None:
        self.axis = axis
        self.index = index
        self.controller = Controller(line, spin=axis.kind == "spin", carry_on=axis.between == "carry_on")
        load = axis.load
        self.counterbalance = sum(load.counterbalance) / 2.0 if load is not None and axis.kind == "linear" else 0.0
        self.jam = 0.0
        self.charge = 0.0
        self.encoders: Encoders | None = None
        self.pressed: tuple[Pressed, ...] = ()
        self.play = Play(load.backlash) if load is not None and load.backlash > 0.0 else None
        self.measured_at_motors = axis.position is None or axis.position.sense == "relative"
        self._own_inertia = 0.0
        self.friction = Friction(axis)
        self._mechanism = mechanism
        self._loose: tuple[str, ...] = ()
        mechanism.viscous[index] = load.viscous if load is not None else 0.0
        self.couple()
        if axis.kind == "spin" and mechanism.extra_inertia[index] == 0.0:
            raise ModelError(
                f"spin '{axis.name}' has actuators and a load, but no inertia; give its load or its motors one"
            )

    def couple(
        self,
        dead: frozenset[str] = frozenset(),
        loose: tuple[str, ...] = (),
        shares: Mapping[str, float] | None = None,
    ) -> None:
        """Connect the motors in service.

        Args:
            dead: names of actuators that have no power.
            loose: names of actuators whose chain or coupling is off.
            shares: of their force that arrives at the axis, by actuator; 1 for the others.
        """
        self._loose = loose
        coupled = [actuator for actuator in self.axis.in_service if actuator.name not in loose]
        groups = motor_groups(coupled, dead, shares or {})
        self.controller.groups = groups
        load = self.axis.load
        self._own_inertia = load.inertia if load is not None and self.axis.kind == "spin" else 0.0
        rotors = sum(group.inertia for group in groups)
        if self.play is not None:
            self.play.inertia = rotors
        self._mechanism.extra_inertia[self.index] = self._own_inertia
        if self.play is None or self.play.side:
            self._mechanism.extra_inertia[self.index] += rotors

    def tune(self, trees: Sequence[Linkage]) -> None:
        """Set how the axis' own loop answers, and the volts that hold it where it stands.

        Raises:
            ModelError: nothing that it moves has a mass.
        """
        mechanism, axis, index = self._mechanism, self.axis, self.index
        groups = self.controller.groups
        inertia = mechanism.extra_inertia[index]
        weight = 0.0
        still = [0.0] * len(mechanism.position)
        for tree in trees:
            if index in tree.coordinates:
                row = tree.coordinates.index(index)
                tree.evaluate(mechanism.position, still, still)
                inertia += tree.matrix[row][row]
                weight = tree.bias[row] - self.counterbalance
        alone = inertia - (self.play.inertia if self.play is not None else 0.0)
        if alone <= 0.0:
            raise ModelError(f"axis '{axis.name}' moves nothing that has a mass; declare the mass of its load")
        force_per_volt = sum(group.force_per_ampere * group.per_ohm for group in groups)
        if force_per_volt == 0.0:
            return
        damping = sum(group.drag for group in groups) + mechanism.viscous[index]
        self.controller.answer = tuned(
            inertia=inertia,
            force_per_volt=force_per_volt,
            damping=damping,
            friction=self.friction.at(0.0) + sum(group.friction for group in groups),
            tolerance=None if axis.kind == "spin" else axis.tolerance.position,
        )
        self.controller.speed_volts = damping / force_per_volt
        line = self.controller.line
        line.order = line.order._replace(volts=weight / force_per_volt)
        if self.play is not None:
            self.play.lean(-1 if weight < 0.0 else 1)

    def load(self, grip: Grip | None, duration: float) -> None:
        """Hand the motors' force and the friction to the mechanism for a step of `duration` [s]; `grip` is that of a
        piece in these rollers.
        """
        mechanism, index = self._mechanism, self.index
        speed = mechanism.speed[index]
        force = damping = rubbing = 0.0
        for group in self.controller.groups:
            rubbing += group.friction
            if group.switching != "off":
                current = group.current
                self.charge += group.count * current
                push = group.force_per_ampere * current
                force += push
                rubbing += group.loss * (push if push > 0.0 else -push)
                if group.switching == "shorted" or not group.limited:
                    damping += group.drag
        play = self.play
        if play is not None:
            play.force, play.damping, play.resist = force, damping, rubbing
            if not play.side:
                force = damping = rubbing = 0.0
        resist = self.friction.at(speed) + self.jam + rubbing
        force += self.counterbalance
        for body in self.pressed:
            pushed, slope = body.push(mechanism.position[index], speed, duration)
            force += pushed
            damping += slope
        mechanism.force[index] = force
        mechanism.damping[index] = damping
        mechanism.resist_backward[index] = resist
        mechanism.resist_forward[index] = resist if grip is None else resist + grip.resistance(speed)

    def settle_play(self, before: float, duration: float) -> None:
        """Let motors and axis part or meet after a step in which the axis came from `before` [m or rad]."""
        mechanism, index, play = self._mechanism, self.index, self.play
        if play is None:
            return
        if play.side:
            if play.parts(mechanism.speed[index], mechanism.acceleration[index], duration):
                mechanism.extra_inertia[index] = self._own_inertia
        elif play.run(mechanism.position[index] - before, duration):
            compliance = mechanism.compliance(index)
            mechanism.strike(index, play.impact(mechanism.speed[index], compliance))
            mechanism.extra_inertia[index] = self._own_inertia + play.inertia

    @property
    def current(self) -> float:
        """Current of all its motors at this instant [A]."""
        return sum(group.count * group.current for group in self.controller.groups)

    def switch(self, now: int, bus: float, powered: bool) -> None:
        """Let its own loop switch the motors at `now` [ns], as it sees the axis."""
        speed = turning = self._mechanism.speed[self.index]
        position = self._mechanism.position[self.index]
        if self.play is not None:
            position, speed = self.measured()
            turning = self.play.speed if not self.play.side else turning
        if self.encoders is not None:
            position = self.encoders.scale * position + self.encoders.shift
            speed = self.encoders.scale * speed
        self.controller.switch(now, position, speed, turning, bus, powered)

    def measured(self) -> tuple[float, float]:
        """Position and speed [SI] at its encoders: those of a relative one are at the motors, before the play."""
        position, speed, play = self._mechanism.position[self.index], self._mechanism.speed[self.index], self.play
        if play is None or not self.measured_at_motors:
            return position, speed
        return position + play.ahead, speed if play.side else play.speed

    def turn_loose(self, bus: float, duration: float) -> None:
        """A loose motor runs at the speed of its voltage while its axis does what it does."""
        if self.encoders is None:
            return
        for name in self._loose:
            duty = next((group.duty for group in self.controller.groups if group.switching == "driven"), 0.0)
            actuator = next(actuator for actuator in self.axis.actuators if actuator.name == name)
            alone = duty * bus / (actuator.motor.back_emf * actuator.motor_turn)
            self.encoders.drift(name, (alone - self._mechanism.speed[self.index]) * duration)
