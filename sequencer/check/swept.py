"""Where the axes of each body may be while a routine moves it: the boxes that its proof covers, cut at gates."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import NamedTuple

from sequencer.check.bodies import Bodies
from sequencer.check.clear_starts import clear_starts
from sequencer.check.gating import Gating
from sequencer.check.keep_out import KeepOutSearch
from sequencer.check.order import Order
from sequencer.check.places_outside import PlacesOutside
from sequencer.check.scenarios import scenarios_of
from sequencer.check.spans import Span
from sequencer.check.together import EVERYWHERE, Meeting, Together
from sequencer.plan.resolve import FlatRoutine


class Sweep(NamedTuple):
    """Where some axes may be at the same time while `steps`, by path, move them: true positions [m or rad] by axis,
    with what each may be off its orders."""

    steps: frozenset[str]
    box: Mapping[str, Span]


class Swept:
    """All that the axes of a routine do together, whatever the timing.

    Args:
        flat: a routine on a machine with bodies.
        bodies: the machine's bodies.
    """

    def __init__(self, flat: FlatRoutine, bodies: Bodies) -> None:
        self.bodies = bodies
        self.order = Order(flat)
        starts = clear_starts(self.order, self.bodies)
        self.phases = KeepOutSearch(self.order, scenarios_of(flat, () if starts is None else starts.boxes)).phases
        self.places = PlacesOutside(self.order, bodies)

    def of(self, axes: Sequence[str]) -> list[Sweep]:
        """The boxes of some axes; those that lie in another one of the same steps are left out."""
        found: dict[frozenset[str], list[Mapping[str, Span]]] = {}
        for meeting in self._meetings(axes):
            steps = frozenset(self.order.occurrences[part.number].name for part in meeting.parts if part.moving)
            box = {
                part.axis: self.bodies.widened(part.axis, span)
                for part, span in zip(meeting.parts, meeting.spans, strict=True)
            }
            found.setdefault(steps, []).append(box)
        return [Sweep(steps, box) for steps, boxes in found.items() for box in _largest(boxes)]

    def moving_steps(self) -> list[str]:
        """The steps that move an axis, by path, in file order; a step in a repeat once."""
        return list(dict.fromkeys(one.name for one in self.order.occurrences if one.axes))

    def outside(self, body: str, step: str | None = None) -> Span:
        """Where a body outside may stand [m] while a step moves; without one, anywhere the routine has it.

        Args:
            body: its name.
            step: path of the step.
        """
        spans = [
            self.places.span(body, meeting.parts)
            for axis in self.order.owners
            if axis in self.bodies.tree.index
            for meeting in self._meetings([axis])
            if step is None or any(self.order.occurrences[part.number].name == step for part in meeting.parts)
        ]
        spans = spans or [self.places.at_start(body)]
        return min(low for low, _ in spans), max(high for _, high in spans)

    def _meetings(self, axes: Sequence[str]) -> Iterator[Meeting]:
        for phases in self.phases:
            yield from Together(phases, Gating(phases, {}), dict.fromkeys(axes, EVERYWHERE)).meetings()


def _largest(boxes: Iterable[Mapping[str, Span]]) -> list[Mapping[str, Span]]:
    found: list[Mapping[str, Span]] = []
    for box in sorted(boxes, key=lambda one: -sum(high - low for low, high in one.values())):
        if not any(
            all(other[axis][0] <= low and high <= other[axis][1] for axis, (low, high) in box.items())
            for other in found
        ):
            found.append(box)
    return found
