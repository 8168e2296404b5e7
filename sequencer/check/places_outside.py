"""Where bodies outside the machine may stand while steps move, by what the routine says from which step on."""

from __future__ import annotations

from collections.abc import Sequence

from sequencer.check.bodies import Bodies
from sequencer.check.order import Occurrence, Order
from sequencer.check.spans import Span, hull
from sequencer.check.together import Part
from sequencer.routine.routine import OutsideRange


class PlacesOutside:
    """The ranges of a routine's bodies outside.

    Args:
        order: its occurrences.
        bodies: the machine's bodies.
    """

    def __init__(self, order: Order, bodies: Bodies) -> None:
        self.order = order
        self.bodies = bodies
        self.said: dict[str, list[OutsideRange]] = {}
        for one in order.flat.routine.outside:
            self.said.setdefault(one.body, []).append(one)
        self._of_step: dict[str, list[Occurrence]] = {}
        for occurrence in order.occurrences:
            self._of_step.setdefault(occurrence.name, []).append(occurrence)

    def at_start(self, body: str) -> Span:
        """Where a body may stand before any step has started [m]."""
        return hull([one.range for one in self.said.get(body, ()) if one.since is None] or [self._declared(body)])

    def span(self, body: str, parts: Sequence[Part]) -> Span:
        """Where a body may stand while all of these parts are so [m]."""
        said = self.said.get(body)
        if not said:
            return self._declared(body)
        here = [self.order.occurrences[part.number] for part in parts if part.number >= 0]
        sure = [one for one in said if one.since is None or any(self._has_come(one, other) for other in here)]
        latest = [one for one in sure if not any(self._follows(other, one) for other in sure if other is not one)]
        # One that may have come already, but need not, holds or does not.
        active = [self.order.occurrences[part.number] for part in parts if part.moving]
        open_ones = [one for one in said if one not in sure and not any(self._comes_later(one, o) for o in active)]
        spans = [one.range for one in (*latest, *open_ones)]
        return hull(spans if latest else [*spans, self._declared(body)])

    def _declared(self, body: str) -> Span:
        found = self.bodies.tree.bodies[body].range
        assert found is not None
        return found

    def _has_come(self, said: OutsideRange, here: Occurrence) -> bool:
        """Whether the step that a range holds from has surely started while another step is active or after it."""
        return any(
            one.number == here.number or (here.started >> one.number & 1 and self.order.certain(one, here.conditions))
            for one in self._of_step.get(said.since or "", ())
        )

    def _comes_later(self, said: OutsideRange, here: Occurrence) -> bool:
        """Whether that step surely starts only after another one is over."""
        return all(here.after >> one.number & 1 for one in self._of_step.get(said.since or "", ()))

    def _follows(self, later: OutsideRange, earlier: OutsideRange) -> bool:
        """Whether one range replaces another: its step surely starts after the other's."""
        if later.since is None:
            return False
        if earlier.since is None:
            return True
        firsts = self._of_step.get(earlier.since, ())
        return any(one.started >> other.number & 1 for one in self._of_step.get(later.since, ()) for other in firsts)
