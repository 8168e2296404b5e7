"""Which piece the machine has, where it rides, and the rollers that grip it."""

from __future__ import annotations

from collections.abc import Sequence

from sequencer.machine.machine import Machine
from sequencer.machine.piece import Piece
from sequencer.plant.linkage import Body, Linkage
from sequencer.plant.mechanism import Mechanism
from sequencer.plant.roller import Grip


class Cargo:
    """The machine's piece as a mass on what carries it, for as long as it is there.

    Attributes:
        grip: where the piece is.
        rollers: number of the axis that grips it, -1: none.
        count: how often a piece has come or gone.
    """

    def __init__(self, machine: Machine, trees: Sequence[Linkage], piece: Piece | None) -> None:
        self._machine = machine
        self._trees = trees
        self._riding: tuple[Linkage, int, Body] | None = None
        self._numbers = {name: number for number, name in enumerate(machine.axes)}
        self.count = 0
        self.grip = Grip(piece)
        self.rollers = self._gripping(piece)
        self.settle()

    def offer(self, piece: Piece) -> None:
        """Lay a piece before the rollers."""
        self.grip.offer(piece)
        self.rollers = self._gripping(piece)
        self.settle()

    def turn(self, angle: float) -> bool:
        """The piece turned by `angle` [rad]; whether it came or went with that."""
        changed = self.grip.turn(angle)
        if changed:
            self.settle()
        return changed

    def roll(self, moved: float, mechanism: Mechanism, duration: float) -> bool:
        """The rollers `moved` [rad] in a step of `duration` [s], the piece with them as far as they do not slip.

        Returns:
            whether the piece came or went with that.
        """
        grip, rollers = self.grip, self.rollers
        if grip.piece is None or grip.piece.inertia == 0.0:
            return moved != 0.0 and self.turn(moved)
        before = grip.speed
        inertia = mechanism.extra_inertia[rollers]
        mechanism.speed[rollers] += grip.drag(mechanism.speed[rollers], inertia, duration) / inertia
        changed = self.turn(0.5 * duration * (before + grip.speed))
        if grip.turned_out == 0.0 and grip.speed > 0.0:
            grip.speed = 0.0  # it has come to its stop
        return changed

    def lose(self) -> None:
        """The piece falls off."""
        if self.grip.present:
            self.grip.holding = "gone"
            self.settle()

    @property
    def name(self) -> str | None:
        """The piece that the machine carries, or None."""
        piece = self.grip.piece
        return piece.name if piece is not None and self.grip.present else None

    def _gripping(self, piece: Piece | None) -> int:
        return self._numbers.get(piece.gripped_by or "", -1) if piece is not None else -1

    def settle(self) -> None:
        """Let the piece's mass ride on what carries it, or no longer."""
        self.count += 1
        if self._riding is not None:
            tree, joint, body = self._riding
            tree.remove(joint, body)
            self._riding = None
        piece = self.grip.piece
        if piece is None or not self.grip.present:
            return
        carrier, share, place = piece.carried_by, 1.0, complex(*piece.centre)
        while carrier != "frame" and self._machine.axes[carrier].kind == "spin":
            mount = self._machine.axes[carrier].mount
            carrier, share, place = mount.to, mount.share, place + complex(*mount.at)
        if carrier == "frame":
            return
        number = self._numbers[carrier]
        tree = next(tree for tree in self._trees if number in tree.coordinates)
        joint = tree.joint_of(number, share)
        self._riding = tree, joint, Body(piece.mass, place)
        tree.add(*self._riding[1:])
