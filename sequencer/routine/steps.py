"""Steps: what a routine is made of. Plain, frozen data; words stand for parameters until a plan or a run resolves them.

An `Operand` is a number in SI or a word that names a parameter (or a preset, for the value it gives the axis at hand).
Durations are `TimeOperand`s: whole nanoseconds, or a word that names a parameter of dimension time.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal, get_args

from sequencer.machine.condition import Condition, Operand
from sequencer.machine.sensor import Value
from sequencer.places import NOWHERE, Place

ON_TIMEOUT = ("fault", "continue", "cancel")
"""What may happen after a timeout, besides a routine that takes over."""

Button = Literal["cancel", "hold", "resume", "abort"]

BUTTONS: tuple[Button, ...] = get_args(Button)
"""What a person may ask of the runner in a rehearsal."""

TimeOperand = int | str


@dataclass(frozen=True, slots=True)
class At:
    """A goal position [m or rad]: a number, a parameter, or the value that a preset gives this axis."""

    position: Operand


@dataclass(frozen=True, slots=True)
class By:
    """A goal relative to where the axis is when the step starts."""

    distance: Operand


@dataclass(frozen=True, slots=True)
class FromReading:
    """A goal read from a sensor when the step starts, which must lie within `bounds` then."""

    sensor: str
    bounds: tuple[float, float]


Goal = At | By | FromReading


@dataclass(frozen=True, slots=True)
class Move:
    """A timed move: `goals` by axis, or all axes of a `preset` (a preset's or preset parameter's name), or one preset
    `per` value of a one-of sensor, read when the step starts. Exactly one of the three is given.
    """

    goals: tuple[tuple[str, Goal], ...] = ()
    preset: str | None = None
    per: tuple[str, tuple[tuple[str, str], ...]] | None = None


@dataclass(frozen=True, slots=True)
class Flick:
    """A move of one axis that passes `through` at `speed` with no acceleration left.

    It then follows through to rest at `to`.
    """

    axis: str
    through: Operand
    speed: Operand
    to: Operand


@dataclass(frozen=True, slots=True)
class Press:
    """An effort-limited move: `effort` [A] in the direction of `toward`, the position it must not pass."""

    axis: str
    effort: Operand
    toward: Operand


@dataclass(frozen=True, slots=True)
class Drive:
    """What a pulse does to one axis or output: a voltage [V] or speed [rad/s] on a spin axis, a value on an output."""

    target: str
    value: Operand | bool
    quantity: Literal["voltage", "speed", "value"]


@dataclass(frozen=True, slots=True)
class Pulse:
    """Spin axes or outputs driven while the step is active: for a time (`Step.duration`) or until its condition."""

    drives: tuple[Drive, ...]


@dataclass(frozen=True, slots=True)
class Wait:
    """Waits until a condition is true, or (without one) for `Step.duration`."""

    condition: Condition | None = None


@dataclass(frozen=True, slots=True)
class Set:
    """Outputs set at entry; each keeps its value until another step sets it or the run ends."""

    values: tuple[tuple[str, Value], ...]


@dataclass(frozen=True, slots=True)
class Branch:
    condition: Condition
    steps: tuple[Step, ...]
    place: Place = field(compare=False, default=NOWHERE)


@dataclass(frozen=True, slots=True)
class Choose:
    """The first branch whose condition is true, in file order; else `otherwise`; None: wait until one is (R11)."""

    branches: tuple[Branch, ...]
    otherwise: tuple[Step, ...] | None = None


@dataclass(frozen=True, slots=True)
class Repeat:
    """The steps again and again: `times` passages, or until a condition is true at the end of a passage."""

    steps: tuple[Step, ...]
    times: Operand | None = None
    until: Condition | None = None


@dataclass(frozen=True, slots=True)
class Perform:
    """Another routine's steps in this place, with `given` parameters."""

    routine: str
    given: tuple[tuple[str, Operand], ...] = ()


Body = Move | Flick | Press | Pulse | Wait | Set | Choose | Repeat | Perform
"""What a step does; `kind_of` names it."""


@dataclass(frozen=True, slots=True)
class After:
    """All named steps have ended, or with `any` the first of them; the others are then interrupted (R12).

    No steps: the beginning.
    """

    steps: tuple[str, ...] = ()
    any: bool = False


@dataclass(frozen=True, slots=True)
class With:
    """Together with another step's start."""

    step: str


@dataclass(frozen=True, slots=True)
class Passing:
    """At the instant the profile of another step passes a place: `through` of a flick, or a position of one of its
    axes.

    `lead` [ns] earlier, `lag` [ns] later. `axis` may be None where the step moves just one.
    """

    step: str
    at: Literal["through"] | Operand = "through"
    axis: str | None = None
    lead: TimeOperand = 0
    lag: TimeOperand = 0


