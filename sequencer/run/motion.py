"""One axis as the runner commands it: the profile it follows, how it is interrupted and stopped (R29, R33, R53)."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from profiles import Limits, Profile, State, stop
from sequencer.ports.orders import AxisOrder, Mode
from sequencer.run.feedforward import feedforward
from sequencer.run.occupied import POWERED, Occupied
from sequencer.run.stopping_way import way_to_stop

if TYPE_CHECKING:
    from sequencer.run.definition import AxisDefinition
    from sequencer.run.routine_run import Run
    from sequencer.run.step_state import Activation

Plan = Callable[[Sequence[State]], Sequence[Profile]]
"""Plans profiles from the states of a unit (an axis, or the axes of a move together) to the goals at hand; kept so that
an interrupted unit can go on to the same goals (R53)."""

STOP_RANK = {"ramp_then_hold": 2, "ramp_then_off": 1, "off": 0}
"""IEC 60204-1 stop categories; a stop may only go down (R33)."""

RAMP_DEADLINE = 500_000_000
"""A ramp_then_off that has not ended this long [ns] after its planned end falls back to off."""

_new_order = tuple.__new__
"""Makes a named tuple in half the time; it is done for every axis that moves, at every tick."""

NEVER = -(1 << 62)
"""When an axis was taken by a step that none has had yet [ns]: before all times of any clock."""

ROUNDING_NS = 1_000
"""A profile whose end is nearer than this [ns] has ended: durations are not whole nanoseconds."""


class Motion(Occupied):
    """What one axis is doing: where it is commanded to be, where it is going, and how it stops.

    A profile's `clock` [ns] is the motion clock at the committed set-point, `next_clock` the one of this tick's
    candidate. While `held` names an interlock, the supervisor keeps the axis from going on. `offset` is what
    the runner's own zero adds to a reading; orders go without it. `watched`: stopped, and must stay. `push_speed` is
    how fast an axis that presses was read to move last [m/s or rad/s], None: it was not read.
    """

    __slots__ = (
        "activation",
        "aim",
        "behind_error",
        "behind_from",
        "behind_since",
        "candidate",
        "clamped",
        "clock",
        "current",
        "deadline",
        "first_current",
        "goal",
        "greatest_current",
        "group",
        "held",
        "held_since",
        "high",
        "keeps_to",
        "latched",
        "least_current",
        "low",
        "offset",
        "order",
        "order_key",
        "plan_limits",
        "progress_place",
        "progress_since",
        "push_speed",
        "pushed_since",
        "pushed_until",
        "run",
        "speed_bound",
        "stop_kind",
        "taken_at",
        "volts",
        "watched",
        "will_keep_to",
    )

    def __init__(self, definition: AxisDefinition) -> None:
        super().__init__(definition)
        self.volts = self.current = 0.0
        self.speed_bound: float
        self.clock = 0
        self.candidate: State
        self.aim: Plan | None = None
        self.goal: float
        self.group: list[Motion] | None = None
        self.clamped = not definition.carries_on
        self.plan_limits = definition.limits
        self.keeps_to = self.will_keep_to = definition.sure
        self.low: float
        self.high: float
        self.held: str | None = None
        self.held_since: int
        self.run: Run | None = None
        self.activation: Activation | None = None
        self.taken_at = NEVER
        self.stop_kind: str | None = None
        self.deadline: int
        self.latched = False
        self.watched = False
        self.offset = 0.0
        # Set while the axis presses; the last one when that ends.
        self.push_speed: float | None
        self.pushed_since: int
        self.pushed_until: int
        # Set when the axis begins to lag, and read until it has caught up.
        self.behind_since: int
        self.progress_since: int
        self.behind_from: float
        self.behind_error: float
        self.progress_place: float
        self.first_current: float
        self.least_current: float
        self.greatest_current: float
        self.order = AxisOrder("off")
        self.order_key: tuple[object, ...] = ()

    @property
    def moving(self) -> bool:
        """Whether the set-point is under way."""
        return self.profile is not None

    @property
    def stopping(self) -> bool:
        """Whether a stop is under way, or has switched the axis off in this tick: it beats what would start (R33)."""
        return self.stop_kind is not None and (self.profile is not None or self.latched)

    @property
    def driven(self) -> bool:
        """Whether something that may move the axis is ordered."""
        if self.definition.is_spin:
            return (self.mode == "track" and self.velocity != 0.0) or (self.mode == "effort" and self.volts != 0.0)
        return self.profile is not None or self.mode == "effort"

    @property
    def powered(self) -> bool:
        return self.mode in POWERED

    @property
    def unit(self) -> list[Motion]:
        """The axes that move with this one under one clock, itself included."""
        return self.group if self.group is not None else [self]

    def ended(self) -> bool:
        """Whether the profile is over in this tick (or there is none)."""
        return self.profile is None or self.next_clock >= self.end_clock

    def follow(self, profile: Profile, start_clock: int = 0) -> None:
        """From this tick on, follow `profile`, whose clock stands at `start_clock` [ns] in this tick."""
        self.profile = profile
        self.next_clock = start_clock
        self.end_clock = round(profile.duration * 1e9) - ROUNDING_NS
        self.mode = "track"

    def adopt(self, aim: Plan, goal: float, limits: Limits, profile: Profile) -> None:
        """Follow `profile`, which `aim` planned to `goal`; `aim` is kept for going on after an interrupt (R53)."""
        self.aim = aim
        self.goal = goal
        self.plan_limits = limits
        self.will_keep_to = limits if self.mastered_by(limits, profile.start) else _faster(limits, self.stop_limits)
        self.stop_limits = self._stop_limits(limits)
        self.held = None
        self.stop_kind = None
        self.latched = self.watched = False
        self.behind_since = 0
        self.follow(profile)

    def mastered_by(self, limits: Limits, state: State) -> bool:
        """Whether a plan within `limits` may take the axis over in this state: at rest, or in a motion that keeps to
        no larger accelerations and jerks.

        Smaller ones would take longer to end an acceleration than the motion at hand has room for: the axis would pass
        its velocity limit, and all places that were proved for it.
        """
        stands = state.velocity == 0.0 and state.acceleration == 0.0
        return stands or _as_fast(limits, self.keeps_to)

    def brake(self) -> None:
        """Brake along the axis' own stopping profile from this tick's set-point (R53), or out of a push."""
        self.aim = None
        self.group = None
        self.held = None
        if self.mode == "effort" and not self.definition.is_spin:
            self.end_push()
        elif self.profile is not None:
            self._stop_from(self.advanced())

    def turn(self, mode: Mode, volts: float = 0.0, velocity: float = 0.0) -> None:
        """Turn a spin, by a voltage [V] or at a speed [rad/s]."""
        self.mode, self.volts, self.velocity = mode, volts, velocity
        self.stop_kind = None
        self.latched = False

    def end_push(self) -> None:
        """Brake out of a push from the speed that is read, along the axis' own stopping profile.

        Where it stands, or as good as, it is held. So it is where braking would take it beyond the bound of its push:
        an actuator that keeps that bound at any speed can hold before it. Where it is not known where the axis is, it
        goes off: there is no place to hold it at.
        """
        if self.push_speed is None:
            self.switch_off()
            self.occupy_everything()
            return
        self._remember_push()
        slowest, fastest = self.definition.limits.velocity
        speed = min(max(self.push_speed, slowest), fastest)
        under, over = way_to_stop(speed, 0.0, self.stop_limits)
        rest = self.position + under + over
        upwards = self.current >= 0.0
        if over - under <= self.definition.position_tolerance or (rest > self.bound if upwards else rest < self.bound):
            self.mode = "hold"
            self.occupy_what_is_known()
        else:
            self._stop_from(State(self.position, speed, 0.0))

    def _remember_push(self) -> None:
        """Where the axis may still get, up to its bound: its actuator pushes on until the new order has reached it, and
        the axis goes on from there as far as it takes to stop; none of its set-points says so.
        """
        begin, rush = self.position, self.speed_bound
        # Within its latency it may get as fast as its push allows.
        speed = rush if self.push_speed is None else self.push_speed
        under, over = way_to_stop(rush if self.latest else speed, 0.0, self.stop_limits)
        reached = begin + rush * self.latest * 1e-9 + under + over
        far = max(begin, min(reached, self.bound)) if self.current >= 0.0 else min(begin, max(reached, self.bound))
        self.pushed = (min(begin, far), max(begin, far))
        stopping = max(abs(rush), abs(speed)) / min(map(abs, self.stop_limits.acceleration))
        self.pushed_until = self.pushed_since + self.latest + round(stopping * 1e9) + RAMP_DEADLINE

    def pause(self) -> None:
        """Brake likewise and keep the goals, to be planned anew by whoever resumes (R35, R53)."""
        if self.profile is not None:
            self._stop_from(self.advanced())

    def rezero(self, shift: float) -> None:
        """All positions read so much more from now on; what was occupied in the old ones is forgotten (R42)."""
        state = self.advanced()
        state = State(state.position + shift, state.velocity, state.acceleration)
        self.offset += shift
        self.position += shift
        self.history.clear()
        self.pushed = None
        self.aim = None
        self.group = None
        self.held = None
        self.anywhere = False
        if self.profile is not None:
            self._stop_from(state)
        else:
            self.occupy_what_is_known()

    def brake_from_committed(self) -> None:
        """Follow the stopping profile that began at the last committed set-point."""
        self._stop_from(self.state(), self.gain)

    def _stop_from(self, state: State, start_clock: int = 0) -> None:
        self.will_keep_to = _faster(self.stop_limits, self.keeps_to)
        self.follow(stop(state, self.stop_limits), start_clock)

    def _stop_limits(self, planned: Limits) -> Limits:
        """Stopping as surely as the axis can; without a jerk limit where the move has none, else its course would
        differ.

        A longer way to stop must never be chosen in mid-motion: what the axis may be about to hit was judged by the
        shorter one. So an axis that moves without a jerk limit keeps to that until it stands.
        """
        sure = self.definition.sure
        stands = self.velocity == 0.0 and self.acceleration == 0.0
        if sure.jerk is not None and (planned.jerk is None or not (stands or self.stop_limits.jerk is not None)):
            return Limits(sure.velocity, sure.acceleration, None)
        return sure

    def begin_stop(self, kind: str, now: int) -> None:
        """Stop by category; a stop under way may escalate and never be eased (R33)."""
        if self.stop_kind is not None and STOP_RANK[kind] >= STOP_RANK[self.stop_kind]:
            return
        already = self.stop_kind is not None
        self.stop_kind = kind
        if kind == "off":
            self.switch_off()
            return
        if self.definition.is_spin:
            self.mode = "off"
            self.latched = kind == "ramp_then_off"
            return
        if not already:
            self.brake()
        self.deadline = now + self.end_clock + RAMP_DEADLINE
        if self.profile is None:
            self.finish_stop()

    def finish_stop(self) -> None:
        """The ramp has ended: hold or drop the axis."""
        if self.stop_kind == "ramp_then_off":
            self.switch_off()
        elif self.mode == "track":
            self.mode = "hold"
        self.watched = self.mode == "hold" and self.stop_kind == "ramp_then_hold"

    def switch_off(self) -> None:
        """No drive from this tick on, and not again before a reset (R33)."""
        if self.mode == "effort" and not self.definition.is_spin:
            self._remember_push()
        self.profile = None
        self.aim = None
        self.group = None
        self.held = None
        self.mode = "off"
        self.latched = True
        self.watched = False
        self.velocity = self.acceleration = 0.0

    def drop(self) -> None:
        """Disabled: no drive, the set-point follows what is measured (R41)."""
        self.switch_off()
        self.latched = False
        self.stop_kind = None
        self.activation = None
        self.run = None

    def prepare(self) -> None:
        """This tick's candidate set-point and the interval that the axis occupies if it goes there.

        Raises:
            ArithmeticError: the candidate is not finite; it must never be ordered.
        """
        profile = self.profile
        if profile is None:
            self.low = self.occupied_low
            self.high = self.occupied_high
            return
        clock = self.next_clock
        candidate = self.candidate = profile.goal if clock >= self.end_clock else profile.at(clock * 1e-9)
        # The sum of finite numbers times zero is zero, of anything else it is not a number.
        if (candidate[0] + candidate[1]) * 0.0 != 0.0:
            raise ArithmeticError(f"the set-point of {self.definition.name} is not finite: {candidate}")
        self.low, self.high = self._reach(candidate)

    def commit(self, now: int, gap: int) -> None:
        """Take this tick's candidate as the set-point; `gap` [ns] is how long the last one was carried on."""
        profile = self.profile
        if profile is None:
            return
        if self.definition.carries_on and self.velocity and self.history:
            self.history.append((now, self.position + self.velocity * gap * 1e-9))
        self.position, self.velocity, self.acceleration = self.candidate
        self.keeps_to = self.will_keep_to
        self.clock = self.next_clock
        self.occupied_low = self.low
        self.occupied_high = self.high
        history = self.history
        if not history or history[-1][1] != self.position:
            history.append((now, self.position))
        if self.clock >= self.end_clock:
            self.profile = None
            if self.stop_kind is not None:
                self.finish_stop()

    def write(self) -> AxisOrder:
        """The order of this tick; the same object again while nothing changes."""
        mode = self.mode
        if mode == "track" and self.profile is None and not self.definition.is_spin:
            mode = "hold"
        if mode == "track":
            velocity, acceleration, position = self.velocity, self.acceleration, self.position
            self.order_key = ()
            table = self.definition.feedforward
            volts = 0.0 if table is None else feedforward(table, position, velocity, acceleration)
            self.order = _new_order(AxisOrder, ("track", position - self.offset, velocity, acceleration, volts, 0.0))
            return self.order
        key = (mode, self.position, self.volts, self.current, self.bound, self.offset)
        if key == self.order_key:
            return self.order
        self.order_key = key
        if mode == "hold":
            self.order = AxisOrder(
                "hold",
                self.position - self.offset,
                0.0,
                0.0,
                feedforward(self.definition.feedforward, self.position, 0.0, 0.0),
            )
        elif mode == "effort":
            if self.definition.is_spin:
                self.order = AxisOrder("effort", volts=self.volts)
            else:
                self.order = AxisOrder("effort", self.bound - self.offset, self.speed_bound, 0.0, 0.0, self.current)
        else:
            self.order = AxisOrder(mode)
        return self.order


def _as_fast(one: Limits, other: Limits) -> bool:
    """Whether the accelerations and the jerk of the first are nowhere smaller than those of the other."""
    (low, high), (other_low, other_high) = one.acceleration, other.acceleration
    if low > other_low or high < other_high:
        return False
    return one.jerk is None or (other.jerk is not None and one.jerk >= other.jerk)


def _faster(one: Limits, other: Limits) -> Limits:
    """The larger accelerations and the larger jerk of two limits, with the velocities of the first."""
    if _as_fast(one, other):
        return one
    (low, high), (other_low, other_high) = one.acceleration, other.acceleration
    jerk = None if one.jerk is None or other.jerk is None else max(one.jerk, other.jerk)
    return Limits(one.velocity, (min(low, other_low), max(high, other_high)), jerk)
