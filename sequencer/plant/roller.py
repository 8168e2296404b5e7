"""A piece in the rollers: not there, held against its stop, leaving, gone. Turning in the positive sense takes in.

A piece without inertia turns with the rollers. One that has some is dragged along through dry friction: an impulse that
makes both turn alike, but of no more than the grip torque gives; beyond that the rollers slip on it.
"""

from __future__ import annotations

from typing import Literal

from sequencer.machine.piece import Piece

Holding = Literal["none", "held", "leaving", "gone"]


class Grip:
    """Where the machine's one piece is.

    Against its stop it resists turning farther in; turned out by `turns_to_leave` [rad] it is gone.

    Attributes:
        holding: none (there was none), held, leaving or gone.
        piece: the piece it is about, or None.
        turned_out: how far it has been turned from its stop [rad].
        speed: how fast a piece with inertia turns [rad/s at the rollers]; positive: inwards.
    """

    __slots__ = ("holding", "offered", "piece", "speed", "turned_out")

    def __init__(self, piece: Piece | None) -> None:
        self.piece = piece
        self.offered = False
        self.holding: Holding = "none" if piece is None else "held"
        self.turned_out = 0.0
        self.speed = 0.0

    def offer(self, piece: Piece) -> None:
        """Lay a piece before the rollers; turned in by `turns_to_leave` [rad] they hold it."""
        self.piece = piece
        self.offered = True
        self.holding = "none"
        self.turned_out = piece.turns_to_leave
        self.speed = 0.0

    @property
    def present(self) -> bool:
        """Whether the machine carries the piece."""
        return self.holding in ("held", "leaving")

    def resistance(self, speed: float) -> float:
        """Torque [N m] against turning farther in at a `speed` [rad/s]: the grip while the piece is at its stop."""
        return self.piece.grip_torque if self.holding == "held" and self.piece is not None and speed >= 0.0 else 0.0

    @property
    def touched(self) -> bool:
        """Whether the rollers touch a piece."""
        return self.piece is not None and self.holding != "gone" and (self.present or self.offered)

    def drag(self, speed: float, inertia: float, duration: float) -> float:
        """Impulse [N m s] on rollers of this `speed` [rad/s] and `inertia` [kg m2] from a piece that has its own speed.

        At its stop, pushed farther in, it stands: that is `resistance`.
        """
        piece = self.piece
        if piece is None or piece.inertia == 0.0 or not self.touched:
            return 0.0
        if self.holding == "held" and speed >= 0.0:
            self.speed = 0.0
            return 0.0
        most = duration * piece.grip_torque
        wanted = (speed - self.speed) / (1.0 / inertia + 1.0 / piece.inertia)
        passed = min(max(wanted, -most), most)
        self.speed += passed / piece.inertia
        return -passed

    def turn(self, angle: float) -> bool:
        """It turned by `angle` [rad]; whether the piece came to the machine or left it with that."""
        piece = self.piece
        if piece is None or not self.touched:
            return False
        self.turned_out = max(0.0, self.turned_out - angle)
        was_present = self.present
        if self.turned_out == 0.0:
            self.holding = "held"
            self.offered = False
        elif was_present:
            self.holding = "gone" if self.turned_out >= piece.turns_to_leave else "leaving"
        else:
            self.turned_out = min(self.turned_out, piece.turns_to_leave)
        return was_present != self.present
