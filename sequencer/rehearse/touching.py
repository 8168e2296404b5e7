"""Which bodies may touch now: those that active steps let touch."""

from __future__ import annotations

from collections.abc import Iterable

from sequencer.pack import CheckedRoutine
from sequencer.ports.orders import Event

Names = frozenset[str]
"""The names of two bodies."""


class Touching:
    """Follows the events of routines that say which bodies may touch in which step.

    A pair that may touch in a step may do so while it is active, and after it was broken off until another step starts,
    since it stops where it is.

    Args:
        routines: those that may run.

    Attributes:
        now: the pairs that may touch.
    """

    def __init__(self, routines: Iterable[CheckedRoutine]) -> None:
        self._touching = {
            (routine.name, step["name"]): frozenset(frozenset(pair) for pair in step["touching"])
            for routine in routines
            for step in routine.routine["steps"]
            if "touching" in step
        }
        self._active: set[tuple[str, str]] = set()
        self._left: set[tuple[str, str]] = set()
        self.now: frozenset[Names] = frozenset()

    def __bool__(self) -> bool:
        return bool(self._touching)

    def consider(self, events: Iterable[Event]) -> None:
        """Follow what happened in a tick."""
        ended = set()
        for event in events:
            who = event.run, event.step
            if event.kind == "start":
                self._active -= self._left
                self._left.clear()
                if who in self._touching:
                    self._active.add(who)
            elif event.kind == "end" and who in self._active:
                ended.add(who)
                (self._active.discard if dict(event.values)["outcome"] == "done" else self._left.add)(who)
            elif event.kind == "run" and event.text not in ("start", "done"):
                # Broken off between two steps that let the same bodies touch.
                left = {one for one in ended if one[0] == event.run}
                self._active |= left
                self._left |= left
        self.now = frozenset(pair for step in self._active for pair in self._touching[step])
