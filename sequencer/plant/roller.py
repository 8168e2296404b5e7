"""A piece in the rollers: not there, held against its stop, leaving, gone. Turning in the positive sense takes in."""

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
        turned_out: how far the rollers have turned it from its stop [rad].
    """

    __slots__ = ("holding", "offered", "piece", "turned_out")

    def __init__(self, piece: Piece | None) -> None:
        self.piece = piece
        self.offered = False
        self.holding: Holding = "none" if piece is None else "held"
        self.turned_out = 0.0

    def offer(self, piece: Piece) -> None:
        """Lay a piece before the rollers; turned in by `turns_to_leave` [rad] they hold it."""
        self.piece = piece
        self.offered = True
        self.holding = "none"
        self.turned_out = piece.turns_to_leave

    @property
    def present(self) -> bool:
        """Whether the machine carries the piece."""
        return self.holding in ("held", "leaving")

    def resistance(self, speed: float) -> float:
        """Torque [N m] against turning farther in at a `speed` [rad/s]: the grip while the piece is at its stop."""
        return self.piece.grip_torque if self.holding == "held" and self.piece is not None and speed >= 0.0 else 0.0

    def turn(self, angle: float) -> bool:
        """The rollers turned by `angle` [rad]; whether the piece came to the machine or left it with that."""
        piece = self.piece
        if piece is None or self.holding == "gone" or not (self.present or self.offered):
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