@dataclass(frozen=True, slots=True)
class AtTime:
    """At a time [ns] from the beginning of the routine or block."""

    time: int


@dataclass(frozen=True, slots=True)
class Following:
    """After everything still open above it in the list: the start of a step that names none."""


Start = After | With | Passing | AtTime | Following


@dataclass(frozen=True, slots=True)
class Timeout:
    """When a step has taken too long.

    `time` [ns] after its start, or `planned` duration plus `time`; "none" on purpose.
    """

    kind: Literal["fixed", "planned", "none"]
    time: TimeOperand = 0


@dataclass(frozen=True, slots=True)
class Cap:
    """A limit lower than the axis': a number [SI of the axis], or a share of the axis' own limit."""

    value: float
    share: bool = False


@dataclass(frozen=True, slots=True)
class LimitCaps:
    """`limits` of a step: slower than the axis allows. Values are in SI of dimension velocity, acceleration or jerk."""

    velocity: Cap | None = None
    acceleration: Cap | None = None
    jerk: Cap | None = None


@dataclass(frozen=True, slots=True)
class Step:
    """One node of a routine.

    `start` says what starts it; `once` is a gate that holds it still; `until` ends it early; `duration` is `for` in a
    file. `steady` and `blind` filter its condition (R15). `on_timeout` is "fault", "continue", "cancel" or a
    routine's name. `usually` [ns] is a wait's time for the plan. `touching` names two bodies that may meet while the
    step is active; a sensor that tells which piece is held stands for that piece. `route` "clear" leaves the way of a
    move to what is certified clear from wherever it starts. Times are whole nanoseconds.
    """

    name: str
    body: Body
    start: Start = Following()
    once: Condition | None = None
    until: Condition | None = None
    steady: TimeOperand = 0
    blind: TimeOperand = 0
    duration: TimeOperand | None = None
    timeout: Timeout | None = None
    on_timeout: str = "fault"
    must_stay: Condition | None = None
    only_if: Condition | None = None
    retry: int = 0
    usually: TimeOperand | None = None
    preempt: bool = False
    phase: bool = True
    limits: LimitCaps | None = None
    profile: Literal["s_curve", "trapezoid", "motor"] = "s_curve"
    together: bool = False
    touching: tuple[str, str] | None = None
    route: Literal["clear"] | None = None
    about: str = ""
    place: Place = field(compare=False, default=NOWHERE)

    @property
    def kind(self) -> str:
        """ "move", "flick", "press", "pulse", "wait", "set", "choose", "repeat" or "perform"."""
        return type(self.body).__name__.lower()

    @property
    def is_block(self) -> bool:
        return isinstance(self.body, Choose | Repeat | Perform)


@dataclass(frozen=True, slots=True)
class Expectation:
    """What a rehearsal must show; None: not asked. Times [ns]; `clearance` [m] is the least that must remain."""

    outcome: str | None = None
    finishes_within: int | None = None
    order: tuple[str, ...] = ()
    never: tuple[str, ...] = ()
    clearance: float | None = None


@dataclass(frozen=True, slots=True)
class Leaning:
    """What stands outside in a rehearsal and is pressed by an axis: met `at` a position [m or rad], on the `side` above
    or below it. `stiffness` [N/m or N m/rad], None: an order of magnitude of the plant's; `damping` [N s/m or
    N m s/rad]. It stands there `since` a time `until` another [ns]; None: to the end.
    """

    axis: str
    at: float
    side: Literal["above", "below"]
    stiffness: float | None = None
    damping: float = 0.0
    since: int = 0
    until: int | None = None


@dataclass(frozen=True, slots=True)
class RehearsalSpec:
    """A named rehearsal kept with the routine: scripted gauges, parameters, and what must come out.

    `offered` lays pieces before the rollers, and `pressed` presses a person's buttons, each with its time [ns] from the
    start; `contacts` stand outside and are pressed. A gauge is a constant or a table
    of (time [ns] from the start, value); numbers run linearly between entries, switches and words jump.
    """

    name: str
    gauges: tuple[tuple[str, Value | tuple[tuple[int, Value], ...]], ...] = ()
    parameters: tuple[tuple[str, Operand], ...] = ()
    start: str | None = None
    piece: str | None = None
    expect: Expectation = Expectation()
    offered: tuple[tuple[str, int], ...] = ()
    pressed: tuple[tuple[Button, int], ...] = ()
    contacts: tuple[Leaning, ...] = ()
    place: Place = field(compare=False, default=NOWHERE)
