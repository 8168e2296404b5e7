"""One controlled motion: where it sits, how far and how fast it goes, what drives it, what it does at rest."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from profiles import Limits
from sequencer.errors import ModelError
from sequencer.machine.actuator import Actuator
from sequencer.machine.condition import Condition
from sequencer.places import NOWHERE, Place
from sequencer.units import (
    ACCELERATION,
    ANGLE,
    ANGULAR_ACCELERATION,
    ANGULAR_JERK,
    ANGULAR_SPEED,
    ANGULAR_STIFFNESS,
    ANGULAR_VISCOUS,
    FORCE,
    JERK,
    LENGTH,
    SPEED,
    STIFFNESS,
    TORQUE,
    VISCOUS,
    Dimension,
    show,
)

AxisKind = Literal["linear", "rotary", "spin"]
StopKind = Literal["off", "ramp_then_off", "ramp_then_hold"]
"""How an axis stops: IEC 60204-1 stop categories 0, 1 and 2."""


LEAST_LIMIT, GREATEST_LIMIT = 1e-4, 1e8
"""What a limit of velocity, acceleration or jerk may be, in SI units of the axis."""


@dataclass(frozen=True, slots=True)
class Mount:
    """Where an axis sits in the side view: x forward, y up, angles from horizontal, counter-clockwise.

    `to` is "frame" or the carrying axis; `at` [m] the place in the carrier's own coordinates. A linear axis slides
    along `direction` [rad]; a rotary axis measures its angle from the `level` or from its `carrier`. A cascade's
    middle stage moves with its carrier's motion times `share`.
    """

    to: str = "frame"
    at: tuple[float, float] = (0.0, 0.0)
    direction: float = 0.0
    angle_from: Literal["level", "carrier"] = "level"
    share: float = 1.0


@dataclass(frozen=True, slots=True)
class Tolerance:
    """What counts as arrived and as following.

    A move has arrived when position error and speed stay within `position` and `speed` for `settle` [ns]. `following`
    is the largest error while moving; beyond it the motion clock waits (`behind: wait`) or the axis faults (`fault`).
    Without a `speed` the axis may be as fast as leaves `position` within the settle time (or within 20 ms, if longer).
    """

    position: float
    settle: int = 0
    following: float = float("inf")
    behind: Literal["wait", "fault"] = "fault"
    speed: float | None = None

    @property
    def arrived_speed(self) -> float:
        """The speed below which the axis counts as standing at its goal [m/s or rad/s]."""
        return self.speed if self.speed is not None else self.position / max(self.settle * 1e-9, 0.02)


@dataclass(frozen=True, slots=True)
class PositionSource:
    """Which actuators measure the axis, in what sense, and how far two of them may differ [m or rad]."""

    actuators: tuple[str, ...]
    sense: Literal["relative", "absolute"] = "relative"
    differ_by: float | None = None


@dataclass(frozen=True, slots=True)
class Zero:
    """How the axis finds its zero.

    It creeps at `move` [m/s or rad/s] until a condition, then it stands at `then`, in the configuration `once`.
    """

    move: float
    until: Condition
    then: float
    once: Condition | None = None


@dataclass(frozen=True, slots=True)
class Load:
    """What the actuators carry.

    Linear: `mass` [kg] that moves with this axis alone (what it carries is added by the plant), `counterbalance` [N]
    pulling in the positive direction, from least to most. Rotary: `mass` at `centre` [m], in the axis' own coordinates,
    with `inertia` [kg m2] about that centre. Spin: `inertia`. `coulomb` and `breakaway` are forces [N] or torques
    [N m], `viscous` [N s/m] or [N m s/rad]. `backlash` is the play between motors and axis [m or rad at the axis].
    """

    mass: float = 0.0
    centre: tuple[float, float] = (0.0, 0.0)
    inertia: float = 0.0
    counterbalance: tuple[float, float] = (0.0, 0.0)
    coulomb: float = 0.0
    breakaway: float | None = None
    viscous: float = 0.0
    backlash: float = 0.0

    def __post_init__(self) -> None:
        if self.breakaway is not None and self.breakaway < self.coulomb:
            raise ModelError(
                f"breakaway is {self.breakaway:g} and coulomb {self.coulomb:g}; dry friction is no less at rest than "
                "in motion"
            )


@dataclass(frozen=True, slots=True)
class RestCase:
    """What an axis does at rest while `when` is true (None: always): `hold`, `brake`, `off`, or a voltage [V]."""

    mode: Literal["hold", "brake", "off", "voltage"]
    voltage: float = 0.0
    when: Condition | None = None


@dataclass(frozen=True, slots=True)
class Axis:
    """One controlled motion: `linear` [m], `rotary` [rad] or `spin` [rad/s, no position].

    `travel` is None for a spin. `latency` [ns] is order to motion, least and most. `between` is what the actuators
    do between orders. `rest` cases are tried in order; the last has no `when`.
    """

    name: str
    kind: AxisKind
    limits: Limits
    travel: tuple[float, float] | None = None
    mount: Mount = Mount()
    tolerance: Tolerance = Tolerance(0.0)
    actuators: tuple[Actuator, ...] = ()
    position: PositionSource | None = None
    latency: tuple[int, int] = (0, 0)
    between: Literal["hold", "carry_on"] = "hold"
    zero: Zero | None = None
    load: Load | None = None
    rest: tuple[RestCase, ...] = (RestCase("hold"),)
    stop: StopKind = "ramp_then_hold"
    unpowered: Literal["sinks", "rises", "stays"] | None = None
    place: Place = field(compare=False, default=NOWHERE)

    def __post_init__(self) -> None:
        self._refuse_limits_of_no_machine()
        if self.kind == "spin":
            if self.travel is not None:
                raise ModelError(f"axis '{self.name}' is a spin; it has no travel")
            if self.load is not None and self.load.backlash > 0.0:
                raise ModelError(f"axis '{self.name}' is a spin; its backlash is not simulated, leave it out")
            if self.rest == (RestCase("hold"),):
                object.__setattr__(self, "rest", (RestCase("voltage", 0.0),))
            return
        if self.travel is None:
            raise ModelError(f"axis '{self.name}' needs its travel: the least and the greatest position")
        low, high = self.travel
        if not low < high:
            raise ModelError(
                f"axis '{self.name}': travel runs from {self.show(low)} to {self.show(high)}; "
                "the first must be the smaller"
            )
        if self.kind == "rotary" and high - low > 6.283185307179587 * 2:
            raise ModelError(
                f"axis '{self.name}': travel spans {self.show(high - low)}, more than two turns; "
                "are these degrees given as radians?"
            )
        if not self.tolerance.position > 0.0:
            raise ModelError(
                f"axis '{self.name}': tolerance position is {self.show(self.tolerance.position)}; "
                "it must be greater than 0"
            )
        if self.rest[-1].when is not None:
            raise ModelError(f"axis '{self.name}': the last rest case must have no 'when', so that one always applies")

    def _refuse_limits_of_no_machine(self) -> None:
        """Numbers so small or large that a move takes days, or no time, are slips of the pen."""
        velocity, acceleration, jerk = self.limits.velocity, self.limits.acceleration, self.limits.jerk
        given = (
            *(("velocity", value, self.speed_dimension) for value in velocity),
            *(("acceleration", value, self.acceleration_dimension) for value in acceleration),
            ("jerk", 0.0 if jerk is None else jerk, self.jerk_dimension),
        )
        for quantity, value, dimension in given:
            if value != 0.0 and not LEAST_LIMIT <= abs(value) <= GREATEST_LIMIT:
                raise ModelError(
                    f"axis '{self.name}': the limit of {quantity} is {show(value, dimension)}; no machine needs one "
                    f"below {show(LEAST_LIMIT, dimension)} or above {show(GREATEST_LIMIT, dimension)}"
                )

    @property
    def dimension(self) -> Dimension:
        """Of its position: a length or an angle (for a spin: an angle)."""
        return LENGTH if self.kind == "linear" else ANGLE

    @property
    def speed_dimension(self) -> Dimension:
        return SPEED if self.kind == "linear" else ANGULAR_SPEED

    @property
    def acceleration_dimension(self) -> Dimension:
        return ACCELERATION if self.kind == "linear" else ANGULAR_ACCELERATION

    @property
    def jerk_dimension(self) -> Dimension:
        return JERK if self.kind == "linear" else ANGULAR_JERK

    @property
    def effort_dimension(self) -> Dimension:
        """Of what drives it: a force or a torque."""
        return FORCE if self.kind == "linear" else TORQUE

    @property
    def stiffness_dimension(self) -> Dimension:
        return STIFFNESS if self.kind == "linear" else ANGULAR_STIFFNESS

    @property
    def viscous_dimension(self) -> Dimension:
        return VISCOUS if self.kind == "linear" else ANGULAR_VISCOUS

    @property
    def band(self) -> float:
        """How far it may be from where it is ordered to be [m or rad]: its following tolerance, or else its position
        tolerance."""
        return self.tolerance.position if self.tolerance.following == float("inf") else self.tolerance.following

    def show(self, position: float) -> str:
        """A position for people, in metres or degrees."""
        return show(position, self.dimension)

    @property
    def has_motors_and_load(self) -> bool:
        """Whether both are declared, and an actuator is in service: only then can be told what its motors can do."""
        return self.load is not None and bool(self.in_service)

    @property
    def in_service(self) -> tuple[Actuator, ...]:
        """The actuators that are not out of service."""
        return tuple(actuator for actuator in self.actuators if not actuator.out_of_service)
