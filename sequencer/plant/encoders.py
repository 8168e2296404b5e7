"""The encoders of one axis: each reads `scale` times the true position plus `shift`; the axis reads their mean."""

from __future__ import annotations

from collections.abc import Iterable

from sequencer.machine.axis import Axis
from sequencer.plant.faults import EncoderFault, EncoderFrozen, EncoderOffset


class Encoders:
    """What the encoders of one axis make of its position; an axis that names none has one.

    Attributes:
        scale: of the mean reading against the true position: 1, unless an encoder lies.
        shift: what the mean reading has on top of that [m or rad].
    """

    __slots__ = ("_axis", "_began", "_drift", "_each", "scale", "shift")

    def __init__(self, axis: Axis) -> None:
        names = axis.position.actuators if axis.position is not None else ()
        self._axis = axis
        self._each = dict.fromkeys(names or ("",), (1.0, 0.0))
        self._drift = dict.fromkeys(self._each, 0.0)
        self._began: dict[EncoderFault, float] = {}
        self.scale = 1.0
        self.shift = 0.0

    def lie(self, faults: Iterable[EncoderFault], position: float) -> None:
        """Let the encoders read as these faults say; those that are new begin at this true position [m or rad]."""
        each = dict.fromkeys(self._each, (1.0, 0.0))
        for fault in faults:
            began = self._began.setdefault(fault, position)
            for name in each:
                if fault.actuator not in (None, name):
                    continue
                scale, shift = each[name]
                if isinstance(fault, EncoderOffset):
                    each[name] = scale, shift + fault.by
                elif isinstance(fault, EncoderFrozen):
                    each[name] = 0.0, scale * began + shift
                else:
                    each[name] = -scale, 2.0 * scale * began + shift
        self._each = each
        self._sum_up()

    def drift(self, actuator: str, by: float) -> None:
        """The encoder at a loose actuator has moved `by` [m or rad] without its axis."""
        if actuator in self._drift:
            self._drift[actuator] += by
            self._sum_up()

    def read(self, position: float) -> tuple[float, str | None]:
        """The axis' reading [m or rad] at a true position, and what is wrong if two encoders differ too far."""
        axis, found = self._axis, self._readings(position)
        low, high = min(found, key=found.__getitem__), max(found, key=found.__getitem__)
        apart, allowed = found[high] - found[low], axis.position.differ_by if axis.position is not None else None
        fault = None
        if allowed is not None and apart > allowed:
            fault = f"{high} and {low} differ by {axis.show(apart)}, more than {axis.show(allowed)}"
        return sum(found.values()) / len(found), fault

    def _readings(self, position: float) -> dict[str, float]:
        return {name: scale * position + shift + self._drift[name] for name, (scale, shift) in self._each.items()}

    def _sum_up(self) -> None:
        count = len(self._each)
        self.scale = sum(scale for scale, _ in self._each.values()) / count
        self.shift = sum(self._readings(0.0).values()) / count
