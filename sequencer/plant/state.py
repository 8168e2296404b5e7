"""What a plant tells about itself, and what it is made of."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from sequencer.errors import ModelError, did_you_mean
from sequencer.machine.machine import Machine
from sequencer.plant.battery import Supply
from sequencer.plant.cargo import Cargo
from sequencer.plant.controller import OrderLine
from sequencer.plant.damage import Damage
from sequencer.plant.driven import DrivenAxis
from sequencer.plant.mechanism import Mechanism
from sequencer.plant.roller import Holding


class Parts(NamedTuple):
    """What a plant is made of, for whoever steps many at once."""

    mechanism: Mechanism
    driven: list[DrivenAxis]
    supply: Supply
    cargo: Cargo
    damage: Damage
    lines: Mapping[str, OrderLine]


class Release(NamedTuple):
    """When a piece left the rollers [ns], and the true positions and speeds [SI] of all axes then."""

    time_ns: int
    piece: str
    positions: Mapping[str, float]
    speeds: Mapping[str, float]


class PlantState(NamedTuple):
    """The true state: positions and speeds [SI], currents now [A, sum of an axis' motors], hardest impacts at stops
    [N s or N m s], the piece that the rollers hold or held, and whether controllers are out for want of voltage."""

    time_ns: int
    positions: Mapping[str, float]
    speeds: Mapping[str, float]
    currents: Mapping[str, float]
    impacts: Mapping[str, float]
    piece: str | None
    holding: Holding
    dropped_out: bool


def check_start(machine: Machine, start: Mapping[str, float], piece: str | None) -> None:
    """See that a plant can begin there.

    Raises:
        ModelError: an unknown axis or piece, with the nearest right name; a spin; a position outside travel.
    """
    for name, position in start.items():
        axis = machine.axes.get(name)
        if axis is None:
            raise ModelError(f"start: unknown axis '{name}'; {did_you_mean(name, machine.axes)}")
        if axis.travel is None:
            raise ModelError(f"start: '{name}' is a spin and has no position")
        low, high = axis.travel
        if not low <= position <= high:
            raise ModelError(
                f"start: {name} at {axis.show(position)} is outside its travel, {axis.show(low)} to {axis.show(high)}"
            )
    if piece is not None and piece not in machine.pieces:
        raise ModelError(f"unknown piece '{piece}'; {did_you_mean(piece, machine.pieces)}")
