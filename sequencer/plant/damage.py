"""What the faults of an instant do to the parts of a plant."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from math import inf

from sequencer.machine.machine import NANOSECONDS, Machine
from sequencer.plant.battery import Supply
from sequencer.plant.cargo import Cargo
from sequencer.plant.driven import DrivenAxis
from sequencer.plant.encoders import Encoders
from sequencer.plant.faults import (
    ActuatorDead,
    ActuatorLoose,
    ActuatorWeak,
    AxisJammed,
    BatteryWeak,
    BrownOut,
    Disabled,
    EncoderFault,
    Fault,
    OrdersLost,
    OtherLoad,
    PieceDropped,
    PieceMissing,
    TicksLate,
    changes,
    is_active,
)
from sequencer.plant.lying import Sensors, axis_liars, sensor_liars
from sequencer.plant.mechanism import Mechanism
from sequencer.ports.readings import AxisReading


class Damage:
    """The faults of one plant, brought to its parts when they begin and end.

    Args:
        machine: the plant's machine; `faults` have been checked against it.
        faults: what goes wrong.
        seed: of noise and dropouts.

    Attributes:
        faults: as given.
        next: when something begins or ends next [ns].
        count: how often something has begun or ended.
        orders_lost: whether orders arrive.
        disabled: whether the permission to move is taken away.
        encoders: of the axes whose encoders may lie, by number of the axis.
    """

    def __init__(self, machine: Machine, faults: Sequence[Fault], seed: int) -> None:
        self.faults = tuple(faults)
        self.orders_lost = self.disabled = False
        self.count = 0
        self._times = changes(faults)
        self.next: float = self._times[0] if self._times else inf
        self._sensors = sensor_liars(faults, seed)
        self._axes = axis_liars(faults, seed)
        self._had: frozenset[Fault] = frozenset()
        numbers = {name: number for number, name in enumerate(machine.axes)}
        touched = {fault.axis for fault in faults if isinstance(fault, EncoderFault | ActuatorLoose)}
        self.encoders = {
            numbers[name]: Encoders(axis)
            for name, axis in machine.axes.items()
            if name in touched and axis.travel is not None
        }
        self._names = {number: name for name, number in numbers.items()}
        self._late = [fault for fault in faults if isinstance(fault, TicksLate)]

    def misses(self, piece: str, now: int) -> bool:
        """Whether a piece that should be there or come at `now` [ns] does not."""
        missing = [fault for fault in self.faults if isinstance(fault, PieceMissing) and is_active(fault, now)]
        return any(fault.piece in (None, piece) for fault in missing)

    def lateness(self, now: int) -> int:
        """How much longer than a period it is from the tick at `now` [ns] to the next [ns]."""
        return sum(round(fault.by * NANOSECONDS) for fault in self._late if is_active(fault, now))

    def falsify_sensors(self, sensors: Sensors, now: int) -> None:
        """Let sensors lie, wherever their values came from."""
        for liar in self._sensors:
            liar.falsify(sensors, now)

    def falsify_axes(self, axes: dict[str, AxisReading], now: int) -> None:
        """Let encoders lie about what they would have read."""
        for number, encoders in self.encoders.items():
            name = self._names[number]
            honest = axes[name]
            if honest.position is None or honest.speed is None:
                continue
            position, fault = encoders.read(honest.position)
            axes[name] = honest._replace(position=position, speed=encoders.scale * honest.speed, fault=fault)
        for liar in self._axes:
            liar.falsify(axes, now)

    def change(
        self, now: int, driven: Iterable[DrivenAxis], mechanism: Mechanism, supply: Supply, cargo: Cargo
    ) -> bool:
        """Bring everything that faults touch to how it is at `now` [ns]; whether the controllers start anew."""
        self.count += 1
        while self._times and self._times[0] <= now:
            self._times.pop(0)
        self.next = self._times[0] if self._times else inf
        active = [fault for fault in self.faults if is_active(fault, now)]
        begun = [fault for fault in active if fault not in self._had]
        self._had = frozenset(active)
        self.orders_lost = any(isinstance(fault, OrdersLost) for fault in active)
        self.disabled = any(isinstance(fault, Disabled) for fault in active)
        for drive in driven:
            _hurt(drive, active)
        for number, encoders in self.encoders.items():
            name = self._names[number]
            lies = [fault for fault in active if isinstance(fault, EncoderFault) and fault.axis == name]
            encoders.lie(lies, mechanism.position[number])
        weak = next((fault for fault in active if isinstance(fault, BatteryWeak)), BatteryWeak())
        drawn = next((fault.current for fault in active if isinstance(fault, OtherLoad)), None)
        supply.declare(weak.open_circuit, weak.resistance, drawn)
        if any(isinstance(fault, PieceDropped) for fault in begun):
            cargo.lose()
        if any(isinstance(fault, BrownOut) for fault in begun):
            supply.drop_out(now / NANOSECONDS)
            return True
        return False


def _hurt(drive: DrivenAxis, active: Iterable[Fault]) -> None:
    """One axis' motors and friction."""
    name = drive.axis.name
    dead: set[str] = set()
    loose: list[str] = []
    shares: dict[str, float] = {}
    jam = 0.0
    for fault in active:
        match fault:
            case ActuatorDead(axis=axis, actuator=actuator) if axis == name:
                dead.add(actuator)
            case ActuatorLoose(axis=axis, actuator=actuator) if axis == name:
                loose.append(actuator)
            case ActuatorWeak(axis=axis, actuator=actuator, share=share) if axis == name:
                shares[actuator] = shares.get(actuator, 1.0) * share
            case AxisJammed(axis=axis, force=force) if axis == name:
                jam += force
    drive.jam = jam
    drive.couple(frozenset(dead), tuple(loose), shares)
