"""The simulated machine: motors, battery, mechanism, pieces and sensors, stepped a millisecond at a time."""

from sequencer.plant.faults import ActuatorDead, ActuatorLoose, AxisJammed, Fault, OrdersLost, SensorSilent, SensorStuck
from sequencer.plant.plant import Plant, PlantState

__all__ = [
    "ActuatorDead",
    "ActuatorLoose",
    "AxisJammed",
    "Fault",
    "OrdersLost",
    "Plant",
    "PlantState",
    "SensorSilent",
    "SensorStuck",
]
