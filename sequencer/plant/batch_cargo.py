"""The pieces of many samples at once: `Grip` on arrays, one entry a sample."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from sequencer.errors import ModelError
from sequencer.plant.batch_drives import Array, Mask
from sequencer.plant.batch_mechanism import MechanismBatch
from sequencer.plant.cargo import Cargo
from sequencer.plant.roller import Holding

_CODES: dict[Holding, int] = {"none": 0, "held": 1, "leaving": 2, "gone": 3}
_WORDS: dict[int, Holding] = {code: word for word, code in _CODES.items()}
NONE, HELD, LEAVING, GONE = 0, 1, 2, 3


class CargoBatch:
    """Which piece each sample has and how far it is turned out.

    Args:
        cargos: of the samples.
        axes: how many axes the machine has.

    Attributes:
        rollers: number of the axis that grips pieces, -1: none does.

    Raises:
        ModelError: pieces of different samples are gripped by different axes.
    """

    def __init__(self, cargos: Sequence[Cargo], axes: int) -> None:
        samples = len(cargos)
        self._cargos = list(cargos)
        self.rollers = -1
        self.holding = np.zeros(samples, dtype=np.int8)
        self.turned_out, self.leaves_after, self.torque = (np.zeros(samples) for _ in range(3))
        self.inertia, self.speed = np.zeros(samples), np.zeros(samples)
        self.touched: Mask = np.zeros(samples, dtype=bool)
        self._counts = [0] * samples
        for sample in range(samples):
            self.gather(sample)

    def look_for_changes(self) -> list[int]:
        """Take the pieces anew of samples to which something was offered, or which lost something, from outside."""
        found = [sample for sample, cargo in enumerate(self._cargos) if cargo.count != self._counts[sample]]
        for sample in found:
            self.gather(sample)
        return found

    def gather(self, sample: int) -> None:
        """Take the piece of one sample anew."""
        cargo = self._cargos[sample]
        grip, piece = cargo.grip, cargo.grip.piece
        self._counts[sample] = cargo.count
        self.holding[sample] = _CODES[grip.holding]
        gripped = piece is not None and cargo.rollers >= 0
        self.touched[sample] = grip.touched and gripped
        self.inertia[sample] = piece.inertia if piece is not None else 0.0
        self.any_inertia = bool(self.inertia.any())
        if piece is None or not gripped:
            return
        if self.rollers not in (-1, cargo.rollers):
            raise ModelError("the pieces of a batch must be gripped by the same axis")
        self.rollers = cargo.rollers
        self.turned_out[sample], self.speed[sample] = grip.turned_out, grip.speed
        self.leaves_after[sample], self.torque[sample] = piece.turns_to_leave, piece.grip_torque

    def scatter(self, sample: int) -> None:
        """Give one sample's cargo its state."""
        if self.rollers < 0 or self._cargos[sample].rollers < 0:
            return
        grip = self._cargos[sample].grip
        grip.holding = _WORDS[int(self.holding[sample])]
        grip.offered = bool(self.touched[sample]) and grip.holding == "none"
        grip.turned_out, grip.speed = float(self.turned_out[sample]), float(self.speed[sample])

    def resistance(self, mechanism: MechanismBatch) -> Array:
        """Torque [N m] against turning farther in."""
        inwards = mechanism.speed[self.rollers] >= 0.0
        return np.where((self.holding == HELD) & inwards, self.torque, 0.0)

    def roll(self, moved: Array, mechanism: MechanismBatch, duration: float) -> list[int]:
        """The rollers `moved` [rad]; the samples whose piece came or went with that."""
        if self.any_inertia:
            moved = self._drag(moved, mechanism, duration)
        touched = self.touched & (moved != 0.0)
        if not touched.any():
            return []
        present = (self.holding == HELD) | (self.holding == LEAVING)
        turned = np.maximum(0.0, self.turned_out - moved)
        home = touched & (turned == 0.0)
        out = touched & present & ~home & (turned >= self.leaves_after)
        outside = touched & ~present & ~home
        turned = np.where(outside, np.minimum(turned, self.leaves_after), turned)
        self.turned_out = np.where(touched, turned, self.turned_out)
        self.holding[home] = HELD
        self.holding[touched & present & ~home & ~out] = LEAVING
        self.holding[out] = GONE
        self.touched &= ~out
        if self.any_inertia:
            self.speed[home & (self.speed > 0.0)] = 0.0
        changed = (home & ~present) | out
        found: list[int] = np.flatnonzero(changed).tolist() if changed.any() else []
        for sample in found:
            self.scatter(sample)
            self._cargos[sample].settle()
            self._counts[sample] = self._cargos[sample].count
        return found

    def _drag(self, moved: Array, mechanism: MechanismBatch, duration: float) -> Array:
        """Pieces with inertia of their own are dragged along, or slipped on; how far each piece turned."""
        own = (self.inertia > 0.0) & self.touched
        speed, inertia = mechanism.speed[self.rollers], mechanism.extra_inertia[self.rollers]
        stands = own & (self.holding == HELD) & (speed >= 0.0)
        before = self.speed
        most = duration * self.torque
        wanted = (speed - before) / (1.0 / inertia + 1.0 / np.where(own, self.inertia, 1.0))
        passed = np.where(own & ~stands, np.minimum(np.maximum(wanted, -most), most), 0.0)
        self.speed = np.where(stands, 0.0, before + passed / np.where(own, self.inertia, 1.0))
        mechanism.speed[self.rollers] = speed - passed / inertia
        return np.where(own, 0.5 * duration * (before + self.speed), moved)
