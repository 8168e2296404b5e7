"""Where one axis is commanded to be, and what it occupies: set-points in flight, and the way to rest (R29, R32)."""

from __future__ import annotations

from collections import deque
from typing import TYPE_CHECKING

from profiles import Limits, Profile, State
from sequencer.ports.orders import Mode
from sequencer.run.stopping_way import carried_on, way_to_stop

if TYPE_CHECKING:
    from sequencer.run.definition import AxisDefinition


_new_state = tuple.__new__
"""Makes a named tuple in half the time; several are asked for in a tick."""

POWERED: tuple[Mode, ...] = ("track", "hold", "effort")
"""The modes in which an axis is driven."""


class Occupied:
    """The committed set-point of an axis, in `mode`, and the interval that it occupies.

    `history` holds the set-points that a latency may still have in flight, with their times [ns]. `gain` [ns] is what
    this tick adds to the motion clock. `known`: there is a set-point; `anywhere`: the axis counts as all over its
    travel. `bound` [m or rad] is how far an axis that presses may go; `pushed` is where a push that is over may still
    take it. `next_clock` [ns] is where this tick is on
    `profile`, which ends at `end_clock`.
    """

    __slots__ = (
        "acceleration",
        "anywhere",
        "bound",
        "definition",
        "end_clock",
        "gain",
        "history",
        "known",
        "latest",
        "mode",
        "next_clock",
        "occupied_high",
        "occupied_low",
        "position",
        "profile",
        "pushed",
        "stop_limits",
        "velocity",
    )

    def __init__(self, definition: AxisDefinition) -> None:
        self.definition = definition
        self.position = self.velocity = self.acceleration = 0.0
        self.known = definition.is_spin
        self.anywhere = True
        self.mode: Mode = "off"
        self.bound = 0.0
        self.pushed: tuple[float, float] | None = None
        self.profile: Profile | None = None
        self.next_clock: int
        self.end_clock = 0
        self.gain: int
        self.latest = definition.latency[1]
        self.stop_limits: Limits = definition.sure
        self.history: deque[tuple[int, float]] = deque()
        self.occupied_low, self.occupied_high = definition.travel

    def state(self) -> State:
        """The committed set-point."""
        return _new_state(State, (self.position, self.velocity, self.acceleration))

    def advanced(self) -> State:
        """The set-point that this tick has reached on the present profile."""
        if self.profile is None:
            return State(self.position, 0.0, 0.0)
        if self.next_clock >= self.end_clock:
            return self.profile.goal
        return self.profile.at(self.next_clock * 1e-9)

    def _reach(self, state: State) -> tuple[float, float]:
        """The interval that the axis occupies if it brakes from a state."""
        if self.anywhere:
            return self.definition.travel
        position, velocity, acceleration = state
        low = high = position
        for _, past in self.history:
            if past < low:
                low = past
            elif past > high:
                high = past
        if self.pushed is not None:
            low, high = min(low, self.pushed[0]), max(high, self.pushed[1])
        if velocity or acceleration:
            under, over = way_to_stop(velocity, acceleration, self.stop_limits)
            if self.definition.carries_on:
                ahead_down, ahead_up = carried_on(self.definition, velocity, acceleration, self.stop_limits)
                under -= ahead_down
                over += ahead_up
            under += position
            over += position
            if under < low:
                low = under
            if over > high:
                high = over
        return low, high

    def reach_if_braking(self) -> tuple[float, float]:
        """The interval that the axis occupies if it brakes from its committed set-point."""
        return self._reach(self.state())

    def reach_if_braking_now(self) -> tuple[float, float]:
        """The interval that the axis occupies if it brakes from this tick's set-point."""
        return self._reach(self.advanced())

    def occupied(self) -> tuple[float, float]:
        """What the axis occupies before this tick moves it, for gates (R32)."""
        if self.profile is None or self.anywhere:
            return self.occupied_low, self.occupied_high
        return self._reach(self.state())

    def error(self, measured: float) -> float:
        """Measured minus the nearest set-point that may be in force after the latency [m or rad]; 0 within them, and
        where a push that is over may still take the axis (R45, R46).
        """
        low = high = self.position
        for _, past in self.history:
            if past < low:
                low = past
            elif past > high:
                high = past
        if self.velocity and self.definition.carries_on:
            ahead = self.position + self.velocity * self.gain * 1e-9
            if ahead < low:
                low = ahead
            elif ahead > high:
                high = ahead
        if self.pushed is not None:
            low, high = min(low, self.pushed[0]), max(high, self.pushed[1])
        if measured < low:
            return measured - low
        return measured - high if measured > high else 0.0

    def forget(self, now: int) -> None:
        """Drop set-points that no latency can still have in flight, and what they occupied."""
        history = self.history
        horizon = now - self.latest
        while len(history) > 1 and history[1][0] <= horizon:
            history.popleft()
            if self.profile is None and not self.anywhere:
                self.occupy_what_is_known()

    def rebase(self, position: float, now: int) -> None:
        """The set-point follows what is measured: an unpowered axis, or one that presses (R29, R46)."""
        self.position = position
        self.velocity = self.acceleration = 0.0
        self.known = True
        history = self.history
        if not history or history[-1][1] != position:
            history.append((now, position))
        self.occupy_what_is_known()

    def occupy_what_is_known(self) -> None:
        """The set-points in flight; for an axis that presses, the way to its bound as well."""
        self.anywhere = False
        if self.profile is None:
            self.occupied_low, self.occupied_high = self._reach(State(self.position, 0.0, 0.0))
            if self.mode == "effort":
                self.occupied_low = min(self.occupied_low, self.bound)
                self.occupied_high = max(self.occupied_high, self.bound)

    def occupy_everything(self) -> None:
        """Not zeroed or not measured: the axis may be anywhere in its travel (R42)."""
        self.anywhere = True
        self.occupied_low, self.occupied_high = self.definition.travel
