"""The simulated machine: motors, battery, mechanism, pieces and sensors, stepped a millisecond at a time."""

from typing import TYPE_CHECKING, Any

from sequencer.plant.contact import Contact
from sequencer.plant.faults import (
    ActuatorDead,
    ActuatorLoose,
    ActuatorWeak,
    AxisJammed,
    BatteryWeak,
    BrownOut,
    Disabled,
    EncoderCoarse,
    EncoderFrozen,
    EncoderNoisy,
    EncoderOffset,
    EncoderReversed,
    EncoderSilent,
    Fault,
    OrdersLost,
    OtherLoad,
    PieceDropped,
    PieceMissing,
    SensorBouncing,
    SensorCoarse,
    SensorDropping,
    SensorLate,
    SensorNoisy,
    SensorOffset,
    SensorSilent,
    SensorStale,
    SensorStuck,
    TicksLate,
)
from sequencer.plant.plant import Plant
from sequencer.plant.state import PlantState, Release

if TYPE_CHECKING:
    from sequencer.plant.batch import PlantBatch

__all__ = [
    "ActuatorDead",
    "ActuatorLoose",
    "ActuatorWeak",
    "AxisJammed",
    "BatteryWeak",
    "BrownOut",
    "Contact",
    "Disabled",
    "EncoderCoarse",
    "EncoderFrozen",
    "EncoderNoisy",
    "EncoderOffset",
    "EncoderReversed",
    "EncoderSilent",
    "Fault",
    "OrdersLost",
    "OtherLoad",
    "PieceDropped",
    "PieceMissing",
    "Plant",
    "PlantBatch",
    "PlantState",
    "Release",
    "SensorBouncing",
    "SensorCoarse",
    "SensorDropping",
    "SensorLate",
    "SensorNoisy",
    "SensorOffset",
    "SensorSilent",
    "SensorStale",
    "SensorStuck",
    "TicksLate",
]


def __getattr__(name: str) -> Any:
    """The batch needs numpy, which a rehearsal of one does not load."""
    if name == "PlantBatch":
        from sequencer.plant.batch import PlantBatch

        return PlantBatch
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
